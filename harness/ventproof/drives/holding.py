"""When a flag or a state had a value: for certain, and at most (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.drives.runs import FlagRuns
from ventproof.envelope.spans import INF
from ventproof_bench.base.evidence import Window

if TYPE_CHECKING:
    from ventproof.drives.runs import MaybeHeld
    from ventproof_bench.base.evidence import Gap, SignalTraits

_ANEW: Final = frozenset({"restart", "disconnected"})


@final
@dataclass(frozen=True, slots=True)
class Held:
    """A value was held from some instant of `began` to some instant of `ended`.

    It need not have been held at all where `began` may be later than `ended`.
    """

    began: Window
    ended: Window


@final
class Holding:
    """Follows a flag or a state, and tells each time for which it had a value once that is over.

    No time for which it had the value is missing: it lies within the one told, from the earliest begin to the latest
    end. A time whose begin and end are told as windows that do not meet was one without a break.

    Args:
        traits: what is declared of the signal.
        value: the value.
        as_read: the readings are taken as they stand.
    """

    def __init__(self, traits: SignalTraits, value: float, as_read: bool) -> None:  # noqa: FBT001 - as a condition is given
        self._runs = FlagRuns(traits, as_read=as_read)
        self._value = value
        self._has = False
        self._read = False
        self._gap = self._fresh = False
        self._told_to_s = -INF

    def observe(self, value: float, requested_s: float, replied_s: float) -> list[Held]:
        """Take a reading; return the times that are over with it."""
        self._has, self._read = value == self._value, True
        changed = self._runs.observe(float(self._has), requested_s, replied_s, None, fresh=self._fresh)
        self._gap = self._fresh = False
        if self._has or not changed:
            return []
        over = [
            _held(stretch)
            for stretch in self._runs.stretches(1.0)
            if self._told_to_s < stretch.possible.to_s < INF
        ]
        self._runs.forget(INF, 1)
        self._told_to_s = replied_s
        return over

    def turns(self, value: float) -> bool:
        """Return whether a reading may begin or end a time of the value, as the first one after a gap may."""
        return not self._read or self._gap or (value == self._value) is not self._has

    def gap(self, gap: Gap) -> None:
        """Note a span without readings, before the first one after it."""
        self._gap, self._fresh = True, self._fresh or gap.reason in _ANEW

    @property
    def since_s(self) -> float:
        """The time that goes on, or the next one, begins no earlier; -inf before the first reading."""
        return self._runs.stretches(1.0)[-1].possible.from_s if self._read else -INF

    def going_on(self) -> Held | None:
        """Return the time that is not over, up to the last reading; None where it does not have the value."""
        if not self._has:
            return None
        held = _held(self._runs.stretches(1.0)[-1])
        known_to_s = max(self._runs.known_to_s, held.ended.earliest_s)
        return Held(held.began, Window(held.ended.earliest_s, known_to_s))

    def forget(self) -> None:
        """Forget everything: what comes next is read as if it were the first."""
        self._runs.clear()
        self._has = self._read = False


@final
class Turning:
    """Follows a flag or a state, and tells when it first takes a value after an instant.

    What it had of the value before does not count: it must take it anew.

    Args:
        traits: what is declared of the signal.
        value: the value.
        as_read: the readings are taken as they stand.
    """

    def __init__(self, traits: SignalTraits, value: float, as_read: bool) -> None:  # noqa: FBT001 - as a condition is given
        self._runs = FlagRuns(traits, as_read=as_read)
        self._value = value
        self._last: bool | None = None
        self._fresh = False

    def observe(self, value: float, requested_s: float, replied_s: float) -> None:
        """Take a reading."""
        self._last = value == self._value
        self._runs.observe(float(self._last), requested_s, replied_s, None, fresh=self._fresh)
        self._fresh = False

    def turns(self, value: float) -> bool:
        """Return whether a reading is another than the last, or the first."""
        return self._last is not (value == self._value)

    def gap(self, gap: Gap) -> None:
        """Note a span without readings, before the first one after it."""
        self._fresh = self._fresh or gap.reason in _ANEW

    def since(self, instant: Window) -> Window:
        """Return between when it first took the value after an instant; the end is infinite while it need not have."""
        if self._last is None:
            return Window(instant.earliest_s, INF)
        earliest_s = INF
        for turn in self._runs.turns_on():
            if turn.to_s <= instant.earliest_s:
                continue
            earliest_s = min(earliest_s, max(turn.from_s, instant.earliest_s))
            if turn.sure and turn.from_s >= instant.latest_s:
                return _between(earliest_s, turn.to_s)
        return Window(earliest_s, INF)

    def forget(self) -> None:
        """Forget everything: what comes next is read as if it were the first."""
        self._runs.clear()
        self._last = None


def _held(stretch: MaybeHeld) -> Held:
    possible, sure = stretch
    if sure is None:
        return Held(_between(possible.from_s, possible.to_s), _between(possible.from_s, possible.to_s))
    return Held(_between(possible.from_s, sure.from_s), _between(sure.to_s, possible.to_s))


def _between(one_s: float, other_s: float) -> Window:
    """Return the window between two instants, which readings that belie `keeps_for` may bring in either order."""
    return Window(min(one_s, other_s), max(one_s, other_s))
