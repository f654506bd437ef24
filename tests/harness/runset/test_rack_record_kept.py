"""The record that closes the test of a rack: written once, read back whole, and what it misses is said."""

from __future__ import annotations

import json

import pytest

from ventproof.runset.completeness import PresentLog
from ventproof.runset.present import Choice, checked_set
from ventproof.runset.rack_record import (
    RACK,
    RackedLog,
    RackedPlace,
    RackRecord,
    read_rack_record,
    write_rack_record,
)
from ventproof_bench.base.errors import FileError


def place(name, *logs, code=0, remark=""):
    """Return a place that left logs, each by its digit."""
    made = tuple(RackedLog(f"{name}/rain-{digit}.jsonl", digit * 64, "pass") for digit in logs)
    return RackedPlace(place=name, unit="V-1", firmware="3.1", planned=2, code=code, remark=remark, logs=made)


RECORD = RackRecord("bay", (place("left", "a", "b"), place("right", "c", code=4, remark="it was killed")))


def test_what_is_written_is_read_back(tmp_path):
    """Every field of every place."""
    write_rack_record(tmp_path / RACK, RECORD)
    assert read_rack_record(tmp_path / RACK) == RECORD


def test_a_record_is_never_written_over(tmp_path):
    """A second one of the same name is refused, and the first stays."""
    write_rack_record(tmp_path / RACK, RECORD)
    with pytest.raises(FileError, match="cannot be written"):
        write_rack_record(tmp_path / RACK, RackRecord("bay", ()))
    assert read_rack_record(tmp_path / RACK) == RECORD


def test_all_logs_here_leave_nothing_to_say():
    """Whatever their verdicts."""
    assert list(RECORD.missing({"a" * 64, "b" * 64, "c" * 64, "d" * 64})) == []


def test_a_log_that_is_not_here_is_named_with_how_it_ended():
    """By its place in the rack; a log that was changed has another digest and counts as not here."""
    assert list(RECORD.missing({"a" * 64, "c" * 64})) == [
        "1 of 2 logs of place left is not as listed, or is not here: left/rain-b.jsonl: pass."
    ]


def test_a_log_that_the_record_does_not_list_is_named(tmp_path):
    """It was put among those of a place, or a run was made there later; one beside the rack is none of its business."""
    write_rack_record(tmp_path / RACK, RECORD)
    logs = [
        PresentLog(str(tmp_path / "left" / f"rain-{digit}.jsonl"), digit, digit * 64, None, "pass")
        for digit in "abc"
    ]
    assert checked_set(logs, Choice.RECORDED).standing == ""
    added = PresentLog(str(tmp_path / "right" / "more.jsonl"), "d", "d" * 64, None, "pass")
    beside = PresentLog(str(tmp_path.parent / "more.jsonl"), "e", "e" * 64, None, "pass")
    found = checked_set([*logs, added, beside], Choice.RECORDED)
    said = "rack.json does not list right/more.jsonl: it was changed, added, or made after the rack ended."
    assert found.missing == (said,)


def test_a_place_without_a_log_is_named():
    """It was to be tested."""
    record = RackRecord("bay", (place("left", code=None),))
    assert list(record.missing(set())) == ["Place left of rack bay has no log."]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text[:-3], "it is not JSON"),
        (lambda text: text.replace("ventproof rack", "shopping list"), "does not say that it is"),
        (lambda text: text.replace('"version": 1', '"version": 2'), "reads version 1"),
        (lambda text: text.replace('"pass"', '"fine"', 1), "`outcome`"),
        (lambda text: text.replace("a" * 64, "a" * 63), "`sha256`"),
        (lambda text: text.replace('"planned": 2', '"planned": 0'), "`planned`"),
        (lambda text: json.dumps(json.loads(text)), "somebody changed it"),
    ],
)
def test_a_record_that_was_changed_is_refused(tmp_path, change, said):
    """One spelling is ours; nothing else is believed."""
    (tmp_path / RACK).write_text(change(RECORD.content.decode()), encoding="utf-8")
    with pytest.raises(FileError, match=said):
        read_rack_record(tmp_path / RACK)
