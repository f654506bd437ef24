"""A unit that measures its vent's position: where it brings it, what it believes, and that it does not hunt.

What it must do in each case is section 6 of the project's note on vents outside the unit: common practice, no source.
"""

from dataclasses import replace

import pytest
from outside import START_S, TRAVEL, Outside

HOT_C, MILD_C, WARM_C, COLD_C = 30, 23, 26, 15  # 99 %, 10 %, 60 % and closed


def opened(celsius=HOT_C, **options):
    """Return a bench whose vent has gone to a stage."""
    bench = Outside("potentiometer", **options)
    bench.wait(1)
    bench.warm(celsius)
    bench.wait(44)
    return bench


@pytest.mark.parametrize(("celsius", "percent"), [(MILD_C, 10), (WARM_C, 60), (HOT_C, 99), (COLD_C, 0)])
def test_a_stage_is_measured(celsius, percent):
    """The vent stands within the dead band and a round of the bench of its stage, and the unit says where."""
    bench = opened(celsius)
    assert bench.percent == pytest.approx(percent, abs=1.5)
    assert bench.told_percent == pytest.approx(bench.percent, abs=0.6)
    assert bench.alarms == (False, False)


@pytest.mark.parametrize("slow", [0.8, 1.25])
def test_a_vent_of_other_times_is_brought_to_its_place_all_the_same(slow):
    """A vent a fifth faster or a quarter slower than the unit was told stands where it should."""
    bench = opened(WARM_C, travel=replace(TRAVEL, open_s=30 * slow, close_s=28 * slow))
    assert bench.percent == pytest.approx(60, abs=1.6)
    assert bench.alarms == (False, False)


@pytest.mark.parametrize("feedback_mv", [10_000, 0])
def test_a_potentiometer_that_is_open_or_shorted_closes_the_vent_by_time(feedback_mv):
    """A second after its level cannot be, the alarm goes and the drive closes for a full travel and a tenth."""
    bench = opened()
    bench.wrong.level_mv = feedback_mv
    bench.wait(40)
    (run,) = bench.runs(since_s=45)
    assert run[0] == "closes"
    assert run[1] == pytest.approx(46.1, abs=0.11)
    assert run[2] == pytest.approx(28.4 * 1.1, abs=0.11)
    assert (bench.percent, bench.told_percent, bench.alarms) == (0, 0, (False, True))
    bench.warm(WARM_C)
    bench.wait(20)
    assert bench.percent == 0


def test_a_mended_potentiometer_is_believed_after_a_while():
    """Ten seconds after its level is plausible again the alarm is over, and the vent goes where it should."""
    bench = opened()
    bench.wrong.level_mv = 0
    bench.wait(40)
    bench.wrong.level_mv = None
    bench.wait(9.5)
    assert bench.alarms == (False, True)
    bench.wait(45)
    assert bench.alarms == (False, False)
    assert bench.percent == pytest.approx(99, abs=1.5)


def test_a_reversed_potentiometer_makes_no_runaway():
    """Told to go to 60 % from 10 %, the position goes the wrong way by 5 %: the vent is closed by time."""
    bench = opened(MILD_C)
    bench.wrong.level_mv = -1
    bench.warm(WARM_C)
    bench.wait(60)
    assert bench.alarms == (False, True)
    assert bench.percent == 0
    assert max(percent for _, percent in bench.vent.breakpoints(START_S + bench.now_s)) < 17


@pytest.mark.parametrize("closing", [True, False])
def test_a_jam_is_broken_off_once_and_told(closing):
    """After 1.3 full travels the drive is off, the alarm stands, and nothing is tried again until the next command."""
    bench = opened(HOT_C if closing else MILD_C)
    bench.befall(jams_closing_at_percent=40.0) if closing else bench.befall(jams_opening_at_percent=40.0)
    bench.warm(COLD_C if closing else HOT_C)
    bench.wait(200)
    (run,) = bench.runs(since_s=45)
    assert run[2] == pytest.approx(1.3 * (28.4 if closing else 30.4), abs=0.2)
    assert bench.alarms == (True, False)
    bench.befall()
    bench.warm(WARM_C)
    bench.wait(45)
    assert bench.alarms == (False, False)


def test_a_dead_drive_is_an_alarm():
    """The drive does nothing: the run limit says so."""
    bench = Outside("potentiometer")
    bench.befall(dead=True)
    bench.warm(WARM_C)
    bench.wait(60)
    assert bench.alarms == (True, False)
    assert len(bench.runs()) == 1


@pytest.mark.parametrize(
    ("travel", "noise_mv"),
    [
        (replace(TRAVEL, play_percent=2.0), 0),
        (replace(TRAVEL, coast_s=1.5), 0),
        (TRAVEL, 45),
    ],
    ids=["2 % of play", "1.5 s of run-on", "1 % of noise, peak to peak"],
)
def test_a_unit_does_not_hunt(travel, noise_mv):
    """Play, a long run-on and noise each take a few starts at most, and then the drive stands."""
    bench = Outside("potentiometer", travel=travel)
    bench.wrong.noise_mv = noise_mv
    for celsius in (WARM_C, HOT_C, MILD_C, WARM_C):
        bench.warm(celsius)
        since_s = bench.now_s
        bench.wait(60)
        assert len(bench.runs(since_s=since_s)) <= 3
        assert bench.runs(since_s=since_s + 30) == []
    assert bench.percent == pytest.approx(60, abs=6)


def test_a_vent_that_creeps_open_is_brought_back():
    """Creeping open in the rain, the vent is closed again and again to where it should be."""
    bench = opened(WARM_C)
    bench.befall(creep_percent_s=0.1)
    bench.rain()
    bench.wait(120)
    late = [percent for at_s, percent in bench.vent.breakpoints(START_S + bench.now_s) if at_s > START_S + 90]
    assert max(late) < 8


def test_a_voltage_command_says_the_target():
    """A unit that commands by 0-10 V has no contacts; its command output says 60 % at once, told goes there in time."""
    bench = Outside("none", commands="0-10 V")
    bench.warm(WARM_C)
    bench.wait(9.4)
    assert list(bench.module.read("input", 0, 1, START_S + bench.now_s)) == [6000]
    assert bench.told_percent == pytest.approx(30, abs=0.5)
    bench.wait(30)
    assert bench.told_percent == 60
    assert bench.runs() == []


def test_a_vent_that_does_not_follow_its_voltage_is_an_alarm():
    """The measured position stays at 0 %: after 1.3 full travels the alarm goes, and it ends when the vent is there."""
    bench = Outside("potentiometer", commands="0-10 V")
    bench.warm(WARM_C)
    bench.wait(38)
    assert bench.alarms == (False, False)
    bench.wait(5)
    assert bench.alarms == (True, False)
    bench.wrong.level_mv = 500 + 60 * 90
    bench.wait(1)
    assert bench.alarms == (False, False)


def test_a_vent_that_follows_a_voltage_is_closed_when_its_potentiometer_fails():
    """An open potentiometer: the command goes to 0 %, and back when it works again."""
    bench = Outside("potentiometer", commands="0-10 V")
    bench.warm(WARM_C)
    bench.wrong.level_mv = 10_000
    bench.wait(3)
    assert list(bench.module.read("input", 0, 1, START_S + bench.now_s)) == [0]
    assert bench.alarms == (False, True)
    bench.wrong.level_mv = 500
    bench.wait(11)
    assert list(bench.module.read("input", 0, 1, START_S + bench.now_s)) == [6000]
