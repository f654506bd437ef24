"""Evidence that is thin, broken or contradictory: never a pass, and always a way out."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import nullcontext
from dataclasses import replace

import pytest

from ventproof.deciders import formulas as f
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Rule, Ruling, Verdict
from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window

VENT = SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=4.0)
NOW = Window(0.0, 0.0)


def judge(
    formula: f.Formula, evidence: Iterable[Sample | Gap], traits: SignalTraits, rule: Rule = Rule.GUARDED
) -> Ruling:
    """Feed evidence, then close."""
    trace = SignalTrace(traits)
    watch = trace.watch(formula, NOW, rule)
    for item in evidence:
        if isinstance(item, Gap):
            trace.gap(item)
        else:
            trace.observe(item)
    return watch.close(100.0)


def every(step_s: float, value: float, first_s: float = -2.0, last_s: float = 20.0) -> list[Sample]:
    """Read the same value again and again."""
    count = round((last_s - first_s) / step_s)
    return [Sample(value, first_s + i * step_s, first_s + i * step_s) for i in range(count + 1)]


def test_readings_faster_than_declared_are_refused_with_both_named() -> None:
    """A vent that moved 20 % in 1 s where 4 %/s were declared is a wrong bench file, not a verdict."""
    trace = SignalTrace(VENT)
    trace.observe(Sample(40.0, 1.0, 1.0))
    with pytest.raises(
        EvidenceError,
        match=r"^roof_vent read 40 % \(bench clock 1\.000 to 1\.000 s\) "
        r"and then 60 % \(bench clock 2\.000 to 2\.000 s\)"
        r": faster than the declared 4 %/s\. No drive should: the register may hold a target, .*"
        r"`ventproof explain off-by-one`.*"
        r"If the register lags behind, declare refreshed_every of 3\.88 s or more; "
        r"only if the drive really is that quick, declare full_travel of 5\.13 s or less$",
    ):
        trace.observe(Sample(60.0, 2.0, 2.0))


def test_a_lag_as_long_as_is_advised_explains_the_readings() -> None:
    """The same readings are no contradiction when a refresh may have aged the first by 3.88 s; 3.87 s do not do."""
    for lag_s, explained in (
        (3.88, nullcontext()),
        (3.87, pytest.raises(EvidenceError, match="lags behind")),
    ):
        trace = SignalTrace(replace(VENT, refreshed_every_s=lag_s))
        trace.observe(Sample(40.0, 1.0, 1.0))
        with explained:
            trace.observe(Sample(60.0, 2.0, 2.0))
            assert trace.bounds_at(2.0)[0] > 40.25


def test_a_flag_that_blinks_faster_than_declared_is_refused() -> None:
    """On, seen for less than 1 s between two readings of off, contradicts keeps_for: 1 s."""
    trace = SignalTrace(SignalTraits(name="rain_override", unit="flag", keeps_for_s=1.0))
    trace.observe(Sample(0, 0.0, 0.0))
    trace.observe(Sample(1, 0.3, 0.3))
    with pytest.raises(
        EvidenceError, match=r"^rain_override read 1 .* flicker, .* declare keeps_for of 0\.6 s or less$"
    ):
        trace.observe(Sample(0, 0.6, 0.6))


def test_readings_out_of_order_are_refused() -> None:
    """A reading older than the last one is a mistake of whoever feeds the trace."""
    trace = SignalTrace(VENT)
    trace.observe(Sample(40.0, 2.0, 2.1))
    with pytest.raises(ValueError, match=r"^roof_vent: a reading requested at 1\.0 s came after"):
        trace.observe(Sample(40.0, 1.0, 1.1))


@pytest.mark.parametrize(
    "formula",
    [
        f.StaysFormula(0, 100, 5),
        f.UnchangedFormula(2, 5),
        f.NeverReversesFormula(2, 5),
        f.OvershootsAtMostFormula(2, 50, 5),
        f.ReachesFormula(5, 2, 5, 3),
    ],
)
def test_without_a_rate_nothing_is_passed_and_the_way_out_is_named(formula: f.Formula) -> None:
    """Readings alone say nothing of the time between them."""
    found = judge(formula, every(0.1, 5.0), SignalTraits(name="roof_vent", unit="%"))
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.why == "nothing says how far roof_vent moves between readings; declare its full_travel"


def test_without_a_rate_a_reading_still_proves_what_it_shows() -> None:
    """One reading in the band is an arrival, one outside breaks a bound, and two apart are a change."""
    bare = SignalTraits(name="roof_vent", unit="%", error=0.25)
    samples = [*every(0.5, 50.0, last_s=2.0), *every(0.5, 5.0, first_s=3.0, last_s=20.0)]
    assert judge(f.ReachesFormula(5, 2, 10), samples, bare).verdict is Verdict.PASS
    assert judge(f.StaysFormula(40, None, 10), samples, bare).verdict is Verdict.FAIL
    assert judge(f.UnchangedFormula(2, 10), samples, bare).verdict is Verdict.FAIL
    assert judge(f.StartsMovingFormula(2, 10), samples, bare).verdict is Verdict.PASS


def test_without_a_rate_readings_outside_break_every_hold() -> None:
    """A hold of 5 s fails when readings outside the band come every second, whatever lies between."""
    bare = SignalTraits(name="roof_vent", unit="%")
    assert judge(f.ReachesFormula(5, 2, 10, 5), every(1.0, 50.0), bare).verdict is Verdict.FAIL
    assert judge(f.ReachesFormula(5, 2, 10, 0.5), every(1.0, 50.0), bare).verdict is Verdict.INCONCLUSIVE


def test_a_flag_without_keeps_for_is_never_proved_off() -> None:
    """It may have gone on between two readings; the sentence says what to declare."""
    found = judge(f.EqualsFormula(1, 5), every(0.5, 0.0), SignalTraits(name="rain_override", unit="flag"))
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.why.startswith("rain_override may change between two readings; declare keeps_for")


def test_polling_too_slow_for_a_flag_says_how_fast() -> None:
    """Readings 3 s apart cannot follow a flag that keeps a value for 1 s."""
    flag = SignalTraits(name="rain_override", unit="flag", keeps_for_s=1.0, refreshed_every_s=0.2)
    found = judge(f.UnchangedFormula(None, 9), every(3.0, 0.0), flag)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert "poll more often than every 0.8 s" in found.why


def test_the_poll_interval_that_would_decide_decides() -> None:
    """The interval that the sentence names is short enough, and not ten times shorter than needed."""
    formula = f.StaysFormula(None, 7.0, 10)
    slow = judge(formula, every(2.0, 5.0), VENT)
    assert slow.verdict is Verdict.INCONCLUSIVE
    interval_s = float(slow.why.split("a reading every ")[1].split(" s")[0])
    assert judge(formula, every(interval_s * 0.95, 5.0), VENT).verdict is Verdict.PASS
    assert judge(formula, every(interval_s * 8, 5.0), VENT).verdict is Verdict.INCONCLUSIVE


def test_a_gap_over_the_deadline_is_inconclusive_under_both_rules() -> None:
    """Without readings around the limit nobody can say whether the vent was in time."""
    before, after = every(0.5, 50.0, last_s=4.0), every(0.5, 5.0, first_s=16.0, last_s=40.0)
    evidence: list[Sample | Gap] = [*before, Gap("unit", 4.2, 15.9, "disconnected"), *after]
    for rule in Rule:
        found = judge(
            f.ReachesFormula(5, 2, 13, 3),
            evidence,
            SignalTraits(name="roof_vent", unit="%", rate_per_s=9.0),
            rule,
        )
        assert found.verdict is Verdict.INCONCLUSIVE
        assert found.why.startswith("readings were missing for 11.7 s (disconnected)")


@pytest.mark.parametrize(
    ("from_s", "to_s", "said"),
    [
        (4.2, 8.4, "readings were missing for 4.2 s (mismatch)"),
        (0.6, 2.4, "still counting at the deadline"),
    ],
)
def test_a_count_left_open_is_put_down_to_what_was_at_its_limit(
    from_s: float, to_s: float, said: str
) -> None:
    """A counter of which nothing was read at 6 s may have stood long before; one that was read did count on."""
    counts = [
        Sample(0.0 if t_s < 0 else 1.0 if t_s < 6 else 2.0, t_s, t_s)
        for t_s in (n / 2 + 0.1 for n in range(-8, 20))
    ]
    before = [sample for sample in counts if sample.requested_s < from_s]
    after = [sample for sample in counts if sample.requested_s > to_s]
    evidence = [*before, Gap("unit", from_s, to_s, "mismatch"), *after]
    found = judge(f.CountsFormula(2, 6), evidence, SignalTraits(name="rain_count", unit="count"))
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.why.startswith(said)


def test_no_readings_at_all_is_inconclusive() -> None:
    """Silence is no verdict."""
    for formula in (
        f.ReachesFormula(5, 2, 5),
        f.StaysFormula(0, 9, 5),
        f.StaysFormula(0, 9, None),
        f.ReturnsFormula(5, 2, 1, 5),
        f.UnchangedFormula(2, 5),
    ):
        assert judge(formula, [], VENT).verdict is Verdict.INCONCLUSIVE
        assert judge(formula, every(0.5, 5.0, last_s=-1.0), VENT).verdict is Verdict.INCONCLUSIVE


def test_silence_at_the_end_of_an_open_ended_bound_is_inconclusive() -> None:
    """A bus that died before the run ended leaves an invariant open; one that lived does not."""
    formula = f.StaysFormula(0, 9, None)
    assert judge(formula, every(0.5, 5.0, last_s=100.0), VENT).verdict is Verdict.PASS
    assert judge(formula, every(0.5, 5.0, last_s=60.0), VENT).verdict is Verdict.INCONCLUSIVE


def test_a_late_reply_widens_what_is_known_and_nothing_else() -> None:
    """A reply after 1 s leaves 4 % more room than an instant one, until the next reading."""
    trace = SignalTrace(VENT)
    for sample in (Sample(50.0, 0.0, 0.0), Sample(50.0, 1.0, 2.0), Sample(50.0, 3.0, 3.0)):
        trace.observe(sample)
    # At the late reading's middle: 0.25 + 4 * 0.5 from itself; the others are 1.5 s away.
    assert trace.bounds_at(1.5) == pytest.approx((47.75, 52.25))
    assert trace.bounds_at(3.0) == pytest.approx((49.75, 50.25))
    assert trace.bounds_at(4.0) == pytest.approx((45.75, 54.25))


def test_a_16_bit_counter_is_counted_across_its_end() -> None:
    """65534, 65535, 0, 1 is an advance of 3."""
    counter = SignalTraits(name="rain_count", unit="count", wraps_at=65536)
    values = [65534, 65534, 65534, 65535, 0, 1, 1, 1, 1, 1, 1, 1]
    samples = [Sample(float(v), i - 2.0, i - 2.0) for i, v in enumerate(values)]
    assert judge(f.CountsFormula(3, 6), samples, counter).verdict is Verdict.PASS
    assert judge(f.CountsFormula(2, 6), samples, counter).verdict is Verdict.FAIL


@pytest.mark.parametrize("announced", [True, False])
def test_a_counter_set_anew_is_inconclusive(*, announced: bool) -> None:
    """After a restart, announced or seen in the readings, the advance is not known."""
    counter = SignalTraits(name="rain_count", unit="count", wraps_at=65536)
    evidence: list[Sample | Gap] = [Sample(700.0, t, t) for t in (-2.0, -1.0, 0.0, 1.0)]
    if announced:
        evidence.append(Gap("unit", 1.1, 1.9, "restart"))
    evidence += [Sample(703.0 if announced else 3.0, t, t) for t in (2.0, 3.0, 6.0, 7.0)]
    found = judge(f.CountsFormula(3, 5), evidence, counter)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.why.startswith("the counter fell or the connection was opened again during the count")


def test_a_restart_is_not_bridged_for_a_flag() -> None:
    """Two equal readings around a restart do not prove that the flag stayed."""
    flag = SignalTraits(name="rain_override", unit="flag", keeps_for_s=5.0)
    before, after = every(0.5, 1.0, last_s=3.0), every(0.5, 1.0, first_s=3.5)
    assert judge(f.UnchangedFormula(None, 8), [*before, *after], flag).verdict is Verdict.PASS
    gap = Gap("unit", 3.1, 3.4, "restart")
    assert judge(f.UnchangedFormula(None, 8), [*before, gap, *after], flag).verdict is Verdict.INCONCLUSIVE


def test_the_horizon_lies_after_the_last_judged_instant() -> None:
    """Evidence matters a little longer than the formula speaks, because later cones reach back."""
    trace = SignalTrace(VENT)
    watch = trace.watch(f.ReachesFormula(5, 2, 10, 5), NOW)
    assert 15.0 < watch.horizon_s < 25.0
    assert trace.watch(f.StaysFormula(0, 9, None), NOW).horizon_s == float("inf")


@pytest.mark.parametrize(
    "formula",
    [f.StaysFormula(40.0, 60.0, 10.0), f.UnchangedFormula(5.0, 10.0), f.NeverReversesFormula(3.0, 10.0)],
)
def test_what_was_withdrawn_before_a_watch_was_opened_is_a_hole_in_its_evidence(formula: f.Formula) -> None:
    """A watch that is opened after readings were taken back passes nothing on those before and after."""
    trace = SignalTrace(VENT)
    trace.remember_from(-5.0)
    for sample in every(0.1, 50.0, last_s=4.0):
        trace.observe(sample)
    trace.withdraw(Gap("unit", 2.0, 7.0, "withdrawn"))
    for sample in every(0.1, 50.0, first_s=7.0):
        trace.observe(sample)
    assert trace.watch(formula, NOW).close(100.0).verdict is Verdict.INCONCLUSIVE


def test_a_reading_of_no_length_at_the_begin_of_what_is_withdrawn_is_taken_back() -> None:
    """It was requested from that instant on; the one that was asked for before, and replied to by then, stays."""
    trace = SignalTrace(VENT)
    trace.remember_from(-5.0)
    watch = trace.watch(f.StaysFormula(49.0, 70.0, 60.0), NOW)
    for sample in (*every(0.1, 50.0, last_s=3.0), Sample(50.0, 3.5, 4.0)):
        trace.observe(sample)
    assert not watch.seen.rests_on(4.0)
    trace.observe(Sample(48.5, 4.0, 4.0))
    assert watch.ruling is not None
    assert watch.seen.rests_on(4.0)
    trace.withdraw(Gap("unit", 4.0, 7.0, "withdrawn"))
    assert {one.sample.value for one in trace.arrived} == {50.0}
    assert trace.arrived[-1].sample.requested_s == 3.5


@pytest.mark.parametrize(("before", "verdict"), [([5, 6, 7, 0], "inconclusive"), ([5, 6, 7, 0, 0], "pass")])
def test_a_restart_does_not_hide_that_a_counter_was_running(before: list[int], verdict: str) -> None:
    """It was not read to stand still since: what came before may be among the counts."""
    rain = SignalTraits(name="rain_count", unit="count", wraps_at=65536)
    values = [*before, *[1] * 8]
    found = judge(
        f.CountsFormula(1, 5.0),
        [Sample(value, i - len(before) + 0.5, i - len(before) + 0.52) for i, value in enumerate(values)],
        rain,
    )
    assert found.verdict == verdict
