"""How signals answered when an output was exercised, against what the bench file says of them (pure)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from bench.units import Dimension

if TYPE_CHECKING:
    from bench.hookup import Answer
    from bench.samples import Poll

_SHARE: Final = 0.1  # of the change that is expected: how far off a value may be and still be meant
_SCALES: Final = (10.0, 100.0, 0.1, 0.01)

Kind = Literal["right", "none", "backwards", "mirrored", "scaled", "other"]


@final
@dataclass(frozen=True, slots=True)
class Seen:
    """What every signal read at a moment, and the polls that it came in."""

    values: dict[str, float]
    polls: tuple[Poll, ...] = ()


@final
@dataclass(frozen=True, slots=True)
class Exercised:
    """One output that was exercised: what was read before and after, and when each signal changed.

    Attributes:
        output: its name.
        before: what was read in the known state.
        after: what was read when the answers had had their time.
        delays: of each signal that changed, how long after the output it did: at least and at most, seconds.
    """

    output: str
    before: Seen
    after: Seen
    delays: Mapping[str, tuple[float, float]]


@final
@dataclass(frozen=True, slots=True)
class Found:
    """How one signal answered; `factor` when it is scaled."""

    kind: Kind
    factor: float = 1.0


def answered(wanted: Answer, before: float | None, after: float | None, error: float) -> Found:
    """Say how a signal answered.

    Args:
        wanted: what the bench file says of it.
        before: its reading before the output was driven; None when there was none.
        after: likewise afterwards.
        error: half the resolution plus the accuracy, in the signal's unit.
    """
    if before is None or after is None:
        return Found("other")
    if wanted.values is None:
        if abs(after - before) <= 2 * error:
            return Found("none")
        return Found("right" if (after > before) == (wanted.way in ("on", "up")) else "backwards")
    first, second = (v.value for v in wanted.values)
    slack = 2 * error + _SHARE * abs(second - first)
    ways: list[tuple[Found, float, float, float]] = [
        (Found("right"), first, second, slack),
        (Found("backwards"), second, first, slack),
    ]
    if wanted.values[0].dimension is Dimension.PERCENT:
        ways.append((Found("mirrored"), 100 - first, 100 - second, slack))
    ways += [(Found("scaled", k), k * first, k * second, k * slack) for k in _SCALES]
    for found, low, high, within in ways:
        if abs(before - low) <= within and abs(after - high) <= within:
            return found
    return Found("none" if abs(after - before) <= 2 * error else "other")
