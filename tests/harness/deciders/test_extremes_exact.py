"""The smallest cases on which the judge was once wrong, or open without need; each was worked out by hand."""

from __future__ import annotations

import pytest
from judge_cases import play
from judge_courses import Courses
from judge_grid import Traits, grid_case

from ventproof.deciders import formulas as f
from ventproof.envelope.spans import Piece, clip
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Rule, Verdict
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window

P, F, N = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
VENT = SignalTraits(name="vent", unit="%", rate_per_s=1.0)


def judge(
    formula: f.Formula,
    evidence: list[Sample | Gap],
    stimulus: Window,
    traits: SignalTraits = VENT,
    rule: Rule = Rule.GUARDED,
) -> Verdict:
    """Feed evidence to a watch that is opened after the stimulus, and close it."""
    trace = SignalTrace(traits)
    trace.remember_from(stimulus.earliest_s)
    for item in evidence:
        if isinstance(item, Gap):
            trace.gap(item)
        else:
            trace.observe(item)
    return trace.watch(formula, stimulus, rule).close(100.0).verdict


def at(*points: tuple[float, float]) -> list[Sample | Gap]:
    """Read values at instants."""
    return [Sample(value, t, t) for t, value in points]


def test_a_span_that_no_instants_share_clips_nothing() -> None:
    """A piece has no part between two instants of which the second comes first."""
    assert clip(Piece(0.0, 0.0, 1.0, 4.0, 0.0, 1.0), 3.0, 1.0) is None


@pytest.mark.parametrize(
    ("formula", "verdict"),
    [
        (f.StartsMovingFormula(1.0, 0.5), F),
        (f.UnchangedFormula(1.0, 0.5), P),
        (f.OvershootsAtMostFormula(0.5, 2.0, 0.5), P),
    ],
)
def test_a_stimulus_window_longer_than_the_span_is_judged_instant_by_instant(
    formula: f.Formula, verdict: Verdict
) -> None:
    """In half a second nothing moves by 1 % at 1 %/s, whenever in 4 s of travel the half second began."""
    travel = at((-5, 0), (0, 0), (4, 4), (5, 4), (6, 4), (10, 4), (20, 4))
    assert judge(formula, travel, Window(0.0, 4.0)) is verdict


@pytest.mark.parametrize("formula", [f.UnchangedFormula(None, 5.0), f.EqualsFormula(0.0, 0.05)])
def test_before_a_flag_was_first_read_nothing_is_known_of_it(formula: f.Formula) -> None:
    """A flag first read after the stimulus may have changed since: 0.1 s after it, in this case."""
    flag = SignalTraits(name="flag", unit="flag", refreshed_every_s=1.0, keeps_for_s=10.0)
    readings = at(*((0.2 + i * 0.5, 1.0) for i in range(40)))
    assert judge(formula, readings, Window(0.0, 0.0), flag) is N


@pytest.mark.parametrize(("rate", "tolerance"), [(1.18, 0.27), (1.677, 0.2)])
def test_the_way_is_made_after_the_stimulus(rate: float, tolerance: float) -> None:
    """A vent that turns inside the stimulus window passes its 10 % level twice: only once since the stimulus."""

    def x(t: float) -> float:
        if t < 1.5:
            return 50 - 5 * max(0.0, t) / 1.5
        return min(60.0, 45 + 10 * (t - 1.5) if t < 1.95 else 49.5 + 10.5 * (t - 1.95) / 8)

    readings = at(*((i * 0.02, x(i * 0.02)) for i in range(-50, 800)))
    quick = SignalTraits(name="vent", unit="%", rate_per_s=10.0)
    assert judge(f.MovesAtFormula(rate, tolerance, 60.0, 20.0), readings, Window(0.0, 1.5), quick) is N


def test_the_simple_rule_passes_no_overshoot_over_a_gap() -> None:
    """What stands at its target, and is then not read for 10 s, may have been anywhere."""
    evidence = [
        *at((-1, 50), (0.1, 50)),
        Gap("unit", 0.1, 10.0, "timeout"),
        *at((10, 50), (11, 50), (15, 50)),
    ]
    formula = f.OvershootsAtMostFormula(2.0, 50.0, 12.0)
    assert judge(formula, evidence, Window(0.0, 0.0), rule=Rule.SIMPLE) is N


def test_a_return_that_may_come_at_once_is_decided() -> None:
    """With no earliest moment, what stands in the band throughout a short stimulus window has returned."""
    readings = at(*((i * 0.1, 2.0) for i in range(-20, 80)))
    assert judge(f.ReturnsFormula(2.0, 1.0, 0.0, 5.0), readings, Window(0.0, 0.02)) is P


@pytest.mark.parametrize(
    "seed",
    [
        *(50055, 50163, 50235),  # returns: with no earliest moment, or a reading across the deadline
        *(
            50512,
            50680,
            50333,
            50525,
            50681,
        ),  # starts moving, and unchanged: each instant of the window by itself
        *(50082, 50262, 50394),  # overshoots: the side that it comes from, and the way back, in one course
        *(50083, 50443, 50455),  # reverses: a fall and a rise that do not fit one course
        *(50074, 50230, 50422),  # flags: no change before the last has been kept, nor too late for the next
    ],
)
def test_what_all_courses_agree_on_is_decided(seed: int) -> None:
    """Cases that were left open although every course that the readings allow says the same."""
    one = grid_case(seed, traits=Traits(wide=True))
    found = play(one)
    assert found.verdict is not N
    assert Courses(one, 8).outcomes() == {found.verdict is P}
