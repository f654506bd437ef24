"""From the rain and the wind that a profile states to their courses in time (pure)."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

from bench.errors import Refusal
from bench.units import Dimension
from harness.profile.courses import CurveStorm
from harness.weather import hyetograph
from harness.weather.exact import exact, exact_as
from harness.weather.series import read_series
from harness.weather.showers import random_showers
from harness.weather.storms import (
    SECONDS_PER_MINUTE,
    OffsetIdf,
    PowerIdf,
    alternating_blocks,
    chicago_storm,
    scs_storm,
)
from harness.weather.trace import ramp
from harness.weather.trace_csv import trace_from_csv
from harness.weather.wind_course import WindCourse, settling, steady
from harness.weather.wind_gusts import cosine_gust, rectangular_gust
from harness.weather.wind_turbulence import turbulent_wind

if TYPE_CHECKING:
    from bench.units import Quantity
    from harness.profile.courses import FormulaStorm, OffsetFormula, PowerFormula, Showers
    from harness.profile.stimulus import Rainfall, Wind
    from harness.weather.hyetograph import Hyetograph

_PERCENT = 100


@lru_cache(maxsize=64)
def rain_of(rainfall: Rainfall) -> Hyetograph:
    """Return the rain that a stimulus states, exactly.

    Raises:
        ValueError: what it states cannot be; the text is `reason; hint`.
        FileError: its series is wrong.
    """
    rain = _rain(rainfall)
    return rain if rainfall.faster == 1 else rain.replayed(rainfall.faster)


def _rain(rainfall: Rainfall) -> Hyetograph:
    if rainfall.blocks is not None:
        return hyetograph.blocks((block.for_, _intensity(block.intensity)) for block in rainfall.blocks)
    if rainfall.storm is not None:
        return _storm(rainfall.storm)
    if rainfall.showers is not None:
        return _showers(rainfall.showers)
    if rainfall.series is not None:
        return read_series(rainfall.series.text, name=rainfall.series.file, shape=rainfall.series.between)
    assert rainfall.intensity is not None, "the model sees to it"
    assert rainfall.for_ is not None, "likewise"
    begins = _intensity(rainfall.intensity)
    ends = begins if rainfall.to is None else _intensity(rainfall.to)
    return hyetograph.ramp(begins, ends, duration_s=rainfall.for_)


def _intensity(said: Quantity) -> Fraction:
    return exact_as(said.text, Dimension.RAIN_INTENSITY)


def _storm(storm: FormulaStorm | CurveStorm) -> Hyetograph:
    if isinstance(storm, CurveStorm):
        return scs_storm(storm.shape, depth_mm=exact_as(storm.depth.text, Dimension.DEPTH))
    formula = _idf(storm.formula)
    lasts_min, block_min = (exact(span_s) / SECONDS_PER_MINUTE for span_s in (storm.lasts, storm.block))
    if (lasts_min / block_min).denominator != 1:
        raise Refusal(
            f"the blocks of {storm.block:g} s do not fill the storm of {storm.lasts:g} s",
            "let a whole number of blocks fill it",
        )
    if storm.shape == "alternating":
        return alternating_blocks(formula, duration_min=lasts_min, block_min=block_min)
    peak_at = storm.peak_at.value / _PERCENT
    return chicago_storm(formula, duration_min=lasts_min, peak_at=peak_at, block_min=block_min)


def _idf(formula: OffsetFormula | PowerFormula) -> OffsetIdf | PowerIdf:
    said = formula.model_dump()
    return OffsetIdf(**said) if "a" in said else PowerIdf(**said)


def _showers(showers: Showers) -> Hyetograph:
    return random_showers(
        duration_s=showers.for_,
        showers_per_h=hyetograph.SECONDS_PER_HOUR / exact(showers.every),
        mean_shower_s=showers.lasts,
        mean_mm_per_h=_intensity(showers.intensity),
        seed=showers.seed,
    )


@lru_cache(maxsize=64)
def wind_of(wind: Wind) -> WindCourse:
    """Return the wind that a stimulus states.

    Raises:
        ValueError: what it states cannot be; the text is `reason; hint`.
        FileError: its series is wrong.
    """
    if wind.series is not None:
        return settling(
            trace_from_csv(
                wind.series.text,
                file=wind.series.file,
                dimension=Dimension.SPEED,
                column=wind.series.column,
                between=wind.series.between,
                faster=wind.faster,
            )
        )
    assert wind.speed is not None, "the model sees to it"
    speed = wind.speed.value
    if wind.to is not None and wind.over is not None:
        return settling(ramp(speed, wind.to.value, for_s=wind.over))
    if wind.gust is not None:
        shape = cosine_gust if wind.gust.shape == "cosine" else rectangular_gust
        lasts_s = wind.gust.lasts
        return settling(shape(speed, wind.gust.rise.value, at_s=0.0, lasts_s=lasts_s, for_s=lasts_s))
    if wind.turbulence is not None:
        made = turbulent_wind(
            mean_m_per_s=speed,
            intensity=wind.turbulence.intensity.value / _PERCENT,
            for_s=wind.turbulence.for_,
            seed=wind.turbulence.seed,
            spectrum=wind.turbulence.spectrum,
            length_m=wind.turbulence.length,
        )
        return WindCourse((), made.wind)
    return steady(speed)
