"""Windows, samples, polls, gaps, reports of edges; for how long a mock's answers are known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple, final


@final
@dataclass(frozen=True, slots=True)
class Window:
    """An interval of loop time that contains the instant of an event, seconds.

    Attributes:
        earliest_s: its begin.
        latest_s: its end.
        again: whether it holds a command that was given again, since a reply was lost: it is wider than it was meant to
            be.
    """

    earliest_s: float
    latest_s: float
    again: bool = False

    def __post_init__(self) -> None:
        if self.latest_s < self.earliest_s:
            raise ValueError(f"latest_s={self.latest_s!r} must not be before earliest_s={self.earliest_s!r}")

    def widened(self, by_s: float) -> Window:
        """Return the window with its end `by_s` later."""
        return Window(self.earliest_s, self.latest_s + by_s, self.again)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalTraits:
    """What a bench file declares of a signal, as the judge needs it. Values are in the signal's unit.

    One that is reckoned from others says more (`plant.contacts`).

    Attributes:
        name: the signal's name in the bench file.
        unit: its unit, as `ventproof_bench.yamlfile.fields.OwnUnit` has it.
        error: half the resolution plus the accuracy; the true value lies within reading ± error.
        step: the resolution, the smallest step of a reading; 0 where it has none.
        rate_per_s: the fastest the true value can change, or None when nothing was declared.
        refreshed_every_s: a reading may be this much older than its request.
        keeps_for_s: a flag or state keeps a value at least this long, or None when nothing was declared.
        wraps_at: a counter returns to 0 on reaching this count, or None.
        jumps_to: values to which a position that the unit reckons may jump when it finds its reference.
        jumps_by: how far such a jump goes at most.
    """

    name: str
    unit: str
    error: float = 0.0
    step: float = 0.0
    rate_per_s: float | None = None
    refreshed_every_s: float = 0.0
    keeps_for_s: float | None = None
    wraps_at: int | None = None
    jumps_to: tuple[float, ...] = ()
    jumps_by: float = 0.0


class Sample(NamedTuple):
    """One reading: the unit read the register at some moment in `[requested_s, replied_s]`."""

    value: float
    requested_s: float
    replied_s: float


GapReason = Literal[
    "timeout", "exception", "disconnected", "mismatch", "restart", "idle", "withdrawn", "void"
]
"""Why there is none; withdrawn: there was some, and it proved to be no evidence; void: it is evidence of a stimulus
that nobody asked for."""

TAKEN_BACK: Final = frozenset({"withdrawn", "void"})
"""Reasons for which readings of that time count no more."""


@final
@dataclass(frozen=True, slots=True)
class Gap:
    """A span without evidence on one bus, seconds of loop time.

    One that is `withdrawn` or `void` takes back the readings that were requested at its begin or later.
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


_NOTHING: Final[Mapping[str, float | bool]] = {}


class Poll(NamedTuple):
    """One answered read: the signals of the request with their values, and the registers as they came.

    Attributes:
        unread: signals whose registers held no value, with what was wrong.
        shown: of a vent that the bench plays: what its outputs show the unit from `replied_s` on, by their names;
            whether a contact is closed, or a level in mA, V or ohm.
    """

    bus: str
    requested_s: float
    replied_s: float
    values: Mapping[str, float]
    table: str
    address: int
    words: tuple[int, ...]
    unread: tuple[Unread, ...] = ()
    shown: Mapping[str, float | bool] = _NOTHING


@final
@dataclass(slots=True, eq=False)
class Foreseen:
    """A time in which a mock answers each read as it answered that before in this time, unless it is touched.

    Attributes:
        since_s: loop time of its begin.
        until_s: loop time of its end.
        asked_s: loop time of the last read.
    """

    since_s: float
    until_s: float
    asked_s: float


@final
@dataclass(frozen=True, slots=True)
class FoundSetting:
    """What a setting of the unit was when the bench looked, before it wrote there; of one that cannot be read, why.

    Attributes:
        output: the output that writes it, as the bench file names it.
        unit: of the value.
        window: when it was read, or was tried to be read.
        words: its registers; empty when they could not be read.
        value: what they stand for; None when they hold no number, or could not be read.
        trouble: why they could not be read; empty when they were.
    """

    output: str
    unit: str
    window: Window
    words: tuple[int, ...] = ()
    value: float | None = None
    trouble: str = ""


DrivenWhy = Literal["open", "safe", "restore"]
"""Why the bench drove an output that no test asked it to: it was opened; it was left safe; a setting was put back."""


@final
@dataclass(frozen=True, slots=True)
class DrivenOutput:
    """What the bench did to an output of its own accord, or tried; one of `closed`, `level` and `words` is given.

    Attributes:
        output: the output, as the bench file names it.
        why: for what reason.
        window: when.
        closed: of a contact, how it was left.
        level: of a level at terminals, in mA, V or ohm.
        words: of a setting, the registers that were written and read back.
        value: what those stand for; None when they hold no number.
        unit: of the value, or of the level.
        read_back: whether the hardware was asked and said that it is so; else it was only commanded.
        trouble: why nothing proves that it was done at all; empty when it was.
    """

    output: str
    why: DrivenWhy
    window: Window
    closed: bool | None = None
    level: float | None = None
    words: tuple[int, ...] = ()
    value: float | None = None
    unit: str = ""
    read_back: bool = False
    trouble: str = ""


@final
@dataclass(frozen=True, slots=True)
class EdgeReport:
    """What became of one edge: due when, and the window that contains the electrical edge; None when it never left."""

    closed: bool
    due_s: float
    window: Window | None


@final
@dataclass(frozen=True, slots=True)
class BoardStarved:
    """What a board did that was fed no longer, to see that it goes safe by itself.

    Attributes:
        board: its name in the bench file.
        output: the contact whose relay was energised meanwhile; None where only what the board tells was watched.
        after_s: how long after it was fed last it surely was driven still, seconds.
        within_s: how long after that it was safe at the latest, seconds; None where it never was.
        told: whether it tells that it tripped; None where it has nothing that does.
    """

    board: str
    output: str | None
    after_s: float
    within_s: float | None
    told: bool | None
