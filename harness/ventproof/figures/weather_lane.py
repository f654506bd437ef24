"""Wind, rain and written values as they were played, as a curve below the row of their output (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from ventproof.case.items import START
from ventproof.figures.drawing import AxisScale, Drawing, padded
from ventproof.figures.panel import Panel
from ventproof.profile.stimulus import Rainfall, Wind
from ventproof.profile.weather import rain_of, wind_of

if TYPE_CHECKING:
    from ventproof.figures.decided_run import DecidedRun, Done

_LANE_PX: Final = 44.0
_ABOVE_PX: Final = 2.0
_Points = list[tuple[float, float]]


def weather_lane(drawing: Drawing, rail: Panel, run: DecidedRun, output: str, y: float) -> float:
    """Draw what an output played where that is a course over time; return the next free y.

    A value that was written once and kept is no course: its row says it.
    """
    unit, lines = _played(run, output)
    values = [value for line in lines for _, value in line]
    if len(set(values)) <= 1:
        return y
    y += _ABOVE_PX
    scale = AxisScale(*padded(min(0.0, *values), max(values), 0.1), y + _LANE_PX, y)
    panel = Panel(drawing, rail.x, scale, 0.0)
    panel.frame(None, unit)
    for line in lines:
        panel.line(line, class_="played-weather", stroke_width=1.5)
    return y + _LANE_PX + _ABOVE_PX


def _played(run: DecidedRun, output: str) -> tuple[str, list[_Points]]:
    """Return the unit of what an output played, and its course: from each stimulus to the next one, or to the end."""
    ends_s = run.end_s
    done = [one for one in run.done if one.output == output and one.window is not None]
    begins = [one.window.latest_s for one in done if one.window is not None]
    unit, lines = "", list[_Points]()
    for one, (from_s, to_s) in zip(done, pairwise([*begins, ends_s]), strict=True):
        its_unit, points = _course(run, one, to_s - from_s)
        line = [(from_s + after_s, value) for after_s, value in points if after_s <= to_s - from_s]
        if line:
            unit = its_unit
            lines.append([*line, (to_s, line[-1][1])])
    return unit, _joined(lines)


def _joined(lines: list[_Points]) -> list[_Points]:
    """Return lines that meet as one, with a step between them."""
    joined: list[_Points] = []
    for line in lines:
        if joined and joined[-1][-1][0] == line[0][0]:
            joined[-1] += line
        else:
            joined.append(line)
    return joined


def _course(run: DecidedRun, done: Done, for_s: float) -> tuple[str, Iterator[tuple[float, float]]]:
    """Return the unit of what was done and its course from its begin on, for a span of time at least."""
    if done.value is not None:
        return run.case.profile.needs.outputs[done.output], iter([(0.0, done.value)])
    if done.step == START:
        return "", iter(())
    match run.case.profile.steps[done.step - 1].do[done.number]:
        case Wind() as wind:
            return "m/s", _wind(wind, for_s)
        case Rainfall() as rainfall:
            return "mm/h", _rain(rainfall)
    return "", iter(())


def _wind(wind: Wind, for_s: float) -> Iterator[tuple[float, float]]:
    begun_s = 0.0
    for trace in wind_of(wind).traces():
        if begun_s > for_s:
            return
        for at_s, speed in zip(trace.times_s, trace.values, strict=True):
            yield begun_s + at_s - trace.start_s, speed
        begun_s += trace.duration_s


def _rain(rainfall: Rainfall) -> Iterator[tuple[float, float]]:
    begun_s = 0.0
    for piece in rain_of(rainfall).pieces:
        yield begun_s, float(piece.begins_mm_per_h)
        begun_s += float(piece.duration_s)
        yield begun_s, float(piece.ends_mm_per_h)
    yield begun_s, 0.0
