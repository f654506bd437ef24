"""The stories told to the judge are true: whoever finds a wrong verdict in one has found a fault of the judge."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from judge_cases import Case, play
from judge_stories import KINDS, story_case

from ventproof.verdict.finding import Verdict
from ventproof_bench.base.evidence import Gap, Sample

SEEDS = range(400)
NEAR = 1e-6  # what sums of decimal fractions are off by


@pytest.fixture(scope="module")
def stories() -> list[Case]:
    """Return the stories of all seeds."""
    return [story_case(seed) for seed in SEEDS]


def _standing(one: Case) -> list[Sample]:
    """Return the readings that were not withdrawn."""
    kept: list[Sample] = []
    for item in one.evidence:
        if isinstance(item, Sample):
            kept.append(item)
        elif item.reason == "withdrawn":
            kept = [x for x in kept if x.requested_s < item.from_s]
    return kept


def _may_show(one: Case, reading: Sample) -> bool:
    """Whether the course was near enough to a reading when it may have been taken."""
    values = [
        x for _, x in one.truth.between(reading.requested_s - one.traits.refreshed_every_s, reading.replied_s)
    ]
    if one.truth.steps:
        return reading.value in {x % one.traits.wraps_at if one.traits.wraps_at else x for x in values}
    return min(values) - one.traits.error - NEAR <= reading.value <= max(values) + one.traits.error + NEAR


def test_every_reading_shows_what_was_there(stories: list[Case]) -> None:
    """At some instant of its window the course was within the declared error of each reading."""
    assert [
        seed for seed, one in enumerate(stories) if not all(_may_show(one, x) for x in _standing(one))
    ] == []


def test_what_is_declared_of_a_signal_is_true_of_its_course(stories: list[Case]) -> None:
    """No vent is faster than its drive, and no flag, state or counter keeps a value for less than declared."""
    for seed, one in enumerate(stories):
        knots = list(pairwise(zip(one.truth.ts, one.truth.xs, strict=True)))
        assert all(a < b for (a, _), (b, _) in knots), seed
        rate, keeps_s = one.traits.rate_per_s, one.traits.keeps_for_s
        if rate is not None:
            assert all(abs(y - x) <= rate * (b - a) + NEAR for (a, x), (b, y) in knots), seed
        if keeps_s is not None:
            assert all(b - a >= keeps_s - NEAR for (a, _), (b, _) in knots[1:]), seed


def test_the_bus_brings_one_thing_after_the_other(stories: list[Case]) -> None:
    """Readings and gaps come in order, the stimulus is in its window, and the course covers all that is judged."""
    for seed, one in enumerate(stories):
        spans = [
            (x.from_s, x.to_s) if isinstance(x, Gap) else (x.requested_s, x.replied_s) for x in one.evidence
        ]
        spans = [
            x
            for x, item in zip(spans, one.evidence, strict=True)
            if getattr(item, "reason", "") != "withdrawn"
        ]
        assert all(a <= b for a, b in spans), seed
        assert all(a[1] <= b[0] for a, b in pairwise(spans)), seed
        assert one.stimulus.earliest_s <= one.s <= one.stimulus.latest_s, seed
        assert not spans or one.truth.ts[0] < spans[0][0] - one.traits.refreshed_every_s, seed


def test_stories_are_of_all_kinds_and_mostly_decided(stories: list[Case]) -> None:
    """Each kind of demand is as frequent as any other, comes to either verdict, and is seldom left open."""
    said = Counter((seed % len(KINDS), play(one).verdict) for seed, one in enumerate(stories))
    for kind in range(len(KINDS)):
        assert min(said[kind, Verdict.PASS], said[kind, Verdict.FAIL]) > 0, said
        assert said[kind, Verdict.INCONCLUSIVE] <= 0.6 * len(SEEDS) / len(KINDS), said
