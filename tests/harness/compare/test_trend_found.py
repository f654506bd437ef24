"""Responses over firmware versions: a change is told with the version that brought it, and nothing else is."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace

import pytest

from ventproof.compare.comparison import compare
from ventproof.compare.measures import ShiftLimits
from ventproof.compare.side import side_of
from ventproof.compare.trend import trend
from ventproof.compare.words import sentence
from ventproof.verdict.finding import Bounds
from ventproof_bench.base.evidence import Window


@pytest.fixture
def follow(logged, finding):
    """Follow made-up response times by firmware version; further fields go to the runs."""

    def make(times, limits=ShiftLimits(), **fields):  # noqa: B008 - a constant
        runs = []
        for firmware, values in times.items():
            for value in values:
                margin = Bounds(1.0, 1.8)
                made = finding(response_s=Window(value - 0.15, value + 0.15), margin=margin)
                run = logged(firmware=firmware, digest=f"{len(runs)}", findings=(made,), **fields).run
                runs.append(run)
        return trend(side_of("records", runs), limits)

    return make


def test_the_version_that_brought_a_change_is_named(follow):
    """Versions stand in the order of their numbers, and what came before is compared as a whole."""
    slow = [27.0, 27.2, 27.1]
    found = follow({"1.10": slow, "1.2": [21.0, 21.2, 21.1], "1.9": [21.1, 21.0, 21.2], "1.11": slow})
    assert list(found.versions) == ["1.2", "1.9", "1.10", "1.11"]
    (change,) = found.changes
    assert (change.firmware, change.before, change.since) == ("1.10", ("1.2", "1.9"), ("1.10", "1.11"))
    assert change.compared.meaning == "worse"
    assert sentence(change.compared, 0.95).startswith("responds 6.0 s later (95 %: +5.")


def test_a_change_that_was_taken_back_is_two(follow):
    """Worse with one version and better with the next: both are told, in order."""
    found = follow({"1.0": [21.0, 21.1] * 2, "1.1": [27.0, 27.1] * 2, "1.2": [21.0, 21.1] * 2})
    assert [(c.firmware, c.compared.meaning) for c in found.changes] == [("1.1", "worse"), ("1.2", "better")]


def test_single_runs_of_many_versions_show_a_change_too(follow):
    """One run a version is enough when there are several versions on each side."""
    times = {f"1.{n}": [21.0 + 0.1 * (n % 3) + 6 * (n >= 5)] for n in range(10)}
    (change,) = follow(times).changes
    assert change.firmware == "1.5"
    assert change.compared.shift.runs == (5, 5)


@pytest.mark.parametrize("repeats", [1, 3])
@pytest.mark.parametrize(
    "times",
    [
        pytest.param([21.0, 21.0, 26.0], id="the newest of three"),
        pytest.param([21.0, 20.9, 21.1, 21.0, 22.0], id="a second later than in all before"),
        pytest.param([21.0, 30.0, 21.0, 26.0], id="after others that scatter"),
    ],
)
def test_one_version_of_several_is_found_as_one_of_two_is(follow, times, repeats):
    """The versions before the newest take nothing from the power that it and the one before it have alone."""
    values = {f"2.{n}": [at_s + 0.01 * k for k in range(repeats)] for n, at_s in enumerate(times)}
    newest = f"2.{len(times) - 1}"
    alone = follow(dict(list(values.items())[-2:])).changes
    told = [change.compared.meaning for change in follow(values).changes if change.firmware == newest]
    assert told == [change.compared.meaning for change in alone] == ["worse"]


def test_a_change_between_the_first_two_of_three_versions_is_found(follow):
    """Of three versions two that are alike show how far the third is from them."""
    found = follow({"2.0": [21.0, 21.1], "2.1": [26.0, 26.1], "2.2": [26.1, 26.0]})
    told = [(c.firmware, c.since, c.compared.meaning) for c in found.changes if c.compared.meaning != "open"]
    assert told == [("2.1", ("2.1", "2.2"), "worse")]


def test_the_newest_version_is_told_of_as_a_comparison_tells(logged, finding):
    """Whatever the versions before, `trend` says of the newest what `compare` says of it and the one before."""
    rng = random.Random(7)

    def runs(firmware, count, late_s):
        return [
            logged(
                firmware=firmware,
                digest=f"{firmware}-{n}",
                findings=tuple(
                    finding(number=k, signal=f"vent_{k}", response_s=Window(at_s, at_s + 0.3))
                    for k in range(6)
                    for at_s in [20 + rng.gauss(0, 0.2) + late_s * k]
                ),
            ).run
            for n in range(count)
        ]

    before = [run for n in range(3) for run in runs(f"2.{n}", 3, n)]
    old, new = runs("2.3", 3, 0), runs("2.4", 3, 0.5)
    found = trend(side_of("records", [*before, *old, *new]), ShiftLimits())
    told = compare(side_of("2.3", old), side_of("2.4", new), ShiftLimits())
    shifted = {
        (one.key, one.measure, one.meaning) for one in told.shifts if one.meaning in {"worse", "better"}
    }
    assert len(shifted) >= 2
    assert shifted <= {
        (c.compared.key, c.compared.measure, c.compared.meaning) for c in found.changes if c.firmware == "2.4"
    }


def test_a_profile_that_the_newest_version_was_not_run_with_is_told(logged):
    """Of what was run with the version before only, no trend says anything, and it says so."""
    old = [logged(digest="a").run, logged(digest="b", profile="frost").run]
    found = trend(side_of("records", [*old, logged(digest="c", firmware="1.1").run]), ShiftLimits())
    assert found.alarms == ("firmware 1.1 has no run of frost: not compared",)


def test_two_versions_of_one_run_each_are_compared(follow):
    """With one boundary there is nothing to look for: what is beyond the limit is told, what is within is not."""
    (change,) = follow({"2.3": [21.0], "2.4": [26.0]}).changes
    assert (change.firmware, change.before, change.compared.meaning) == ("2.4", ("2.3",), "worse")
    assert sentence(change.compared, 0.95).startswith("responds 5.0 s later")
    assert follow({"2.3": [21.0], "2.4": [21.1]}).changes == ()


def test_what_scatters_alike_in_all_versions_has_no_change(follow):
    """Of 120 trends over eight like versions at most 5 % tell of a change of the newest, and of any before: 0 here."""
    rng = random.Random(4)
    told = Counter()
    for _ in range(120):
        found = follow({f"1.{n}": [21 + rng.gauss(0, 0.5) for _ in range(3)] for n in range(8)})
        told.update({c.firmware == "1.7" for c in found.changes if c.compared.meaning != "open"})
    assert max(told.values(), default=0) <= 6


def test_one_version_has_no_trend(follow):
    """There is nothing to compare it with."""
    found = follow({"1.0": [21.0, 27.0]})
    assert (len(found.versions), found.changes) == (1, ())


def test_runs_that_differ_in_more_than_the_firmware_are_told(follow, logged):
    """Another unit among the runs may be what changed."""
    one, other = logged(digest="a").run, replace(logged(digest="b").run, unit="GH-8", firmware="1.1")
    found = trend(side_of("records", [one, other]), ShiftLimits())
    assert found.alarms == ("the runs have different units, which may be what changed: GH-7, GH-8",)
    assert follow({"1.0": [21.0], "1.1": [21.0]}).alarms == ()


def test_another_decision_rule_is_told_only_where_it_is_the_same_profile(logged):
    """A suite may hold profiles of either rule; what was decided by one and then by the other may be what changed."""
    one, other = logged(digest="a").run, replace(logged(digest="b").run, decision="simple")
    assert trend(side_of("records", [one, replace(other, profile="another")]), ShiftLimits()).alarms == ()
    assert trend(side_of("records", [one, other]), ShiftLimits()).alarms == (
        f"the runs of {one.profile} have different decision rules, which may be what changed: guarded, simple",
    )
