"""The override table as an annex of a report: each line with what proves it, and none called proved that is not."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.draft.traceability import table_section
from ventproof.log.events import PinnedText
from ventproof.oracle.proofs import Shown
from ventproof.table.lines import lines
from ventproof.table.load import read_table

TEXT = (SHIPPED_BENCH.parent / "mock-overrides.yaml").read_text(encoding="utf-8")
PINNED = PinnedText("make-believe", "ab" * 32, TEXT)


TOLD, LEFT = "rain begins after 5.4 s", "rain begins after 0 s"


def chapter(profile, standing, told=(TOLD,), left=()):
    return SimpleNamespace(profile=profile, standing=standing, shown=(Shown("rain.entry_delay", told, left),))


def results(section):
    (table,) = section.tables
    return {name: (result, by) for _, _, name, result, by in table.rows}


def test_every_line_of_the_table_is_in_the_annex():
    """Lines without any run say so."""
    section = table_section(PINNED, [chapter("rain", "pass")], "table-1")
    names = [line.name for line in lines(read_table("table.yaml", TEXT))]
    assert list(results(section)) == names
    assert results(section)["rain.entry_delay"] == ("proved", "rain: pass")
    assert results(section)["rain.release_delay"] == ("by no profile", "no run in this report")
    assert section.sentences[:2] == (
        f"1 of the table's {len(names)} lines are proved by runs in this report that passed.",
        f"{len(names) - 1} have no run in this report.",
    )


@pytest.mark.parametrize(
    "standing", ["fail", "inconclusive", "aborted", "broken", "contradicted", "unconfirmed"]
)
def test_a_line_with_a_run_that_did_not_pass_is_not_proved(standing):
    """Not even where the same profile passed in another run, or another profile passed."""
    runs = [chapter("rain", standing), chapter("rain", "pass"), chapter("showers", "pass")]
    section = table_section(PINNED, runs, "table-1")
    by = f"rain: {standing}, pass; showers: pass"
    assert results(section)["rain.entry_delay"] == ("not passed", by)
    assert section.sentences[0].startswith("0 of ")
    assert section.sentences[-1] == "1 have a run that did not pass."


@pytest.mark.parametrize(
    ("runs", "result"),
    [
        ([chapter("rain", "pass", (), (TOLD, LEFT))], "claimed, not shown"),
        ([chapter("rain", "pass", (TOLD,), (LEFT,))], "shown in part"),
        ([chapter("rain", "pass", (TOLD,), (LEFT,)), chapter("b", "pass", (LEFT,), (TOLD,))], "proved"),
    ],
)
def test_a_claim_counts_as_far_as_it_is_shown(runs, result):
    """What nothing shows is not proved although its runs passed; two runs may show the two sides of an edge."""
    section = table_section(PINNED, runs, "table-1")
    found, by = results(section)["rain.entry_delay"]
    assert found == result
    assert ("would pass too: " in by) == (result != "proved")
    assert section.sentences[0].startswith("1 of " if result == "proved" else "0 of ")


def test_a_table_that_cannot_be_read_is_said_so():
    """A log that somebody made up still makes a report."""
    section = table_section(replace(PINNED, text="table: ["), [], "table-1")
    assert section.sentences[0].startswith("The table cannot be read: override table in the log:")
    assert section.tables == ()
