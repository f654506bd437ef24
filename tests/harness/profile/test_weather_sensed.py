"""From stated weather to edges and levels, through the sensors that outputs stand for."""

from __future__ import annotations

from itertools import islice, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from ventproof.profile.stimulus import Rainfall
from ventproof.profile.weather import anemometer, end_levels, level_of, rain_edges
from ventproof.weather.levels import END_LEVELS
from ventproof.weather.wind import steady, wind_edges
from ventproof_bench.benchfile.model import OutputSpec
from ventproof_bench.benchfile.sensors import BucketSensor, CupsSensor

OUTPUT = TypeAdapter(OutputSpec)


def rain(intensity, **more):
    """Return a rainfall as a profile would state it."""
    return Rainfall.model_validate({"rainfall": "bucket", "intensity": intensity, **more})


def output(**said):
    """Return an output as a bench file would declare it."""
    return OUTPUT.validate_python({"driver": "register", **said})


CURRENT = output(kind="level", signal="4-20 mA", range=("-30 °C", "50 °C"))
VOLTAGE = output(kind="level", signal="0-10 V", range=("0 m/s", "50 m/s"))
PT100 = output(kind="resistance", sensor="pt100")
# Coefficients of a common 10 kohm thermistor, from memory; 32.66 kohm at 0 °C is published.
COMMON_10K = {"a": 1.129148e-3, "b": 2.34125e-4, "c": 8.76741e-8}


def test_ten_minutes_of_rain_make_exactly_ten_tips():
    """12 mm/h for 10 min are 2 mm, ten tips of 0.2 mm, one a minute; the last falls as the rain ends."""
    bucket = BucketSensor.model_validate({"tip": "0.2 mm", "closed_for": "100 ms"})
    edges = rain_edges(bucket, rain("12 mm/h", for_="10 min"))
    assert [edge.at_s for edge in edges if edge.closed] == [60.0 * k for k in range(1, 11)]
    assert [edge.at_s for edge in edges if not edge.closed] == [60.0 * k + 0.1 for k in range(1, 11)]


def test_a_dead_time_loses_rain():
    """While a bucket tips, rain falls past: at 72 mm/h a 0.2 mm bucket fills in 10 s, and 0.5 s are lost a tip."""
    bucket = BucketSensor.model_validate({"tip": "0.2 mm", "dead_time": "500 ms"})
    closings = [e.at_s for e in rain_edges(bucket, rain("72 mm/h", for_="100 s")) if e.closed]
    assert closings == pytest.approx([10 + 10.5 * k for k in range(9)])


def test_rain_in_inches_loses_no_tip():
    """3 in/h for an hour into a bucket of 0.01 in are exactly 300 tips, which floats would make 299."""
    bucket = BucketSensor.model_validate({"tip": "0.01 in"})
    assert len(rain_edges(bucket, rain("3 in/h", for_="1 h"))) == 600


@pytest.mark.parametrize("lasts", ["8.2 min", "492 s", "492000 ms"])
def test_the_last_tip_falls_however_the_time_is_written(lasts):
    """60 mm/h for 8.2 min are 8.2 mm, 41 tips of 0.2 mm; the last falls as the rain ends."""
    bucket = BucketSensor.model_validate({"tip": "0.2 mm", "closed_for": "100 ms"})
    assert len(rain_edges(bucket, rain("60 mm/h", for_=lasts))) == 2 * 41


@given(st.integers(1, 1750), st.sampled_from([0.1, 0.7]))
@settings(max_examples=60, deadline=None)
def test_a_vane_shows_both_ends_of_its_track(tenths, width):
    """The ends belong to the track, whatever decimal fractions they are; beyond them is the gap."""
    low, high = tenths / 10, 360 - tenths / 10 - width
    vane = {"ohm": 1000, "range": (f"{low} °", f"{high} °")}
    track = output(kind="resistance", sensor="vane", vane=vane)
    assert level_of(track, low) == pytest.approx(0, abs=1e-6)
    assert level_of(track, high) == pytest.approx(1000)
    assert level_of(track, low - 0.01) == END_LEVELS["resistance"].broken


@given(st.floats(0.5, 50), st.floats(0.1, 5), st.floats(0, 0.4))
@settings(max_examples=60, deadline=None)
def test_a_steady_wind_keeps_the_frequency_of_the_line(speed, slope, offset):
    """The k-th pulse falls at k periods of (speed - offset) / slope, however long the wind blows."""
    cups = CupsSensor.model_validate({"slope": slope, "offset": f"{offset} m/s"})
    edges = list(islice(wind_edges(anemometer(cups, fastest_edge_s=1e-4), steady(speed)), 5000, 5010))
    period_s = slope / (speed - cups.offset.value)
    assert [e.closed for e in edges] == [True, False] * 5
    assert edges[0].at_s == pytest.approx(2501 * period_s, rel=1e-12)
    assert all(b.at_s - a.at_s == pytest.approx(period_s / 2, rel=1e-6) for a, b in pairwise(edges))


def test_cups_stand_still_in_a_calm_and_refuse_a_wind_that_the_output_cannot_play():
    """Below the start there is no edge; beyond the output's fastest edge the limit is named."""
    cups = anemometer(CupsSensor.model_validate({"slope": 0.5, "starts_at": "0.6 m/s"}), fastest_edge_s=0.02)
    assert list(wind_edges(cups, steady(0.5))) == []
    with pytest.raises(ValueError, match=r"faster than the limit of 25 Hz; stay below 12\.5 m/s"):
        next(wind_edges(cups, steady(13.0)))


def test_cups_of_an_output_without_a_limit_turn_as_fast_as_the_wind_blows():
    """An output that states no fastest edge limits no wind."""
    cups = anemometer(CupsSensor.model_validate({"slope": 0.5}), fastest_edge_s=0.0)
    assert cups.frequency_hz(60.0) == 120.0


@pytest.mark.parametrize(
    ("made", "value", "level"),
    [
        (CURRENT, -2.0, 9.6),
        (CURRENT, -30.0, 4.0),
        (CURRENT, -35.0, 3.0),  # out of range: below NAMUR NE 43's 3.6 mA
        (VOLTAGE, 14.0, 2.8),
        (PT100, 0.0, 100.0),
        (PT100, 100.0, 138.5055),  # IEC 60751
        (PT100, -100.0, 60.2558),  # IEC 60751
        (output(kind="resistance", sensor="ntc", ntc={"ohm": 10_000, "beta": 3950}), 25.0, 10_000.0),
        (output(kind="resistance", sensor="ntc", ntc=COMMON_10K), 0.0, 32_650.3747),
        (output(kind="register", unit="°C"), -2.0, -2.0),
    ],
)
def test_a_value_becomes_the_level_of_its_sensor(made, value, level):
    """Currents and voltages follow their range, thermometers their law, registers take the value itself."""
    assert level_of(made, value) == pytest.approx(level, abs=1e-4)


def test_a_level_that_cannot_be_is_refused():
    """Below no current, or far beyond the range, the values that can be played are named."""
    with pytest.raises(ValueError, match=r"-60 °C would need -2 mA; stay from -50 to 70 °C"):
        level_of(CURRENT, -60.0)
    with pytest.raises(ValueError, match=r"is outside what IEC 60751 covers"):
        level_of(PT100, -300.0)


def test_broken_and_shorted_wires_have_their_levels():
    """A broken current loop carries nothing, a broken resistance is far beyond any thermometer."""
    assert (end_levels(CURRENT).broken, end_levels(CURRENT).shorted) == (0.0, 24.0)
    assert (end_levels(VOLTAGE).broken, end_levels(PT100).broken) == (0.0, 1e7)


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ({"kind": "level", "signal": "4-20 mA", "range": ("1 °C", "1 °C")}, "must be two values of one unit"),
        ({"kind": "level", "signal": "4-20 mA", "range": ("1 °C", "2 %")}, "must be two values of one unit"),
        ({"kind": "level", "signal": "4-20 mA", "range": (1, 2)}, "must be two values of one unit"),
        ({"kind": "resistance", "sensor": "ntc"}, "go together"),
        ({"kind": "resistance", "sensor": "pt100", "ntc": {"ohm": 1, "beta": 1}}, "go together"),
        (
            {"kind": "resistance", "sensor": "ntc", "ntc": {"a": 1.1e-3, "b": 8.8e-8, "c": 2.3e-4}},
            r"ntc\.a\.c\n",
        ),
    ],
)
def test_a_level_output_that_makes_no_sense_is_refused(said, reason):
    """Ranges without a span or of two units, and thermistors without their law, say what is wrong."""
    with pytest.raises(ValidationError, match=reason):
        output(**said)


VANE_CURRENT = output(kind="level", signal="4-20 mA", range=("0 °", "360 °"))
VANE_VOLTAGE = output(kind="level", signal="0-10 V", range=("3 °", "357 °"), gap=0.0)
VANE_TRACK = output(kind="resistance", sensor="vane", vane={"ohm": 10_000, "range": ("3 °", "357 °")})
TURNED = output(kind="level", signal="0-10 V", range=("92.5 deg", "447.5 deg"), gap=0.0)


@pytest.mark.parametrize(
    ("vane", "direction", "level"),
    [
        (VANE_CURRENT, 0.0, 4.0),
        (VANE_CURRENT, 90.0, 8.0),
        (VANE_CURRENT, 270.0, 16.0),
        (VANE_VOLTAGE, 3.0, 0.0),
        (VANE_VOLTAGE, 180.0, 5.0),
        (VANE_VOLTAGE, 357.0, 10.0),
        (VANE_VOLTAGE, 0.0, 0.0),  # in the gap
        (VANE_TRACK, 180.0, 5000.0),
        (VANE_TRACK, 356.0, 9971.75),
        (VANE_TRACK, 359.0, 1e7),  # the wiper touches nothing
        (TURNED, 92.5, 0.0),
        (TURNED, 0.0, 10 * 267.5 / 355),
        (TURNED, 87.4, 10 * 354.9 / 355),
    ],
)
def test_a_direction_becomes_the_level_of_its_vane(vane, direction, level):
    """Along its range a vane is even; in its gap it gives what its output declares, or an open circuit."""
    assert vane.unit == "°"
    assert level_of(vane, direction) == pytest.approx(level, abs=1e-2)


def test_a_direction_that_no_vane_shows_is_refused():
    """Beyond a full turn there is no direction; in the gap a level needs the bench file's word."""
    with pytest.raises(ValueError, match=r"400 ° is not a direction; write 0 ° to 360 °"):
        level_of(VANE_CURRENT, 400.0)
    bare = output(kind="level", signal="0-10 V", range=("3 °", "357 °"))
    with pytest.raises(
        ValueError, match=r"1 ° lies in the vane's gap, outside 3 ° to 357 °; declare .*`gap:`"
    ):
        level_of(bare, 1.0)


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        ({"kind": "level", "signal": "0-10 V", "range": ("357 °", "3 °")}, "must run clockwise"),
        ({"kind": "level", "signal": "0-10 V", "range": ("0 °", "361 °")}, "over a full turn at most"),
        (
            {"kind": "level", "signal": "0-10 V", "range": ("0 m/s", "50 m/s"), "gap": 0.0},
            "gap is for a vane",
        ),
        ({"kind": "resistance", "sensor": "vane"}, "go together"),
        (
            {"kind": "resistance", "sensor": "vane", "vane": {"ohm": 1, "range": ("0 %", "9 %")}},
            "run clockwise",
        ),
    ],
)
def test_a_vane_that_makes_no_sense_is_refused(said, reason):
    """Tracks that run backwards or over more than a turn, and gaps of what is no vane, say what is wrong."""
    with pytest.raises(ValidationError, match=reason):
        output(**said)


@pytest.mark.parametrize(
    ("signal", "wiring"), [("4-20 mA", "current"), ("0-10 V", "voltage")], ids=["current", "voltage"]
)
def test_a_broken_vane_has_the_levels_of_its_wires(signal, wiring):
    """A vane's wires break as any other's."""
    made = output(kind="level", signal=signal, range=("0 °", "360 °"))
    assert end_levels(made) == END_LEVELS[wiring]


@pytest.mark.parametrize(
    ("said", "value", "level"),
    [
        ({"kind": "level", "signal": "0-20 mA", "range": ("0 m/s", "50 m/s")}, 12.5, 5.0),
        ({"kind": "level", "signal": "2-10 V", "range": ("0 %", "100 %")}, 25.0, 4.0),
        ({"kind": "level", "signal": "ratio", "supply": "5 V", "range": ("0 %", "100 %")}, 30.0, 1.5),
        ({"kind": "level", "signal": "ratio", "supply": "10 V", "range": ("100 %", "0 %")}, 30.0, 7.0),
        (
            {"kind": "resistance", "sensor": "potentiometer", "potentiometer": {"ohm": [20, 4980]}},
            50.0,
            2500.0,
        ),
        ({"kind": "resistance", "sensor": "potentiometer", "potentiometer": {"ohm": [1000, 0]}}, 10.0, 900.0),
        ({"kind": "supply", "limits": ["0 V", "28 V"]}, 18.5, 18.5),
    ],
)
def test_signals_carry_their_values(said, value, level):
    """Straight lines between the ends that the bench file states, worked out by hand."""
    assert level_of(output(**said), value) == pytest.approx(level)


@pytest.mark.parametrize(
    ("said", "value", "reason"),
    [
        (
            {"kind": "level", "signal": "ratio", "supply": "5 V", "range": ("0 %", "100 %")},
            101.0,
            "stay from 0 to 100",
        ),
        ({"kind": "level", "signal": "2-10 V", "range": ("0 %", "100 %")}, -30.0, "would need -0.4 V"),
        (
            {"kind": "resistance", "sensor": "potentiometer", "potentiometer": {"ohm": [0, 1]}},
            101.0,
            "off the pot",
        ),
    ],
)
def test_a_potentiometer_shows_nothing_beyond_its_ends(said, value, reason):
    """No wiper leaves its track, and no divider gives more than its supply."""
    with pytest.raises(ValueError, match=reason):
        level_of(output(**said), value)
