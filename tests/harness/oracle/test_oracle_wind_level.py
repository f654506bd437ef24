"""A wind sensor with a level: the mock unit does what the oracle of its table says, whatever wind comes."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from owed import first_contradiction
from restarts import interrupted

from ventproof.oracle.oracle import expected
from ventproof.oracle.timeline import WeatherChange
from ventproof.table.load import load_table, read_table
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build

FILES = Path(__file__).parents[3] / "bench" / "files"
TABLE = load_table(FILES / "wind-house-overrides.yaml")
UNAWARE = read_table("unaware.yaml", TABLE.text.replace("      - {failed: wind_sensor}\n", ""))
"""The table of a unit that takes no failure for a gale."""
UNTIL_S = 400.0
EVENTS = st.one_of(
    st.tuples(st.just("wind"), st.sampled_from([0, 3, 10.5, 12, 13.5, 14.5, 30])),
    st.tuples(st.just("failed"), st.sampled_from([0, 1])),
)
STORIES = st.lists(st.tuples(st.integers(1, 600), EVENTS), max_size=12)
DEAD, BACK = (("contact", state) for state in (0, 1))
RESTARTS = interrupted(st.tuples(st.integers(1, 200), EVENTS), cut=DEAD, back=BACK)
SUPPLIED = read_table(
    "supplied.yaml",
    f"{TABLE.text}\nsupply: {{contact: unit_supply, rides_through: 10 ms, boots_for: 3 s, restart: resume}}\n",
)
"""The table of a unit whose supply the bench can cut."""


@cache
def wind_house():
    """Return the settings of the house with a wind sensor, warm from the begin."""
    mock = load_bench(FILES / "wind-house.yaml").model.mock
    said = mock.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    return said | {"house": said["house"] | {"temperature": "30 °C"}}


def weather_of(story):
    """Return a story's changes, tenths of seconds to a minute apart."""
    weather, now_s = [WeatherChange(0.0, "wind", "wind_sensor", 3.0)], 60.0
    for tenths, (kind, value) in story:
        now_s += tenths / 10
        name = "unit_supply" if kind == "contact" else "wind_sensor"
        weather.append(WeatherChange(now_s, kind, name, float(value)))
    return weather


def disagreement(unit, story, table=TABLE):
    """Return where a unit does what the oracle of its table says that it cannot; None for nowhere."""
    weather, failed, speed = weather_of(story), False, 0.0
    for change in weather:
        if change.kind == "contact":
            unit.set_contact("supply", change.at_s, closed=bool(change.value))
            continue
        failed = bool(change.value) if change.kind == "failed" else failed
        speed = change.value if change.kind == "wind" else speed
        unit.set_level("wind", change.at_s, 0.0 if failed else 4 + 16 * speed / 50)
    owed = expected(table.model, weather, UNTIL_S, stands={"roof": 0, "side": 0})
    return first_contradiction(unit, owed, table.model.vents, UNTIL_S, every_s=1.7)


@settings(max_examples=12, deadline=None)
@given(story=STORIES)
def test_the_unit_with_a_wind_sensor_does_what_its_table_says(story):
    """No override is active, and no vent stands, where the oracle says that it cannot."""
    assert disagreement(build(MockSettings.model_validate(wind_house()), 0.0, 0), story) is None


@settings(max_examples=30, deadline=None)
@given(story=RESTARTS)
def test_the_unit_with_a_wind_sensor_owes_nothing_that_it_saw_before_a_restart(story):
    """However often it starts anew, and whether or not its sensor works then."""
    assert disagreement(build(MockSettings.model_validate(wind_house()), 0.0, 0), story, SUPPLIED) is None


def test_the_last_good_value_holds_a_gale():
    """A unit that takes no failure for a gale goes by its last good value: the gale stays, and a breeze makes none."""
    said = wind_house()
    settings = said | {"sensors": {"wind": said["sensors"]["wind"] | {"treat_as": "nothing"}}}
    for speed in (30, 12):
        story = [(10, ("wind", speed)), (300, ("failed", 1)), (100, ("wind", 3)), (600, ("failed", 0))]
        unit = build(MockSettings.model_validate(settings), 0.0, 0)
        assert disagreement(unit, story, UNAWARE) is None


@pytest.mark.parametrize(
    ("story", "fault"),
    [
        ([(10, ("wind", 13.5))], "wind_zero_at_0_ma"),
        ([(10, ("wind", 30)), (600, ("failed", 1)), (20, ("wind", 3))], "no_sensor_check"),
        ([(10, ("wind", 30)), (300, ("wind", 3))], "smooths_gusts"),
    ],
)
def test_a_faulty_unit_is_told_from_it(story, fault):
    """The oracle is no oracle of anything: a fault contradicts it, and the same story with a healthy unit does not."""
    assert disagreement(build(MockSettings.model_validate(wind_house()), 0.0, 0), story) is None
    faulty = MockSettings.model_validate(wind_house() | {"faults": {fault: 1.0}})
    assert disagreement(build(faulty, 0.0, 0), story) is not None
