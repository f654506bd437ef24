"""What must hold while a signal has a value: no verdict is wrong, whenever the signal really had it."""

from __future__ import annotations

import random
from collections import Counter
from itertools import pairwise

import pytest
from flag_cases import Course, FlagCase, Read, draw, holds, pairs_that_keep

from ventproof.case.demand import invariant_formula
from ventproof.case.invariants import InvariantItem
from ventproof.deciders.formulas import StaysFormula
from ventproof.drives.formulas import FlagsFormula
from ventproof.drives.holding import Holding
from ventproof.judge.flags import FlagsTrace
from ventproof.judge.trace import SignalTrace
from ventproof.profile.model import Invariant
from ventproof.verdict.finding import Rule, Verdict
from ventproof_bench.base.evidence import Gap, Sample, Window

D = 1e-6  # log times have a grid of this, s


BEGAN_S = 1.0
KINDS = (
    {"stays": "0", "tolerance": "0"},
    {"stays": "1", "tolerance": "0"},
    {"runs_at_most": "1 s"},
    {"starts_at_most": 1, "per": "2500 ms"},
)


def question(seed: int) -> Invariant:
    """Draw what must hold of `opens` while `closes` is on, or off."""
    r = random.Random(f"question {seed}")
    condition = {"while": {"closes": r.choice(["on", "off"])}}
    settle = {"applies_after": r.choice(["0 s", "50 ms", "300 ms", "1 s"])}
    return Invariant.model_validate({"signal": "opens", **r.choice(KINDS), **condition, **settle})


def played(case: FlagCase, invariant: Invariant) -> InvariantItem:
    """Return what is found of an invariant on the evidence of a case."""
    stays = isinstance(invariant_formula(invariant), StaysFormula)
    trace = SignalTrace(case.traits[0]) if stays else FlagsTrace(case.traits[:1], Rule.GUARDED)
    trace.remember_from(-1e9)
    assert invariant.condition is not None
    wanted = float(invariant.condition[1] == "on")
    item = InvariantItem(
        0, invariant, trace, Rule.GUARDED, "flag", Holding(case.traits[1], wanted, as_read=False)
    )
    now_s, began = 0.0, False
    for read in case.evidence:
        now_s = read.to_s if isinstance(read, Gap) else read.replied_s
        if now_s >= BEGAN_S and not began:
            item.run_begins(Window(BEGAN_S, BEGAN_S))
            began = True
        if isinstance(read, Gap):
            trace.gap(read) if isinstance(trace, SignalTrace) else trace.gap(read, [0])
            item.condition_gap(read, {"closes"})
            continue
        watched, condition = read.values
        if watched is not None and isinstance(trace, SignalTrace):
            trace.observe(Sample(watched, read.requested_s, read.replied_s))
        elif watched is not None:
            trace.observe([watched], read.requested_s, read.replied_s)
        if condition is not None:
            item.condition_read(Sample(condition, read.requested_s, read.replied_s))
    item.close(now_s)
    return item


def spans(course: Course, *, on: bool, until_s: float) -> list[tuple[float, float]]:
    """Return when a flag truly had a value since the run began."""
    cuts = [-1e9, *course.changes, 1e9]
    held = [(a, b) for a, b in pairwise(cuts) if course.at(max(a, -1e8)) is on and a < b]
    return [(max(a, BEGAN_S), min(b, until_s)) for a, b in held if b > BEGAN_S and a < until_s]


def truth(case: FlagCase, invariant: Invariant, d: float, until_s: float) -> bool:
    """Return whether the invariant holds of the true courses, eased by d."""
    assert invariant.condition is not None
    on = invariant.condition[1] == "on"
    formula = invariant_formula(invariant)
    for a, b in spans(case.courses[1], on=on, until_s=until_s):
        s, e = a + invariant.applies_after + d, b - d
        if s >= e:
            continue
        if isinstance(formula, FlagsFormula):
            if not holds(formula, [case.courses[0]], s, e, d):
                return False
        elif any(case.courses[0].at(t) != (formula.low == 1) for t in _instants(case.courses[0], s, e)):
            return False
    return True


def _instants(course: Course, s: float, e: float) -> list[float]:
    return [s, *(c for c in course.changes if s < c < e)]


def _ends(case: FlagCase) -> tuple[float, float]:
    """Return when the last reading of both flags was taken at the earliest, and when everything was over."""
    last = [
        max(r.requested_s for r in case.evidence if isinstance(r, Read) and r.values[flag] is not None)
        for flag in (0, 1)
    ]
    ages = [traits.refreshed_every_s for traits in case.traits]
    return min(t - age for t, age in zip(last, ages, strict=True)), 1e8


@pytest.fixture(scope="module")
def found() -> list[tuple[int, FlagCase, Invariant, Verdict]]:
    """Play the cases once for all that is claimed of them."""
    cases = [(seed, draw(seed), question(seed)) for seed in pairs_that_keep(1000)]
    rulings = [(seed, case, asked, played(case, asked).ruling) for seed, case, asked in cases]
    return [
        (seed, case, asked, ruling.verdict) for seed, case, asked, ruling in rulings if ruling is not None
    ]


def test_no_verdict_contradicts_the_true_courses(found):
    """A pass is true of the courses up to the last readings; a fail is broken by them."""
    wrong = [
        (seed, asked, verdict)
        for seed, case, asked, verdict in found
        if (verdict is Verdict.PASS and not truth(case, asked, D, _ends(case)[0]))
        or (verdict is Verdict.FAIL and truth(case, asked, -D, _ends(case)[1]))
    ]
    assert len(found) == len(pairs_that_keep(1000))
    assert wrong == []


def test_every_kind_comes_to_pass_and_to_fail(found):
    """The cases are decided either way often enough for the claim above to mean something."""
    counted = Counter((next(iter(kind)), v) for kind in KINDS for *_, asked, v in found if _is(asked, kind))
    for kind in ("stays", "runs_at_most", "starts_at_most"):
        assert min(counted[kind, verdict] for verdict in (Verdict.PASS, Verdict.FAIL)) >= 5, counted


def _is(asked: Invariant, kind: dict[str, object]) -> bool:
    return all(getattr(asked, key) is not None for key in kind)


@pytest.mark.parametrize("on", [True, False])
def test_every_time_of_a_value_lies_in_one_that_is_told(on):
    """No true time is missing, and where one is certain its begin and end lie in their windows."""
    certain = 0
    for seed in pairs_that_keep(1000)[:300]:
        case = draw(seed)
        holding = Holding(case.traits[1], float(on), as_read=False)
        told = []
        for read in case.evidence:
            if isinstance(read, Read) and read.values[1] is not None:
                told += holding.observe(read.values[1], read.requested_s, read.replied_s)
        until_s = max((one.ended.latest_s for one in told), default=-1e9)
        for a, b in spans(case.courses[1], on=on, until_s=1e8):
            around = [one for one in told if one.began.earliest_s <= a + D and b - D <= one.ended.latest_s]
            assert around or b > until_s - D, (seed, a, b)
        for one in told:
            if one.began.latest_s < one.ended.earliest_s and one.began.earliest_s > BEGAN_S:
                certain += 1
                middle_s = (one.began.latest_s + one.ended.earliest_s) / 2
                a, b = next(s for s in spans(case.courses[1], on=on, until_s=1e8) if s[0] <= middle_s <= s[1])
                assert one.began.earliest_s - D <= a <= one.began.latest_s + D, seed
                assert one.ended.earliest_s - D <= b <= one.ended.latest_s + D, seed
    assert certain > 500
