"""The oracle and the mock unit, written apart, agree on whatever weather comes."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from as_mock import with_table
from hypothesis import example, given, settings
from hypothesis import strategies as st
from owed import first_contradiction
from restarts import interrupted
from turned_cups import turn_cups

from ventproof.oracle.oracle import expected
from ventproof.oracle.timeline import WeatherChange
from ventproof.table.load import load_table, read_table
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build

FILES = Path(__file__).parents[3] / "bench" / "files"
TABLE = load_table(FILES / "mock-overrides.yaml")
RELAY = "driver: mock, operate: 1 ms, release: 1 ms, bounce: 0 ms"
BENCH = read_bench(
    "bench.yaml",
    (FILES / "mock.yaml")
    .read_text(encoding="utf-8")
    .replace("house: {temperature: 18", "house: {temperature: 30")
    .replace("outputs:", f"outputs:\n  reset: {{{RELAY}, wired: {{input: reset}}}}", 1),
)
TABLES = {
    "most closed": TABLE,
    "in order": read_table(
        "order.yaml",
        TABLE.text.replace("precedence: most-closed", "precedence: [failure, gale, rain, frost]"),
    ),
    "resuming": read_table("resume.yaml", TABLE.text.replace("restart: reference", "restart: resume")),
    "opening": read_table(
        "opening.yaml",
        TABLE.text.replace(
            "    positions: {roof: 30 %, side: 30 %}", "    positions: {roof: 30 %}\n    only_close: false"
        ),
    ),
    "latched": read_table(
        "latched.yaml",
        TABLE.text.replace(
            "    positions: {roof: 8 %, side: 45 %}",
            "    positions: {roof: 8 %, side: 45 %}\n    latched: true",
        )
        + "\nreset: reset\n",
    ),
}
LATE_S = 0.7  # of a wind: the longest pause between two pulses before it shows
OPEN_WIRE = {"outside_temperature": 1e6, "house_thermometer": 0.0}
INPUTS = {"outside_temperature": "outside", "house_thermometer": "house"}
UNTIL_S = 400.0

EVENTS = st.one_of(
    st.tuples(st.just("contact"), st.just("rain"), st.sampled_from([0, 1])),
    st.tuples(st.just("contact"), st.just("unit_supply"), st.sampled_from([0, 1])),
    st.tuples(st.just("wind"), st.just("cups"), st.sampled_from([0, 3, 8.5, 10, 11.5, 12.5, 15])),
    st.tuples(st.just("level"), st.just("outside_temperature"), st.sampled_from([10, 3.3, 2.5, 1.7, -5])),
    st.tuples(st.just("failed"), st.sampled_from(sorted(INPUTS)), st.sampled_from([0, 1])),
    st.tuples(st.just("direction"), st.just(""), st.sampled_from([180, 100, 80, 0])),
)
STORIES = st.lists(st.tuples(st.integers(1, 600), EVENTS), max_size=12)


def weather_of(story):
    """Return a story's changes, tenths of seconds to minutes apart, in a wind that comes from ahead at first."""
    weather, now_s = [WeatherChange(0.0, "direction", "", 180.0)], 60.0
    for tenths, (kind, name, value) in story:
        now_s += tenths / 10
        late_s = LATE_S if kind == "wind" else 0.0
        weather.append(WeatherChange(now_s, kind, name, float(value), late_s))
    return weather


def play(unit, weather):
    """Play a weather to the mock's terminals as a bench would, pulses included."""
    turn_cups(unit, weather, UNTIL_S)
    failed, values = set(), {"outside_temperature": 10.0, "house_thermometer": 30.0}
    for change in weather:
        if change.kind == "contact":
            name = "supply" if change.name == "unit_supply" else change.name
            unit.set_contact(name, change.at_s, closed=bool(change.value))
        elif change.kind == "direction":
            unit.set_level("direction", change.at_s, 4 + 16 * change.value / 360)
        elif change.kind != "wind":
            if change.kind == "failed":
                (failed.add if change.value else failed.discard)(change.name)
            else:
                values[change.name] = change.value
            level = OPEN_WIRE[change.name] if change.name in failed else level_of(change.name, values)
            unit.set_level(INPUTS[change.name], change.at_s, level)


def level_of(name, values):
    """Return ohm of a Pt1000 (IEC 60751, above and a little below 0 °C) or mA of 4-20 mA over -10 to 50 °C."""
    value = values[name]
    if name == "outside_temperature":
        return 1000 * (1 + 3.9083e-3 * value - 5.775e-7 * value**2)
    return 4 + 16 * (value + 10) / 60


def disagreement(name, story, **faults):
    """Return where a unit does what the oracle of its table says that it cannot; None for nowhere."""
    table = TABLES[name].model
    unit = build(MockSettings.model_validate(obeying(name) | {"faults": faults}), 0.0, 0)
    weather = [change for change in weather_of(story) if change.name != "reset" or table.reset]
    play(unit, weather)
    owed = expected(table, weather, UNTIL_S, stands={"roof": 0, "side": 0})
    return first_contradiction(unit, owed, table.vents, UNTIL_S, every_s=1.7)


@cache
def obeying(name):
    """Return the settings of a unit that obeys a table, as data."""
    mock = with_table(BENCH, TABLES[name]).model.mock
    return mock.model_dump(mode="json", by_alias=True, exclude_defaults=True)


@pytest.mark.parametrize("name", TABLES)
@settings(max_examples=4, deadline=None)
@given(story=STORIES)
def test_the_mock_does_what_the_oracle_demands(name, story):
    """No override is active, and no vent stands, where the oracle says that it cannot."""
    assert disagreement(name, story) is None


RAIN, DEAD, BACK = (
    ("contact", name, state) for name, state in (("rain", 1), ("unit_supply", 0), ("unit_supply", 1))
)
DRY, RESET = ("contact", "rain", 0), ("contact", "reset", 1)
LATCHING = st.tuples(st.just("contact"), st.sampled_from(["rain", "reset"]), st.sampled_from([0, 1]))
RESTARTS = interrupted(st.tuples(st.integers(1, 200), st.one_of(EVENTS, LATCHING)), cut=DEAD, back=BACK)


@pytest.mark.parametrize("name", ["most closed", "resuming", "latched"])
@settings(max_examples=20, deadline=None)
@given(story=RESTARTS)
@example(story=[(10, RAIN), (100, DRY), (100, DEAD), (50, BACK)])
@example(story=[(10, RAIN), (100, DRY), (500, DEAD), (20, RESET), (20, BACK)])
@example(story=[(10, RAIN), (10, DEAD), (4, BACK), (200, DEAD), (20, BACK)])
def test_the_mock_does_what_the_oracle_demands_after_each_restart(name, story):
    """However often it starts anew, by a reference run or not, and whatever was latched."""
    assert disagreement(name, story) is None


STARTS_IN_RAIN = [(10, RAIN), (600, DEAD), (20, BACK)]
STARTS_TWICE = [(10, RAIN), (600, DEAD), (20, BACK), (20, DEAD), (20, BACK)]


@pytest.mark.parametrize(
    ("fault", "story"),
    [
        ("standing_rain_unseen", STARTS_IN_RAIN),
        ("blind_after_restart", STARTS_IN_RAIN),
        ("boots_slowly", STARTS_IN_RAIN),
        ("flicker_loses_rain", STARTS_TWICE),
        ("skips_reference", [(300, DEAD), (20, BACK)]),
        ("runs_on_without_processor", [(10, RAIN), (100, DEAD), (300, BACK)]),
    ],
)
def test_a_unit_that_starts_otherwise_disagrees(fault, story):
    """The comparison can fail: a unit with a fault of its starts leaves what the oracle allows."""
    assert disagreement("most closed", story) is None
    assert disagreement("most closed", story, **{fault: 1.0})


def test_what_is_latched_may_be_forgotten_with_the_supply():
    """After a start it is left open until a reset that the unit sees; a reset while it is dead may go unseen."""
    rains = [*weather_of([(10, RAIN), (100, DRY), (400, DEAD), (50, BACK), (400, RESET)])]
    table = TABLES["latched"].model
    active = expected(table, rains, UNTIL_S).activity.active["rain"]
    assert [active.at(t_s) for t_s in (75.0, 110.0, 112.5, 120.0, 150.0, 157.0)] == [
        "yes",
        "yes",
        "no",
        "open",
        "open",
        "no",
    ]
    unseen = [change for change in rains if change.name != "reset"]
    unseen.append(WeatherChange(113.0, "contact", "reset", 1.0))
    assert expected(table, unseen, UNTIL_S).activity.active["rain"].at(150.0) == "open"


def test_a_cut_that_a_unit_rides_through_may_delay_its_start_or_not():
    """Amid the start it may be felt as one, and need not be, as at any other time."""
    table = read_table("rides.yaml", TABLE.text.replace("rides_through: 10 ms", "rides_through: 2 s")).model
    powered = expected(
        table, weather_of([(10, DEAD), (100, BACK), (10, DEAD), (10, BACK)]), 100.0
    ).activity.powered
    # Back at 71 s and again at 73 s; it boots for 3 s, half a second more or less.
    assert [powered.at(t_s) for t_s in (70.0, 73.4, 73.6, 76.4, 76.6)] == ["no", "no", "open", "open", "yes"]
