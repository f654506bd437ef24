"""Faults of measuring sensors: pure changes of a trace, each named after what goes wrong on site."""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign
from typing import Final, Literal, final

from harness.weather.trace import Trace

Wiring = Literal["current", "voltage", "resistance"]

SECONDS_PER_HOUR: Final = 3600.0


@final
@dataclass(frozen=True, slots=True)
class EndLevels:
    """What the terminals see of a broken and of a shorted wire, in the level's unit."""

    broken: float
    shorted: float


END_LEVELS: Final[dict[Wiring, EndLevels]] = {
    "current": EndLevels(broken=0.0, shorted=24.0),
    "voltage": EndLevels(broken=0.0, shorted=0.0),
    "resistance": EndLevels(broken=1e7, shorted=0.0),
}
"""Usual levels, in mA, V and ohm (common practice, no source).

A shorted two-wire transmitter leaves the current to the supply and the input's protection: 24 mA stands for
'well above 21 mA'. A broken voltage wire reads 0 V where the input pulls it down. A broken resistive wire
is infinite; 10 Mohm stands for it, since an output must be able to play it.
"""


def breaks(levels: Trace, wiring: Wiring, *, from_s: float, to_s: float | None = None) -> Trace:
    """Return the levels (mA, V or ohm) with the wire broken from an instant, for good or until `to_s`."""
    return _replaced(levels, _end_levels(wiring).broken, from_s, to_s)


def shorts(levels: Trace, wiring: Wiring, *, from_s: float, to_s: float | None = None) -> Trace:
    """Return the levels (mA, V or ohm) with the two wires touching from an instant, for good or until `to_s`."""
    return _replaced(levels, _end_levels(wiring).shorted, from_s, to_s)


def stops(wind: Trace, *, from_s: float, to_s: float | None = None) -> Trace:
    """Return the wind that blocked or iced cups show: 0 m/s from an instant, for good or until `to_s`.

    At the terminals this is the same as a pulse wire that was lost.
    """
    return _replaced(wind, 0.0, from_s, to_s)


def sticks(trace: Trace, *, from_s: float, to_s: float | None = None) -> Trace:
    """Return the trace frozen at the value just before an instant, for good or until `to_s`."""
    _check_span(trace, from_s, to_s)
    return _replaced(trace, trace.before(from_s), from_s, to_s)


def drifts(trace: Trace, *, from_s: float, per_hour: float) -> Trace:
    """Return the trace with an error that grows from 0 at `from_s`, in the trace's unit an hour.

    Raises:
        ValueError: the instant is not inside the trace.
    """
    _check_span(trace, from_s, None)
    late = trace.part(from_s, trace.end_s)
    drifted = tuple(
        v + per_hour * (t - from_s) / SECONDS_PER_HOUR for t, v in zip(late.times_s, late.values, strict=True)
    )
    return _joined(trace, Trace(late.times_s, drifted), from_s)


def runs_away(trace: Trace, *, from_s: float, by: float, per_second: float) -> Trace:
    """Return the trace moved by `by`, at a rate that no weather has; it stays there.

    Args:
        trace: what the sensor should show.
        from_s: when it begins, s.
        by: how far it moves, in the trace's unit; negative for downward.
        per_second: how fast, in the trace's unit a second, more than 0.

    Raises:
        ValueError: the rate is not above 0, or the movement does not end inside the trace.
    """
    if not per_second > 0:
        raise ValueError(f"per_second={per_second!r} must be more than 0; the sign of `by` says which way")
    _check_span(trace, from_s, None)
    there_s = from_s + abs(by) / per_second
    if not there_s < trace.end_s:
        raise ValueError(
            f"the movement lasts until {there_s!r} s, but the trace ends at {trace.end_s!r} s; lengthen it"
        )
    cuts = [trace.part(from_s, there_s), trace.part(there_s, trace.end_s)] if there_s > from_s else []
    points: list[tuple[float, float]] = []
    for cut in cuts:
        for t, v in zip(cut.times_s, cut.values, strict=True):
            moved = min((t - from_s) * per_second, abs(by))
            points.append((t, v + copysign(moved, by)))
    return _joined(trace, Trace.through(points), from_s) if points else trace


def jitters(trace: Trace, *, from_s: float, to_s: float, by: float, every_s: float) -> Trace:
    """Return the trace with a loose connection: from an instant it jumps by +`by` and -`by` in turn.

    Args:
        trace: what the sensor should show.
        from_s: when it begins, s.
        to_s: when it ends, s.
        by: height of the jumps either way, in the trace's unit.
        every_s: time between two jumps, s, more than 0; the last piece may be shorter.

    Raises:
        ValueError: the span is not inside the trace, or jumps are too close for 100,000 of them.
    """
    _check_span(trace, from_s, to_s)
    most = 100_000
    if not every_s > 0 or (to_s - from_s) / every_s > most:
        raise ValueError(f"every_s={every_s!r} s must be more than {(to_s - from_s) / most:.3g} s")
    points: list[tuple[float, float]] = []
    sign, k, a_s = 1.0, 0, from_s
    while a_s < to_s:
        k += 1
        b_s = min(from_s + k * every_s, to_s)
        cut = trace.part(a_s, b_s)
        points += [(t, v + sign * by) for t, v in zip(cut.times_s, cut.values, strict=True)]
        sign, a_s = -sign, b_s
    return _joined(trace, Trace.through(points), from_s)


def _replaced(trace: Trace, value: float, from_s: float, to_s: float | None) -> Trace:
    _check_span(trace, from_s, to_s)
    until_s = trace.end_s if to_s is None else to_s
    return _joined(trace, Trace((from_s, until_s), (value, value)), from_s)


def _joined(trace: Trace, fault: Trace, from_s: float) -> Trace:
    """Return the trace, with the fault in its place while that lasts."""
    parts = [trace.part(trace.start_s, from_s)] if from_s > trace.start_s else []
    parts.append(fault)
    if fault.end_s < trace.end_s:
        parts.append(trace.part(fault.end_s, trace.end_s))
    return Trace(
        tuple(t for part in parts for t in part.times_s), tuple(v for part in parts for v in part.values)
    )


def _check_span(trace: Trace, from_s: float, to_s: float | None) -> None:
    if not trace.start_s <= from_s < trace.end_s:
        raise ValueError(
            f"from_s={from_s!r} s is not inside the trace, which runs from {trace.start_s!r} s to {trace.end_s!r} s"
        )
    if to_s is not None and not from_s < to_s <= trace.end_s:
        raise ValueError(
            f"to_s={to_s!r} s must come after {from_s!r} s and by the trace's end, {trace.end_s!r} s"
        )


def _end_levels(wiring: Wiring) -> EndLevels:
    if wiring not in END_LEVELS:
        raise ValueError(f"wiring {wiring!r} is not one of {', '.join(END_LEVELS)}")
    return END_LEVELS[wiring]
