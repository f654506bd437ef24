"""Weather as the bench plays it: changes of contacts, wind, rain, levels and sensors over time (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, final

from harness.prove.timeline import Steps, Timeline

ChangeKind = Literal["contact", "wind", "rainfall", "level", "failed", "direction", "opens", "silent"]


@final
@dataclass(frozen=True, slots=True)
class WeatherChange:
    """Something that changes at the unit's terminals, or about the house.

    Attributes:
        at_s: when, the earliest.
        kind: `contact` closed (1) or open (0); `wind` in m/s; `rainfall` in mm/h; `level` in its own unit; `failed`: a
            sensor has failed (1) or was mended (0), a level keeping its last good value meanwhile and pulses ceasing;
            `direction` the wind comes from, degrees; `opens`: where the temperature wants a vent group, %; `silent`:
            nobody asks over the bus any more (1) or does so again (0).
        name: the output, the sensor or the vent group as the table names it; empty for the direction and the bus.
        value: as the kind says.
        late_s: it may come so much later.
    """

    at_s: float
    kind: ChangeKind
    name: str
    value: float
    late_s: float = 0.0


Weather = Sequence[WeatherChange]
"""Changes in any order; before the first of a kind and name the weather is none and the sensors are well."""


def of(weather: Weather, kind: ChangeKind, name: str) -> list[WeatherChange]:
    """Return the changes of one thing, in order of time."""
    return sorted((c for c in weather if c.kind == kind and c.name == name), key=lambda c: c.at_s)


@final
@dataclass(frozen=True, slots=True)
class UncertainState:
    """A yes or no that is not known exactly.

    Attributes:
        may: a yes wherever it is possible.
        must: a yes only where it is certain.
    """

    may: Timeline
    must: Timeline

    def at(self, t_s: float) -> Literal["yes", "no", "open"]:
        """Return `yes` or `no` where it is certain from `t_s` on, `open` otherwise."""
        if self.must.at(t_s):
            return "yes"
        return "open" if self.may.at(t_s) else "no"


def switched(changes: Iterable[WeatherChange]) -> UncertainState:
    """Return a contact or a failure over time."""
    may: list[float] = []
    must: list[float] = []
    now = False
    for change in changes:
        if bool(change.value) == now:
            continue
        now = bool(change.value)
        early_s, late_s = change.at_s, change.at_s + change.late_s
        may.append(early_s if now else late_s)
        must.append(late_s if now else early_s)
    return UncertainState(Timeline(switches_s=_swept(may)), Timeline(switches_s=_swept(must)))


def _swept(switches_s: list[float]) -> tuple[float, ...]:
    """Drop what two switches enclose where the later one comes first: spans joined, or shrunk to nothing."""
    kept: list[float] = []
    for t_s in switches_s:
        if kept and t_s <= kept[-1]:
            kept.pop()
        else:
            kept.append(t_s)
    return tuple(kept)


def stepped(changes: Sequence[WeatherChange], first: float) -> tuple[Steps, Steps]:
    """Return the lowest and the highest course of a value that jumps; `changes` in order of time."""
    edges = sorted({t_s for c in changes for t_s in (c.at_s, c.at_s + c.late_s)})
    lasts = [c.at_s + c.late_s for c in changes]
    possible = []
    for t_s in edges:
        gone = max((number for number, late_s in enumerate(lasts) if late_s <= t_s), default=-1)
        values = [first] if gone < 0 else [changes[gone].value]
        values += [c.value for c in changes[gone + 1 :] if c.at_s <= t_s]
        possible.append((t_s, min(values), max(values)))
    low = Steps(first, tuple((t_s, least) for t_s, least, _ in possible))
    return low, Steps(first, tuple((t_s, most) for t_s, _, most in possible))
