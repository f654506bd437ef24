"""Readings against what is declared of them: a wrong fact is noticed, and a unit that is as declared never accused."""

from __future__ import annotations

import random

import pytest
from travelling import jogging, read, steady, wandering

from ventproof.envelope.spans import Block
from ventproof.judge.facts import DeclaredFacts
from ventproof_bench.base.evidence import Sample, SignalTraits


def vent(full_travel_s: float, *, step: float = 0.1, refresh_s: float = 0.5, accuracy: float = 0.2):
    """Return what is declared of a vent."""
    return SignalTraits(
        name="roof_vent",
        unit="%",
        error=step / 2 + accuracy,
        step=step,
        rate_per_s=100 / full_travel_s,
        refreshed_every_s=refresh_s,
    )


def accused(traits: SignalTraits, samples: list[Sample]) -> str:
    facts = DeclaredFacts(traits)
    return next((why for sample in samples if (why := facts.observe(sample))), "")


@pytest.mark.parametrize("course", [steady, jogging, wandering])
def test_a_unit_that_is_as_declared_is_never_accused(course):
    """However a drive moves within its rate, jogs and pauses included, true facts are never said to be wrong."""
    for seed in range(70):
        r = random.Random(seed)
        full_s, step, bias = r.uniform(10, 100), r.choice([0.1, 0.5, 1.0]), r.choice([0.0, 0.2, 0.5])
        refresh_s = r.choice([0.0, 0.2, 0.5, 1.0, r.uniform(0, 2)])
        every_s = r.choice([0.25, 0.5, 1.0, 2.0, r.uniform(0.2, 5)])
        samples = read(
            r,
            course(r, 100 / full_s, 4),
            every_s=every_s,
            refresh_s=refresh_s * r.choice([1, 0.5, r.random()]),
            step=step,
            bias=bias,
        )
        declared_s = full_s / r.choice([1, 1.07, 1.3])
        assert accused(vent(declared_s, step=step, refresh_s=refresh_s, accuracy=bias), samples) == "", seed


@pytest.mark.parametrize(
    ("every_s", "step", "refresh_s", "declared_refresh_s", "says"),
    [
        (
            1.0,
            2.0,
            0.2,
            0.2,
            "every step of roof_vent was a multiple of 2 %, where a resolution of 0.1 % is declared",
        ),
        (0.1, 1.0, 0.2, 0.2, "every step of roof_vent was a multiple of 1 %"),
        (0.5, 0.3, 0.0, 0.0, "every step of roof_vent was a multiple of 0.3 %"),
        (1.0, 0.1, 1.5, 0.5, "where refreshed_every declares 0.5 s"),
        (0.25, 0.1, 0.6, 0.2, "where refreshed_every declares 0.2 s"),
    ],
)
def test_a_wrong_resolution_or_refresh_is_noticed(every_s, step, refresh_s, declared_refresh_s, says):
    """A vent that travels twice end to end shows each time that its register is coarser, or slower, than declared."""
    traits = vent(28, refresh_s=declared_refresh_s)
    for seed in range(20):
        r = random.Random(seed)
        samples = read(r, steady(r, 100 / 29, 3), every_s=every_s, refresh_s=refresh_s, step=step)
        assert says in accused(traits, samples), seed


@pytest.mark.parametrize(("step", "refresh_s"), [(2.0, 0.2), (0.1, 1.5), (0.1, 0.5)])
def test_blocks_say_what_readings_say_one_by_one(step, refresh_s):
    """However readings are cut into blocks, the same is said of them at the end, and of a gap between."""
    for seed in range(10):
        r = random.Random(seed)
        samples = read(r, steady(r, 100 / 29, 4), every_s=1.0, refresh_s=refresh_s, step=step)
        gap = r.randrange(len(samples))
        single, blocks, at, said, same = DeclaredFacts(vent(28)), DeclaredFacts(vent(28)), 0, "", ""
        while at < len(samples):
            part = samples[at : at + r.choice([1, 2, 7, 40])]
            block = Block.of(*zip(*((s.value, s.requested_s, s.replied_s) for s in part), strict=True))
            for sample in part:
                said = said or single.observe(sample)
            same = same or blocks.observe_block(block)
            at += len(part)
            if at <= gap < at + 40:
                single.interrupt()
                blocks.interrupt()
            assert said == same
        assert bool(said) == (step > 1 or refresh_s > 1)
