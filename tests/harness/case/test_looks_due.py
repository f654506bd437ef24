"""When a person must look again: as seldom as the evidence allows, and in time for every deadline."""

from __future__ import annotations

import pytest

from ventproof.case.looks import looks_due, looks_over
from ventproof.deciders import formulas as f
from ventproof.judge.trace import SignalTrace
from ventproof_bench.base.evidence import Sample, SignalTraits, Window

VENT = SignalTraits(name="vent", unit="%", error=2.5, step=5.0, rate_per_s=0.5)
LAMP = SignalTraits(name="lamp", unit="flag", keeps_for_s=20.0)
SHOWN, TAKES_S = Window(100.0, 104.0), 6.0


class OneDemand:
    """What `looks_due` asks of a run: one response whose signal was read once."""

    step, invariants = 1, ()

    def __init__(self, traits, formula, value, requested_s, *, begun=True, kind=""):
        trace = SignalTrace(traits)
        if value is not None:
            trace.observe(Sample(value, requested_s, requested_s + TAKES_S))
        self.traces, self.unit, self.kind, self.ruling = {traits.name: trace}, traits.unit, kind, None
        self.signals, self.watch = (traits.name,), trace.watch(formula, SHOWN) if begun else None

    def of_step(self, _number):
        """Return the response."""
        return [self]


def due_s(*args, **kwargs):
    """Return when the next look is due."""
    one = OneDemand(*args, **kwargs)
    return looks_due(one, dict.fromkeys(one.traces, TAKES_S)).get(args[0].name)


def test_what_was_never_read_is_due_at_once():
    """Nothing is known of it."""
    assert due_s(VENT, f.ReachesFormula(10, 10, 300), None, 0) == float("-inf")


def test_a_vent_far_from_its_band_is_looked_at_when_it_can_be_there():
    """From 90 % to 20 % it needs 135 s at 0.5 %/s, half a step less: nothing before that matters."""
    assert due_s(VENT, f.ReachesFormula(10, 10, 300), 90.0, 101.0) == pytest.approx(101 + 67.5 / 0.5)


def test_a_deadline_is_looked_at_in_time():
    """However far the vent still is, a look begins one and a half times its own length before the deadline."""
    assert due_s(VENT, f.ReachesFormula(10, 10, 50), 90.0, 101.0) == 100 + 50 - 9


def test_a_vent_in_the_middle_of_its_band_is_left_alone_as_long_as_it_cannot_leave_and_return():
    """Twice 17.5 %, less a step that the next reading may be nearer, at 0.5 %/s, less the look itself."""
    held = due_s(VENT, f.StaysFormula(20, 60, 300), 40.0, 101.0)
    assert held == pytest.approx(101 + 0.9 * (2 * 17.5 - 5) / 0.5 - TAKES_S)


def test_a_vent_at_the_edge_of_its_band_is_looked_at_at_once():
    """Each moment may matter."""
    assert due_s(VENT, f.StaysFormula(20, 60, 300), 22.0, 101.0) == 101.0


def test_the_end_of_what_is_demanded_is_looked_at():
    """So that a step ends when it is over."""
    assert due_s(VENT, f.StaysFormula(None, 90, 50), 10.0, 101.0) == pytest.approx(104.0 + 50)


def test_a_return_is_looked_at_while_it_must_not_have_come():
    """The look comes before the vent could have been in its band without being seen out of it."""
    found = due_s(VENT, f.ReturnsFormula(90, 10, 100, 300), 10.0, 101.0)
    assert 101 < found + TAKES_S < 101 + 67.5 / 0.5


def test_a_lamp_that_keeps_its_state_is_looked_at_before_it_could_have_blinked():
    """The answer comes before the time is over for which it keeps a state."""
    found = due_s(LAMP, f.UnchangedFormula(None, 100), 1.0, 105.0)
    assert 105 < found < found + TAKES_S < 105 + 20


def test_a_lamp_that_showed_it_before_the_stimulus_is_looked_at_at_once():
    """The next look decides."""
    assert due_s(LAMP, f.EqualsFormula(1.0, 100), 1.0, 90.0) == 90.0


def test_a_lamp_that_is_not_to_change_is_seen_while_its_stimulus_is_under_way():
    """Before there is a watch, since it counts from what was seen before."""
    asked = {"begun": False, "kind": "unchanged"}
    assert due_s(LAMP, f.UnchangedFormula(None, 100), 1.0, 90.0, **asked) == 90 + 0.9 * 20 - TAKES_S
    assert due_s(LAMP, f.EqualsFormula(0.0, 100), 1.0, 90.0, begun=False, kind="equals") is None


def test_signals_that_no_person_reads_are_not_asked_for():
    """Buses read themselves."""
    one = OneDemand(VENT, f.StaysFormula(20, 60, 300), 22.0, 101.0)
    assert looks_due(one, {}) == {}


def test_what_was_looked_at_when_it_was_over_is_not_looked_at_again():
    """It stays open whatever comes later, and nobody waits for that; a counter must be seen to stand still."""
    assert due_s(VENT, f.StaysFormula(20, 60, 50), 40.0, 160.0) is None
    over = OneDemand(VENT, f.StaysFormula(20, 60, 50), 58.0, 160.0)
    assert looks_over(over, {"vent": TAKES_S})
    assert not looks_over(OneDemand(VENT, f.StaysFormula(20, 60, 50), 58.0, 120.0), {"vent": TAKES_S})
    assert not looks_over(over, {})
    counter = OneDemand(SignalTraits(name="tips", unit="count"), f.CountsFormula(3, 50), 7.0, 160.0)
    assert not looks_over(counter, {"tips": TAKES_S})
