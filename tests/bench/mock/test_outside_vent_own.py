"""A vent of the mock's own behind the unit's drive contacts, for a bench that only reckons."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from outside import START_S
from outside import settings as outside_settings

from ventproof_bench.mock.io_module import MODULE_ID, devices_of
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build
from ventproof_bench.plant.vent import Vent, VentTravel

VENT = {"open": "30 s", "close": "28 s", "dead_time": "400 ms", "coast": "200 ms", "play": "0.5 %"}
KINDS = ("none", "end-switches", "potentiometer")


def own(feedback, faults=None, **vent):
    """Return a unit with its own vent behind its contacts, and its module."""
    plain = outside_settings(feedback, vent={**VENT, **vent})
    unit = build(MockSettings.model_validate({**plain, "faults": faults or {}}), START_S, 0)
    return unit, devices_of(unit)[MODULE_ID]


@pytest.mark.parametrize("feedback", KINDS)
@pytest.mark.parametrize(("celsius", "percent"), [(23, 10), (26, 60), (30, 99), (15, 0)])
def test_it_goes_where_it_should(feedback, celsius, percent):
    """Its true position is the stage's, within play and dead band, and no alarm goes."""
    unit, _ = own(feedback)
    unit.write("holding", 0, [celsius * 10], START_S)
    unit.advance(START_S + 60)
    assert unit.position("roof") == pytest.approx(percent, abs=1.1)
    assert list(unit.read("input", 7, 2, START_S + 60)) == [0, 0]


def test_its_end_switches_stop_the_drive_and_can_be_read():
    """Closing, the drive is off the moment that the vent's drive is at its end; the module reads that switch."""
    unit, module = own("end-switches")
    assert list(module.read("discrete", 2, 2, START_S)) == [1, 0]
    unit.write("holding", 0, [300], START_S)
    assert list(module.read("discrete", 2, 2, START_S + 40)) == [0, 0]
    unit.write("holding", 0, [150], START_S + 40)
    closing_s = 0.4 + (unit.position("roof") + 0.5) * 0.28
    assert list(module.read("discrete", 0, 4, START_S + 40 + closing_s - 0.01)) == [0, 1, 0, 0]
    assert list(module.read("discrete", 0, 4, START_S + 40 + closing_s + 0.01)) == [0, 0, 1, 0]


@pytest.mark.parametrize(
    ("fault", "feedback", "percent"),
    [
        ("stalls_at", "end-switches", 20),
        ("stalls_opening", "potentiometer", 80),
        ("runs_inverted", "none", 0),
        ("slow_travel", "none", 66),
    ],
)
def test_what_befalls_the_mocks_vents_befalls_it(fault, feedback, percent):
    """Jams, exchanged wires and a slow drive are the vent's, whoever drives it."""
    unit, _ = own(feedback, {fault: 1.0})
    unit.write("holding", 0, [300], START_S)
    unit.advance(START_S + 60)
    if fault == "stalls_at":
        unit.write("holding", 0, [150], START_S + 60)
        unit.advance(START_S + 120)
    assert unit.position("roof") == pytest.approx(percent, abs=1)


def test_a_vent_that_is_told_over_runs_into_its_end_without_supply():
    """An output that keeps its state while the processor is down lets the vent run on to its end."""
    unit, module = own("none", {"runs_on_without_processor": 1.0})
    unit.write("holding", 0, [260], START_S)
    unit.set_contact("supply", START_S + 5, closed=False)
    unit.advance(START_S + 60)
    assert unit.position("roof") == 100
    assert list(module.read("discrete", 0, 2, START_S + 60)) == [1, 0]


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(KINDS),
    st.lists(st.tuples(st.sampled_from([150, 230, 260, 300]), st.integers(1, 500)), min_size=1, max_size=8),
)
def test_its_course_is_that_of_a_vent_moved_by_the_contacts_that_the_module_reads(feedback, stages):
    """Read often, the contacts move another vent of the same make to the same places, within the time between reads."""
    unit, module = own(feedback)
    other = Vent(
        VentTravel(open_s=30, close_s=28, dead_time_s=0.4, coast_s=0.2, play_percent=0.5),
        START_S,
    )
    at_s, reversals = START_S, 1
    for tenths, for_ds in stages:
        unit.write("holding", 0, [tenths], at_s)
        reversals += 2
        for _ in range(for_ds):
            at_s += 0.1
            opens, closes = module.read("discrete", 0, 2, at_s)
            other.switch(at_s, opens=bool(opens), closes=bool(closes))
    assert unit.position("roof") == pytest.approx(
        other.position_at(at_s), abs=100 / 28 * 0.1 * (reversals + 1) + 1e-6
    )
