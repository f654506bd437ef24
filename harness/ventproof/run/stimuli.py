"""Edges and lines of stimuli."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Final

from ventproof.profile.rains import buckets_of, found_by_rains
from ventproof.profile.stimulus import (
    CloseContact,
    Fail,
    OpenContact,
    PulseContact,
    Rainfall,
    Restore,
    Stimulus,
    VentFailure,
    Wind,
    WriteValue,
)
from ventproof.profile.weather import (
    EMPTY,
    anemometer,
    level_of,
    rain_edges,
    rain_of,
    wind_of,
)
from ventproof.verdict.text import seconds
from ventproof.weather.rain_gauge import Left
from ventproof.weather.wind import held_off_by
from ventproof_bench.base.edges import Edge, pulse_plan
from ventproof_bench.base.quantities import canonical_symbol
from ventproof_bench.benchfile.model import ContactOutput, LevelOutput
from ventproof_bench.drivers.driver import number_put

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.profile.bind import Bound
    from ventproof.profile.courses import Bounce
    from ventproof.weather.wind import WindCourse
    from ventproof_bench.benchfile.sensors import BucketSensor


def contact_plan(stimulus: CloseContact | OpenContact | PulseContact) -> tuple[str, str, Sequence[Edge]]:
    """Return the contact that a stimulus moves, what it does in words, and its edges."""
    if isinstance(stimulus, PulseContact):
        plan = pulse_plan(stimulus.times, closed_for_s=stimulus.closed_for, open_for_s=stimulus.open_for)
        spans = f"closed {seconds(stimulus.closed_for)}, open {seconds(stimulus.open_for)}"
        return stimulus.pulse, f"pulse {stimulus.pulse} {stimulus.times} times, {spans}", plan
    closed = isinstance(stimulus, CloseContact)
    name = stimulus.close if isinstance(stimulus, CloseContact) else stimulus.open
    return name, f"{'close' if closed else 'open'} {name}", [Edge(0.0, closed)]


_ALMOST: Final = Left(1 - Fraction(1, 10**9))
"""A bucket that is all but full."""


def weather_said(bound: Bound) -> Iterator[str]:
    """Yield a line for each rain and wind of a profile: what it is, and what it makes of the bench's sensors."""
    outputs = bound.bench.model.outputs
    found = found_by_rains(bound.profile.model, buckets_of(outputs, bound.outputs))
    for number, step in enumerate(bound.profile.model.steps):
        for index, stimulus in enumerate(step.do):
            if not isinstance(stimulus, Rainfall | Wind):
                continue
            output = outputs[bound.outputs[stimulus.outputs[0]]]
            sensor = output.sensor if isinstance(output, ContactOutput) else None
            if isinstance(stimulus, Rainfall) and sensor is not None and sensor.bucket is not None:
                tips = _tips_said(sensor.bucket, stimulus, found[number, index])
                yield f"{rain_said(stimulus)}: {tips} of {sensor.bucket.tip}"
            elif isinstance(stimulus, Wind) and sensor is not None and sensor.cups is not None:
                cups, fastest = anemometer(sensor.cups), wind_of(stimulus).fastest_m_per_s
                yield (
                    f"{wind_said(stimulus)}: {fastest:.3g} m/s at most, "
                    f"{cups.frequency_hz(fastest):.3g} pulses a second"
                )
            elif isinstance(stimulus, Wind) and isinstance(output, LevelOutput):
                yield f"{wind_said(stimulus)}: {_levels_said(output, wind_of(stimulus))}"


def _levels_said(output: LevelOutput, course: WindCourse) -> str:
    """Return which levels a wind makes, and how exactly they follow it."""
    fastest, every_s = course.fastest_m_per_s, output.updated_every
    put, unit = number_put(output, level_of(output, fastest)), canonical_symbol(output.carries)
    said = f"{fastest:.3g} m/s at most, {put:.4g} {unit}"
    off_by = held_off_by(course, every_s)
    return (
        f"{said}; one level for each {every_s:g} s, up to {off_by:.2g} m/s off within it" if off_by else said
    )


def _tips_said(bucket: BucketSensor, rainfall: Rainfall, found: Left | None) -> str:
    """Return how many tips a rain makes; two numbers where what the rain before left decides between them."""
    fewest, most = (
        len(rain_edges(bucket, rainfall, left)) // 2
        for left in ((EMPTY, _ALMOST) if found is None else (found, found))
    )
    return (
        f"{fewest} tips"
        if fewest == most
        else f"{fewest} or {most} tips, as the rain before leaves the bucket,"
    )


def rain_said(rainfall: Rainfall) -> str:
    """Return what a rainfall is."""
    rain = rain_of(rainfall)
    lasts = seconds(float(rain.duration_s))
    if rainfall.intensity is not None:
        to = "" if rainfall.to is None else f" changing to {rainfall.to}"
        said = f"rain of {rainfall.intensity}{to} into {rainfall.rainfall} for {lasts}"
    else:
        amount = f"{float(rain.depth_mm):.4g} mm into {rainfall.rainfall} in {lasts}"
        if rainfall.storm is not None:
            said = f"{rainfall.storm.shape} storm of {amount}"
        elif rainfall.showers is not None:
            said = f"showers of {amount}"
        else:
            said = f"measured rain of {amount}" if rainfall.series is not None else f"rain of {amount}"
    said = said if rainfall.faster == 1 else f"{said}, {rainfall.faster:g} times as fast"
    return said + _bounce_said(rainfall.bounce)


def _bounce_said(bounce: Bounce | None) -> str:
    if bounce is None:
        return ""
    times = "once" if bounce.times == 1 else f"{bounce.times} times"
    return f", bouncing {times} for {1000 * bounce.each:g} ms"


def wind_said(wind: Wind) -> str:
    """Return what a wind is."""
    return _course_said(wind) + _bounce_said(wind.bounce)


def _course_said(wind: Wind) -> str:
    if wind.series is not None:
        faster = "" if wind.faster == 1 else f", {wind.faster:g} times as fast"
        return f"wind of {wind.series.file} on {wind.wind}{faster}"
    said = f"wind of {wind.speed} on {wind.wind}"
    if wind.to is not None and wind.over is not None:
        return f"{said}, changing to {wind.to} in {seconds(wind.over)}"
    if wind.gust is not None:
        return f"{said}, with a gust of {wind.gust.rise} more for {seconds(wind.gust.lasts)}"
    if wind.turbulence is not None:
        return f"{said}, turbulent by {wind.turbulence.intensity}"
    return said


def failure_said(failure: Fail) -> str:  # noqa: PLR0911 - a table of kinds
    """Return what was done to a sensor."""
    name = failure.fail
    match failure.mode:
        case "open":
            return f"break the wire of {name}"
        case "short":
            return f"short the wires of {name}"
        case "stuck":
            return f"freeze {name}"
        case "signals":
            return f"let {name} signal a failure by {failure.level}"
        case "drift":
            assert failure.over is not None, "the model sees to it"
            return f"let {name} drift by {failure.by} in {seconds(failure.over)}"
        case "jump":
            return f"let {name} jump by {failure.by}"
        case "chatter":
            assert failure.every is not None, "the model sees to it"
            by = "" if failure.by is None else f" by {failure.by}"
            return f"let {name} chatter{by} about every {seconds(failure.every)}"


def said_of(stimulus: Stimulus) -> str:  # noqa: PLR0911 - a table of kinds
    """Return what a stimulus will do; empty where it only lets time go by."""
    match stimulus:
        case CloseContact() | OpenContact() | PulseContact():
            return contact_plan(stimulus)[1]
        case WriteValue():
            return f"write {stimulus.value.text} to {stimulus.write}"
        case Rainfall():
            return rain_said(stimulus)
        case Wind():
            return wind_said(stimulus)
        case Fail():
            return failure_said(stimulus)
        case VentFailure():
            return f"{stimulus.fail} {stimulus.mode}"
        case Restore():
            return f"restore {stimulus.restore}"
        case _:
            return ""
