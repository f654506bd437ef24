"""What harness, line process and standby say to each other: lines of JSON, and the bench's types packed into them."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final, final

from ventproof_bench.base.edges import Edge
from ventproof_bench.base.errors import (
    BenchError,
    BusFault,
    DriverError,
    EvidenceError,
    InterlockError,
    LimitError,
    LinkError,
    StimulusError,
    VentproofError,
)
from ventproof_bench.base.evidence import DrivenOutput, EdgeReport, FoundSetting, Gap, Poll, Unread, Window
from ventproof_bench.base.protocols import ReadRequest, Reply

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable


_ERRORS: Final = {
    kind.__name__: kind
    for kind in (BenchError, DriverError, EvidenceError, InterlockError, LimitError, LinkError)
}

Message = dict[str, Any]


@final
class Messages:
    """Takes bytes as they come and hands on whole messages."""

    def __init__(self, take: Callable[[Message], None]) -> None:
        self._take = take
        self._rest = b""

    def feed(self, data: bytes) -> None:
        """Take bytes; calls back once a message."""
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            self._take(json.loads(line))


def pack(message: Message) -> bytes:
    """Return a message as it goes over the socket. Floats come back exactly as they were."""
    return json.dumps(message, separators=(",", ":")).encode() + b"\n"


def pack_error(error: VentproofError) -> Message:
    """Return an error as a message's field."""
    packed: Message = {"class": type(error).__name__, "text": str(error)}
    if isinstance(error, BusFault):
        times = {"requested_s": error.requested_s, "ended_s": error.ended_s, "doubtful_s": error.doubtful_s}
        packed |= {"kind": error.kind, **times}
    if isinstance(error, StimulusError):
        packed |= {"since_s": error.since_s}
    return packed


def unpack_error(packed: Message) -> BenchError:
    """Return the error again, of the same class."""
    if packed["class"] == BusFault.__name__:
        return BusFault(
            packed["kind"],
            packed["text"],
            requested_s=packed["requested_s"],
            ended_s=packed["ended_s"],
            doubtful_s=packed["doubtful_s"],
        )
    if packed["class"] == StimulusError.__name__:
        return StimulusError(packed["text"], since_s=packed["since_s"])
    return _ERRORS.get(packed["class"], BenchError)(packed["text"])


def pack_window(window: Window) -> list[Any]:
    """Return a window as JSON takes it."""
    return [window.earliest_s, window.latest_s, window.again]


def pack_edges(edges: Iterable[Edge]) -> list[list[float | bool]]:
    """Return an edge plan as JSON takes it."""
    return [[edge.at_s, edge.closed] for edge in edges]


def unpack_edges(packed: Iterable[list[Any]]) -> list[Edge]:
    """Return the edge plan again."""
    return [Edge(at_s, closed) for at_s, closed in packed]


def pack_reports(reports: Iterable[EdgeReport]) -> list[list[Any]]:
    """Return edge reports as JSON takes them."""
    return [[r.closed, r.due_s, None if r.window is None else pack_window(r.window)] for r in reports]


def unpack_reports(packed: Iterable[list[Any]]) -> list[EdgeReport]:
    """Return the edge reports again."""
    return [EdgeReport(closed, due_s, None if w is None else Window(*w)) for closed, due_s, w in packed]


def pack_reply(reply: Reply) -> list[Any]:
    """Return a bus's reply as JSON takes it."""
    return [list(reply.words), reply.requested_s, reply.replied_s]


def unpack_reply(packed: list[Any]) -> Reply:
    """Return the bus's reply again."""
    words, requested_s, replied_s = packed
    return Reply(tuple(words), requested_s, replied_s)


def pack_done(done: FoundSetting | DrivenOutput) -> Message:
    """Return the message that tells what was found or driven."""
    return {"found" if isinstance(done, FoundSetting) else "driven": asdict(done)}


def unpack_done(message: Message) -> FoundSetting | DrivenOutput:
    """Return what was found or driven again."""
    found = "found" in message
    fields = message["found" if found else "driven"]
    told = {"window": Window(**fields["window"]), "words": tuple(fields["words"])}
    return FoundSetting(**fields | told) if found else DrivenOutput(**fields | told)


def pack_evidence(evidence: Poll | Gap) -> Message:
    """Return the message that hands on what was read, or was not."""
    if isinstance(evidence, Gap):
        return {"gap": asdict(evidence)}
    return {"poll": evidence._asdict() | {"unread": [asdict(one) for one in evidence.unread]}}


def unpack_evidence(message: Message) -> Poll | Gap:
    """Return what was read, or was not, again."""
    if "gap" in message:
        return Gap(**message["gap"])
    fields = message["poll"]
    unread = tuple(Unread(**one) for one in fields["unread"])
    return Poll(**fields | {"words": tuple(fields["words"]), "unread": unread})


def pack_request(request: ReadRequest) -> list[Any]:
    """Return a read request as JSON takes it."""
    return [request.unit_id, request.table, request.address, request.count]
