"""Loss of supply: a dead unit, vents that stand still, and a restart that forgets."""

import pytest

from ventproof_bench.mock.drive import Actuator
from ventproof_bench.mock.registers import SilentError
from ventproof_bench.mock.wires.modbus_server import Frame, Responder, encode
from ventproof_bench.plant.vent import VentTravel

T0 = 1000.0
REQUEST = bytes.fromhex("0001 0000 0006 01 04 0000 0008")


def warm(unit):
    """Open all vents and return a time at which they stand."""
    unit.write("holding", 0, [300], T0)
    return T0 + 60.0


def cut(unit, from_s, to_s):
    """Take the supply away for a while."""
    unit.set_contact("supply", from_s, closed=False)
    unit.set_contact("supply", to_s, closed=True)


def test_a_short_interruption_is_not_felt(make_weather):
    """Nine milliseconds without supply change nothing."""
    unit = make_weather()
    at_s = warm(unit)
    cut(unit, at_s, at_s + 0.009)
    assert unit.read("input", 0, 1, at_s + 0.02)[0] == 920


def test_a_dead_unit_answers_nothing(make_weather):
    """From 10 ms after the loss until 3 s after the return no request is answered, on any table."""
    unit = make_weather()
    at_s = warm(unit)
    responder = Responder("tcp", {1: unit})
    cut(unit, at_s, at_s + 10)
    assert responder.exchange(REQUEST, at_s + 0.005)
    for later_s in (0.02, 5, 10, 12.9):
        assert responder.exchange(REQUEST, at_s + later_s) == []
    with pytest.raises(SilentError, match=r"^$"):
        unit.write("holding", 0, [200], at_s + 12.95)
    assert responder.exchange(REQUEST, at_s + 13.1)


def test_a_dead_unit_passes_over_a_broadcast(make_weather):
    """A broadcast write on a serial line reaches a unit with supply and passes over a dead one."""
    unit = make_weather()
    at_s = warm(unit)
    cut(unit, at_s, at_s + 10)
    responder = Responder("rtu", {1: unit})
    frame = encode("rtu", Frame(0, bytes.fromhex("06 0000 00C8")))
    assert responder.exchange(frame, at_s + 1) == []
    assert unit.read("holding", 0, 1, at_s + 20)[0] == 300
    assert responder.exchange(frame, at_s + 21) == []
    assert unit.read("holding", 0, 1, at_s + 22)[0] == 200


@pytest.mark.parametrize(
    ("fault", "flickers", "seen"),
    [
        ("flicker_loses_rain", True, False),
        ("flicker_loses_rain", False, True),
        ("standing_rain_unseen", False, False),
        ("", True, True),
    ],
)
def test_rain_that_stands_when_the_unit_comes_up(make_weather, fault, flickers, seen):
    """A healthy unit sees it however the supply came back; one with the fault does unless a dip broke a start off."""
    unit = make_weather({fault: 1.0} if fault else {})
    at_s = warm(unit)
    unit.set_contact("rain", at_s, closed=True)
    cut(unit, at_s + 40, at_s + 41)
    if flickers:
        cut(unit, at_s + 42, at_s + 43)
    unit.advance(at_s + 60)
    assert ("rain" in unit.active) is seen
    cut(unit, at_s + 100, at_s + 101)
    unit.advance(at_s + 120)
    assert ("rain" in unit.active) is (fault != "standing_rain_unseen")


def test_vents_stand_still_without_supply(make):
    """Cut while the roof travels, it stands where it was, and goes on 0.4 s after the unit is back."""
    unit = make()
    unit.write("holding", 0, [300], T0)
    cut(unit, T0 + 10, T0 + 50)
    here = (10.01 - 0.4) * 100 / 30
    unit.advance(T0 + 53.4)
    assert unit.position("roof") == pytest.approx(here)
    unit.advance(T0 + 53.4 + (92 - here) * 0.3)
    assert unit.position("roof") == pytest.approx(92)


def test_a_restart_may_begin_with_a_reference_run(make_weather):
    """The vents run closed for the slowest one's 40.5 s, the bit says so, and only then open to their stage."""
    unit = make_weather()
    at_s = warm(unit)
    cut(unit, at_s, at_s + 10)
    back_s = at_s + 13
    unit.advance(back_s + 40.4)
    assert (unit.position("roof"), unit.position("side")) == (0, 0)
    assert unit.read("discrete", 13, 1, back_s + 40.4)[0]
    assert not unit.read("discrete", 13, 1, back_s + 40.8)[0]
    unit.advance(back_s + 40.5 + 0.4 + 0.92 * 30)
    assert unit.position("roof") == pytest.approx(92)


def test_after_a_reference_run_in_the_rain_the_vents_stay_closed(make_weather):
    """The run leaves the roof at 0 %; an override that only closes does not open it to its 8 %."""
    unit = make_weather()
    rain_s = warm(unit)
    unit.set_contact("rain", rain_s, closed=True)
    cut(unit, rain_s + 5, rain_s + 15)
    unit.advance(rain_s + 120)
    assert unit.active == ("rain",)
    assert (unit.position("roof"), unit.position("side")) == (0, 0)


def test_a_restart_forgets_overrides_counters_and_delays(make):
    """Rain that lasts through the loss begins the override anew: 50 ms and 2 s after the unit is back."""
    unit = make()
    rain_s = warm(unit)
    unit.set_contact("rain", rain_s, closed=True)
    cut(unit, rain_s + 60, rain_s + 70)
    back_s = rain_s + 73
    assert "rain" not in unit.active
    unit.advance(back_s + 2.04)
    assert "rain" not in unit.active
    unit.advance(back_s + 2.06)
    assert "rain" in unit.active
    assert unit.read("input", 5, 1, back_s + 3)[0] == 1


def test_terminals_change_while_the_unit_is_dead(make_weather):
    """Rain that ended and a frost that came during the loss are what the unit finds."""
    unit = make_weather(supply={"restart": "resume"})
    rain_s = warm(unit)
    unit.set_contact("rain", rain_s, closed=True)
    cut(unit, rain_s + 60, rain_s + 70)
    unit.set_contact("rain", rain_s + 65, closed=False)
    unit.set_level("outside", rain_s + 65, 1000.0)  # 0 °C
    unit.advance(rain_s + 100)
    assert unit.active == ("frost",)


def test_written_delays_survive_the_loss(make):
    """Delays are settings: what was written is still there after a restart."""
    unit = make()
    unit.write("holding", 1, [5, 100], T0)
    cut(unit, T0 + 10, T0 + 20)
    assert list(unit.read("holding", 1, 2, T0 + 30)) == [5, 100]


def test_the_registers_of_a_restarted_unit_are_fresh(make):
    """The first reading after a restart is of after the restart, not the last before the loss."""
    unit = make()
    rain_s = warm(unit)
    unit.set_contact("rain", rain_s, closed=True)
    cut(unit, rain_s + 60, rain_s + 70)
    assert unit.read("input", 6, 1, rain_s + 73.001)[0] == 0


@pytest.mark.parametrize(
    ("halt_s", "rests_at"),
    [(0.3, 0), (1.5, 20), (5.5, 100), (20, 100)],
)
def test_halting_a_drive(halt_s, rests_at):
    """Halted in its dead time, on the way (with coast), near the end and at rest, a vent ends where it must."""
    vent = Actuator(VentTravel(open_s=5, close_s=5, dead_time_s=1, coast_s=0.5), 0.0)
    vent.command(100, 0.0)
    vent.halt(halt_s)
    assert vent.position_at(30) == pytest.approx(rests_at)
    assert vent.target_percent == pytest.approx(rests_at)
    vent.command(0, 40)
    assert vent.position_at(60) == pytest.approx(0)


def test_a_coasting_vent_coasts_on_when_its_drive_is_halted():
    """Turned round and then halted during the coast, the vent ends where the coast ends."""
    vent = Actuator(VentTravel(open_s=10, close_s=10, dead_time_s=1, coast_s=1), 0.0)
    vent.command(100, 0.0)
    vent.command(0, 5.0)  # at 40 %, coasts to 50 % by 6 s
    vent.halt(5.5)
    assert vent.position_at(5.5) == pytest.approx(45)
    assert vent.position_at(30) == pytest.approx(50)
