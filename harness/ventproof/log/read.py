"""Reading a log back: its events, and whether its chain is intact and its run complete."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from math import inf
from pathlib import Path
from typing import Any, BinaryIO, Final, final, get_args, overload

from ventproof.log.archive import LONGEST_LINE, ArchiveError, lines_of
from ventproof.log.decode import LATEST_S, LineError, event_of
from ventproof.log.encode import KnownPolls
from ventproof.log.events import (
    FORMAT,
    CheckBegin,
    CheckEnd,
    CheckOutcome,
    Event,
    Header,
    OtherEvent,
    PollSeen,
    RunBegin,
    RunEnd,
    StepBegin,
    StepEnd,
)
from ventproof.log.gaps import BusGaps, GapCounter
from ventproof.log.names import ARCHIVED
from ventproof.log.plan import PlannedRun
from ventproof.log.write import GENESIS, link, unseal
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import open_regular

VERDICTS: Final = ("pass", "fail", "inconclusive")
OPENING: Final = {"run_end": "run_begin", "selfcheck_end": "selfcheck_begin"}
"""What the first line of a log must be for a line to close it."""

CLOSING: Final = {"run_end": ("verdict", VERDICTS), "selfcheck_end": ("result", get_args(CheckOutcome))}
"""Events that close a log, each with the field that tells how it ended and what may stand there; null: aborted."""

_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
_CONVERTED: Final = (
    "the text was converted on its way (to CR LF, or with a byte order mark): copy the original byte for byte"
)

_AFTER_THE_END: Final = "it stands after the line that closed the run"


@final
class EventsTold:
    """What the events of a log come to, for whoever does not need each of them.

    Attributes:
        last_s: log time of the last evidence.
        at_end: by step, the values that were read last in it, by the bench's names of the signals.
    """

    def __init__(self) -> None:
        self.last_s = -inf
        self.at_end: dict[int, Mapping[str, float]] = {}
        self._gaps = GapCounter()
        self._values: dict[str, float] = {}

    @classmethod
    def of(cls, events: Iterable[Event]) -> EventsTold:
        """Return it of some events."""
        told = cls()
        for event in events:
            told.feed(event)
        return told

    def feed(self, event: Event) -> None:
        """Take the next event."""
        self.last_s = max(self.last_s, event.t_s)
        self._gaps.feed(event)
        match event:
            case PollSeen(poll=poll):
                self._values.update(poll.values)
            case StepBegin():
                self._values.clear()
            case StepEnd(step=step):
                self.at_end[step] = dict(self._values)
            case _:
                pass

    @property
    def gaps(self) -> tuple[BusGaps, ...]:
        """How often the buses brought no evidence."""
        return self._gaps.found


HELD: Final = 10_000
"""Events of so many lines at most are held in memory, which they fill with 25 MB."""


_AT_ONCE: Final = 2**18  # bytes: what a second of the busiest log holds, and read in a moment


@final
class Tail:
    """The lines of a file that somebody else is writing, as they come.

    Args:
        path: the file.

    Raises:
        OSError: it cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._file = open_regular(path)
        self._rest = b""

    def lines(self) -> list[bytes]:
        """Return whole lines that have come since the last call, not too many at once; none when there are none."""
        read = self._file.read(_AT_ONCE)
        *lines, self._rest = (self._rest + read).split(b"\n")
        while read and not lines:  # a line longer than that
            read = self._file.read(_AT_ONCE)
            *lines, self._rest = (self._rest + read).split(b"\n")
        return lines

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


@final
@dataclass(frozen=True, slots=True)
class LogState:
    """What reading a log showed.

    Attributes:
        events: the events of the intact part, in order; the first is that of line 1. Of a long log they are read again
            each time that they are gone through.
        lines: lines of the intact part.
        broken_at: 1-based line at which the chain breaks, or None.
        reason: why it breaks there; empty when intact.
        digest: digest of the last intact line.
        sha256: as `LogCheck.sha256`.
    """

    events: Sequence[Event]
    lines: int
    broken_at: int | None
    reason: str
    digest: str
    sha256: str = ""

    @property
    def rare(self) -> Sequence[Event]:
        """The events but polls, which are most of them; always in memory."""
        return rare_of(self.events)

    @property
    def told(self) -> EventsTold:
        """What its events come to."""
        return self.events.told if isinstance(self.events, LongLog) else EventsTold.of(self.events)

    @property
    def closed(self) -> bool:
        """Whether the log ends with the line that closes it."""
        return self.broken_at is None and bool(self.events) and self.events[-1].name in CLOSING

    @property
    def is_check(self) -> bool:
        """Whether it is of a self-check, and so holds no run."""
        return self.events[0].name == CheckBegin.name

    @property
    def outcome(self) -> str:
        """The run's verdict (`pass`, `fail`, `inconclusive`), or `aborted` when no closing line gives one.

        Of a self-check its result: `fine` or `worse`.
        """
        return _outcome(self.events[-1]) if self.closed else "aborted"


@final
@dataclass(frozen=True, slots=True)
class LogCheck:
    """What going through a log showed, without keeping what it says.

    Attributes:
        lines: lines of the intact part.
        broken_at: 1-based line at which the chain breaks, or None.
        reason: why it breaks there; empty when intact.
        digest: digest of the last intact line.
        closed: whether the log ends with the line that closes it.
        outcome: as `LogState.outcome`.
        sha256: SHA-256 of the whole file, a torn last line included; empty when the chain is broken.
        marked: digest of the line that was asked for; empty when the intact part ends before it.
        place: of a run in its plan; None for a self-check, and for logs that are older than plans.
        is_check: as `LogState.is_check`.
    """

    lines: int
    broken_at: int | None
    reason: str
    digest: str
    closed: bool
    outcome: str
    sha256: str
    marked: str
    place: PlannedRun | None = None
    is_check: bool = False


def rare_of(events: Sequence[Event]) -> list[Event]:
    """Return events without polls."""
    if isinstance(events, LongLog):
        return events.rare
    return [event for event in events if not isinstance(event, PollSeen)]


@final
class LongLog(Sequence[Event]):
    """The events of a long log: those of its file, of which no more than the rare ones are held.

    Going through them raises `FileError` where the file is not the one that was read.

    Attributes:
        rare: the events but polls.
        told: as `LogState.told`.
    """

    def __init__(
        self, path: Path, walk: _Walk, ends: tuple[Event, Event], rare: list[Event], told: EventsTold
    ) -> None:
        self.rare, self.told = rare, told
        self._path, self._ends, self._lines, self._digest = path, ends, walk.lines, walk.digest

    def __len__(self) -> int:
        return self._lines

    def __iter__(self) -> Iterator[Event]:
        walk = _Walk(self._path)
        for event in walk.events():
            if walk.lines < self._lines:
                yield event
            elif walk.digest == self._digest:
                yield event
                return
            else:
                break
        raise FileError([Problem(str(self._path), None, None, "the log changed while it was read")])

    @overload
    def __getitem__(self, index: int) -> Event: ...

    @overload
    def __getitem__(self, index: slice) -> Sequence[Event]: ...

    def __getitem__(self, index: int | slice) -> Event | Sequence[Event]:
        ends = isinstance(index, int) and -1 <= index <= 0
        return self._ends[index] if ends else tuple(self)[index]


def read_log(path: Path) -> LogState:
    """Read a log as far as its chain holds.

    A last line without line end is what a killed run leaves behind; it is cut off and the rest stands.

    Raises:
        FileError: the file cannot be read, is no log at all, or holds a line that ventproof does not write.
    """
    walk = _Walk(path)
    found = walk.events()
    events: Sequence[Event] = tuple(islice(found, HELD))
    if walk.lines == HELD:
        events = _long(path, walk, events, found)
    return LogState(events, walk.lines, walk.broken_at, walk.reason, walk.digest, walk.sha256)


def _long(path: Path, walk: _Walk, begin: Sequence[Event], rest: Iterator[Event]) -> Sequence[Event]:
    """Return the events of a log of more lines than are held."""
    rare, last, told = rare_of(begin), begin[-1], EventsTold.of(begin)
    for event in rest:
        if not isinstance(event, PollSeen):
            rare.append(event)
        told.feed(event)
        last = event
    return LongLog(path, walk, (begin[0], last), rare, told)


def begin_of(path: Path) -> Event:
    """Return what the first line of a log says; the rest is not read.

    Raises:
        FileError: the file cannot be read, or is no log.
    """
    return next(_Walk(path).events())


def header_of(
    state: LogState, name: str = "the log", hint: str = "a self-check's log is for `ventproof verify`"
) -> Header:
    """Return what the first line of a run's log pins.

    Args:
        state: the log, read.
        name: how errors call it.
        hint: what else to name.

    Raises:
        FileError: it is no log of a run.
    """
    first = state.events[0]
    if not isinstance(first, RunBegin):
        raise FileError([Problem(name, 1, None, "it holds no run of a profile", hint)])
    return first.header


def check_log(path: Path, *, mark: int = 0) -> LogCheck:
    """Check a log line by line; however long it is, no more than a line of it is held in memory.

    Args:
        path: the log.
        mark: 1-based line whose digest is wanted; 0: none.

    Raises:
        FileError: the file cannot be read, is no log at all, or holds a line that ventproof does not write.
    """
    walk = _Walk(path)
    marked = ""
    first: Event | None = None
    last: Event | None = None
    for event in walk.events():
        first, last = first or event, event
        if walk.lines == mark:
            marked = walk.digest
    closed = walk.broken_at is None and last is not None and last.name in CLOSING
    return LogCheck(
        lines=walk.lines,
        broken_at=walk.broken_at,
        reason=walk.reason,
        digest=walk.digest,
        closed=closed,
        outcome=_outcome(last) if closed and last is not None else "aborted",
        sha256=walk.sha256,
        marked=marked,
        place=first.header.place if isinstance(first, RunBegin) else None,
        is_check=first is not None and first.name == CheckBegin.name,
    )


def _outcome(closing: Event) -> str:
    match closing:
        case RunEnd(verdict=found):
            return found or "aborted"
        case CheckEnd(result=result):
            return result or "aborted"
        case OtherEvent(name=name, fields=fields):  # of another format
            return str(fields.get(CLOSING[name][0]) or "aborted")
    raise AssertionError(f"{closing.name} closes no log")


@final
class _Walk:
    """Goes through a log, line by line, as far as its chain holds. Its attributes are those of `LogCheck`, so far."""

    def __init__(self, path: Path) -> None:
        self.lines = 0
        self.broken_at: int | None = None
        self.reason = ""
        self.digest = GENESIS
        self.sha256 = ""
        self._path = path
        self._opened = ""
        self._closed = False
        self._format: object = None
        self._polls = KnownPolls()

    def events(self) -> Iterator[Event]:
        """Yield each event once its line is found to be right.

        Raises:
            FileError: the file cannot be read, is no log at all, or holds a line that ventproof does not write.
        """
        try:
            with open_regular(self._path) as file:
                yield from self._events(file)
        except OSError as error:
            raise self._refused(f"cannot read the log: {error.strerror}") from error
        except ArchiveError as error:
            hint = "restore the file from a copy"
            raise self._refused(f"this archive of a log was damaged: {error}", hint=hint) from None
        if self.lines == 0:
            raise self._refused("the log is empty: the run died before its first line")

    def _events(self, file: BinaryIO) -> Iterator[Event]:
        whole = hashlib.sha256()
        for line in lines_of(file, archived=self._path.name.endswith(ARCHIVED)):
            whole.update(line)
            # As long as the limit and without an end it is no torn line but one too long, which `_checked` tells.
            if not line.endswith(b"\n") and len(line) < LONGEST_LINE:
                if self._closed:  # a run that closed its log tears no line
                    self.broken_at, self.reason = self.lines + 1, _AFTER_THE_END
                    return
                break  # the torn line of a killed run
            self.reason, body, digest = self._linked(line)
            known = None if self.reason or self._closed else self._polls.event(body, self.lines)
            if known is not None:
                self.lines, self.digest = self.lines + 1, digest
                yield known
                continue
            fields: dict[str, Any] = {}
            if not self.reason:
                self.reason, fields = self._told(body)
            # Before the first line holds nothing is shown to be a log: an error, not a broken log.
            if self.reason and self.lines == 0:
                reason = "this is not a ventproof log, or its first line was changed"
                raise self._refused(self.reason if self.reason == _CONVERTED else reason, line=1)
            if self.reason:
                self.broken_at = self.lines + 1
                return
            name = fields["event"]
            if self.lines == 0:
                self._opened, self._format = name, fields.get("format")
            self.lines, self.digest, self._closed = self.lines + 1, digest, name in CLOSING
            event = self._event(name, fields)
            self._polls.learn(body, event)
            yield event
        self.sha256 = whole.hexdigest()

    def _event(self, name: str, fields: dict[str, Any]) -> Event:
        """Return the event of a line; in another version's log what does not fit is kept as it stands.

        Raises:
            FileError: the line is not what ventproof writes.
        """
        t_s = fields["t"]
        try:
            return event_of(name, t_s, fields)
        except LineError as error:
            if self._format == FORMAT:
                raise self._refused(str(error), self.lines) from error
            return OtherEvent(t_s, name, fields)

    def _linked(self, line: bytes) -> tuple[str, bytes, str]:
        """Return why this line breaks the chain (empty if it does not), its JSON object and its digest."""
        if not line.endswith(b"\n"):
            return f"it is longer than {LONGEST_LINE // 2**20} MB", b"", ""
        # Only to say what happened: a converted line is refused either way.
        if line.startswith(_BYTE_ORDER_MARK) or line.endswith(b"\r\n"):
            plain = line.removeprefix(_BYTE_ORDER_MARK).rstrip(b"\r\n")
            if unseal(plain) is not None:
                return _CONVERTED, b"", ""
        parts = unseal(line[:-1])
        if parts is None:
            return "it carries no digest", b"", ""
        body, digest = parts
        # Before it is read as JSON: nothing that stands in a changed line is believed.
        if link(self.digest, body) != digest:
            said = "its digest does not follow from the line before: a line was changed, removed, added or moved here"
            return said, b"", ""
        return "", body, digest

    def _told(self, body: bytes) -> tuple[str, dict[str, Any]]:
        """Return why a line of the chain is none of a log all the same (empty if it is one), and its fields."""
        reason, event = _read(body, self.lines)
        if not reason and self._closed:
            reason = _AFTER_THE_END
        # A run closed as a self-check would show a result that no run has.
        if not reason and OPENING.get(event["event"], self._opened) != self._opened:
            reason = f"a log that begins with {self._opened or 'it'} is not closed by {event['event']}"
        return reason, event

    def _refused(self, reason: str, line: int | None = None, hint: str = "") -> FileError:
        return FileError([Problem(str(self._path), line, None, reason, hint)])


def _refuse_constant(name: str) -> None:
    """Refuse `NaN` and `Infinity`, which JSON does not have and which every comparison lets pass."""
    raise ValueError(f"{name} is not a number")


_decode: Final = json.JSONDecoder(parse_constant=_refuse_constant).decode
"""One decoder for all lines; `json.loads` would make one for each."""


def _read(body: bytes, seq: int) -> tuple[str, dict[str, Any]]:
    """Return why a line whose digest is right is none of a log all the same (empty if it is one), and its event."""
    try:
        event = _decode(body.decode("utf-8"))
        if (
            b"\\u" in body
        ):  # half a surrogate pair, which only an escape can hold, is no text that can be shown
            event = json.loads(json.dumps(event, ensure_ascii=False).encode("utf-8", "replace"))
    except (ValueError, RecursionError):
        return "it is not a JSON object", {}
    if not isinstance(event, dict) or event.get("seq") != seq or isinstance(event["seq"], bool):
        return f"its sequence number is not {seq}", {}
    at_s = event.get("t")
    if (
        not isinstance(event.get("event"), str)
        or isinstance(at_s, bool)
        or not isinstance(at_s, int | float)
        or not -LATEST_S <= at_s <= LATEST_S
    ):
        return "it has no event or no time", {}
    field, words = CLOSING.get(event["event"], ("", ()))
    if field and event.get(field) not in (*words, None):
        return f"its {field} is none of {', '.join(words)}", {}
    return "", event
