"""A mock unit made from an override table: it does what the table says, and what it cannot do is said."""

from __future__ import annotations

from pathlib import Path

import pytest
from as_mock import with_table

from ventproof.table.load import load_table, read_table
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench, read_bench
from ventproof_bench.mock.unit import build

FILES = Path(__file__).parents[3] / "bench" / "files"
BENCH = load_bench(FILES / "mock.yaml")
TABLE = load_table(FILES / "mock-overrides.yaml")


def changed(old, new):
    """Return the shipped table with one change."""
    assert TABLE.text.count(old) >= 1
    return read_table("table.yaml", TABLE.text.replace(old, new, 1))


def test_the_shipped_bench_says_what_the_shipped_table_says():
    """Written anew from the shipped table, the shipped mock's settings are what they were."""
    made = with_table(BENCH, TABLE)
    assert made.model.mock.model_dump() == BENCH.model.mock.model_dump()


def test_the_rest_of_the_bench_file_stays_as_it_was_written():
    """Only the mock section is written anew; the text loads as the model says."""
    made = with_table(BENCH, changed("entry_delay: 2 s", "entry_delay: 5 s"))
    before, after = (loaded.text.partition("\nmock:")[0] for loaded in (BENCH, made))
    assert before == after
    assert read_bench("bench.yaml", made.text).model == made.model
    assert made.digest != BENCH.digest
    assert made.model.mock.rain.entry_delay == 5


def test_a_bench_in_braces_is_rewritten_too():
    """A bench file whose top level is in braces keeps its content."""
    import json  # noqa: PLC0415 - here only

    from ventproof_bench.yamlfile.tree import as_data  # noqa: PLC0415 - here only

    braces = read_bench("bench.yaml", json.dumps(as_data(BENCH.tree)))
    assert with_table(braces, TABLE).model == braces.model


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("precedence: most-closed", "precedence: [failure, gale, frost, rain]", "precedence"),
        ("restart: reference", "restart: resume", "supply"),
        ("    leeward: {roof: 20 %}\n", "", "wind"),
        ("{bus_silent: 10 min}", "{bus_silent: 1 min}", "bus_loss"),
        ("      - {bus_silent: 10 min}\n", "", "bus_loss"),
        ("      - {failed: cups}\n", "", "sensors"),
        ("above: 12 m/s, ends_at: 9 m/s", "above: 13 m/s, ends_at: 9 m/s", "wind"),
    ],
)
def test_what_the_table_changes_the_mock_changes(old, new, says):
    """Each part of the table reaches the section of the mock that it is about, and no other."""
    mock, shipped = with_table(BENCH, changed(old, new)).model.mock, BENCH.model.mock
    differing = {key for key in type(mock).model_fields if getattr(mock, key) != getattr(shipped, key)}
    assert differing == {says}


def test_an_override_that_the_table_lacks_is_taken_from_the_mock():
    """Without the gale in the table the mock has no cups either."""
    begin, end = TABLE.text.index("  gale:\n"), TABLE.text.index("  frost:\n")
    text = (TABLE.text[:begin] + TABLE.text[end:]).replace(
        "  cups: {flag: cups_failed, modes: [open], fails_after: 12 h}\n", ""
    )
    mock = with_table(BENCH, read_table("table.yaml", text)).model.mock
    assert mock.wind is None
    assert "cups" not in build(mock, 0.0, 0).contacts


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        (
            "{contact: rain, debounce: 50 ms}",
            "{contact: rein}",
            r"has no output 'rein'; did you mean 'rain'\?",
        ),
        (
            "{contact: rain, debounce: 50 ms}",
            "{contact: cups}",
            "is wired to the mock's 'cups'; .* read at its 'rain'",
        ),
        (
            "below: 2 °C, ends_at: 3 °C",
            "above: 40 °C, ends_at: 39 °C",
            "no override on this side of the value",
        ),
        ("entry_delay: 0 s", "entry_delay: 1 s", "the mock's failure override knows no delay; write 0 s"),
        (
            "modes: [open, short]",
            "modes: [open, stuck]",
            "takes a value that stays as it is for a steady one",
        ),
        ("{failed: outside_temperature}", "{failed: cups}", "a failed 'cups' for one override only"),
        ("      - {contact: rain, debounce: 50 ms}\n", "", "knows a bucket only beside a rain contact"),
        (
            "      - {failed: house_thermometer}",
            "      - {contact: rain}",
            "one override of this kind, which is 'rain'",
        ),
        (
            "      - {failed: cups}",
            "      - {contact: rain}",
            "no override that rain and gale call for together",
        ),
        (
            "      - {failed: house_thermometer}",
            "      - {failed: house_thermometer}\n      - {bus_silent: 20 min}",
            "takes a silent bus for one override only",
        ),
        ("    release_delay: 60 s\n", "    release_delay: 60 s\n    leeward: {roof: 5 %}\n", None),
    ],
)
def test_what_the_mock_cannot_do_is_said(old, new, reason):
    """A table that asks for more than the mock can do is refused, with the line of the table."""
    if reason is None:
        text = TABLE.text.replace(
            "    positions: {roof: 2 %, side: 0 %}", "    positions: {roof: 2 %}\n    leeward: {roof: 5 %}"
        )
        table, reason = read_table("table.yaml", text), "a lee side in a gale only"
    else:
        table = changed(old, new)
    with pytest.raises(FileError, match=rf"(?m)^table\.yaml:\d+:\d+: .*{reason}"):
        with_table(BENCH, table)


def test_a_bench_without_a_mock_is_refused():
    """A bench on real wires has no unit that could be told what to do."""
    with pytest.raises(FileError, match="has no mock unit that could do what the table says"):
        with_table(load_bench(FILES / "mock-tcp.yaml"), TABLE)
