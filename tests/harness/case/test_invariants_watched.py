"""Invariants: bound from the start state on, or while a contact is so; never satisfied by what was not seen."""

from __future__ import annotations

import pytest

from ventproof.case.invariants import InvariantItem
from ventproof.judge.trace import SignalTrace
from ventproof.profile.model import Invariant
from ventproof.verdict.finding import Rule
from ventproof_bench.base.evidence import EdgeReport, Sample, SignalTraits, Window

HEAD = """
profile: invariants
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag, stage: state}
start:
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min, holds: 5 s}
"""
RAIN = """
  - step: rain
    do: [{close: rain}]
    expect: [{signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 40 s, holds: 10 s}]
"""
DRY = """
  - step: dry
    do: [{open: rain}]
    expect: [{signal: rain_override, unchanged: {for: 10 s}}]
"""
TRAIN = """
  - step: short closures
    do: [{pulse: rain, times: 3, closed_for: 1 s, open_for: 1 s, label: train}]
    expect: [{signal: rain_override, unchanged: {for: 12 s}, after: train}]
"""
SHOWERS = """
  - step: two showers
    do: [{pulse: rain, times: 2, closed_for: 12 s, open_for: 62 s, label: showers}]
    expect: [{signal: rain_override, equals: off, within: 45 s, after_end_of: showers}]
"""
CLOSING = SHOWERS.replace("62 s", "20 s")


def always(text):
    return f"always:\n  - {text}\n"


@pytest.mark.parametrize(
    ("invariant", "steps", "verdict"),
    [
        ("{signal: roof_vent, stays_at_most: 101 %}", RAIN, "pass"),
        ("{signal: roof_vent, stays_at_most: 90 %}", RAIN, "fail"),
        ("{signal: roof_vent, stays_at_most: 90 %, while: {rain: closed}, applies_after: 6 s}", RAIN, "pass"),
        ("{signal: roof_vent, stays_at_most: 50 %, while: {rain: closed}, applies_after: 6 s}", RAIN, "fail"),
        # The contact opens after the rain; what the vent does then is no longer the invariant's business.
        (
            "{signal: roof_vent, stays_at_most: 11 %, while: {rain: closed}, applies_after: 35 s}",
            RAIN + DRY,
            "pass",
        ),
        # Nothing names the contact at the start: it is in its safe state, open, and the invariant binds.
        ("{signal: roof_vent, stays_at_most: 50 %, while: {rain: open}}", TRAIN, "fail"),
        ("{signal: roof_vent, stays_at_least: 85 %, while: {rain: open}}", TRAIN, "pass"),
        # So it does during each closure of a train, and between them.
        (
            "{signal: roof_vent, stays_at_least: 85 %, while: {rain: open}, applies_after: 60 s}",
            SHOWERS,
            "pass",
        ),
        (
            "{signal: roof_vent, stays_at_most: 90 %, while: {rain: open}, applies_after: 60 s}",
            SHOWERS,
            "fail",
        ),
        (
            "{signal: roof_vent, stays_at_most: 90 %, while: {rain: closed}, applies_after: 9 s}",
            SHOWERS,
            "pass",
        ),
        (
            "{signal: roof_vent, stays_at_most: 60 %, while: {rain: closed}, applies_after: 9 s}",
            SHOWERS,
            "fail",
        ),
        # And until the first closure, for which the train is asked a moment before.
        ("{signal: roof_vent, stays_at_most: 90 %, while: {rain: open}}", CLOSING, "fail"),
        # A flag of the unit is a condition as a contact is: the override comes 10 s after the rain and goes 60 s later.
        (
            "{signal: roof_vent, stays_at_most: 11 %, while: {rain_override: on}, applies_after: 33 s}",
            RAIN + DRY,
            "pass",
        ),
        (
            "{signal: roof_vent, stays_at_most: 11 %, while: {rain_override: on}, applies_after: 1 s}",
            RAIN + DRY,
            "fail",
        ),
        ("{signal: roof_vent, stays_at_least: 85 %, while: {rain_override: off}}", TRAIN, "pass"),
        ("{signal: roof_vent, stays_at_most: 85 %, while: {rain_override: off}}", TRAIN, "fail"),
        ("{signal: roof_vent, stays_at_most: 1 %, while: {rain_override: on}}", TRAIN, "inconclusive"),
        (
            "{signal: roof_vent, stays_at_least: 85 %, while: {stage: third}, applies_after: 1 s}",
            TRAIN,
            "pass",
        ),
        ("{signal: roof_vent, stays_at_least: 1 %, while: {stage: closed}}", TRAIN, "inconclusive"),
        # The condition never holds, or not long enough to settle: nothing was shown.
        (
            "{signal: roof_vent, stays_at_most: 1 %, while: {rain: closed}, applies_after: 2 min}",
            RAIN,
            "inconclusive",
        ),
        ("{signal: roof_vent, stays_at_most: 1 %, while: {rain: closed}}", DRY, "inconclusive"),
    ],
)
def test_an_invariant_binds_while_its_condition_holds(invariant, steps, verdict, run):
    """Each case is what a reader of the profile would say."""
    result = run(HEAD + always(invariant) + "steps:" + steps)
    found = next(f for f in result.findings if f.step is None)
    assert found.verdict == verdict, found
    assert result.outcome.verdict == verdict


@pytest.mark.parametrize(("faults", "verdict"), [((), "pass"), (("wrong_roof_position",), "fail")])
def test_a_vent_stands_where_its_override_has_it_while_that_is_on(faults, verdict, run):
    """A unit that drives the vent elsewhere fails while its own flag is on, whatever the steps ask of it."""
    steps = """
  - step: rain
    do: [{close: rain}]
    expect: [{signal: rain_override, equals: on, within: 3 s}, {signal: roof_vent, stays_at_least: 0 %, for: 60 s}]
"""
    text = "{signal: roof_vent, stays_at_most: 11 %, while: {rain_override: on}, applies_after: 33 s}"
    result = run(HEAD + always(text) + "steps:" + steps, faults=faults)
    found = next(f for f in result.findings if f.step is None)
    assert found.verdict == verdict, found


def test_a_failed_invariant_says_when_and_by_how_much(run):
    """The finding names the value, and its margin is negative."""
    result = run(HEAD + always("{signal: roof_vent, stays_at_most: 90 %}") + "steps:" + RAIN)
    found = next(f for f in result.findings if f.step is None)
    assert found.margin[0] < 0
    assert "%" in found.why


def test_a_condition_that_ended_before_it_settled_shows_nothing(run):
    """Rain that stops before `applies_after` leaves the invariant unproved, whatever the vent did."""
    steps = """
  - step: a short shower
    do: [{close: rain}, {open: rain, at: 10 s, label: dry}]
    expect: [{signal: rain_override, equals: on, within: 15 s, after: dry}]
"""
    result = run(
        HEAD
        + always("{signal: roof_vent, stays_at_most: 1 %, while: {rain: closed}, applies_after: 35 s}")
        + "steps:"
        + steps
    )
    found = next(f for f in result.findings if f.step is None)
    assert found.verdict == "inconclusive"


@pytest.mark.parametrize(("value", "verdict"), [(3.0, "inconclusive"), (50.0, "inconclusive")])
@pytest.mark.parametrize("certain", [True, False])
def test_a_span_that_was_in_force_perhaps_leaves_doubt_and_shows_nothing(value, verdict, certain):
    """Settled within 10 to 12 s, over at 11 s: what violates it then fails nothing, and is not passed over."""
    invariant = Invariant.model_validate(
        {"signal": "vent", "stays_at_most": "8 %", "while": {"rain": "closed"}, "applies_after": "10 s"}
    )
    trace = SignalTrace(SignalTraits(name="vent", unit="%", error=0.25, rate_per_s=4.0))
    trace.remember_from(0.0)
    item = InvariantItem(1, invariant, trace, Rule.GUARDED, "%")
    item.contact_moved("rain", [EdgeReport(closed=False, due_s=-1.0, window=Window(-1.0, -1.0))])
    item.run_begins(Window(0.0, 0.0))
    item.contact_moved("rain", [EdgeReport(closed=True, due_s=0.0, window=Window(0.0, 2.0))])
    for i in range(110):
        trace.observe(Sample(value, i * 0.1, i * 0.1))
    item.contact_commanded("rain", [False], 11.0)
    item.contact_moved("rain", [EdgeReport(closed=False, due_s=11.0, window=Window(11.0, 11.01))])
    if certain:
        item.contact_moved("rain", [EdgeReport(closed=True, due_s=20.0, window=Window(20.0, 20.0))])
    for i in range(110, 400):
        trace.observe(Sample(max(3.0, value - 0.4 * (i - 110)), i * 0.1, i * 0.1))
    item.close(40.0)
    assert item.ruling.verdict == ("pass" if certain and value == 3.0 else verdict)


@pytest.mark.parametrize(("leaves_s", "verdict"), [(9.0, "fail"), (10.1, "inconclusive"), (12.1, "pass")])
@pytest.mark.parametrize("unit", ["%", "flag"])
def test_an_end_that_nobody_knows_to_the_instant_counts_against_a_pass(leaves_s, verdict, unit):
    """The contact opens at some instant of 10 to 12 s: what leaves its limits in between leaves it open."""
    invariant = Invariant.model_validate(
        {"signal": "vent", "stays_at_most": "0.5 %", "while": {"rain": "closed"}}
    )
    traits = (
        SignalTraits(name="vent", unit="%", rate_per_s=10.0)
        if unit == "%"
        else SignalTraits(name="vent", unit="flag", keeps_for_s=1.0)
    )
    trace = SignalTrace(traits)
    trace.remember_from(0.0)
    item = InvariantItem(1, invariant, trace, Rule.GUARDED, unit)
    item.contact_moved("rain", [EdgeReport(closed=True, due_s=0.0, window=Window(0.0, 0.0))])
    item.run_begins(Window(0.0, 0.0))
    for i in range(150):
        if i == 100:
            item.contact_commanded("rain", [False], 10.0)
        if i == 120:
            item.contact_moved("rain", [EdgeReport(closed=False, due_s=10.0, window=Window(10.0, 12.0))])
        trace.observe(Sample(min(1.0, max(0.0, i * 0.1 - leaves_s) * 10 // 1), i * 0.1, i * 0.1))
    item.close(15.0)
    assert item.ruling.verdict == verdict
