"""The smallest change of a setting that a suite catches: a slice of the challenge, and what of the unit is moved."""

from __future__ import annotations

import pytest
from shipped_profiles import shipped_path

from ventproof.challenge import trial
from ventproof.challenge.settings import could_show, move, room, settings_of, with_moved
from ventproof.challenge.trial import Suite, attempt
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.profile.load import load_profile, read_profile
from ventproof.table.lines import lines
from ventproof.table.load import load_table
from ventproof_bench.benchcheck.load import load_bench

BENCH = load_bench(SHIPPED_BENCH)
SETTINGS = settings_of(BENCH.model)
RAIN = """
profile: rain begins in time
needs:
  outputs: {rain: contact}
  signals: {rain_override: flag}
start:
  set: {rain: open}
steps:
  - step: rain
    do:
      - {close: rain}
    expect:
      - {signal: rain_override, equals: on, within: 3 s}
"""


@pytest.fixture
def moved(monkeypatch):
    """Move a setting of the shipped mock one way against a profile, as a worker does."""

    def call(text, line, sign):
        profile = read_profile("profile.yaml", text)
        suite = Suite(profiles=(profile,), bench=BENCH)
        monkeypatch.setattr(trial, "_suite", suite, raising=False)
        return move(line, sign, {0: attempt(profile, BENCH, seed=0)})

    return call


def test_every_setting_is_a_line_of_the_table():
    """The mock's settings have the names that the shipped table gives them."""
    table = load_table(SHIPPED_BENCH.parent / "mock-overrides.yaml")
    assert SETTINGS.keys() <= {line.name for line in lines(table)}
    assert len(SETTINGS) == 33


def test_joined_conditions_are_moved_by_their_lines():
    """So have the settings of a unit with joined conditions; one part of them moves, and the others stay."""
    bench = load_bench(SHIPPED_BENCH.with_name("snow-house.yaml"))
    settings = settings_of(bench.model)
    table = load_table(SHIPPED_BENCH.with_name("snow-house-overrides.yaml"))
    assert settings.keys() <= {line.name for line in lines(table)}
    snow = with_moved(bench, settings["snow.outside_temperature"], -1.0).model.mock.rules["snow"].when[0]
    assert (snow.all[0].debounce, snow.all[1].outside_below.value, snow.all[1].hysteresis.value) == (
        1,
        0.5,
        2,
    )
    mean = with_moved(bench, settings["gale.cups_2.ends_at"], 0.5).model.mock.wind.gale_by_mean
    assert (mean.at.value, mean.hysteresis.value) == (9, 1.5)
    limits = with_moved(bench, settings["breeze.limits.roof"], -5.0).model.mock.rules["breeze"].limits
    assert [at.value for at in limits["roof"]] == [65, 15]
    assert [at.value for at in limits["side"]] == [76, 28]
    assert with_moved(bench, settings["sides.dead_band"], -15.0).model.mock.wind.dead_band.value == 0
    assert settings["sides.settles_after"].value == 20


def test_the_smallest_change_that_is_caught_is_found(moved):
    """A debounce may be a second longer before the override is late: half as much again, and a poll, at the most."""
    way = moved(RAIN, "rain.rain.debounce", 1)
    assert way.by == 0
    assert 0.9 <= way.smallest <= 1.5 * 1.3


@pytest.mark.parametrize(
    ("line", "missed"),
    [("gale.cups", "made no difference"), ("rain.release_delay", "made no difference")],
)
def test_what_no_step_comes_near_makes_no_difference(moved, line, missed):
    """A threshold that the profile never crosses is not said to be within a tolerance."""
    assert moved(RAIN, line, 1).missed == missed


def test_a_threshold_moves_alone():
    """Where a condition begins is moved without its end, and its end without its begin; none leaves its scale."""
    wind = with_moved(BENCH, SETTINGS["gale.cups"], 1.5).model.mock.wind
    assert (wind.gale_at.value, wind.gale_at.value - wind.hysteresis.value) == (13.5, 9)
    frost = with_moved(BENCH, SETTINGS["frost.outside_temperature.ends_at"], -0.5).model.mock.frost
    assert (frost.frost_at.value, frost.frost_at.value + frost.hysteresis.value) == (2, 2.5)
    assert room(SETTINGS["gale.cups.ends_at"], BENCH.model, 1) == 3
    assert room(SETTINGS["frost.positions.side"], BENCH.model, -1) == 0
    assert 0 < 2 - room(SETTINGS["rain.entry_delay"], BENCH.model, -1) < 0.01


def test_only_profiles_that_move_its_input_are_tried():
    """One that claims the line comes first, then the cheaper one."""
    names = ("wind-gusts", "rain-count", "wind-closes-holds-releases")
    profiles = [load_profile(shipped_path(name)).model for name in names]
    one = attempt(load_profile(shipped_path("rain-count")), BENCH, seed=0)
    inputs = [{"cups"}, {"rain"}, {"cups"}]
    assert could_show(SETTINGS["gale.cups.ends_at"], profiles, inputs, [one] * 3) == (2, 0)
    assert could_show(SETTINGS["gale.entry_delay"], profiles, inputs, [one] * 3) == (0, 2)
    assert could_show(SETTINGS["supply.boots_for"], profiles, inputs, [one] * 3) == ()
