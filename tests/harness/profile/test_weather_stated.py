"""From what a profile states to courses in time: each way of saying it gives the physics that it names."""

from __future__ import annotations

from fractions import Fraction

import pytest
from wind_averages import mean

from ventproof.profile.stimulus import Rainfall, Wind
from ventproof.profile.weather import rain_of, wind_of
from ventproof.weather.course import ramp
from ventproof.weather.hyetograph import blocks
from ventproof.weather.storms import (
    OffsetIdf,
    PowerIdf,
    alternating_blocks,
    chicago_storm,
    depth_mm,
    random_showers,
    scs_storm,
)
from ventproof.weather.turbulence import turbulent_wind

SERIES = "time [s], wind [m/s]\n0, 2\n10, 6\n20, 4\n"


def rain(**said):
    """Return the course of a rainfall."""
    return rain_of(Rainfall.model_validate({"rainfall": "bucket", **said}))


def wind(**said):
    """Return the course of a wind."""
    return wind_of(Wind.model_validate({"wind": "cups", **said}))


def test_storms_are_those_of_their_formulas():
    """Both forms of the formula, both shapes, and the 24-hour curves come out as their own functions do."""
    offset = {"a": 1000, "b": 10, "n": 0.8}
    power = {"c": 1800, "e": 0.9, "f": 8}
    storm = {"shape": "peaked", "lasts": "1 h", "block": "5 min", "peak_at": "40 %", "formula": offset}
    chicago = rain(storm=storm)
    assert chicago == chicago_storm(OffsetIdf(**offset), duration_min=60, peak_at=0.4, block_min=5)
    assert float(chicago.depth_mm) == pytest.approx(depth_mm(OffsetIdf(**offset), 60))
    storm = {"shape": "alternating", "lasts": "2 h", "block": "10 min", "formula": power}
    alternating = rain(storm=storm)
    assert alternating == alternating_blocks(PowerIdf(**power), duration_min=120, block_min=10)
    assert rain(storm={"shape": "III", "depth": "2 in"}) == scs_storm("III", depth_mm=Fraction("50.8"))


def test_a_storm_played_faster_keeps_its_depth():
    """A day in a minute and a minute in a day: exactly as much falls."""
    storm = {"shape": "II", "depth": "100 mm"}
    for faster in (1440.0, 0.1, 3.0):
        made = rain(storm=storm, faster=faster)
        assert made.depth_mm == 100
        assert made.duration_s * Fraction(str(faster)) == 86_400


def test_showers_come_with_their_seed():
    """Mean distance, length and intensity are those stated; another seed gives other showers."""
    said = {"for": "2 h", "every": "6 min", "lasts": "3 min", "intensity": "1 in/h"}
    made = rain(showers={**said, "seed": 5})
    mean = Fraction("25.4")
    same = random_showers(duration_s=7200, showers_per_h=10, mean_shower_s=180, mean_mm_per_h=mean, seed=5)
    assert made == same
    assert made != rain(showers={**said, "seed": 6})


def test_blocks_and_ramps_are_exact():
    """What is written in decimals or inches is added up in fractions."""
    spans = [{"for": "90 s", "intensity": "0.3 in/h"}, {"for": "1 min", "intensity": "0 mm/h"}]
    assert rain(blocks=spans) == blocks([(90, Fraction("7.62")), (60, 0)])
    assert rain(intensity="0 mm/h", to="60 mm/h", **{"for": "1 h"}).depth_mm == 30


@pytest.mark.parametrize("kind", ["rain", "wind"])
def test_two_series_of_one_name_are_two_series(kind):
    """What is remembered of a series goes by its text: a file that was changed is another weather."""
    text = SERIES if kind == "wind" else "time [s], depth [mm]\n0, 0\n10, 3\n"
    courses = []
    for changed in (text, text.replace("10,", "12,")):
        model, of = (Wind, wind_of) if kind == "wind" else (Rainfall, rain_of)
        stimulus = model.model_validate(
            {"wind" if kind == "wind" else "rainfall": "x", "series": {"file": "a.csv"}}
        )
        stimulus.series.hold(changed)
        courses.append(of(stimulus))
    assert courses[0] != courses[1]


def test_winds_settle_or_repeat():
    """A ramp, a gust and a series end at a steady speed; turbulence goes on for ever, without a jump."""
    rise = wind(speed="6 m/s", to="12 m/s", over="30 s")
    assert rise.first == (ramp(6.0, 12.0, for_s=30.0),)
    assert (rise.settles_s, rise.then.values) == (30.0, (12.0, 12.0))
    gust = wind(speed="36 km/h", gust={"rise": "5 m/s", "lasts": "4 s"})
    assert (gust.settles_s, gust.fastest_m_per_s, gust.then.values[0]) == (4.0, 15.0, 10.0)
    block = wind(speed="6 m/s", gust={"rise": "5 m/s", "lasts": "4 s", "shape": "rectangular"})
    assert mean(block.first[0], 0.0, 4.0) == 11
    said = {"intensity": "20 %", "for": "1 min", "seed": 3, "spectrum": "isotropic", "length": 100}
    turbulent = wind(speed="8 m/s", turbulence=said)
    made = turbulent_wind(
        mean_m_per_s=8.0, intensity=0.2, for_s=60.0, seed=3, spectrum="isotropic", length_m=100.0
    )
    assert (turbulent.first, turbulent.then) == ((), made)
    assert turbulent.then.values[0] == turbulent.then.values[-1]


def test_a_series_of_wind_ends_at_its_last_speed():
    """Twice as fast it lasts half as long; held or joined, the last row's speed blows on."""
    stimulus = Wind.model_validate({"wind": "cups", "series": {"file": "mast.csv"}, "faster": 2})
    stimulus.series.hold(SERIES)
    course = wind_of(stimulus)
    assert course.first[0].times_s == (0.0, 5.0, 10.0)
    assert course.first[0].values == (2.0, 6.0, 4.0)
    assert course.then.values == (4.0, 4.0)
