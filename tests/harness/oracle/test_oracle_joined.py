"""Conditions that are joined, and contacts that count when open: by a second oracle, and by the mock unit."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from owed import first_contradiction
from restarts import interrupted
from turned_cups import turn_cups

from ventproof.oracle.oracle import expected
from ventproof.oracle.timeline import WeatherChange
from ventproof.table.load import load_table, read_table
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build

FILES = Path(__file__).parents[3] / "bench" / "files"
TABLE = load_table(FILES / "snow-house-overrides.yaml")
CONTACTS = ("a", "b", "c")
TICKS = 120

HEAD = """
table: any conditions
opened_by: {house_temperature: 30 °C}
vents: {roof: {signal: roof_vent, open: 90 %, starts_within: 0 s, full_travel: [10 s, 10 s], tolerance: 1 %}}
overrides:
  joined:
    entry_delay: 3 s
    release_delay: 5 s
    delay_tolerance: 1 ms
    positions: {roof: 10 %}
    when:
"""

SINGLE = st.tuples(st.sampled_from(CONTACTS), st.sampled_from(["open", "closed"]))
GROUP = st.lists(SINGLE, min_size=1, max_size=3, unique_by=lambda its: its[0])
EDGES = st.lists(
    st.tuples(st.integers(1, TICKS - 20), st.sampled_from(CONTACTS), st.booleans()), max_size=12
).map(sorted)


def text_of(groups):
    """Return a table whose override waits for any of these groups, each of which must hold together."""
    said = []
    for group in groups:
        terms = [f"{{contact: {name}, state: {state}}}" for name, state in group]
        said.append(f"      - {terms[0]}" if len(terms) == 1 else f"      - all: [{', '.join(terms)}]")
    return HEAD + "\n".join(said) + "\n"


@settings(max_examples=60, deadline=None)
@given(groups=st.lists(GROUP, min_size=1, max_size=3), edges=EDGES)
def test_any_conditions_are_joined_as_they_are_written(groups, edges):
    """Second by second: the override is active once its condition held for 3 s, and until it was over for 5 s."""
    table = _table(text_of(groups))
    if table is None:
        return
    # At rest a contact is in the state that the table says; before the first change nothing holds.
    closed = {name: table.rests(name) == "closed" for name in CONTACTS}
    weather = [WeatherChange(0.0, "contact", name, float(state)) for name, state in closed.items()]
    weather += [WeatherChange(float(at), "contact", name, float(state)) for at, name, state in edges]
    owed = expected(table, weather, float(TICKS))
    active, since, was = False, 0, False
    for tick in range(TICKS):
        closed |= {name: state for at, name, state in edges if at == tick}
        holds = any(all(closed[name] == (state == "closed") for name, state in group) for group in groups)
        since = since + 1 if holds == was else 0
        was = holds
        if holds != active and since >= (3 if holds else 5):
            active = holds
        assert owed.active(tick + 0.5)["joined"] == ("yes" if active else "no"), tick


def _table(text):
    """Return a table; None for one that its check refuses, such as a contact that must be open or closed."""
    from ventproof_bench.base.errors import FileError  # noqa: PLC0415 - here only

    try:
        return read_table("table.yaml", text).model
    except FileError:
        return None


UNTIL_S = 1200.0
OPEN_WIRE = 1e6
INPUTS = {
    "rain_loop": "rain",
    "rain_monitor": "loop",
    "snow_detector": "snow",
    "hand_switch": "hand",
    "unit_supply": "supply",
}
EVENTS = st.one_of(
    st.tuples(st.just("contact"), st.sampled_from(sorted(INPUTS)), st.sampled_from([0, 1])),
    st.tuples(st.just("wind"), st.just("cups"), st.sampled_from([0, 4.5, 6, 7.2, 8, 9.8, 13, 16])),
    st.tuples(st.just("direction"), st.just(""), st.sampled_from([250, 180, 70, 10, 350, 330, 147])),
    st.tuples(st.just("level"), st.just("outside_temperature"), st.sampled_from([10, 2.8, 2.0, 1.2, -4])),
    st.tuples(st.just("failed"), st.just("outside_temperature"), st.sampled_from([0, 1])),
)
STORIES = st.lists(st.tuples(st.integers(1, 900), EVENTS), max_size=14)
DEAD, BACK = (("contact", "unit_supply", state) for state in (0, 1))
RESTARTS = interrupted(st.tuples(st.integers(1, 300), EVENTS), cut=DEAD, back=BACK)


@cache
def snow_house():
    """Return the settings of the snow house, its house warm from the begin."""
    mock = load_bench(FILES / "snow-house.yaml").model.mock
    said = mock.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    return said | {"house": said["house"] | {"temperature": "30 °C"}}


def play(unit, weather):
    """Play a weather to the mock's terminals as a bench would, pulses included."""
    turn_cups(unit, weather, UNTIL_S)
    failed, value = False, 10.0
    for change in weather:
        if change.kind == "contact":
            unit.set_contact(INPUTS[change.name], change.at_s, closed=bool(change.value))
        elif change.kind == "direction":
            unit.set_level("direction", change.at_s, 4 + 16 * change.value / 360)
        elif change.kind in {"level", "failed"}:
            failed = bool(change.value) if change.kind == "failed" else failed
            value = change.value if change.kind == "level" else value
            ohm = 1000 * (1 + 3.9083e-3 * value - 5.775e-7 * value**2)
            unit.set_level("outside", change.at_s, OPEN_WIRE if failed else ohm)


def weather_of(story):
    """Return a story's changes, tenths of seconds to minutes apart; the rain loop is whole at first."""
    weather, now_s = [WeatherChange(0.0, "contact", f"rain_{its}", 1.0) for its in ("loop", "monitor")], 60.0
    weather.append(WeatherChange(0.0, "direction", "", 180.0))
    for tenths, (kind, name, value) in story:
        now_s += tenths / 10
        weather.append(WeatherChange(now_s, kind, name, float(value), 1.3 if kind == "wind" else 0.0))
    return weather


def disagreement(unit, story):
    """Return where a unit does what the oracle of its table says that it cannot; None for nowhere."""
    weather = weather_of(story)
    play(unit, weather)
    owed = expected(TABLE.model, weather, UNTIL_S, stands={"roof": 0, "side": 0})
    return first_contradiction(unit, owed, TABLE.model.vents, UNTIL_S, every_s=3.1)


@settings(max_examples=6, deadline=None)
@given(story=STORIES)
def test_the_unit_of_the_snow_house_does_what_its_table_says(story):
    """No override is active, and no vent stands, where the oracle says that it cannot."""
    assert disagreement(build(MockSettings.model_validate(snow_house()), 0.0, 0), story) is None


@settings(max_examples=12, deadline=None)
@given(story=RESTARTS)
@example(story=[(10, ("wind", "cups", 35)), (35, DEAD), (10, ("wind", "cups", 14.4)), (10, BACK)])
def test_the_unit_of_the_snow_house_owes_nothing_that_it_saw_before_a_restart(story):
    """However often it starts anew, it does nothing that the oracle rules out."""
    assert disagreement(build(MockSettings.model_validate(snow_house()), 0.0, 0), story) is None


SNOW = [
    (10, ("contact", "snow_detector", 1)),
    (300, ("level", "outside_temperature", -4)),
    (900, ("contact", "snow_detector", 0)),
]
WIND = [(10, ("wind", "cups", 9.8)), (900, ("wind", "cups", 9.8)), (900, ("wind", "cups", 0))]
BREEZE = [
    (10, ("wind", "cups", 6.2)),
    (900, ("wind", "cups", 7.5)),
    (600, ("wind", "cups", 6.2)),
    (900, ("wind", "cups", 0)),
]
GALE = [(10, ("direction", "", 70)), (300, ("wind", "cups", 18))]
WAVERS = [*GALE, (600, ("direction", "", 330))]
TURNS = [*GALE, (600, ("direction", "", 250)), (150, ("direction", "", 70))]
UNMONITORED = [(10, ("contact", "rain_monitor", 0)), (600, ("contact", "rain_monitor", 1))]
CUT = [(10, ("contact", "rain_loop", 0)), (900, ("contact", "rain_loop", 1))]
STARTS_IN_RAIN = [(10, ("contact", "rain_loop", 0)), (600, DEAD), (20, BACK)]
DIES_MOVING = [(10, ("contact", "rain_loop", 0)), (100, DEAD), (200, BACK)]


@pytest.mark.parametrize(
    ("fault", "story"),
    [
        ("ignores_rules", SNOW),
        ("joined_by_or", SNOW),
        ("last_joined_ignored", SNOW),
        ("rule_entry_at_once", SNOW),
        ("rule_release_at_once", SNOW),
        ("wrong_rule_position", SNOW),
        ("mean_wind_ignored", WIND),
        ("loop_taken_for_open", CUT),
        ("cut_taken_for_rain", UNMONITORED),
        ("limits_ignored", BREEZE),
        ("limit_ignores_strength", BREEZE),
        ("limit_too_open", BREEZE),
        ("limit_falls_late", BREEZE),
        ("limit_never_rises", BREEZE),
        ("no_dead_band", WAVERS),
        ("sides_change_at_once", TURNS),
        ("sides_exchanged", WAVERS),
        ("active_override_ignored", WIND),
        ("active_override_ignored", SNOW),
        ("blind_after_restart", STARTS_IN_RAIN),
        ("boots_slowly", STARTS_IN_RAIN),
        ("runs_on_without_processor", DIES_MOVING),
    ],
)
def test_a_unit_that_joins_otherwise_disagrees(fault, story):
    """The comparison can fail: a unit with a fault of joined conditions or starts leaves what the oracle allows."""
    healthy = build(MockSettings.model_validate(snow_house()), 0.0, 0)
    assert disagreement(healthy, story) is None
    assert disagreement(
        build(MockSettings.model_validate(snow_house() | {"faults": {fault: 1.0}}), 0.0, 0), story
    )


FOLLOWING = """
  follows:
    when:
      - all: [{active: joined}, {contact: b}]
      - {active: joined_too}
    entry_delay: 1 s
    release_delay: 2 s
    delay_tolerance: 1 ms
    positions: {roof: 5 %}
  joined_too: {when: [{contact: c}], entry_delay: 0 s, release_delay: 0 s, delay_tolerance: 1 ms, flag: lamp}
"""


def test_an_override_follows_another_with_its_own_delays():
    """It counts from when the other begins and ends, alone or beside a contact, whichever is stated first."""
    table = _table(text_of([[("a", "closed")]]) + FOLLOWING)
    moments = ((10, "a", 1), (20, "b", 1), (30, "a", 0), (50, "c", 1), (60, "c", 0))
    weather = [WeatherChange(float(at_s), "contact", name, float(state)) for at_s, name, state in moments]
    owed = expected(table, weather, 100.0)
    # The other is active from 13 s to 35 s, and so is the contact from 20 s on.
    assert [*owed.activity.active["follows"].must.yes()] == [
        pytest.approx((21, 37), abs=0.01),
        pytest.approx((51, 62), abs=0.01),
    ]
