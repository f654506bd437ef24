"""The frozen data that every part shares: windows, samples, gaps, edges."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, final


@final
@dataclass(frozen=True, slots=True)
class Window:
    """An interval of loop time that contains the instant of an event, seconds."""

    earliest_s: float
    latest_s: float

    def __post_init__(self) -> None:
        if self.latest_s < self.earliest_s:
            raise ValueError(f"latest_s={self.latest_s!r} must not be before earliest_s={self.earliest_s!r}")

    def widened(self, by_s: float) -> Window:
        """Return the window with its end `by_s` later."""
        return Window(self.earliest_s, self.latest_s + by_s)


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class SignalTraits:
    """What a bench file declares of a signal, as the judge needs it. Values are in the signal's unit.

    Attributes:
        name: the signal's name in the bench file.
        unit: its unit, as `bench.fields.OwnUnit` has it.
        error: half the resolution plus the accuracy; the true value lies within reading ± error.
        rate_per_s: the fastest the true value can change, or None when nothing was declared.
        refreshed_every_s: a reading may be this much older than its request.
        keeps_for_s: a flag or state keeps a value at least this long, or None when nothing was declared.
        wraps_at: a counter returns to 0 on reaching this count, or None.
    """

    name: str
    unit: str
    error: float = 0.0
    rate_per_s: float | None = None
    refreshed_every_s: float = 0.0
    keeps_for_s: float | None = None
    wraps_at: int | None = None


@final
@dataclass(frozen=True, slots=True)
class Sample:
    """One reading: the unit read the register at some moment in `[requested_s, replied_s]`."""

    value: float
    requested_s: float
    replied_s: float


GapReason = Literal["timeout", "exception", "disconnected", "mismatch", "restart", "idle", "withdrawn"]
"""Why there is none; withdrawn: there was some, and it proved to be no evidence."""


@final
@dataclass(frozen=True, slots=True)
class Gap:
    """A span without evidence on one bus, seconds of loop time.

    One that is `withdrawn` takes back the readings that were requested at its begin or later.
    """

    bus: str
    from_s: float
    to_s: float
    reason: GapReason
    detail: str = ""


@final
@dataclass(frozen=True, slots=True)
class Unread:
    """A signal whose registers held no value, and what was wrong with them."""

    signal: str
    reason: str

    def __str__(self) -> str:
        """Return both as people read them."""
        return f"{self.signal}: {self.reason}"


@final
@dataclass(frozen=True, slots=True)
class Poll:
    """One answered read: the signals of the request with their values, and the registers as they came.

    Attributes:
        unread: signals whose registers held no value, with what was wrong.
    """

    bus: str
    requested_s: float
    replied_s: float
    values: Mapping[str, float]
    table: str
    address: int
    words: tuple[int, ...]
    unread: tuple[Unread, ...] = ()


@final
@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of an edge plan: at `at_s` after the plan's start the contact becomes `closed`."""

    at_s: float
    closed: bool


@final
@dataclass(frozen=True, slots=True)
class EdgeReport:
    """What became of one edge: due when, and the window that contains the electrical edge; None when it never left."""

    closed: bool
    due_s: float
    window: Window | None
