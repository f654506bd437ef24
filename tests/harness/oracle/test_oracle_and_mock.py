"""The oracle and the mock unit, written apart, agree on whatever weather comes."""

from __future__ import annotations

from pathlib import Path

import pytest
from as_mock import with_table
from hypothesis import given, settings
from hypothesis import strategies as st
from owed import first_contradiction
from turned_cups import turn_cups

from ventproof.oracle.oracle import expected
from ventproof.oracle.timeline import WeatherChange
from ventproof.table.load import load_table, read_table
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.mock.unit import build

FILES = Path(__file__).parents[3] / "bench" / "files"
TABLE = load_table(FILES / "mock-overrides.yaml")
BENCH = read_bench(
    "bench.yaml",
    (FILES / "mock.yaml")
    .read_text(encoding="utf-8")
    .replace("house: {temperature: 18", "house: {temperature: 30"),
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


@pytest.mark.parametrize("name", TABLES)
@settings(max_examples=4, deadline=None)
@given(story=STORIES)
def test_the_mock_does_what_the_oracle_demands(name, story):
    """No override is active, and no vent stands, where the oracle says that it cannot."""
    table = TABLES[name]
    unit = build(with_table(BENCH, table).model.mock, 0.0, 0)
    weather = weather_of(story)
    play(unit, weather)
    owed = expected(table.model, weather, UNTIL_S, stands={"roof": 0, "side": 0})
    assert first_contradiction(unit, owed, table.model.vents, UNTIL_S, every_s=1.7) is None
