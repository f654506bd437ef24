"""What an open finding advises: followed, it decides the same truth."""

from __future__ import annotations

import random
import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import judge_campaign as campaign
import judge_cases as cases

from ventproof.deciders import formulas as f
from ventproof.judge.advice import eases, limit_of, with_limit
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Ruling, Verdict
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window

_LIMIT = re.compile(r"(?:an?|one) ?[a-z]* of (-?[\d.]+) %(?:/s)? would (pass|fail)")
_DEADLINE = re.compile(r"a deadline of ([\d.]+) s would pass")
_BETTER = re.compile(r"; ([^;]*) would decide it, unless \w+ really came within ([\d.]+) %")
_FACTS = {
    "every_s": re.compile(r"a reading every ([\d.]+) s"),
    "refreshed_every_s": re.compile(r"a register refreshed every ([\d.]+) s"),
    "error": re.compile(r"readings to ± ([\d.]+) %"),
}

_ADVISED = (
    *(1050, 1117, 1292, 1489, 1542, 1563, 1573, 1619, 1829, 1882, 2038, 2195, 2303, 2399),
    *(2564, 2587, 2607, 2694, 2829, 2852, 2859, 2897, 2976, 3004, 3008, 3079, 3120, 3146),
    *(3444, 3447, 3590, 3592, 3657, 3685, 3761, 4050, 4063, 4087, 4206, 4222),
)
"""Seeds whose finding advises better evidence."""


def _open_cases(seeds: Iterable[int]) -> list[tuple[int, Any, Ruling]]:
    found = [(seed, one := campaign.case(seed), cases.play(one)) for seed in seeds]
    return [item for item in found if item[2].verdict is Verdict.INCONCLUSIVE and item[1].traits.unit == "%"]


def test_a_limit_that_would_decide_decides_the_same_evidence() -> None:
    """Every limit that a sentence names is taken, and brings the verdict that it promises."""
    followed = {"pass": 0, "fail": 0, "in time": 0}
    for seed, one, found in _open_cases(range(1000)):
        if (deadline := _DEADLINE.search(found.why)) is not None:
            later = replace(one, formula=replace(one.formula, within_s=float(deadline[1])))
            assert cases.play(later).verdict is Verdict.PASS, (seed, found.why)
            followed["in time"] += 1
        for limit, promised in _LIMIT.findall(found.why):
            one.formula = with_limit(one.formula, float(limit))
            again = cases.play(one)
            assert again.verdict is Verdict(promised), (seed, found.why, again)
            followed[promised] += 1
    assert followed["pass"] > 50
    assert followed["fail"] > 15
    assert followed["in time"] > 5


def _polled_every(one: Any, interval_s: float, r: random.Random) -> list[Sample]:
    """Read the same truth again, as badly as the signal's traits allow, in polls as long as the shortest one."""
    traits = one.traits
    trip_s = min(i.replied_s - i.requested_s for i in one.evidence if isinstance(i, Sample))
    t, samples = one.stimulus.earliest_s - 3, []
    while t < one.stimulus.latest_s + 60:
        trip = r.uniform(0, trip_s)
        taken = r.uniform(t - traits.refreshed_every_s, t + trip)
        error = r.choice((-1, 1, r.uniform(-1, 1))) * (traits.error - 1e-9)
        samples.append(Sample(one.truth.at(taken) + error, t, t + trip))
        t += interval_s
    return samples


def _eased(one: Any, room: float) -> bool:
    """Return whether the truth meets the demand when all limits are so much further away."""
    question = one.formula
    if not isinstance(question, f.ReturnsFormula):
        limit = limit_of(question)
        assert limit is not None
        eased = with_limit(question, limit + room * eases(question))
        return bool(cases.holds(eased, one.truth, one.s, 1e-6 if room > 0 else -1e-6))
    runs = {
        sign: cases.runs_in(
            one.truth, one.s + first, one.s + last, question.target - half, question.target + half
        )
        for sign, first, last, half in (
            (-1, 0.0, question.not_before_s - 1e-6, question.tolerance - room),
            (1, question.not_before_s - 1e-6, question.within_s + 1e-6, question.tolerance + room),
        )
        if last > first
    }
    return bool(runs[1]) and not runs.get(-1)


def _better(one: Any, said: str, r: random.Random) -> set[str]:
    """Read the same truth again as a sentence says; return what was asked to be better."""
    asked = {name: float(found[1]) for name, words in _FACTS.items() if (found := words.search(said))}
    samples = [item for item in one.evidence if isinstance(item, Sample)]
    every_s = (samples[-1].replied_s - samples[0].replied_s) / (len(samples) - 1)
    one.traits = replace(one.traits, **{name: x for name, x in asked.items() if name != "every_s"})
    one.evidence = _polled_every(one, asked.get("every_s", every_s), r)
    return set(asked)


def test_evidence_that_would_decide_decides_the_same_truth() -> None:
    """Read as well as a sentence says, the truth is decided, or was as near to its limit as the sentence says."""
    decided = near = 0
    asked: set[str] = set()
    for seed, one, found in _open_cases(_ADVISED):
        advised = _BETTER.search(found.why)
        assert advised is not None, (seed, found.why)
        asked |= _better(one, advised[1], random.Random(seed))
        again = cases.play(one)
        if again.verdict is not Verdict.INCONCLUSIVE:
            decided += 1
            assert cases.wrong(one, again) is None, seed
            continue
        near += 1
        assert _eased(one, float(advised[2])), (seed, found.why, again)
        assert not _eased(one, -float(advised[2])), (seed, found.why, again)
    assert decided > 1.5 * near
    assert asked == set(_FACTS)


VENT = SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=100 / 28)
AT_ZERO = Window(0.0, 0.0)


def _found(formula: f.Formula, interval_s: float, values: Any, traits: SignalTraits = VENT) -> Ruling:
    trace = SignalTrace(traits)
    watch = trace.watch(formula, AT_ZERO)
    for i in range(-5, round(40 / interval_s)):
        t = i * interval_s
        trace.observe(Sample(round(values(t), 1), t, t))
    return watch.close(40.0)


def test_polling_alone_is_not_advised_where_the_reading_error_forbids_it() -> None:
    """Readings to ± 0.25 % cannot prove 5 ± 0.1 %, however often they come: better ones do, or another tolerance."""
    for interval_s in (0.3, 0.04, 0.02):
        found = _found(f.ReachesFormula(5.0, 0.1, 20.0, 5.0), interval_s, lambda t: max(5.0, 50.0 - 3.3 * t))
        assert found.verdict is Verdict.INCONCLUSIVE
        evidence, tolerance = (found.why.find(words) for words in ("would decide it", "a tolerance of"))
        assert ("readings to ±" in found.why) is (evidence > 0)
        assert evidence < tolerance
        wanted = float(found.why.split("a tolerance of ")[1].split(" % would pass")[0])
        again = _found(
            f.ReachesFormula(5.0, wanted, 20.0, 5.0), interval_s, lambda t: max(5.0, 50.0 - 3.3 * t)
        )
        assert again.verdict is Verdict.PASS


def test_limits_are_rounded_outward_and_named_on_both_sides() -> None:
    """A vent at 30 % polled every 0.3 s is 2 % from 28 %, give or take 0.25 % and what it may have moved between."""
    found = _found(f.StaysFormula(28.0, 32.0, 30.0), 0.3, lambda _: 31.9)
    assert found.why.endswith("; a tolerance of 2.69 % would pass, one of 1.64 % would fail")
    below = _found(f.StaysFormula(None, 32.0, 30.0), 0.3, lambda _: 31.9)
    assert below.why.endswith("; a limit of 32.7 % would pass, one of 31.6 % would fail")
    above = _found(f.StaysFormula(32.0, None, 30.0), 0.3, lambda _: 32.1)
    assert above.why.endswith("; a limit of 31.3 % would pass, one of 32.4 % would fail")


def test_evidence_that_ends_early_says_so_and_advises_nothing_else() -> None:
    """A log cut 8 s into 35 s, or in the hold after it, or inside a span without a deadline."""
    cut = "the evidence ends 8.00 s after the stimulus, before"
    for formula, said in (
        (f.ReachesFormula(5, 2, 35, 20), f"{cut} the deadline at 35 s"),
        (
            f.ReachesFormula(50, 2, 7, 20),
            "the evidence ends 8.00 s after the stimulus, before the hold could be over, 27 s after it",
        ),
        (f.StaysFormula(40, 60, 35), f"{cut} the 35 s were over"),
        (f.CountsFormula(3, 35), f"{cut} the deadline at 35 s"),
    ):
        counter = SignalTraits(name="rain_count", unit="count")
        trace = SignalTrace(counter if isinstance(formula, f.CountsFormula) else VENT)
        watch = trace.watch(formula, AT_ZERO)
        for i in range(-4, 17):
            trace.observe(Sample(50.0, i / 2, i / 2))
        found = watch.close(8.2)
        assert found.verdict is Verdict.INCONCLUSIVE
        assert found.why == f"{said}; run the step to its end"


def test_a_silent_bus_is_named_before_the_end_of_the_evidence() -> None:
    """Readings that stopped because the bus did are missing, not cut off."""
    trace = SignalTrace(VENT)
    watch = trace.watch(f.StaysFormula(40, 60, 35), AT_ZERO)
    trace.observe(Sample(50.0, 1.0, 1.0))
    trace.gap(Gap("unit", 1.0, 40.0, "timeout"))
    assert watch.close(40.0).why.startswith("readings were missing for 39 s (timeout)")
