"""A rain that limits vents, and rain and a silent bus among joined conditions: the oracle and the mock agree."""

from __future__ import annotations

from contextlib import suppress
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
from as_mock import with_table
from hypothesis import given, settings
from hypothesis import strategies as st
from owed import contradicted
from restarts import interrupted

from ventproof.oracle.means import LeastMean, MostMean
from ventproof.oracle.measured import MeasuredRain, MeasuredWind
from ventproof.oracle.oracle import expected
from ventproof.oracle.targets import Range
from ventproof.oracle.timeline import ALWAYS, Steps, Timeline, UncertainState, WeatherChange
from ventproof.table.load import read_table
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.mock.registers import SilentError
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build

FILES = Path(__file__).parents[3] / "bench" / "files"
MORE = """
  downpour:
    when: [{rainfall: bucket, above: 20 mm/h, ends_at: 12 mm/h, accuracy: 0.2 mm/h, tip: 0.2 mm, tips: 3}]
    entry_delay: 1 s
    release_delay: 20 s
    fall_between: [20 mm/h, 90 mm/h]
    limits: {side: [60 %, 18 %], roof: [50 %, 2 %]}
  unattended:
    flag: unattended
    when:
      - all:
          - {rainfall: bucket, above: 40 mm/h, ends_at: 30 mm/h, accuracy: 0.2 mm/h, tip: 0.2 mm, tips: 3}
          - {bus_silent: 40 s}
    entry_delay: 1 s
    release_delay: 10 s
    positions: {roof: 4 %}

precedence:"""
SHIPPED = (FILES / "mock-overrides.yaml").read_text(encoding="utf-8")
TABLE = read_table("rain.yaml", SHIPPED.replace("\nprecedence:", MORE))
WARM = (
    (FILES / "mock.yaml")
    .read_text(encoding="utf-8")
    .replace("house: {temperature: 18", "house: {temperature: 30")
)
UNTIL_S = 420.0
TIP_MM = 0.2
POWERED = UncertainState(ALWAYS, ALWAYS)
READ_EVERY_S = 1.7
EVENTS = st.one_of(
    st.tuples(st.just("rainfall"), st.sampled_from([0, 8, 16, 25, 35, 50, 95, 120])),
    st.tuples(st.just("silent"), st.sampled_from([0, 1])),
)
STORIES = st.lists(st.tuples(st.integers(40, 900), EVENTS), max_size=9)
RAINS = st.tuples(st.integers(40, 400), EVENTS.filter(lambda event: event[0] == "rainfall"))
RESTARTS = interrupted(RAINS, cut=("contact", 0), back=("contact", 1))
NAMES = {"rainfall": "bucket", "silent": "", "contact": "unit_supply"}


@cache
def obeying():
    """Return the settings of a unit that obeys the table, as data."""
    mock = with_table(read_bench("bench.yaml", WARM), TABLE).model.mock
    return mock.model_dump(mode="json", by_alias=True, exclude_defaults=True)


def weather_of(story):
    """Return a story's changes; the bus falls silent with the last reading before, and ends with the next one."""
    weather, now_s = [WeatherChange(0.0, "direction", "", 180.0)], 60.0
    for tenths, (kind, value) in story:
        now_s += tenths / 10
        early_s = READ_EVERY_S if kind == "silent" and value else 0.0
        late_s = READ_EVERY_S if kind == "silent" else 0.0
        weather.append(WeatherChange(now_s - early_s, kind, NAMES[kind], float(value), late_s))
    return weather


def fill(unit, weather):
    """Let the rain of a weather tip the bucket, which is empty at first."""
    rains = [(c.at_s, c.value) for c in weather if c.kind == "rainfall"]
    depth_mm, tips = 0.0, 0
    for (from_s, mm_per_h), (to_s, _) in pairwise([*rains, (UNTIL_S, 0.0)]):
        if mm_per_h:
            per_s = mm_per_h / 3600
            while (at_s := from_s + ((tips + 1) * TIP_MM - depth_mm) / per_s) < to_s:
                tips += 1
                unit.set_contact("bucket", at_s, closed=True)
                unit.set_contact("bucket", at_s + 0.1, closed=False)
            depth_mm += per_s * (to_s - from_s)


def disagreement(story, **faults):
    """Return where a unit does what the oracle of its table says that it cannot; None for nowhere."""
    unit = build(MockSettings.model_validate(obeying() | {"faults": faults}), 0.0, 0)
    weather = weather_of(story)
    fill(unit, weather)
    for change in weather:
        if change.kind == "contact":
            unit.set_contact("supply", change.at_s, closed=bool(change.value))
    owed = expected(TABLE.model, weather, UNTIL_S, stands={"roof": 0, "side": 0})
    silences = [(c.at_s + (READ_EVERY_S if c.value else 0.0), c.value) for c in weather if c.kind == "silent"]
    for step in range(int(UNTIL_S / READ_EVERY_S)):
        at_s = step * READ_EVERY_S
        silent = next((value for since_s, value in reversed(silences) if since_s <= at_s), 0.0)
        if silent:
            unit.advance(at_s)
        else:
            with suppress(SilentError):
                unit.read("input", 0, 1, at_s)
        if found := contradicted(unit, owed, TABLE.model.vents, at_s):
            return found
    return None


@settings(max_examples=25, deadline=None)
@given(story=STORIES)
def test_the_unit_limits_its_vents_by_the_rain_as_its_table_says(story):
    """No override is active, and no vent stands, where the oracle says that it cannot."""
    assert disagreement(story) is None


@settings(max_examples=30, deadline=None)
@given(story=RESTARTS)
def test_the_unit_measures_no_rain_from_before_a_restart(story):
    """However often it starts anew, it does nothing that the oracle rules out."""
    assert disagreement(story) is None


STORM = [(10, ("rainfall", 25)), (600, ("rainfall", 120)), (900, ("rainfall", 0))]
UNATTENDED = [(10, ("silent", 1)), (600, ("rainfall", 50)), (900, ("silent", 0)), (300, ("rainfall", 0))]


@pytest.mark.parametrize(
    ("fault", "story"),
    [
        ("limits_ignored", STORM),
        ("limit_ignores_strength", STORM),
        ("limit_too_open", STORM),
        ("joined_by_or", STORM),
        ("last_joined_ignored", STORM),
        ("ignores_rules", UNATTENDED),
        ("lost_bus_unseen", UNATTENDED),
    ],
)
def test_a_unit_that_goes_by_another_rain_disagrees(fault, story):
    """The comparison can fail: a unit with a fault of limits or of joined conditions leaves what the oracle allows."""
    assert disagreement(story) is None
    assert disagreement(story, **{fault: 1.0})


def test_a_mean_is_followed_piece_by_piece():
    """Between two edges a mean over 12 s changes by no more than a twelfth of the jump, and by nothing elsewhere."""
    course = Steps(0.0, ((10.0, 6.0), (16.0, 12.0)))
    means = LeastMean(course, 12.0, POWERED), MostMean(course, 12.0, POWERED)
    measured = MeasuredWind(*means, off_by=0.5)
    edges = sorted(set(measured.edges()))
    spans = [measured.within(begin_s, end_s) for begin_s, end_s in pairwise(edges)]
    assert (edges[0], edges[-1]) == (10.0, 28.0)
    assert all(span.high - span.low <= 12 / 12 + 2 * 0.5 + 1e-9 for span in spans)
    assert measured.within(28.0, 1000.0).low == pytest.approx(11.5)
    assert measured.within(0.0, 10.0).high == 0.5


def test_in_a_drizzle_a_unit_may_measure_no_rain():
    """Below the intensity at which the rain ends it counts as over, or as the drizzle that it is."""
    course = Steps(0.0, ((10.0, 72.0), (40.0, 9.0)))
    measured = MeasuredRain(course, course, POWERED, tips_mm=0.6, forgotten_s=300.0, over_at=12.0, off_by=0.5)
    assert measured.within(30.0, 40.0) == Range(0.0, 72.5)
    assert measured.within(500.0, 600.0) == Range(0.0, 9.5)


def test_tips_count_until_as_many_have_surely_fallen():
    """After a heavier rain either intensity is possible until three tips of the lighter one, or for half an hour."""
    course = Steps(0.0, ((10.0, 72.0), (40.0, 36.0), (130.0, 0.0)))
    measured = MeasuredRain(
        course, course, POWERED, tips_mm=0.6, forgotten_s=1800.0, over_at=12.0, off_by=0.0
    )
    assert sorted({*measured.edges()}) == [10, 40, 100, 130, 1810, 1840, 1930]
    assert measured.within(99.0, 100.0) == Range(36.0, 72.0)
    assert measured.within(100.0, 130.0) == Range(36.0, 36.0)
    assert measured.within(130.0, 200.0) == Range(0.0, 36.0)
    assert measured.within(1930.0, 2000.0) == Range(0.0, 0.0)


def test_a_rain_from_before_a_start_counts_for_nothing():
    """Until three tips have surely fallen since, a unit may measure none of it; and never the heavier rain before."""
    course = Steps(0.0, ((10.0, 72.0), (50.0, 36.0)))
    back = UncertainState(*(Timeline(initially=True, switches_s=(50.0, on_s)) for on_s in (60.0, 61.0)))
    measured = MeasuredRain(course, course, back, tips_mm=0.6, forgotten_s=1800.0, over_at=12.0, off_by=0.0)
    assert measured.within(49.0, 50.0) == Range(72.0, 72.0)
    assert measured.within(50.0, 60.0) == Range(0.0, 0.0)
    assert measured.within(61.0, 121.0) == Range(0.0, 36.0)
    assert measured.within(121.0, 1000.0) == Range(36.0, 36.0)
    assert {60.0, 61.0, 121.0} <= {*measured.edges()}
