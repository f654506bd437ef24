"""Hand-made cases for every kind of response, with margins and seconds worked out by hand."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pytest

from ventproof.deciders import formulas as f
from ventproof.envelope.spans import INF
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Rule, Ruling, Verdict
from ventproof_bench.base.evidence import Sample, SignalTraits, Window

# A vent that may travel 1 %/s, read exactly and at once, once a second: between two equal readings it can
# have been 0.5 % away and back, between readings 1 % apart it moved in a straight line.
VENT = SignalTraits(name="vent", unit="%", rate_per_s=1.0)
FLAG = SignalTraits(name="rain_override", unit="flag", keeps_for_s=2.0)
COUNT = SignalTraits(name="rain_count", unit="count")
AT_ZERO = Window(0.0, 0.0)


def readings(
    x: Callable[[float], float] | Iterable[float], *, first: int = -2, last: int = 40, trip_s: float = 0.0
) -> list[Sample]:
    """Read a signal once a second."""
    if callable(x):
        return [Sample(float(x(t)), t - trip_s, float(t)) for t in range(first, last + 1)]
    return [Sample(float(v), first + i - trip_s, float(first + i)) for i, v in enumerate(x)]


def judge(
    formula: f.Formula,
    samples: list[Sample],
    traits: SignalTraits = VENT,
    stimulus: Window = AT_ZERO,
    rule: Rule = Rule.GUARDED,
) -> Ruling:
    """Feed samples until there is a finding."""
    trace = SignalTrace(traits)
    watch = trace.watch(formula, stimulus, rule)
    for sample in samples:
        trace.observe(sample)
        if watch.ruling is not None:
            return watch.ruling
    return watch.close(samples[-1].replied_s if samples else 0.0)


def closing(t: float) -> float:
    """20 % until 2 s, then down at full speed to 10 % at 12 s."""
    return min(20.0, max(10.0, 22.0 - t))


P, F, N = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE


@pytest.mark.parametrize(
    ("formula", "verdict"),
    [
        # It is at 12 % at 10 s: in 10 ± 2 from then on.
        pytest.param(f.ReachesFormula(10, 2, 10), P, id="reaches-at-the-limit-inclusive"),
        pytest.param(f.ReachesFormula(10, 2, 9.99), F, id="reaches-a-hundredth-late"),
        pytest.param(f.ReachesFormula(10, 2, 11, 5), P, id="reaches-and-holds"),
        pytest.param(f.ReachesFormula(15, 2, 9, 3.9), P, id="holds-while-passing-through"),
        pytest.param(f.ReachesFormula(15, 2, 9, 4.1), F, id="passes-through-too-fast-to-hold"),
        # From 12 s on it may have been 0.5 % off between the readings.
        pytest.param(f.ReachesFormula(10, 0.4, 13, 3), N, id="holds-tighter-than-the-evidence"),
        pytest.param(f.StaysFormula(None, 20.5, 20), P, id="stays-below"),
        pytest.param(f.StaysFormula(None, 20.4, 20), N, id="stays-below-within-the-uncertainty"),
        pytest.param(f.StaysFormula(11, None, 20), F, id="stays-above-is-broken"),
        pytest.param(f.StaysFormula(11, None, 11), P, id="stays-above-until-it-would-break"),
        pytest.param(f.ReturnsFormula(10, 2, 10, 11), P, id="returns-in-its-time"),
        pytest.param(f.ReturnsFormula(10, 2, 10.1, 11), F, id="returns-too-early"),
        pytest.param(f.ReturnsFormula(10, 2, 5, 9.9), F, id="returns-too-late"),
        # It leaves 20 % at 2 s, so it is 1 % away at 3 s; before, it may have been 0.5 % away and back.
        pytest.param(f.StartsMovingFormula(0.6, 2), F, id="dead-time-too-long"),
        pytest.param(f.StartsMovingFormula(0.6, 3), P, id="dead-time-in-order"),
        pytest.param(f.StartsMovingFormula(0.4, 2), N, id="dead-time-finer-than-the-evidence"),
        pytest.param(f.UnchangedFormula(0.5, 2), P, id="unchanged-at-the-limit-inclusive"),
        pytest.param(f.UnchangedFormula(0.5, 3), F, id="changed"),
        # 80 % of 10 % of travel, from 19 % at 3 s to 11 % at 11 s, is 8 % in 8 s.
        pytest.param(f.MovesAtFormula(1.0, 0.01, 10, 12), P, id="rate-in-order"),
        pytest.param(f.MovesAtFormula(0.9, 0.05, 10, 12), F, id="rate-too-high"),
        pytest.param(f.MovesAtFormula(1.0, 0.1, 10, 10.9), F, id="rate-but-too-late"),
        pytest.param(f.OvershootsAtMostFormula(0.5, 10, 20), P, id="no-overshoot"),
        pytest.param(f.OvershootsAtMostFormula(0.5, 11, 20), F, id="overshoot"),
        pytest.param(f.NeverReversesFormula(1.0, 20), P, id="one-way"),
    ],
)
def test_a_closing_vent(formula: f.Formula, verdict: Verdict) -> None:
    """One travel from 20 % to 10 %, judged by every kind of response."""
    assert judge(formula, readings(closing)).verdict is verdict


def test_a_reversal_is_found() -> None:
    """Going 10, 12, 10 reverses by 2 %, which is a fail for an allowance of 1 % and none for 2 %."""
    path = [10, 10, 10, 11, 12, 11, 10, 10, 10, 10]
    assert judge(f.NeverReversesFormula(1.0, 5), readings(path)).verdict is F
    assert judge(f.NeverReversesFormula(2.0, 4), readings(path)).verdict is P


def test_margins_and_seconds_of_reaching() -> None:
    """At 12 s it arrives, may be 0.5 % off while it rests: margin 1.5 % of 2 %, 10 s after the stimulus."""
    found = judge(f.ReachesFormula(10, 2, 15, 10), readings(closing))
    assert found.response_s == pytest.approx((10.0, 10.0), abs=1e-6)
    assert found.slack_s == pytest.approx((5.0, 5.0), abs=1e-6)
    assert found.margin is not None
    assert 0 <= found.margin.low <= found.margin.high <= 2.0
    late = judge(
        f.ReachesFormula(10, 2, 12, 10), [*readings(closing, last=12), *readings(closing, first=30, last=60)]
    )
    assert late.verdict is N


def test_margin_of_staying() -> None:
    """20 % with up to 0.5 % between readings stays 0.5 % to 1 % below 21 %."""
    found = judge(f.StaysFormula(None, 21, 8), readings(closing))
    assert found.margin is not None
    assert found.margin.low == pytest.approx(0.5, abs=1e-6)
    assert found.margin.high >= 1.0 - 1e-6
    assert found.seen == pytest.approx((14.0, 20.5), abs=1e-6)


def test_a_wide_stimulus_window_counts_from_both_ends() -> None:
    """With the stimulus in 0 to 2 s, arrival at 10 s is within 10 s for certain and within 8 s possibly."""
    window = Window(0.0, 2.0)
    for within, verdict in ((10.0, P), (9.0, N), (8.0, N), (7.9, F)):
        assert (
            judge(f.ReachesFormula(10, 2, within), readings(closing), stimulus=window).verdict is verdict
        ), within
    found = judge(f.ReachesFormula(10, 2, 10), readings(closing), stimulus=window)
    assert found.response_s == pytest.approx((8.0, 10.0), abs=1e-6)


@pytest.mark.parametrize(("latest_s", "verdict"), [(0.5, P), (0.9, P), (2.0, N)])
def test_a_hold_must_fit_after_every_instant_of_the_stimulus(latest_s: float, verdict: Verdict) -> None:
    """It leaves 20 ± 1 % at 3 s: a hold of 2 s that begins within 0.5 s fits after 0 to 1 s, not after 2 s."""
    found = judge(f.ReachesFormula(20, 1, 0.5, 2), readings(closing), stimulus=Window(0.0, latest_s))
    assert found.verdict is verdict


def test_the_slowest_rate_that_the_evidence_allows_counts() -> None:
    """Where up to 1.5 %/s is possible, readings 1 s apart leave 0.96 to 1.04 %/s: not surely in 1.1 ± 0.1."""
    quick = SignalTraits(name="vent", unit="%", rate_per_s=1.5)
    assert judge(f.MovesAtFormula(1.1, 0.1, 10, 20), readings(closing), quick).verdict is N
    assert judge(f.MovesAtFormula(1.0, 0.05, 10, 20), readings(closing), quick).verdict is P


def test_a_travel_of_next_to_nothing_has_no_rate() -> None:
    """A vent that already stands at its target is not travelling, and does not stop the judge."""
    found = judge(f.MovesAtFormula(1.0, 0.5, 20.0, 5), readings(lambda _: 20.0))
    assert found.verdict is N


@pytest.mark.parametrize(
    ("formula", "verdict"),
    [
        pytest.param(f.EqualsFormula(1, 5), P, id="takes-the-value"),
        pytest.param(f.EqualsFormula(1, 4), N, id="between-two-readings"),
        pytest.param(f.EqualsFormula(1, 3.9), F, id="too-late"),
        pytest.param(f.UnchangedFormula(None, 4), P, id="unchanged-until-the-last-equal-reading"),
        pytest.param(f.UnchangedFormula(None, 5.1), F, id="changed"),
        pytest.param(f.StaysFormula(None, 0, 5.1), F, id="stays-off-is-broken"),
    ],
)
def test_a_flag_that_goes_on_between_4_and_5_s(formula: f.Formula, verdict: Verdict) -> None:
    """Readings say off at 4 s and on at 5 s; each value is kept for 2 s at least."""
    assert judge(formula, readings(lambda t: t >= 5), FLAG).verdict is verdict


def test_a_state_that_is_skipped_is_never_taken() -> None:
    """From 1 to 3 between neighbouring readings leaves no room for 2, when each state is kept for 2 s."""
    state = SignalTraits(name="stage", unit="state", keeps_for_s=2.0)
    samples = readings(lambda t: 1 if t < 5 else 3)
    assert judge(f.EqualsFormula(2, 10), samples, state).verdict is F
    assert judge(f.EqualsFormula(3, 10), samples, state).verdict is P


@pytest.mark.parametrize(
    ("number", "within", "verdict"),
    [
        (3, 6, P),
        (3, 20, P),
        (2, 20, F),
        (4, 20, F),
        (2, 3.5, N),
        (0, 1.5, P),
        (1, 2.5, N),
        (5, 2.5, F),
        (0, 0.5, P),
    ],
)
def test_a_counter_that_counts_at_3_4_and_5_s(number: int, within: float, verdict: Verdict) -> None:
    """At 1 Hz a limit between two counts leaves it open which of them it was."""
    assert (
        judge(f.CountsFormula(number, within), readings(lambda t: min(3, max(0, t - 2))), COUNT).verdict
        is verdict
    )


@pytest.mark.parametrize(
    ("least", "most", "within", "verdict"),
    [
        (2, INF, 5.5, P),
        (2, INF, 3.5, N),
        (3, INF, 3.5, F),
        (4, INF, 5.5, F),
        (0, 3, 5.5, P),
        (0, 2, 5.5, F),
        (0, 1, 2.5, P),
        (0, 0, 1.5, P),
        (2, 3, 5.5, P),
        (1, 2, 2.5, N),
    ],
)
def test_a_counter_may_count_more_or_fewer(least: int, most: float, within: float, verdict: Verdict) -> None:
    """At least and at most belong to the pass; a limit between two counts leaves open which of them it was."""
    counting = readings(lambda t: min(3, max(0, t - 2)))
    assert judge(f.CountsFormula(least, within, most=most), counting, COUNT).verdict is verdict


def test_enough_pass_at_once() -> None:
    """What is counted in time can only become more."""
    samples = readings(lambda t: min(3, max(0, t - 2)), last=6)
    assert judge(f.CountsFormula(2, 30, most=INF), samples, COUNT).verdict is P
    assert judge(f.CountsFormula(0, 30, most=3), samples, COUNT).verdict is N


def test_one_too_many_fails_at_once() -> None:
    """A count over the number is a fail before the time is up."""
    samples = readings(lambda t: min(3, max(0, t - 2)), last=6)
    assert judge(f.CountsFormula(2, 30), samples, COUNT).verdict is F


@pytest.mark.parametrize(
    ("formula", "verdict"),
    [
        (f.ReachesFormula(10, 0.4, 13, 3), P),
        (f.StaysFormula(None, 20.0, 20), P),
        (f.StartsMovingFormula(0.4, 2), F),
        (f.StaysFormula(11, None, 12), F),
    ],
)
def test_the_simple_rule_takes_readings_as_they_stand(formula: f.Formula, verdict: Verdict) -> None:
    """What was open within the uncertainty is decided, as a technician with a stopwatch would."""
    assert judge(formula, readings(closing), rule=Rule.SIMPLE).verdict is verdict


def test_the_simple_rule_reads_at_the_middle_of_the_poll() -> None:
    """A reply that took 1 s puts the reading half a second earlier."""
    samples = readings(closing, trip_s=1.0)
    found = judge(f.ReachesFormula(10, 2, 20), samples, SignalTraits(name="vent", unit="%"), rule=Rule.SIMPLE)
    assert found.response_s is not None
    assert found.response_s.high == pytest.approx(9.5, abs=0.51)


def test_an_open_ended_bound_is_judged_until_its_condition_ends() -> None:
    """What happens after the condition ended does not count."""
    trace = SignalTrace(VENT)
    watch = trace.watch(f.StaysFormula(15, None, None), AT_ZERO)
    for sample in readings(closing, last=5):
        trace.observe(sample)
    assert watch.ruling is None
    watch.end_at(5.5)
    for sample in readings(closing, first=6, last=20):
        trace.observe(sample)
    assert watch.ruling is not None
    assert watch.ruling.verdict is P


def test_an_open_ended_bound_fails_at_once() -> None:
    """A reading surely outside ends an open-ended watch without waiting."""
    found = judge(f.StaysFormula(15, None, None), readings(closing, last=8))
    assert found.verdict is F
    assert found.why == "14 % at 8.00 s after the stimulus; required at least 15 %"


def test_a_condition_that_ends_first_was_never_in_force() -> None:
    """A bound whose condition ended before the unit was held to it passes, and says so."""
    trace = SignalTrace(VENT)
    watch = trace.watch(f.StaysFormula(15, None, None), Window(30.0, 30.0))
    watch.end_at(10.0)
    found = watch.close(20.0)
    assert (found.verdict, found.why) == (P, "not tested: the condition ended before the limit applied")


@pytest.mark.parametrize("at_s", [0.1, 1234.567, 98765.4321])
@pytest.mark.parametrize("within", [0.3, 3.0, 7.7])
def test_what_never_comes_fails_wherever_the_clock_stands(at_s: float, within: float) -> None:
    """No rounding of the limit's instant leaves a hole through which a flag or a vent might have come in time."""
    instants = [at_s + i * 0.1 for i in range(-20, 120)]
    off, still = [Sample(0, t, t) for t in instants], [Sample(50.0, t, t) for t in instants]
    window = Window(at_s, at_s + 0.01)
    assert judge(f.EqualsFormula(1, within), off, FLAG, window).verdict is F
    assert judge(f.ReachesFormula(5, 2, within), still, VENT, window).verdict is F
    assert judge(f.ReachesFormula(5, 2, within, 1.0), still, VENT, window).verdict is F
    assert judge(f.ReturnsFormula(5, 2, 0.1, within), still, VENT, window).verdict is F
    assert judge(f.StartsMovingFormula(1, within), still, VENT, window).verdict is F
