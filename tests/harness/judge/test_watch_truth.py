"""The judge against known truth: nothing that it says may be wrong, and nothing that it said may change."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

import judge_campaign as campaign
import judge_cases as cases
import judge_draws as draws
import pytest

from ventproof.deciders import formulas as f
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Ruling, Verdict
from ventproof_bench.base.evidence import Sample, SignalTraits, Window


@dataclass
class Slice:
    """What a slice of the campaign showed: every contradiction to the truth, and how much was compared."""

    wrong: list[Any] = field(default_factory=list)
    responses: list[bool] = field(default_factory=list)
    margins: list[bool] = field(default_factory=list)


@pytest.fixture(scope="module")
def played() -> Slice:
    """Play the slice once for all that is claimed of it."""
    shown = Slice()
    for seed in range(1500):
        one = campaign.case(seed)
        found = cases.play(one)
        if (wrong := cases.wrong(one, found)) is not None:
            shown.wrong.append((seed, wrong, one.formula, found))
        if one.traits.unit == "%":
            shown.responses += _response_contained(one, found)
            shown.margins += _margin_contained(one, found)
    return shown


def test_no_verdict_contradicts_the_truth(played: Slice) -> None:
    """Whatever the polling, refresh, noise and drops: a pass is true of the trajectory, a fail false."""
    assert played.wrong == []


@pytest.mark.parametrize("first", range(0, 300, 100))
def test_an_early_verdict_is_the_final_one(first: int) -> None:
    """What is passed or failed on the first part of the evidence is so on all of it."""
    for seed in range(first, first + 100):
        one = campaign.case(seed)
        final = cases.play(one)
        for share in (0.2, 0.4, 0.7):
            early = cases.play(one, until=int(share * len(one.evidence)))
            if early.verdict is not Verdict.INCONCLUSIVE:
                assert early.verdict is final.verdict, (seed, share, early, final)


@pytest.mark.parametrize("first", range(0, 300, 100))
def test_feeding_everything_at_once_says_the_same(first: int) -> None:
    """A watch opened after all the evidence came says what one opened early said."""
    for seed in range(first, first + 100):
        one = campaign.case(seed)
        live, after = cases.play(one), cases.play(one, opened_after_s=1e6)
        assert after.verdict is live.verdict, (seed, live, after)
        if live.verdict is not Verdict.INCONCLUSIVE and live.response_s and after.response_s:
            assert after.response_s.low <= live.response_s.high + 1e-6, seed
            assert live.response_s.low <= after.response_s.high + 1e-6, seed


@pytest.mark.parametrize("origin_s", [0.0, 98765.4321])
def test_inconclusive_only_within_the_uncertainty_of_the_evidence(origin_s: float) -> None:
    """A truth further from every limit than the evidence is wide is never left open."""
    decided = 0
    for seed in range(400):
        r = random.Random(seed)
        rate, error, spacing, stimulus_s = 100 / 28, 0.05, 0.1, origin_s + 5.1
        truth = campaign._travel(r, rate, origin_s, 60)
        question = draws.question(r, truth, stimulus_s)
        if isinstance(question, f.MovesAtFormula | f.NeverReversesFormula):
            continue
        traits = SignalTraits(name="vent", unit="%", error=error, rate_per_s=rate)
        samples = [
            Sample(truth.at(t) + r.uniform(-error, error), t, t)
            for t in (origin_s + i * spacing for i in range(int(59 / spacing)))
        ]
        one = cases.Case(traits, samples, question, Window(stimulus_s, stimulus_s), stimulus_s, truth)
        room = 2 * (error + rate * spacing / 2)
        certain_pass, certain_fail = (
            cases.holds(question, truth, stimulus_s, -room),
            not cases.holds(question, truth, stimulus_s, room),
        )
        found = cases.play(one)
        if certain_pass or certain_fail:
            decided += 1
            assert found.verdict is (Verdict.PASS if certain_pass else Verdict.FAIL), (seed, question, found)
    assert decided > 50


def _small(r: random.Random) -> tuple[SignalTraits, list[Sample], f.Formula, float]:
    steps = 10
    path = [r.randrange(8)]
    for _ in range(steps):
        path.append(path[-1] + r.choice([-1, 0, 1]))
    error = r.choice([0, 1, 2])
    read_at = sorted(r.sample(range(0, steps + 1, 2), r.randrange(3, 7)))
    samples = [Sample(float(path[t] + r.randrange(-error, error + 1)), float(t), float(t)) for t in read_at]
    span, tolerance, target = r.choice([2.0, 4.0]), r.choice([0.4, 1.4, 2.4]), float(r.randrange(8))
    questions: list[f.Formula] = [
        f.ReachesFormula(target, tolerance, span),
        f.ReachesFormula(target, tolerance, span, 2.0),
        f.StaysFormula(target - tolerance, target + tolerance + 1, span),
        f.ReturnsFormula(target, tolerance, r.choice([0.0, 2.0]), span),
        f.StartsMovingFormula(r.choice([0.9, 1.9]), span),
        f.UnchangedFormula(r.choice([0.9, 1.9]), span),
        f.OvershootsAtMostFormula(tolerance, target + 0.1, span),
        f.NeverReversesFormula(r.choice([0.9, 1.9]), span),
    ]
    traits = SignalTraits(name="vent", unit="%", error=float(error), rate_per_s=1.0)
    return traits, samples, r.choice(questions), r.choice([0.0, 2.0])


def _walks(traits: SignalTraits, samples: list[Sample]) -> list[list[float]] | None:
    """Every walk in unit steps that the samples allow; None when there are too many to go through."""
    low = [max(p.value - traits.error - abs(t - p.requested_s) for p in samples) for t in range(11)]
    high = [min(p.value + traits.error + abs(t - p.requested_s) for p in samples) for t in range(11)]
    walks = [[float(y)] for y in range(round(low[0]), round(high[0]) + 1)]
    for t in range(1, 11):
        walks = [[*w, y] for w in walks for y in (w[-1] - 1, w[-1], w[-1] + 1) if low[t] <= y <= high[t]]
        if len(walks) > 3000:
            return None
    return walks


def test_small_cases_are_decided_wherever_all_trajectories_agree() -> None:
    """On small grids: undecided where walks disagree, and decided nearly wherever all of them agree.

    The grid holds only some of the trajectories, so a few cases look decidable and are not.
    """
    agreed = decided = 0
    for seed in range(500):
        traits, samples, question, s = _small(random.Random(seed))
        walks = _walks(traits, samples)
        if walks is None:
            continue
        found = cases.play(cases.Case(traits, samples, question, Window(s, s), s, None))
        instants = [float(t) for t in range(11)]
        outcomes = {cases.holds(question, cases.Truth(instants, walk), s, 0.0) for walk in walks}
        if len(outcomes) == 2:
            assert found.verdict is Verdict.INCONCLUSIVE, (seed, question, found)
            continue
        agreed += 1
        if found.verdict is not Verdict.INCONCLUSIVE:
            decided += 1
            assert (found.verdict is Verdict.PASS) in outcomes, (seed, question, found)
    assert agreed > 100
    assert decided >= 0.93 * agreed


def test_bounds_contain_the_truth() -> None:
    """At every instant the truth lies between the bounds that the trace gives."""
    for seed in range(60):
        one = campaign.case(seed)
        if one.traits.unit != "%" or one.traits.rate_per_s is None:
            continue
        trace = SignalTrace(one.traits)
        trace.remember_from(one.truth.ts[0])
        for item in one.evidence[:300]:
            if isinstance(item, Sample):
                trace.observe(item)
        r = random.Random(seed)
        for _ in range(20):
            t = one.s + r.uniform(-10, 40)
            low, high = trace.bounds_at(t)
            assert low - 1e-6 <= one.truth.at(t) <= high + 1e-6, (seed, t)


def _response(question: f.Formula, truth: Any, s: float) -> float | None:
    """When the trajectory responded, seconds after the stimulus; None for formulas without a response."""
    match question:
        case f.ReachesFormula():
            low, high = question.target - question.tolerance, question.target + question.tolerance
            runs = cases.runs_in(truth, s, s + question.within_s + question.holds_s + 1, low, high)
            return next(p - s for p, e in runs if e - p >= question.holds_s - 1e-6)
        case f.ReturnsFormula():
            low, high = question.target - question.tolerance, question.target + question.tolerance
            return cases.runs_in(truth, s, s + question.within_s + 1e-3, low, high)[0][0] - s
        case f.StartsMovingFormula():
            y = truth.at(s)
            points = truth.crossings(s, s + question.within_s, (y - question.by, y + question.by))
            return next(t - s for t, v in points if abs(v - y) >= question.by - 1e-7)
    return None


def _response_contained(one: campaign.Case, found: Ruling) -> list[bool]:
    """Whether the true response time lies within the bounds that a finding names, if it names any."""
    bounds = found.response_s
    true_s = _response(one.formula, one.truth, one.s) if bounds is not None else None
    if bounds is None or true_s is None:
        return []
    return [bounds.low - 1e-4 <= true_s <= bounds.high + 1e-4]


def test_response_times_contain_the_true_one(played: Slice) -> None:
    """Where a pass names a response time, the trajectory responded within those bounds."""
    assert all(played.responses)
    assert len(played.responses) > 25


def _robustness(one: campaign.Case) -> float | None:
    """Return that of the trajectory, by the formula's own definition; None where it is not compared."""
    question, x, s = one.formula, one.truth, one.s
    match question:
        case f.StaysFormula(low=low, high=high):
            values = [v for _, v in x.between(s, s + question.for_s)]
            return min(min(values) - (-1e9 if low is None else low), high - max(values))
        case f.UnchangedFormula(tolerance=by):
            return by - cases.drift_of(x, s, question.for_s)
        case f.StartsMovingFormula(by=by):
            return cases.drift_of(x, s, question.within_s) - by
        case f.OvershootsAtMostFormula(by=by, target=target):
            values = [v for _, v in x.between(s, s + question.for_s)]
            return by - (max(values) - target if x.at(s) < target else target - min(values))
        case f.NeverReversesFormula(by=by):
            return by - cases.reversal_of(x, s, question.for_s)
    return None


def _margin_contained(one: campaign.Case, found: Ruling) -> list[bool]:
    """Whether the robustness of the trajectory lies within the margin of a finding, if there is one to compare."""
    true = _robustness(one)
    if found.margin is None or true is None:
        return []
    # An early verdict: what comes later makes it only worse, or for a beginning only better.
    moves = isinstance(one.formula, f.StartsMovingFormula)
    below = found.verdict is Verdict.FAIL and not moves
    above = found.verdict is Verdict.PASS and moves
    return [
        (below or found.margin.low - 1e-5 <= true) and (above or true <= found.margin.high + 1e-5),
    ]


def test_margins_contain_the_true_one(played: Slice) -> None:
    """The robustness of the trajectory lies between worst and best, unless a verdict ended the watch before."""
    assert all(played.margins)
    assert len(played.margins) > 300


def test_a_vent_that_makes_its_way_at_the_greatest_rate_is_not_failed_by_rounding() -> None:
    """Exact readings at the bound leave one course: it meets 90 % of its way where one of them was taken."""
    for seed in (2345744, 2346654, 2470304):
        one = campaign.GENERATORS["stories"](seed)
        assert cases.wrong(one, cases.play(one)) is None
