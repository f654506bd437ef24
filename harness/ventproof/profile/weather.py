"""From the weather that a profile states to what the bench plays, through the sensor of an output (pure)."""

from __future__ import annotations

from bisect import bisect_left
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from bench.errors import Refusal
from bench.sensors import BetaThermistor
from bench.units import Dimension
from bench.wiring import LevelOutput, RegisterOutput, ResistanceOutput
from harness.weather.exact import exact, exact_as
from harness.weather.levels import END_LEVELS, EndLevels, current_scale, voltage_scale
from harness.weather.stated import rain_of
from harness.weather.temperature import PT100, PT1000
from harness.weather.temperature_ntc import BetaLaw, SteinhartHart
from harness.weather.tipping_bucket import (
    Left,
    TippingBucket,
    contact_plan,
    jittered,
    left_by,
    tip_instants_s,
)
from harness.weather.wind_cups import CupAnemometer
from harness.weather.wind_direction import FULL_TURN_DEG, PotentiometerVane

if TYPE_CHECKING:
    from bench.samples import Edge
    from bench.sensors import BucketSensor, CupsSensor, Thermistor, VaneTrack
    from bench.units import Quantity
    from bench.wiring import ValueOutput
    from harness.profile.stimulus import Rainfall

EMPTY: Final = Left()
"""The bucket before the first rain."""

_HALF: Final = 0.5
_NO_LIMIT_S: Final = 1e-6
_PERCENT: Final = 100
_MOST_LEVEL: Final = {"4-20 mA": (24.0, "mA"), "0-10 V": (11.0, "V")}


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
            jitter=rainfall.jitter.value / _PERCENT,
            seed=rainfall.seed,
            until_s=rain.duration_s,
            dead_time_s=max(bucket.dead_time, 2 * bucket.closed_for),
        )
    return contact_plan(tips, width_s=bucket.closed_for)


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
    return left if rainfall.filled is None else Left(exact(rainfall.filled.value) / _PERCENT)


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


def level_of(output: ValueOutput, value: float) -> float:
    """Return what an output puts on its wires for a value in its unit: mA, V, ohm, or the value itself.

    Raises:
        ValueError: the sensor cannot show such a value.
    """
    if isinstance(output, RegisterOutput):
        return value
    if isinstance(output, ResistanceOutput):
        return _thermometer_ohm(output, value) if output.vane is None else _vane_ohm(output.vane, value)
    if output.range[0].dimension is Dimension.DIRECTION:
        return _vane_level(output, value)
    low, high = (end.value for end in output.range)
    scale = current_scale(low, high) if output.signal == "4-20 mA" else voltage_scale(low, high)
    level, (most, unit) = scale.level(value), _MOST_LEVEL[output.signal]
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
        scale = current_scale(0.0, 1.0) if output.signal == "4-20 mA" else voltage_scale(0.0, 1.0)
        return scale.level(share)
    if output.gap is None:
        low, high = output.range
        raise Refusal(
            f"{direction_deg:.6g} ° lies in the vane's gap, outside {low} to {high}",
            "declare the output's `gap:`, the level that it gives there",
        )
    return output.gap


def _thermometer_ohm(output: ResistanceOutput, temperature_c: float) -> float:
    if output.ntc is None:
        return (PT100 if output.sensor == "pt100" else PT1000).resistance_ohm(temperature_c)
    return _thermistor_law(output.ntc).resistance_ohm(temperature_c)


def _thermistor_law(ntc: Thermistor) -> BetaLaw | SteinhartHart:
    if isinstance(ntc, BetaThermistor):
        return BetaLaw(ohm=ntc.ohm, beta_k=ntc.beta, at_c=ntc.at.value)
    return SteinhartHart(ntc.a, ntc.b, ntc.c)


def end_levels(output: LevelOutput | ResistanceOutput) -> EndLevels:
    """Return what the terminals see of a broken and of a shorted wire, in mA, V or ohm."""
    if isinstance(output, ResistanceOutput):
        return END_LEVELS["resistance"]
    return END_LEVELS["current" if output.signal == "4-20 mA" else "voltage"]
