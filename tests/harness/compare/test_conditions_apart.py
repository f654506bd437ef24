"""Runs of one profile under several conditions are not pooled, and what is left out is told."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ventproof.compare.comparison import compare
from ventproof.compare.conditions import kept_apart
from ventproof.compare.measures import ShiftLimits
from ventproof.compare.side import side_of
from ventproof.compare.trend import trend
from ventproof_bench.mock.faults.fault import GivenFault

SLOW = (GivenFault("slow_travel", 2),)
RAIN = "rain closes the vents"


@pytest.fixture
def runs(logged):
    """Make runs of one version; each is its faults, the first digits of its bench file, and its verdict."""

    def make(firmware, *given, profile=RAIN):
        return [
            replace(
                logged(verdict=verdict).run,
                clock="virtual",
                started=None,
                firmware=firmware,
                profile=profile,
                faults=faults,
                bench_sha256=bench * 64,
                seed=number,
            )
            for number, (faults, bench, verdict) in enumerate(given)
        ]

    return make


def compared(base, candidate):
    return compare(side_of("1.0", base), side_of("1.1", candidate), ShiftLimits())


GIVEN = st.lists(
    st.tuples(st.sampled_from([(), SLOW, None]), st.sampled_from("abc"), st.sampled_from(["pass", "fail"])),
    max_size=4,
)


@given(GIVEN, GIVEN)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_runs_under_unlike_conditions_share_a_profile_and_no_fail_of_the_candidate_is_lost(
    runs, base, candidate
):
    """Whatever was run: a profile of a side is one condition, what both sides have is compared, the rest is told."""
    before, after = side_of("1.0", runs("1.0", *base)), side_of("1.1", runs("1.1", *candidate))
    old, new, left = kept_apart(before, after)
    for side in (old, new):
        found = defaultdict(set)
        for run in side.runs:
            found[run.profile].add((run.faults, run.bench_sha256))
        assert all(len(conditions) == 1 for conditions in found.values())
    assert sum(run.verdict == "fail" for run in new.runs) == sum(run.verdict == "fail" for run in after.runs)
    lost = len(before.runs) + len(after.runs) - len(old.runs) - len(new.runs)
    assert sum(int(line.split(": ")[1].split()[0]) for line in left) == lost
    same = {run[:2] for run in base} & {run[:2] for run in candidate}
    assert len(same) <= len(old.profiles.keys() & new.profiles.keys())


def test_runs_with_a_fault_are_not_counted_to_runs_without(runs):
    """The base's runs with a fault excuse no fail, and those of the candidate blame no firmware."""
    healthy, slow = ((), "a", "pass"), (SLOW, "b", "fail")
    found = compared(runs("1.0", healthy, slow), runs("1.1", ((), "a", "fail")))
    assert (found.outcome, found.flips[0].base.verdicts) == ("worse", "pass")
    assert found.alarms[0] == (
        "1.0: 1 run of 1 profile left out (fault slow_travel=2): the candidate has none like it"
    )
    found = compared(runs("1.0", healthy), runs("1.1", healthy, slow))
    assert (found.outcome, found.flips) == ("open", ())
    assert [(one.profile, one.side) for one in found.lone] == [(f"{RAIN} (fault slow_travel=2)", "candidate")]


def test_each_condition_that_both_sides_have_is_compared(runs):
    """Healthy with healthy, slow with slow; a verdict that changed names the fault with which it did."""
    healthy, slow = ((), "a", "pass"), (SLOW, "b", "pass")
    found = compared(runs("1.0", healthy, slow), runs("1.1", healthy, (SLOW, "b", "fail")))
    assert {flip.profile for flip in found.flips} == {f"{RAIN} (fault slow_travel=2)"}
    assert not found.lone


def test_of_other_bench_files_the_last_of_each_side_are_compared(runs):
    """A file that was edited between versions does not end a comparison; that it differs is told."""
    found = compared(
        runs("1.0", ((), "a", "fail"), ((), "b", "pass")), runs("1.1", ((), "c", "pass"), ((), "d", "pass"))
    )
    assert (found.outcome, found.base.runs[0].verdict, len(found.candidate.runs)) == ("same", "pass", 1)
    assert [line.split(":")[0] for line in found.alarms[:3]] == [
        "1.0", "1.1", "the sides have different bench files"
    ]  # fmt: skip


def test_in_a_trend_a_profile_with_a_fault_is_another(runs):
    """Where a version ran it with and without; runs of which none had several faults keep their names."""
    healthy, slow = ((), "a", "pass"), (SLOW, "b", "fail")
    every = [*runs("1.0", healthy), *runs("1.1", healthy, slow), *runs("1.1", slow, profile="frost")]
    found = trend(side_of("all", every), ShiftLimits())
    assert {run.profile for run in found.versions["1.1"]} == {
        f"{RAIN} (no fault)", f"{RAIN} (fault slow_travel=2)", "frost"
    }  # fmt: skip
    assert not found.flips
