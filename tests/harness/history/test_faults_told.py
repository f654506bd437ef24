"""Faults of the mock in past runs: who reads of a change must read what was injected."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ventproof.history.faults import fault_lines, fault_lines_by_version, faults_text
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof_bench.mock.faults.fault import GivenFault

SLOW = GivenFault("slow_travel", 2)
ABOUT = "the drives run slow, as with a weak supply or a dragging gear"


@pytest.fixture
def runs(logged):
    """Make runs on the mock with these faults."""
    record = results_of(read_log(logged(clock="virtual", started=None)))
    return lambda *faults, **fields: [replace(record, faults=given, **fields) for given in faults]


def test_a_fault_of_all_runs_is_one_sentence_with_what_it_does(runs):
    """Its severity is as `--fault` takes it."""
    assert fault_lines("candidate", runs((SLOW,), (SLOW,))) == [
        f"candidate ran with fault slow_travel=2: {ABOUT}"
    ]


def test_a_fault_of_some_runs_says_of_how_many(runs):
    """A set that mixes healthy and faulty units is not told as faulty."""
    assert fault_lines("candidate", runs((SLOW,), (), ())) == [
        f"candidate ran with fault slow_travel=2 in 1 of 3 runs: {ABOUT}"
    ]


def test_many_faults_are_counted(runs):
    """The most frequent three have a line each."""
    names = ("slow_travel", "no_debounce", "runs_on", "hunts", "release_late")
    lines = fault_lines("base", runs(*((GivenFault(name),) for name in (*names, "hunts"))))
    assert len(lines) == 4
    assert lines[0].startswith("base ran with fault hunts in 2 of 6 runs: ")
    assert lines[-1] == "base ran with 2 more faults"


def test_healthy_units_have_no_line(runs):
    """Neither on the mock nor on real wires, where the history is older than its column of faults."""
    assert fault_lines("base", runs((), ())) == []
    assert fault_lines("base", runs(None, clock="wall")) == []


def test_faults_that_nobody_knows_are_said(runs):
    """A history of an older ventproof has none of them, and its logs have."""
    assert fault_lines("base", runs(None, ())) == [
        "base: faults of the mock unknown in 1 run; `ventproof history import` reads their logs again"
    ]


def test_a_fault_of_another_ventproof_is_named_all_the_same(runs):
    """A log keeps what it was run with, whatever this ventproof knows."""
    (line,) = fault_lines("base", runs((GivenFault("melts"),)))
    assert line == "base ran with fault melts: not known to this ventproof"


def test_each_version_says_its_own(runs):
    """In the order in which the versions come; runs without a version are named so."""
    made = [*runs((SLOW,), firmware="2"), *runs((), firmware="1"), *runs((GivenFault("hunts"),), firmware="")]
    assert [line.partition(":")[0] for line in fault_lines_by_version(made)] == [
        "firmware 2 ran with fault slow_travel=2",
        "firmware not stated ran with fault hunts",
    ]


@pytest.mark.parametrize(
    ("faults", "said"),
    [
        ((), ""),
        (None, ""),
        ((SLOW,), "fault slow_travel=2"),
        ((GivenFault("hunts"), SLOW), "faults hunts, slow_travel=2"),
    ],
)
def test_the_faults_of_one_run_are_named_in_a_list(runs, faults, said):
    """Short: the list has a line for each run."""
    (run,) = runs(faults)
    assert faults_text(run) == said
