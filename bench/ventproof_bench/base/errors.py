"""The error tree.

VentproofError
├── FileError           the author of a file or the operator: something written is wrong; nothing was switched
└── BenchError          the bench: no verdict can come of this run
    ├── LinkError       a port or bus cannot be opened, or was lost
    ├── BusFault        one transaction brought no usable reply (a gap in the evidence, never a value)
    ├── DriverError     an output did not do what it was told
    │   ├── StimulusError   nobody knows any more what the unit is given; the next profile may be run
    │   └── LimitError  a limit of the bench file forbids it
    ├── InterlockError  the interlock is not healthy: nothing may be driven
    ├── EvidenceError   samples contradict the declared limits of the signal
    └── RecordError     the log cannot be written: a run without a record proves nothing
"""

from __future__ import annotations

import errno
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal, final


class VentproofError(Exception):
    """Base of every error that ventproof raises on purpose; its text is fit for an operator."""


@final
@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a file or an argument.

    Attributes:
        file: path as the user gave it, or the name of the argument.
        line: 1-based line, or None where the whole file is meant.
        column: 1-based column, or None.
        reason: what is wrong, with the offending value.
        hint: what would be right; empty when there is nothing to add.
    """

    file: str
    line: int | None
    column: int | None
    reason: str
    hint: str = ""

    def __str__(self) -> str:
        """Return `file:line:column: reason; hint`."""
        place = ":".join([self.file, *(str(n) for n in (self.line, self.column) if n is not None)])
        return f"{place}: {self.reason}" + (f"; {self.hint}" if self.hint else "")


@final
class Refusal(ValueError):
    """Why a check takes a value for wrong; whoever knows the file makes a `Problem` of it.

    Attributes:
        reason: what is wrong, with the offending value.
        hint: what would be right; empty when there is nothing to add.
        key: the key that is wrong, where the value is a mapping with several; empty when all of it is meant.
        bare: whether the reason lacks its subject: the value as it was written.
    """

    def __init__(self, reason: str, hint: str = "", *, key: str = "", bare: bool = False) -> None:
        super().__init__(reason, hint)
        self.reason, self.hint, self.key, self.bare = reason, hint, key, bare

    def __str__(self) -> str:
        """Return `reason; hint`."""
        return f"{self.reason}; {self.hint}" if self.hint else self.reason

    @classmethod
    def of(cls, error: ValueError) -> Refusal:
        """Return an error as a refusal; one of another kind is a reason without a hint."""
        return error if isinstance(error, cls) else cls(str(error))


class FileError(VentproofError):
    """A file or argument is wrong. The author mends it; `problems` lists every fault found, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class StructureError(FileError):
    """A file is wrong in its structure, so that nobody looked at its names and limits yet."""


class BenchError(VentproofError):
    """The bench failed: whatever was running has no verdict."""


class LinkError(BenchError):
    """A port or bus cannot be opened or was lost. Check the cable, the power and who else holds the port."""


FaultKind = Literal["timeout", "exception", "disconnected", "mismatch"]

_NOT_NOW: Final = frozenset({6, 11})  # busy; the gateway's unit does not answer


class BusFault(BenchError):
    """One Modbus transaction brought no usable reply.

    Attributes:
        kind: `timeout`, `exception` (the unit answered with a Modbus exception), `disconnected`, or
            `mismatch` (a reply that does not belong to the request).
        requested_s: loop time at which the request left.
        ended_s: loop time at which the transaction was given up, a quiet-line wait included.
        doubtful_s: loop time; what reads that were requested then or later brought is in doubt, since more replies came
            than were asked for, and each may be the one to the request before. None where nothing is.
        code: of an exception reply; None of any other fault.
    """

    def __init__(
        self,
        kind: FaultKind,
        detail: str,
        *,
        requested_s: float,
        ended_s: float,
        doubtful_s: float | None = None,
        code: int | None = None,
    ) -> None:
        self.kind: FaultKind = kind
        self.code = code
        self.requested_s = requested_s
        self.ended_s = ended_s
        self.doubtful_s = doubtful_s
        super().__init__(detail)

    @property
    def of_the_reply(self) -> bool:
        """Whether the unit may have done what was asked, and the reply alone was lost, spoilt or kept from it.

        A gateway whose unit stays silent answers itself, and so does a unit that is busy (MODBUS Application Protocol
        Specification V1.1b3, 7).
        """
        return self.kind in {"timeout", "mismatch"} or self.code in _NOT_NOW


class DriverError(BenchError):
    """An output did not do what it was told, or nothing proves that it did."""


class StimulusError(DriverError):
    """From an instant on the unit was not given what was asked for, or nobody knows: this profile ends, and no other.

    A link was lost and came back, the computer was too busy, or the process that drives was lost. Nothing of it says
    that the bench cannot be used: where its outputs can be made safe, the next profile may be run.

    Attributes:
        since_s: loop time; what was read since then says nothing.
    """

    def __init__(self, detail: str, *, since_s: float) -> None:
        self.since_s = since_s
        super().__init__(detail)


class LimitError(DriverError):
    """What an output was told a limit of the bench file forbids: nothing was switched for it."""


class InterlockError(BenchError):
    """The interlock is not healthy: restore it before anything is driven.

    Attributes:
        unread: whether it could not be read, so that nobody knows how it stands.
    """

    def __init__(self, text: str, *, unread: bool = False) -> None:
        super().__init__(text)
        self.unread = unread


class EvidenceError(BenchError):
    """Samples contradict what the bench file declares of the signal; both samples are named."""


class RecordError(BenchError):
    """The log cannot be written (disk full, say): the run ends, for without a record it proves nothing."""


_OPEN_TROUBLE: Final = {
    errno.ENOENT: "there is no such port; is the adapter plugged in?",
    errno.EACCES: "this user may not open it (on Linux: a member of the port's group may)",
    errno.EPERM: "this user may not open it",
    errno.EAGAIN: "another program holds it",
    errno.EBUSY: "another program holds it",
}


def open_trouble(error: BaseException) -> str:
    """Return why a port could not be opened, in words for whoever plugs it in where the system's error is known."""
    return _OPEN_TROUBLE.get(getattr(error, "errno", None) or 0) or str(error) or type(error).__name__


_LOST_TROUBLE: Final = {
    errno.EPIPE: "the far end closed it",
    errno.ECONNRESET: "the far end closed it",
    errno.EIO: "it was unplugged, or its far end is gone",
    errno.ENXIO: "it was unplugged",
    errno.ENODEV: "it was unplugged",
}


def lost_trouble(error: BaseException | None) -> str:
    """Return why a port or a connection is gone, in words for whoever mends that; None: its far end closed it."""
    if error is None:
        return "the far end closed it"
    if type(error).__name__ == "SerialException":  # it read nothing where there was to be something
        return "it was unplugged, or another program reads it"
    return _LOST_TROUBLE.get(getattr(error, "errno", None) or 0) or str(error) or type(error).__name__


class AbortKind(StrEnum):
    """What ended a run before its end: the operator, something on the bench, or a fault of ventproof itself."""

    OPERATOR = "operator"
    BENCH = "bench"
    INTERNAL = "internal"


@final
@dataclass(frozen=True, slots=True)
class Abort:
    """Why a run or a self-check has no verdict.

    Attributes:
        kind: what ended it.
        text: the reason, for people.
    """

    kind: AbortKind
    text: str
