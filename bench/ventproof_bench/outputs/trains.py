"""Long pulse trains: played piece by piece, to their end or in the background until they are stopped."""

from __future__ import annotations

import asyncio
from collections import deque
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import StimulusError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from ventproof_bench.base.edges import Edge
    from ventproof_bench.base.evidence import EdgeReport
    from ventproof_bench.base.protocols import Outputs


LEAD_S: Final = 0.05
"""A pulse train is ordered this long before its first edge."""

LATEST_S: Final = 0.25
"""What comes this late is another weather or stimulus than the one asked for."""

_AT_ONCE: Final = 2000  # edges; to take in the reports of many more keeps the harness from its heartbeats
_EDGES_A_PIECE: Final = 128
_PIECE_S: Final = 1.0  # so that what was played is known soon, however rare the edges
# A piece is asked for this long before its first edge, so that a busy harness delays none.
_AHEAD_S: Final = 2.0
_LATEST_FAST_S: Final = 0.1  # so does one by this that is late by a whole pulse, or by a whole closure


@final
class Train:
    """A pulse train that plays beside whatever else is done.

    Every edge has an absolute deadline, so that no train drifts, however long it is and whatever plays beside it.
    The edges are taken as they are needed, so that a train may be endless.

    Args:
        outputs: the bench's outputs.
        name: the contact, open now.
        edges: closures that each open again, in order; instants count from `start_s`.
        start_s: loop time.
        played: takes what became of the edges, piece by piece.

    Attributes:
        closures: how many closures went out so far.
    """

    def __init__(
        self,
        outputs: Outputs,
        name: str,
        edges: Iterable[Edge],
        *,
        start_s: float,
        played: Callable[[Sequence[EdgeReport]], None],
    ) -> None:
        self.closures = 0
        self._outputs = outputs
        self._name = name
        self._edges = edges
        self._start_s = start_s
        self._played = played
        self._stopped = asyncio.Event()
        self._task = asyncio.get_running_loop().create_task(self._play())

    def when_over(self, call: Callable[[], None]) -> None:
        """Have `call` called once no further edge comes, one way or another."""
        self._task.add_done_callback(lambda _: call())

    @property
    def error(self) -> BaseException | None:
        """Why the train is not the one asked for; None while it is."""
        return self._task.exception() if self._task.done() and not self._task.cancelled() else None

    @property
    def stopped(self) -> bool:
        """Whether it was stopped rather than came to its own end."""
        return self._stopped.is_set()

    def drop(self) -> None:
        """Ask for nothing more: what plays is ended by whoever makes the outputs safe."""
        self._stopped.set()

    async def gone(self) -> None:
        """Wait for a dropped train to be over, once its output was made safe: nothing of it is driven any more."""
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)

    async def stop(self) -> None:
        """Stop within one pulse; the contact is open afterwards, and all that was played is known.

        Raises:
            BenchError: what went wrong with the train, now or before.
        """
        await self.end()
        await self.over()

    async def end(self, *, from_s: float | None = None) -> None:
        """Have no further closure played, or none that is due from an instant on; do not wait for the last one.

        A train that is asked for from then on plays after this one, which may so hand over to it between two pulses.

        Args:
            from_s: loop time, less than a second from now: closures later than that may not be asked for yet.
        """
        self.drop()
        if not self._task.done():
            await self._outputs.stop(self._name, from_s=from_s)

    async def over(self) -> None:
        """Wait until nothing is played any more.

        Raises:
            BenchError: what went wrong with the train, now or before.
        """
        await self._task

    async def _play(self) -> None:
        """Keep two pieces on their way: the one that plays, and the next."""
        asked: deque[asyncio.Task[list[EdgeReport]]] = deque()
        try:
            for piece in _pieces(self._edges):
                await self._until(self._start_s + piece[0].at_s - _AHEAD_S)
                if self._stopped.is_set():
                    break
                asked.append(asyncio.get_running_loop().create_task(self._ask(piece)))
                if len(asked) > 1:
                    self._take(await asked.popleft())
            while asked:
                self._take(await asked.popleft())
        finally:
            # However it was left: no piece may play on of which nobody takes the reports.
            for task in asked:
                task.cancel()
            await asyncio.gather(*asked, return_exceptions=True)

    async def _ask(self, piece: Sequence[Edge]) -> list[EdgeReport]:
        """Play a piece, unless the train was stopped before it was asked for: the outputs' stop knows none of it."""
        if self._stopped.is_set():
            return []
        return await self._outputs.train(self._name, piece, start_s=self._start_s)

    async def _until(self, at_s: float) -> None:
        if at_s > now_s():
            waiting = asyncio.ensure_future(self._stopped.wait())
            await asyncio.wait({waiting}, timeout=at_s - now_s())
            waiting.cancel()

    def _take(self, reports: Sequence[EdgeReport]) -> None:
        if not reports:
            return
        self._played(reports)
        self.closures += sum(report.closed and report.window is not None for report in reports)
        for number, report in enumerate(reports):
            # Here an edge that may have gone out late, or not at all, is no doubt about one response: the weather is
            # another.
            if report.window is None or report.window.again:
                raise StimulusError(
                    f"an edge of the pulses on {self._name} is not confirmed to have left the bench in time",
                    since_s=report.due_s,
                )
            late_s = report.window.earliest_s - report.due_s
            # Pulses that wait and then come in a rush are a gust to whoever counts them; long ones may be a fault.
            # A late closure is held against the way from the closure before, a late opening against its own pulse.
            before = number - (2 if report.closed else 1)
            pulse_s = report.due_s - reports[before].due_s if before >= 0 else LATEST_S
            if late_s > min(max(pulse_s, _LATEST_FAST_S), LATEST_S):
                raise StimulusError(
                    f"the pulses on {self._name} fell {late_s:.3g} s behind: the weather was not the one asked for",
                    since_s=report.due_s,
                )


async def play(outputs: Outputs, name: str, edges: Sequence[Edge], *, start_s: float) -> list[EdgeReport]:
    """Play a train to its end, as `Outputs.train` does; a long one in pieces, the next asked for while one plays.

    Args:
        outputs: the bench's outputs.
        name: the contact, open now.
        edges: closures that each open again, in order.
        start_s: loop time from which their instants count.

    Raises:
        DriverError: as `Outputs.train`; of a long train the last edge of every piece has to go out.
    """
    pieces = [edges] if len(edges) <= _AT_ONCE else _pieces(edges)
    asked: deque[asyncio.Task[list[EdgeReport]]] = deque()
    reports: list[EdgeReport] = []
    try:
        for piece in pieces:
            playing = outputs.train(name, piece, start_s=start_s)
            asked.append(asyncio.ensure_future(playing))
            if len(asked) > 1:
                reports += await asked.popleft()
        while asked:
            reports += await asked.popleft()
    finally:
        for task in asked:
            task.cancel()
        await asyncio.gather(*asked, return_exceptions=True)
    return reports


def _pieces(edges: Iterable[Edge]) -> Iterator[list[Edge]]:
    """Yield the edges in pieces of whole pulses, each short and small."""
    piece: list[Edge] = []
    for edge in edges:
        # Only before a closure: a piece that ended closed would leave the contact so, should no other follow.
        if piece and edge.closed and (len(piece) >= _EDGES_A_PIECE or edge.at_s - piece[0].at_s > _PIECE_S):
            yield piece
            piece = []
        piece.append(edge)
    if piece:
        yield piece
