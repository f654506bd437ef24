"""The acceptance file: what it says stands in the first line of each log, and contradictions are found before a run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from ventproof.log.decode import event_of
from ventproof.log.encode import fields_of
from ventproof.log.events import Header, PinnedText, RunBegin
from ventproof.papers.acceptance import NOTHING, agreed, read_acceptance, told_of
from ventproof_bench.base.errors import FileError

EXAMPLE = Path(__file__).parents[3] / "bench" / "files" / "papers" / "acceptance.yaml"
FILE = read_acceptance("acceptance.yaml", EXAMPLE.read_text(encoding="utf-8"))


def test_options_and_file_state_one_unit():
    """What only one of them states counts; the file's word is found where both differ."""
    assert agreed(FILE, "unit", "") == agreed(FILE, "unit", "V-1042") == "V-1042"
    assert agreed(None, "unit", "V-7") == "V-7"
    short = read_acceptance("acceptance.yaml", "acceptance: SAT\nambient: {}\n")
    assert agreed(short, "operator", "Halvorsen") == "Halvorsen"
    with pytest.raises(FileError, match=r"^acceptance\.yaml:8:7: unit 'V-1042' contradicts 'V-7'") as caught:
        agreed(FILE, "unit", "V-7")
    assert "correct it, or leave --unit out" in str(caught.value)


def test_all_of_a_file_is_told_and_what_is_left_out_is_blank():
    """Blanks are for a pen; nothing is invented for them."""
    told = told_of(PinnedText("acceptance.yaml", FILE.digest, FILE.text))
    assert told["acceptance"] == "Factory acceptance test (FAT)"
    assert told["air"] == "21 °C, 45 % relative humidity"
    assert told["witness"] == "M. Okonjo, head grower"
    assert all(told[name] for name in NOTHING)
    assert set(told_of(None).values()) == {""}
    assert {name for name, said in told_of(PinnedText("a", "", "acceptance: SIT\n")).items() if said} == {
        "acceptance"
    }


@pytest.mark.parametrize("key", ["acceptance", "waivers"])
def test_papers_stand_in_the_first_line_of_a_log_and_older_logs_have_none(key):
    """A line with them is read back as it was written; a line without is as before papers."""
    bare = RunBegin(0.0, Header(format=5, versions={"ventproof": "0.4.0"}))
    fields = fields_of(bare)
    assert key not in fields
    with_paper = replace(bare, header=replace(bare.header, **{key: PinnedText("a.yaml", "0" * 64, "text")}))
    written = fields_of(with_paper)
    assert getattr(event_of("run_begin", 0.0, {**fields, key: written[key]}).header, key).text == "text"
    assert getattr(event_of("run_begin", 0.0, fields).header, key) is None
