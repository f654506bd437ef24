"""Which signals answered an output that was switched once and back, how far they went, and when (pure)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ventproof_bench.base.evidence import Poll, Window

_SAME: Final = 1e-9
_LEFT_OVER: Final = 0.1


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class MovedSignal:
    """What a signal did while an output was switched and when it was switched back.

    Attributes:
        before: its value before, in its unit.
        held: its value at the end of the time that the output was held.
        after: its value at the end of all.
        first_s: from the switch until it first read otherwise, the latest that the readings leave possible; None where
            it never did while the output was held.
        stood_s: until it read `held` for good.
        back_first_s: from the switch back until it read other than `held`, likewise.
        back_stood_s: until it read `after` for good.
    """

    before: float
    held: float
    after: float
    first_s: float | None
    stood_s: float
    back_first_s: float | None
    back_stood_s: float

    @property
    def answered(self) -> bool:
        """Whether the signal reads otherwise while the output is held."""
        return abs(self.held - self.before) > _SAME

    @property
    def came_back(self) -> bool:
        """Whether in the end it had gone back at least nine tenths of its way: positioners leave a few per cent."""
        return abs(self.after - self.before) <= max(_SAME, _LEFT_OVER * abs(self.held - self.before))


def moved_signals(
    polls: Sequence[Poll], there: Window, back: Window, steps: Mapping[str, float]
) -> dict[str, MovedSignal]:
    """Return what each signal did that was read before, while and after an output was switched.

    Args:
        polls: everything that was read, in order of time.
        there: when the output was switched.
        back: when it was switched back.
        steps: by signal: changes up to this are none, such as one count of a temperature.
    """
    found = {}
    for name, step in steps.items():
        read = [
            (poll.requested_s, poll.replied_s, poll.values[name]) for poll in polls if name in poll.values
        ]
        before = [value for _, replied, value in read if replied <= there.earliest_s]
        held = [(t, value) for begun, t, value in read if begun >= there.latest_s and t <= back.earliest_s]
        after = [(t, value) for begun, t, value in read if begun >= back.latest_s]
        if before and held and after:
            first_s, stood_s = _times(before[-1], held, there.earliest_s, step)
            back_first_s, back_stood_s = _times(held[-1][1], after, back.earliest_s, step)
            found[name] = MovedSignal(
                before=before[-1],
                held=_settled(before[-1], held[-1][1], step),
                after=after[-1][1],
                first_s=first_s,
                stood_s=stood_s,
                back_first_s=back_first_s,
                back_stood_s=back_stood_s,
            )
    return found


def _settled(before: float, held: float, step: float) -> float:
    return before if abs(held - before) <= step else held


def _times(
    old: float, read: Sequence[tuple[float, float]], since_s: float, step: float
) -> tuple[float | None, float]:
    """Return when a value first was another one, and since when it was what it is in the end."""
    final_value = read[-1][1]
    first = next((t - since_s for t, value in read if abs(value - old) > step), None)
    moving = [t for t, value in read if abs(value - final_value) > step]
    stood = next((t for t, _ in read if not moving or t > moving[-1]), read[-1][0])
    return first, max(0.0, stood - since_s)


def differing(polls: Sequence[Poll], since: Window, steps: Mapping[str, float]) -> frozenset[str]:
    """Return the signals whose last reading is another than their last before an output was switched.

    Args:
        polls: everything that was read, in order of time.
        since: when the output was switched.
        steps: by signal: changes up to this are none.
    """
    before: dict[str, float] = {}
    last: dict[str, float] = {}
    for poll in polls:
        (before if poll.replied_s <= since.earliest_s else last).update(poll.values)
    return frozenset(
        name
        for name, step in steps.items()
        if name in before and abs(last.get(name, before[name]) - before[name]) > step
    )


def moving(
    polls: Sequence[Poll], steps: Mapping[str, float], *, for_s: float, now_s: float
) -> frozenset[str] | None:
    """Return the signals that changed by more than their step within the last seconds.

    Returns:
        None where nothing was read then, or not for so long: nothing tells what stands.
    """
    recent = [poll for poll in polls if poll.requested_s >= now_s - for_s]
    if not recent or polls[0].requested_s > now_s - for_s:
        return None
    values: dict[str, list[float]] = {}
    for poll in recent:
        for name, value in poll.values.items():
            values.setdefault(name, []).append(value)
    return frozenset(name for name, read in values.items() if max(read) - min(read) > steps.get(name, 0.0))
