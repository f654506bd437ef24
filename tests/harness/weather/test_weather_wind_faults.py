"""Sensor and contact faults: each changes what it names and nothing before it."""

from functools import partial
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.pulses import check_plan, pulse_plan
from harness.weather import contact_faults as cf
from harness.weather import sensor_faults as sf
from harness.weather.levels import CurrentBand, current_band
from harness.weather.trace import constant, ramp, step

FEW = settings(max_examples=40, deadline=None)
RAMP = ramp(4.0, 20.0, for_s=100.0)
TRAIN = pulse_plan(10, closed_for_s=0.2, open_for_s=0.8)

TRACE_FAULTS = [
    lambda t: sf.breaks(t, "current", from_s=30.0, to_s=50.0),
    lambda t: sf.shorts(t, "current", from_s=30.0, to_s=50.0),
    lambda t: sf.stops(t, from_s=30.0, to_s=50.0),
    lambda t: sf.sticks(t, from_s=30.0, to_s=50.0),
    lambda t: sf.jitters(t, from_s=30.0, to_s=50.0, by=1.0, every_s=0.7),
    lambda t: sf.drifts(t, from_s=30.0, per_hour=5.0),
    lambda t: sf.runs_away(t, from_s=30.0, by=-3.0, per_second=10.0),
]


@pytest.mark.parametrize("fault", TRACE_FAULTS)
def test_nothing_changes_before_a_fault(fault):
    """Before the fault begins the trace is as it was, and its span stays."""
    faulty = fault(RAMP)
    assert (faulty.start_s, faulty.end_s) == (0.0, 100.0)
    assert faulty.part(0.0, 30.0).values == pytest.approx((4.0, 8.8))


@pytest.mark.parametrize("fault", TRACE_FAULTS[:5])
def test_a_fault_that_ends_leaves_nothing_behind(fault):
    """From its end on the trace is as it was."""
    faulty = fault(RAMP)
    assert faulty.at(50.0) == pytest.approx(12.0)
    assert faulty.part(50.0, 100.0).values == pytest.approx((12.0, 20.0))


def test_broken_and_shorted_loops_are_faults_by_their_current():
    """A broken 4-20 mA wire lies in the low fault band, a shorted one in the high."""
    assert current_band(sf.breaks(RAMP, "current", from_s=30.0).at(60.0)) is CurrentBand.FAULT_LOW
    assert current_band(sf.shorts(RAMP, "current", from_s=30.0).at(60.0)) is CurrentBand.FAULT_HIGH


def test_broken_and_shorted_resistors_are_far_from_any_temperature():
    """A broken resistive wire is 10 Mohm, a shorted one 0 ohm, for good."""
    sensor = constant(10_000.0, for_s=10.0)
    assert sf.breaks(sensor, "resistance", from_s=2.0).at(10.0) == 1e7
    assert sf.shorts(sensor, "resistance", from_s=0.0).values == (0.0, 0.0)


def test_a_stuck_sensor_keeps_its_last_value():
    """Stuck at 30 s, the ramp shows 8.8 to its end."""
    stuck = sf.sticks(RAMP, from_s=30.0)
    assert (stuck.at(30.0), stuck.at(100.0)) == (pytest.approx(8.8), pytest.approx(8.8))


def test_a_sensor_that_sticks_at_a_step_does_not_take_it():
    """Stuck at the very instant of a step, a sensor keeps the value before it."""
    stuck = sf.sticks(step(2.0, 9.0, at_s=5.0, for_s=10.0), from_s=5.0)
    assert (stuck.at(5.0), stuck.at(10.0)) == (2.0, 2.0)


def test_drift_is_stated_an_hour():
    """36 units an hour are 0.7 units in 70 s."""
    assert sf.drifts(RAMP, from_s=30.0, per_hour=36.0).at(100.0) == pytest.approx(20.7)


def test_running_away_has_its_rate_and_its_end():
    """At 2 a second a sensor is 3 off after 1.5 s, and stays so."""
    off = sf.runs_away(constant(10.0, for_s=20.0), from_s=5.0, by=-3.0, per_second=2.0)
    assert [off.at(t) for t in (5.0, 6.0, 6.5, 7.0, 20.0)] == pytest.approx([10.0, 8.0, 7.0, 7.0, 7.0])


def test_a_jittering_sensor_jumps_both_ways():
    """Every second the value is first above, then below the truth."""
    loose = sf.jitters(constant(5.0, for_s=10.0), from_s=2.0, to_s=5.0, by=1.0, every_s=1.0)
    assert [loose.at(t) for t in (1.5, 2.5, 3.5, 4.5, 5.5)] == [5.0, 6.0, 4.0, 6.0, 5.0]


CONTACT_FAULTS = [
    cf.wire_breaks,
    cf.wire_shorts,
    cf.contact_sticks,
    partial(cf.chatters, shortest_s=0.005, longest_s=0.05, seed=3),
]


def closed_at(edges, at_s):
    return next((e.closed for e in reversed(edges) if e.at_s <= at_s), False)


@pytest.mark.parametrize(("from_s", "to_s"), [(2.1, 5.5), (2.0, 5.0), (2.2, 5.2), (2.5, 5.1), (0.0, 3.1)])
@pytest.mark.parametrize("fault", CONTACT_FAULTS)
def test_contact_faults_keep_the_rest_of_the_plan(fault, from_s, to_s):
    """Outside the fault the contact stands as planned, and edges still alternate and rise."""
    faulty = fault(TRAIN, from_s=from_s, to_s=to_s)
    check_plan(faulty, fastest_edge_s=0.001)
    for k in range(1000):
        if not from_s <= k / 100 < to_s:
            assert closed_at(faulty, k / 100) == closed_at(TRAIN, k / 100), k


@pytest.mark.parametrize(("fault", "closed"), [(0, False), (1, True), (2, True)])
def test_held_contacts_do_not_move(fault, closed):
    """Broken reads open, shorted closed, and stuck as it stood: closed at 2.1 s."""
    faulty = CONTACT_FAULTS[fault](TRAIN, from_s=2.1, to_s=5.5)
    assert not [e for e in faulty if 2.1 < e.at_s < 5.5]
    assert closed_at(faulty, 4.0) is closed


def test_a_fault_for_good_ends_the_plan():
    """A wire that breaks for good leaves no edge after it, a short one closing edge."""
    assert cf.wire_breaks(TRAIN, from_s=5.5) == TRAIN[:12]
    assert [(e.at_s, e.closed) for e in cf.wire_shorts(TRAIN, from_s=5.5)[12:]] == [(5.5, True)]


@FEW
@given(st.integers(0, 10**9), st.floats(0.002, 0.02), st.floats(1, 10), st.floats(0, 9))
def test_chatter_keeps_to_its_spans(seed, shortest_s, factor, from_s):
    """No two edges of a chatter are closer than the shortest span, its end included, nor further than the longest."""
    longest_s = shortest_s * factor
    made = cf.chatters(
        (), from_s=from_s, to_s=from_s + 0.5, shortest_s=shortest_s, longest_s=longest_s, seed=seed
    )
    spans = [b.at_s - a.at_s for a, b in pairwise(made)]
    assert made[0].at_s == from_s
    assert all(shortest_s - 1e-9 <= span <= longest_s + shortest_s + 1e-9 for span in spans)
    again = cf.chatters(
        (), from_s=from_s, to_s=from_s + 0.5, shortest_s=shortest_s, longest_s=longest_s, seed=seed
    )
    assert again == made


@FEW
@given(st.integers(1, 100), st.integers(1, 7))
def test_every_nth_pulse_is_missed(pulses, one_in):
    """Of n pulses, n minus the whole part of n / one_in are left."""
    edges = pulse_plan(pulses, closed_for_s=0.2, open_for_s=0.8)
    assert len(cf.pulses_are_missed(edges, one_in=one_in)) == 2 * (pulses - pulses // one_in)


CHATTER = {"from_s": 0.0, "to_s": 1.0, "shortest_s": 0.01, "longest_s": 0.02, "seed": 1}


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: sf.stops(RAMP, from_s=100.0),
            r"^from_s=100.0 s is not inside the trace, which runs from 0.0 s to",
        ),
        (
            lambda: sf.stops(RAMP, from_s=5.0, to_s=101.0),
            r"^to_s=101.0 s must come after 5.0 s and by the trace's end",
        ),
        (
            lambda: sf.breaks(RAMP, "fibre", from_s=5.0),
            r"^wiring 'fibre' is not one of current, voltage, resistance$",
        ),
        (
            lambda: sf.runs_away(RAMP, from_s=5.0, by=1.0, per_second=0.0),
            r"^per_second=0.0 must be more than 0",
        ),
        (
            lambda: sf.runs_away(RAMP, from_s=95.0, by=10.0, per_second=1.0),
            r"^the movement lasts until 105.0 s, but the trace ends at 100.0 s; lengthen it$",
        ),
        (
            lambda: sf.jitters(RAMP, from_s=0.0, to_s=10.0, by=1.0, every_s=0.0),
            r"^every_s=0.0 s must be more than 0.0001 s$",
        ),
        (
            lambda: cf.wire_breaks(TRAIN, from_s=-1.0),
            r"^from_s=-1.0 s must not be negative; a plan begins at 0 s$",
        ),
        (lambda: cf.wire_breaks(TRAIN, from_s=2.0, to_s=2.0), r"^to_s=2.0 s must come after from_s=2.0 s$"),
        (lambda: cf.pulses_are_missed(TRAIN, one_in=0), r"^one_in=0 must be 1 or more; 1 loses every pulse$"),
        (
            lambda: cf.pulses_are_missed(TRAIN[:-1], one_in=2),
            r"^pulses are missed from closures that each open again",
        ),
        (
            lambda: cf.chatters((), **CHATTER | {"shortest_s": 0.03}),
            r"^shortest_s=0.03 s must be more than 0 s and at",
        ),
        (
            lambda: cf.chatters((), **CHATTER | {"shortest_s": 1e-6}),
            r"^shortest_s=1e-06 s makes more than 200000 edges",
        ),
    ],
)
def test_wrong_faults_are_refused(make, message):
    """A fault outside its trace or plan is refused with what would be right."""
    with pytest.raises(ValueError, match=message):
        make()
