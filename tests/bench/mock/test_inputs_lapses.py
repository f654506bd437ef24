"""What slips the unit's attention, by arithmetic: wraps of its clock, missed showers, drives that skip and slip."""

from __future__ import annotations

import pytest

from ventproof_bench.mock.drive import Actuator, Habits
from ventproof_bench.mock.faults.behaviour import HEALTHY
from ventproof_bench.mock.faults.catalogue import CATALOGUE, behaviour_with
from ventproof_bench.mock.faults.fault import FAMILIES
from ventproof_bench.mock.inputs import Lapses
from ventproof_bench.mock.rules.settling import Settling
from ventproof_bench.plant.vent import Condition, VentTravel

UP_S = 1000.0
# Arithmetic of unsigned integers: 32 bits of milliseconds last 4 294 967.296 s (49 d 17 h 2 min 47.296 s), 16 bits of
# seconds 65 536 s (18 h 12 min 16 s).
MS_32_S = 4_294_967.296


@pytest.mark.parametrize(
    ("fault", "begins_s", "ends_s"),
    [
        ("wrap_ends_delay", MS_32_S - 10, MS_32_S - 10),
        ("wrap_ends_delay", MS_32_S - 31, MS_32_S - 1),
        ("wrap_ends_delay", MS_32_S, MS_32_S + 30),
        ("wrap_ends_delay", 2 * MS_32_S - 10, 2 * MS_32_S - 10),
        ("wrap_hangs_delay", MS_32_S - 10, 2 * MS_32_S + 20),
        ("wrap_hangs_delay", MS_32_S - 31, MS_32_S - 1),
        ("counter_goes_negative", MS_32_S / 2 - 31, MS_32_S / 2 - 1),
        ("counter_goes_negative", MS_32_S / 2 - 10, MS_32_S),
        ("counter_goes_negative", MS_32_S + 10, MS_32_S + 40),
        ("seconds_wrap_16", 65_530, 2 * 65_536 + 24),
        ("seconds_wrap_16", 65_500, 65_530),
    ],
)
def test_a_delay_across_a_wrap_ends_where_the_counter_says(fault, begins_s, ends_s):
    """A delay of 30 s, begun so long after power-up, is over when the faulty counter makes it."""
    lapses = Lapses(behaviour_with({fault: 1.0}), UP_S, 0)
    delay = Settling(30.0, 30.0)
    lapses.begin(delay, UP_S + begins_s, state=True)
    assert delay.due_s - UP_S == pytest.approx(ends_s, abs=1e-6)
    lapses.begin(
        delay, UP_S + begins_s + 1e-3, state=True
    )  # told again, as at every event: nothing is put off twice
    assert delay.due_s - UP_S == pytest.approx(ends_s, abs=1e-6)


@pytest.mark.parametrize("phase", range(5))
def test_every_fifth_shower_is_missed(phase):
    """Of ten showers two are, whatever the phase; what goes on raining is one shower."""
    lapses = Lapses(behaviour_with({"misses_showers": 1.0}), UP_S, phase)
    missed = []
    for number in range(10):
        for raining in (True, True, False):
            lapses.rain(UP_S + number, raining=raining, gale=False)
            missed += [lapses.missed] if raining else []
    assert missed[::2] == missed[1::2]
    assert [(n + 1 + phase) % 5 == 0 for n in range(10)] == missed[::2]


def test_a_healthy_unit_misses_nothing():
    """Neither after years nor in a gale."""
    lapses = Lapses(HEALTHY, UP_S, 3)
    lapses.rain(UP_S + 1e9, raining=True, gale=True)
    assert not lapses.missed


def stands_at(knobs, targets):
    """Return where a drive of 10 % a second stands after each of these commands, half a minute apart."""
    drive, places = Actuator(VentTravel(open_s=10.0, close_s=10.0), 0.0, **knobs), []
    for number, target in enumerate(targets):
        drive.command(target, 30.0 * number)
        places.append(drive.position_at(30.0 * number + 29.0))
    return places


@pytest.mark.parametrize(
    ("knobs", "targets", "places"),
    [
        ({"habits": Habits(slips_percent=1.0)}, (50, 20, 50, 20, 50), (49, 19, 48, 18, 47)),
        ({"habits": Habits(slips_percent=1.0)}, (50, 20, 50, 0, 50), (49, 19, 48, 0, 49)),
        ({"habits": Habits(deadband_percent=10.0)}, (50, 45, 35, 25), (50, 50, 35, 25)),
        ({"habits": Habits(skips_every=3)}, (50, 20, 60, 30), (50, 20, 20, 30)),
        ({"condition": Condition(jams_opening_at_percent=80.0)}, (70, 90, 10, 100), (70, 80, 10, 80)),
    ],
)
def test_where_a_faulty_drive_stands(knobs, targets, places):
    """Slip adds up until the closed end, a dead band and a lost command leave the vent, a jam stops it."""
    assert stands_at(knobs, targets) == pytest.approx(places)


def test_the_catalogue_is_broad():
    """Sixty faults and more, several in each family, each with a family's module and inputs that bring it out."""
    assert len(CATALOGUE) >= 60
    for family in FAMILIES:
        assert sum(fault.family == family for fault in CATALOGUE.values()) >= 5
    inputs = {"rain", "cups", "wind", "bucket", "outside", "house", "direction", "loop", "supply", "bus"}
    assert all(fault.shows_by and inputs >= set(fault.shows_by) for fault in CATALOGUE.values())
