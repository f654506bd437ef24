"""A bench that is wired or declared wrong is never called fine; each slip is named, by both kinds of check."""

from __future__ import annotations

import copy
from random import Random

import pytest
from miswired import bench_of, drawn, quick, slips

from ventproof.session.selfcheck import selfcheck

RIGHT = quick()
KNOWN = dict(slips(RIGHT))

NAMED = {
    "roof_vent scale x 10": ("920 %", "`scale: 0.1` would be right", "scale"),
    "gust scale x 0.1": ("1.6 m/s", "`scale: 0.1` would be right", "scale"),
    "house_reading word order": (
        "'house_reading' is read with the wrong word order",
        "high-first",
        "word_order",
    ),
    "tip_count word order": ("'tip_count' is read with the wrong word order", "high-first", "word_order"),
    "side_vent as f32": ("'side_vent' is read with the wrong type", "`type: u16`", "type"),
    "house_reading as u16": ("'house_reading' is read with the wrong type", "`type: f32`", "type"),
    "outside_reading as u16": ("'outside_reading' is read with the wrong type", "`type: s16`", "type"),
    "stage as u32": ("'stage' is read with the wrong", "`type: u16`", "type"),
    "roof_vent and side_vent swapped": ("signals 'roof_vent' and 'side_vent' are exchanged", "", "address"),
    "roof_vent and house_reading swapped": ("'house_reading' and 'roof_vent' are exchanged", "", "address"),
    "rain_override and rain_contact swapped": (
        "'rain_contact' and 'rain_override' are exchanged",
        "",
        "address",
    ),
    "frost_override bit 1": ("'frost_override' is read from the wrong address", "at 6, bit 6", "bit"),
    "all addresses one off": (
        "'tip_count' cannot be read",
        "13 answers: is counting from 1 mixed",
        "address",
    ),
    "side_vent from the holding table": (
        "'side_vent' is read with the wrong table",
        "`table: input`",
        "table",
    ),
    "gust from the holding table": ("'gust' cannot be read", "exception 2, illegal data address", "address"),
    "gust of unit 7": ("unit 7 never answers on bus 'unit', unit 1 does", "`unit_id` of 'gust'", "unit_id"),
    "house_temperature unit_id 7": ("unit 7 never answers on", "output 'house_temperature'", "unit_id"),
    "house_temperature address 9": ("output 'house_temperature' cannot be written", "exception 2,", "wired"),
    "house_temperature address 1": ("output 'house_temperature' was set to -5 °C", "`wired:`", "wired"),
    "house_temperature scale 1": ("output 'house_temperature'", "`wired:`", "scale"),
    "house_thermometer range the other way": (
        "'house_thermometer'",
        "the range, scale, sensor",
        "house_thermometer",
    ),
    "outputs rain and bucket swapped": ("'rain'", "terminals", "wired"),
}


@pytest.mark.parametrize("name", NAMED)
def test_a_slip_is_named_with_the_line_to_look_at(tmp_path, name):
    """The full check says what it looks like, what would be right, and where that stands."""
    raw = copy.deepcopy(RIGHT)
    KNOWN[name](raw)
    bench = bench_of(raw)
    result = selfcheck(bench, tmp_path, kind="bench")
    looks, right, key = NAMED[name]
    assert result.result == "worse"
    naming = [sentence for sentence in result.sentences if looks in sentence and right in sentence]
    assert naming, result.sentences
    line = int(naming[0].partition("(line ")[2].split()[0])
    assert key in bench.text.splitlines()[line - 1]


@pytest.mark.parametrize("seed", range(8))
def test_no_slip_is_fine(tmp_path, seed):
    """A slice of the table of slips, drawn by the seed; the check of the hook-up alone finds them, too."""
    name, bench = drawn(RIGHT, Random(seed), most=1)
    result = selfcheck(bench, tmp_path, kind="unit")
    assert result.result in ("worse", "partial"), (name, result.aborted)


@pytest.mark.parametrize("seed", range(8))
def test_no_combination_of_slips_is_fine(tmp_path, seed):
    """Up to four at once, drawn by the seed: something wrong is said of each such bench."""
    names, bench = drawn(RIGHT, Random(seed), most=4)
    result = selfcheck(bench, tmp_path, kind="bench" if seed % 2 else "unit", seed=seed)
    assert result.result == "worse", names
    assert result.sentences, names


HARMLESS = {
    "jitter": {("buses", "unit"): {"reply_jitter": "60 ms"}},
    "slow answers": {("buses", "unit"): {"reply_after": "90 ms"}},
    "serial": {("buses", "unit"): {"framing": "rtu"}},
    "short requests": {("buses", "unit"): {"most_registers": 8, "longest_gap": 0}},
    "slower vents": {("mock", "vents", "roof"): {"full_travel": "5 s", "dead_time": "900 ms"}},
    "other positions": {("mock", "rain", "positions"): {"roof": "8 %", "side": "47 %"}},
    "late overrides": {("mock", "rain"): {"entry_delay": "3 s"}},
    "a counter about to wrap": {("mock", "rain"): {"counted": 4294967291}},
    "quick refresh": {("mock",): {"refresh_every": "20 ms"}},
}


@pytest.mark.parametrize("name", HARMLESS)
def test_a_right_bench_is_never_accused(tmp_path, name):
    """Other units and buses within what the bench file says: nothing is wrong with them, and all is judged."""
    raw = copy.deepcopy(RIGHT)
    for path, fields in HARMLESS[name].items():
        part = raw
        for key in path:
            part = part[key]
        part.update(fields)
    for kind in ("bench", "unit"):
        result = selfcheck(bench_of(raw), tmp_path, kind=kind, seed=7)
        assert (result.sentences, result.result) == ((), "fine"), [
            one for one in result.unjudged if not one.left
        ]


def test_what_a_weak_hook_up_cannot_tell_is_listed_with_what_would(tmp_path):
    """`up` says nothing of the scale, a flag that nothing moves nothing at all: named, and not fine."""
    raw = copy.deepcopy(RIGHT)
    raw["outputs"]["cups"]["hookup"]["answers"] = {"gust": "up"}
    del raw["outputs"]["wind_direction"]["hookup"]
    result = selfcheck(bench_of(raw), tmp_path, kind="unit")
    assert (result.result, result.sentences) == ("partial", ())
    why = {one.name: one.why for one in result.unjudged if not one.left}
    assert sorted(why) == ["direction_failed", "gale_override", "gust", "wind_direction", "wind_from"]
    assert (
        "`scale: 0.01` the response would have been the same; write its value before and after" in why["gust"]
    )
    assert "add one, or `selfcheck: leave`" in why["wind_direction"]
    assert "name it among `answers`" in why["gale_override"]


def test_nothing_is_driven_from_a_state_that_was_not_reached(tmp_path):
    """The vents stand where a gale put them, not where `first` should have: said so, and the rain stays away."""
    raw = copy.deepcopy(RIGHT)
    raw["outputs"]["rain"]["hookup"]["first"] = {"house_temperature": "18 °C"}
    result = selfcheck(bench_of(raw), tmp_path, kind="unit")
    assert result.result == "worse"
    (said,) = [sentence for sentence in result.sentences if "output 'rain' was not driven" in sentence]
    assert "'roof_vent' reads 0, not 92 %" in said
    assert "rain" not in result.measured.exercised
