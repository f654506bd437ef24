"""Drafts of joined conditions, loops, a hand switch, limits, sides and references: they find what they are for."""

from __future__ import annotations

from pathlib import Path

import pytest

from ventproof.challenge.trial import attempt
from ventproof.cli.options import with_faults
from ventproof.draft.draft import drafts
from ventproof.profile.load import read_profile
from ventproof.session.session import Session
from ventproof.table.load import load_table, read_table
from ventproof_bench.benchcheck.load import load_bench, read_bench

FILES = Path(__file__).parents[3] / "bench" / "files"
BENCH = load_bench(FILES / "snow-house.yaml")
TABLE = load_table(FILES / "snow-house-overrides.yaml")


@pytest.fixture(scope="module")
def drafted():
    """The profiles drafted from the table of the snow house, by file."""
    return {draft.file: draft for draft in drafts(TABLE, BENCH, strength=2, source="table.yaml")}


def trial(draft, *faults):
    """Try a drafted profile on the mock of the snow house."""
    return attempt(read_profile(draft.file, draft.text), with_faults(BENCH, list(faults)), seed=0)


def test_every_draft_is_a_profile_of_its_own(drafted):
    """Each fits the bench and has a title of its own."""
    session = Session(bench=BENCH, out=Path())
    for draft in drafted.values():
        session.bind(read_profile(draft.file, draft.text))
    assert len({draft.title for draft in drafted.values()}) == len(drafted)


def test_what_joins_conditions_is_proved(drafted):
    """Both sides of the `and`, each of its parts, and either state of the loop are told apart."""
    proved = {its.line for draft in drafted.values() for its in draft.shown if its.proved}
    assert proved >= {
        "snow.all",
        "snow.snow_detector",
        "snow.snow_detector.debounce",
        "snow.outside_temperature",
        "snow.outside_temperature.ends_at",
        "snow.entry_delay",
        "snow.release_delay",
        "rain.rain_loop",
        "rain.rain_loop.debounce",
        "gale.cups",
        "gale.cups_2",
        "gale.cups_2.averaged_over",
        "precedence.rain.hand",
        "alarm.entry_delay",
        "alarm.flag_while_active",
        "breeze.limits.roof",
        "breeze.limits.side",
        "breeze.fall_between",
        "gale.leeward.roof",
        "sensors.rain_monitor.open",
        "sensors.rain_monitor.fails_after",
        "sides.dead_band",
        "sides.settles_after",
        "screens.gale.active",
        "screens.snow.active",
        "screens.entry_delay",
        "screens.release_delay",
    }


def test_what_must_hold_too_comes_first(drafted):
    """The first step brings about the other part alone, and nothing may happen."""
    profile = read_profile("profile.yaml", drafted["snow-by-outside_temperature.yaml"].text).model
    assert [step.step for step in profile.steps][:2] == [
        "contact snow detector closes",
        "outside temperature 0.5 °C",
    ]
    assert profile.start.set == {"snow_detector": "open"}
    loop = read_profile("profile.yaml", drafted["rain-by-rain_loop.yaml"].text).model
    assert loop.start.set == {"rain_loop": "closed"}


@pytest.mark.parametrize(
    "file",
    [
        "gale-mean-of-cups.yaml",
        "rain-rain_loop-is-cut.yaml",
        "alarm-outside_temperature-fails-open.yaml",
        "breeze-limits.yaml",
        "gale-wavers.yaml",
        "gale-nearly-behind.yaml",
        "gale-turns.yaml",
        "screens-follows-snow.yaml",
    ],
)
def test_the_healthy_unit_passes(file, drafted):
    """What is required is what the table says and no more, also where a mean takes minutes to fill."""
    tried = trial(drafted[file])
    assert tried.passed, tried.why


@pytest.mark.performance
def test_the_healthy_unit_passes_all_of_them(drafted):
    """Every draft passes on the unit that obeys the table; part of the campaign."""
    for draft in drafted.values():
        tried = trial(draft)
        assert tried.passed, f"{draft.file}: {tried.why}"


@pytest.mark.parametrize(
    ("fault", "file"),
    [
        ("ignores_rules", "hand-by-hand_switch.yaml"),
        ("joined_by_or", "snow-by-snow_detector.yaml"),
        ("last_joined_ignored", "snow-by-outside_temperature.yaml"),
        ("rule_entry_at_once", "snow-by-snow_detector.yaml"),
        ("rule_release_at_once", "hand-by-hand_switch.yaml"),
        ("rule_release_late", "hand-by-hand_switch.yaml"),
        ("wrong_rule_position", "hand-by-hand_switch.yaml"),
        ("alarm_relay_inverted", "alarm-outside_temperature-fails-open.yaml"),
        ("mean_wind_ignored", "gale-by-cups_2.yaml"),
        ("loop_taken_for_open", "rain-rain_loop-is-cut.yaml"),
        ("limits_ignored", "breeze-limits.yaml"),
        ("limit_ignores_strength", "breeze-limits.yaml"),
        ("limit_too_open", "breeze-limits.yaml"),
        ("limit_falls_late", "breeze-limits.yaml"),
        ("limit_never_rises", "breeze-limits.yaml"),
        ("cut_taken_for_rain", "alarm-rain_monitor-fails-open.yaml"),
        ("no_dead_band", "gale-nearly-behind.yaml"),
        ("no_dead_band_into_the_lee", "gale-nearly-behind.yaml"),
        ("no_dead_band_out_of_the_lee", "gale-wavers.yaml"),
        ("sides_change_at_once", "gale-turns.yaml"),
        ("active_override_ignored", "screens-follows-gale.yaml"),
    ],
)
def test_a_faulty_unit_fails(fault, file, drafted):
    """Each fault of joined conditions is found by the draft of the line that it breaks."""
    assert not trial(drafted[file], fault).passed


HAND = """
table: a hand switch over the rain
opened_by: {house_temperature: 30 °C}
vents:
  roof: {signal: roof_vent, open: 84 %, starts_within: 600 ms, full_travel: [34 s, 36 s], tolerance: 1 %}
overrides:
  rain:
    flag: rain_override
    when: [{contact: rain_loop, state: open, debounce: 500 ms}]
    entry_delay: 4 s
    release_delay: 90 s
    positions: {roof: 6 %}
  hand:
    flag: hand_override
    when: [{contact: hand_switch, debounce: 50 ms}]
    entry_delay: 0 s
    release_delay: 5 s
    positions: {roof: 60 %}
    only_close: false
precedence: [hand, rain]
"""


def test_a_switch_that_must_open_vents_and_cannot_fails():
    """It finds them where the rain has closed them: a unit that only closes leaves them there."""
    bench = BENCH.text.replace("[gale, snow, rain, failure, hand]", "[gale, snow, hand, rain, failure]")
    table = read_table("hand.yaml", HAND)
    drafted = {its.file: its for its in drafts(table, read_bench("b.yaml", bench), strength=2, source="hand")}
    draft = drafted["hand-opens-in-rain.yaml"]
    assert "hand.only_close" in {its.line for its in draft.shown if its.proved}
    profile = read_profile(draft.file, draft.text)
    assert attempt(profile, read_bench("b.yaml", bench), seed=0).passed
    assert attempt(
        profile, read_bench("b.yaml", bench.replace("only_close: false", "only_close: true")), seed=0
    ).failed
