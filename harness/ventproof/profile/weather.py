"""Stated course to terminals (pure)."""

from __future__ import annotations

from bisect import bisect_left
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Final, TypeGuard

from ventproof.profile.courses import CurveStorm
from ventproof.weather import hyetograph
from ventproof.weather.anemometer import CupAnemometer
from ventproof.weather.course import ramp
from ventproof.weather.csv_series import read_series, trace_from_csv
from ventproof.weather.exact import exact, exact_as
from ventproof.weather.levels import END_LEVELS, EndLevels, bounced, level_scale
from ventproof.weather.rain_gauge import Left, TippingBucket, contact_plan, jittered, left_by, tip_instants_s
from ventproof.weather.storms import (
    SECONDS_PER_MINUTE,
    OffsetIdf,
    PowerIdf,
    alternating_blocks,
    chicago_storm,
    random_showers,
    scs_storm,
)
from ventproof.weather.thermometer import (
    COLDEST_C,
    HOTTEST_C,
    PT100,
    PT1000,
    BetaLaw,
    SteinhartHart,
)
from ventproof.weather.turbulence import turbulent_wind
from ventproof.weather.vane import FULL_TURN_DEG, PotentiometerVane
from ventproof.weather.wind import WindCourse, cosine_gust, rectangular_gust, settling, steady
from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension, canonical_symbol

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from ventproof.profile.courses import Bounce, FormulaStorm, OffsetFormula, PowerFormula, Showers
    from ventproof.profile.stimulus import Rainfall, Wind
    from ventproof.weather.hyetograph import Hyetograph
    from ventproof_bench.base.edges import Edge
    from ventproof_bench.base.quantities import Quantity
    from ventproof_bench.benchfile.model import (
        ContactOutput,
        LevelOutput,
        OutputSpec,
        ResistanceOutput,
        TerminalOutput,
        ValueOutput,
    )
    from ventproof_bench.benchfile.sensors import BucketSensor, CupsSensor, Thermistor, VaneTrack


_PERCENT = 100
_HOUR_S: Final = 3600


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
        gusts = turbulent_wind(
            mean_m_per_s=speed,
            intensity=wind.turbulence.intensity.value / _PERCENT,
            for_s=wind.turbulence.for_,
            seed=wind.turbulence.seed,
            spectrum=wind.turbulence.spectrum,
            length_m=wind.turbulence.length,
        )
        return WindCourse((), gusts)
    return steady(speed)


EMPTY: Final = Left()
"""The bucket before the first rain."""

_HALF: Final = 0.5
_NO_LIMIT_S: Final = 1e-6
_FULL_PERCENT: Final = 100
_COLDEST_NTC_C: Final = -55.0
_HOTTEST_NTC_C: Final = 150.0
"""What thermistors for weather and houses are made for (common practice, no source)."""


@lru_cache(maxsize=64)
def rain_edges(bucket: BucketSensor, rainfall: Rainfall, left: Left = EMPTY) -> tuple[Edge, ...]:
    """Return the contact's edges while it rains; instants count from the rain's beginning.

    The number of tips is exact: floor(depth / tip + what fills the bucket), or fewer with a dead time.

    Args:
        bucket: the sensor of the bench file.
        rainfall: the rain.
        left: what the rain before left in the bucket; of no account where the rainfall says how full it is.

    Raises:
        ValueError: more tips, or faster ones, than the gauge can show; or a rain that cannot be.
        FileError: the rain's series is wrong.
    """
    rain = rain_of(rainfall)
    tips = tip_instants_s(rain, _gauge(bucket), _found(rainfall, left))
    if rainfall.jitter.value:
        tips = jittered(
            tips,
            jitter=rainfall.jitter.value / _FULL_PERCENT,
            seed=rainfall.seed,
            until_s=rain.duration_s,
            dead_time_s=max(bucket.dead_time, 2 * bucket.closed_for),
        )
    return contact_plan(tips, width_s=bucket.closed_for)


def with_bounce(edges: Iterable[Edge], bounce: Bounce | None) -> Iterator[Edge]:
    """Yield the edges of a contact with the bounce that a stimulus states, if it does."""
    return iter(edges) if bounce is None else bounced(edges, times=bounce.times, each_s=bounce.each)


def rain_leaves(bucket: BucketSensor, rainfall: Rainfall, left: Left, *, at_s: float | None = None) -> Left:
    """Return what is in the bucket at an instant from the rain's beginning on; at its end unless stated.

    Args:
        bucket: the sensor of the bench file.
        rainfall: the rain.
        left: what the rain before left in the bucket.
        at_s: the instant.

    Raises:
        ValueError: as for `rain_edges`.
        FileError: likewise.
    """
    rain = rain_of(rainfall)
    closings = [edge.at_s for edge in rain_edges(bucket, rainfall, left)[::2]]
    tipped = len(closings) if at_s is None else bisect_left(closings, at_s)
    instant_s = rain.duration_s if at_s is None else exact(at_s)
    return left_by(rain, _gauge(bucket), _found(rainfall, left), at_s=instant_s, tipped=tipped)


def _gauge(bucket: BucketSensor) -> TippingBucket:
    return TippingBucket(
        tip_mm=exact_as(bucket.tip.text, Dimension.DEPTH), dead_time_s=exact(bucket.dead_time)
    )


def _found(rainfall: Rainfall, left: Left) -> Left:
    return left if rainfall.filled is None else Left(exact(rainfall.filled.value) / _FULL_PERCENT)


def anemometer(cups: CupsSensor, *, fastest_edge_s: float = 0.0) -> CupAnemometer:
    """Return the cups that a contact stands for, with closures as long as openings.

    Args:
        cups: the sensor of the bench file.
        fastest_edge_s: shortest time between two edges of the output that plays it, s; 0 where nothing limits it.
    """
    return CupAnemometer(
        slope_m=cups.slope,
        offset_m_per_s=cups.offset.value,
        pulses_per_turn=cups.pulses_a_turn,
        starts_at_m_per_s=max(cups.starts_at.value, cups.offset.value),
        fastest_hz=_HALF / max(fastest_edge_s, _NO_LIMIT_S),
    )


def pulses_of(output: ContactOutput, value: float) -> tuple[float, float]:
    """Return the period of a contact's closures at a steady value of its sensor, and how long each lasts, seconds.

    Args:
        output: a contact with a sensor.
        value: m/s of its cups, or mm/h of its bucket.

    Raises:
        ValueError: the sensor makes no closures then, or faster ones than the contact can.
    """
    assert output.sensor is not None, "loading a bench file sees to it"
    if (cups := output.sensor.cups) is not None:
        frequency_hz = anemometer(cups, fastest_edge_s=output.fastest_edge or 0.0).frequency_hz(value)
        if frequency_hz <= 0:
            raise Refusal(f"at {value:g} m/s the cups stand still", "write a wind that turns them")
        return 1 / frequency_hz, _HALF / frequency_hz
    bucket = output.sensor.bucket
    assert bucket is not None, "a sensor is one of the two"
    period_s = bucket.tip.value / value * _HOUR_S + bucket.dead_time
    if period_s <= 2 * bucket.closed_for:
        raise Refusal(
            f"at {value:g} mm/h the tips run into each other", "write a rain that can be distinguished"
        )
    return period_s, bucket.closed_for


def level_of(output: ValueOutput, value: float) -> float:
    """Return what an output puts on its wires for a value in its unit: mA, V, ohm, or the value itself.

    Raises:
        ValueError: the sensor cannot show such a value.
    """
    if output.kind == "register":
        return value
    if output.kind == "resistance":
        return _resistance_ohm(output, value)
    if output.kind == "supply":
        return value
    if output.range[0].dimension is Dimension.DIRECTION:
        return _vane_level(output, value)
    low, high = (end.value for end in output.range)
    scale, unit = level_scale(output.ends, low, high), canonical_symbol(output.carries)
    level, most = scale.level(value), output.most
    if not 0 <= level <= most:
        raise Refusal(
            f"{value:.6g} {output.unit} would need {level:.4g} {unit}",
            f"stay from {scale.value(0):.6g} to {scale.value(most):.6g} {output.unit}",
        )
    return level


def _vane(ends: tuple[Quantity, Quantity], *, ohm: float = 1.0) -> PotentiometerVane:
    low, high = (end.value for end in ends)
    gap_deg = FULL_TURN_DEG - (high - low)
    return PotentiometerVane(full_ohm=ohm, gap_deg=gap_deg, gap_centre_deg=low - gap_deg / 2)


def _check_direction(direction_deg: float) -> None:
    if not 0 <= direction_deg <= FULL_TURN_DEG:
        raise Refusal(f"{direction_deg:.6g} ° is not a direction", "write 0 ° to 360 °, clockwise from north")


def _vane_ohm(vane: VaneTrack, direction_deg: float) -> float:
    _check_direction(direction_deg)
    ohm = _vane(vane.range, ohm=vane.ohm).resistance_ohm(direction_deg)
    return END_LEVELS["resistance"].broken if ohm is None else ohm


def _vane_level(output: LevelOutput, direction_deg: float) -> float:
    _check_direction(direction_deg)
    share = _vane(output.range).share(direction_deg)
    if share is not None:
        return level_scale(output.ends, 0.0, 1.0).level(share)
    if output.gap is None:
        low, high = output.range
        raise Refusal(
            f"{direction_deg:.6g} ° lies in the vane's gap, outside {low} to {high}",
            "declare the output's `gap:`, the level that it gives there",
        )
    return output.gap


def _resistance_ohm(output: ResistanceOutput, value: float) -> float:
    if output.vane is not None:
        return _vane_ohm(output.vane, value)
    if output.potentiometer is None:
        return _thermometer_ohm(output, value)
    if not 0 <= value <= _FULL_PERCENT:
        raise Refusal(f"{value:.6g} % lies off the potentiometer's track", "stay from 0 % to 100 %")
    return level_scale(output.potentiometer.ohm, 0.0, _FULL_PERCENT).level(value)


def _thermometer_ohm(output: ResistanceOutput, temperature_c: float) -> float:
    if output.ntc is None:
        return (PT100 if output.sensor == "pt100" else PT1000).resistance_ohm(temperature_c)
    return _thermistor_law(output.ntc).resistance_ohm(temperature_c)


def _thermistor_law(ntc: Thermistor) -> BetaLaw | SteinhartHart:
    from ventproof_bench.benchfile.sensors import BetaThermistor  # noqa: PLC0415 - a profile alone needs no bench

    if isinstance(ntc, BetaThermistor):
        return BetaLaw(ohm=ntc.ohm, beta_k=ntc.beta, at_c=ntc.at.value)
    return SteinhartHart(ntc.a, ntc.b, ntc.c)


def is_at_terminals(output: OutputSpec) -> TypeGuard[TerminalOutput]:
    """Return whether an output puts a level on the unit's terminals."""
    return output.kind not in {"contact", "register"}


def measuring_span(output: LevelOutput | ResistanceOutput) -> tuple[float, float]:
    """Return the lowest and the highest level that stand for a value, in mA, V or ohm."""
    if output.kind == "level":
        levels = output.ends
    elif output.vane is not None:
        levels = 0.0, output.vane.ohm
    elif output.potentiometer is not None:
        levels = output.potentiometer.ohm
    elif output.ntc is not None:
        levels = _thermometer_ohm(output, _HOTTEST_NTC_C), _thermometer_ohm(output, _COLDEST_NTC_C)
    else:
        levels = _thermometer_ohm(output, COLDEST_C), _thermometer_ohm(output, HOTTEST_C)
    return min(levels), max(levels)


def end_levels(output: TerminalOutput) -> EndLevels:
    """Return what the terminals see of a broken and of a shorted wire, in mA, V or ohm."""
    return END_LEVELS[output.carries]
