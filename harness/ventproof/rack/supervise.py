"""Who watches over the processes of a rack: starts them one after the other, sees how far they are, and stops all."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof.rack.follow import IN_USE, UNKNOWN, PlacePhase, PlaceProgress, RackPlace
from ventproof.verdict.finding import (
    EXIT_ACCEPTED,
    EXIT_BENCH,
    EXIT_FAIL,
    EXIT_INCONCLUSIVE,
    EXIT_INPUT,
    EXIT_PASS,
)
from ventproof_bench.base.clock import now_s, sleep_until

if TYPE_CHECKING:
    from ventproof.profile.duration import Span


LOOK_EVERY_S: Final = 0.2
"""From one look at all places to the next."""

ENDS_WITHIN_S: Final = 30.0
"""A process that was told to stop and has not by then is killed: its line process makes the outputs safe. More than
the five seconds for which it is patient with links, and the time-outs of what is under way; our own judgement."""

AT_ONCE_A_CORE: Final = 4
"""Benches on real wires that one core carries: eight on two cores were measured."""


class PlaceProcess(Protocol):
    """The process of one place."""

    @property
    def code(self) -> int | None:
        """Its exit code, negative where a signal ended it; None while it goes on."""

    @property
    def warned(self) -> list[str]:
        """The lines that it printed to its standard error."""

    def stop(self) -> None:
        """Have it end in order, as Ctrl-C does."""

    def kill(self) -> None:
        """End it at once."""


@final
class Rack:
    """The places of a rack, tested at the same time; `run` is called once.

    A place never waits for what becomes of another. Only its start does: it begins when the one before it polls, since
    starting takes the computer's whole attention, and when fewer are at work than may be.

    Args:
        places: in the order in which they are started.
        start: starts the process of a place.
        at_once: how many may be at work.

    Attributes:
        tell: is called after each look.
        progress: of each place, in order.
    """

    def __init__(
        self,
        places: Sequence[RackPlace],
        start: Callable[[RackPlace], PlaceProcess],
        *,
        at_once: int,
    ) -> None:
        self.progress = [PlaceProgress(place) for place in places]
        self._start = start
        self._at_once = at_once
        self.tell: Callable[[], None] = lambda: None
        self._at_work: dict[PlaceProgress, PlaceProcess] = {}
        self._told_to_stop_s: dict[PlaceProgress, float] = {}

    async def run(self, stopped: Callable[[], bool]) -> None:
        """Test all places, until each has ended; `stopped` says whether that is to be at once."""
        try:
            while True:
                for one, process in list(self._at_work.items()):
                    self._look(one, process)
                if stopped():
                    self._stop_all()
                else:
                    self._start_next()
                self.tell()
                if not self._at_work and not self._waiting:
                    return
                await sleep_until(now_s() + LOOK_EVERY_S)
        finally:
            self._stop_all()  # nobody would watch over them
            for one in self.progress:
                one.close()

    @property
    def at_work(self) -> int:
        """How many places are at work."""
        return len(self._at_work)

    @property
    def waiting(self) -> int:
        """How many have not begun, and will."""
        return len(self._waiting)

    def left(self) -> Span:
        """Return how long all of it still takes, at the earliest and at the latest, seconds."""
        lefts = [one.left() for one in self.progress]
        shortest_s, longest_s = (
            _one_after_the_other(spans, self._at_once) for spans in zip(*lefts, strict=True)
        )
        return shortest_s, longest_s

    @property
    def _waiting(self) -> list[PlaceProgress]:
        return [one for one in self.progress if one.phase is PlacePhase.WAITS]

    def _look(self, one: PlaceProgress, process: PlaceProcess) -> None:
        code = process.code  # before its logs: what it wrote last is there then
        one.look(now_s())
        if one.phase is PlacePhase.STARTS and one.polled:
            one.phase = PlacePhase.RUNS
        if code is not None:
            one.refused = process.warned if code == EXIT_INPUT else []
            self._ended(one, code)
        elif one not in self._told_to_stop_s and now_s() - one.heard_s > one.place.silence_s:
            one.remark = f"no line for {one.place.silence_s:.0f} s: its process hangs"
            self._stop(one, process)
        elif one not in self._told_to_stop_s:
            one.listen(now_s())
        elif now_s() - self._told_to_stop_s[one] > ENDS_WITHIN_S:
            one.remark = one.remark or f"its process did not end within {ENDS_WITHIN_S:.0f} s and was killed"
            process.kill()

    def _ended(self, one: PlaceProgress, code: int) -> None:
        del self._at_work[one]
        one.end()
        one.happened += [f"refused: {line}" for line in one.refused]
        if code < 0:
            one.remark = one.remark or f"its process was ended by signal {-code}"
        one.phase, one.code = PlacePhase.ENDED, EXIT_BENCH if one.remark else code
        if one.outputs == IN_USE:
            one.outputs = UNKNOWN
        outputs = f", outputs {one.outputs}" if one.outputs else ""
        one.happened.append(f"{one.remark or 'ended'} (exit code {one.code}{outputs})")

    def _start_next(self) -> None:
        starting = any(one.phase is PlacePhase.STARTS for one in self._at_work)
        if starting or len(self._at_work) >= self._at_once or not self._waiting:
            return
        one = self._waiting[0]
        one.phase, one.heard_s = PlacePhase.STARTS, now_s()
        one.happened.append(f"starts: {one.place.bench}")
        try:
            self._at_work[one] = self._start(one.place)
        except OSError as error:
            one.phase, one.code = PlacePhase.ENDED, EXIT_BENCH
            one.remark = f"its process cannot be started: {error.strerror or error}"
            one.happened.append(one.remark)

    def _stop_all(self) -> None:
        for one in self._waiting:
            one.phase = PlacePhase.NOT_RUN
            one.happened.append("not run")
        for one, process in self._at_work.items():
            if one not in self._told_to_stop_s:
                self._stop(one, process)

    def _stop(self, one: PlaceProgress, process: PlaceProcess) -> None:
        one.phase = PlacePhase.STOPS
        one.happened.append(f"is stopped{f': {one.remark}' if one.remark else ''}")
        self._told_to_stop_s[one] = now_s()
        process.stop()


def _one_after_the_other(spans_s: Iterable[float], at_once: int) -> float:
    """Return how long jobs take of which so many go on at once, each begun when there is room for it."""
    free_s = [0.0] * at_once
    for span_s in spans_s:
        heapq.heapreplace(free_s, free_s[0] + span_s)
    return max(free_s)


_WORST_FIRST: Final = (EXIT_BENCH, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_ACCEPTED, EXIT_PASS)


def worst_code(codes: Iterable[int | None]) -> int:
    """Return the exit code of a rack from those of its places; None: of one that was not run.

    What no run with a verdict ends with is a failure of the bench: a signal, an interruption, and a file that is found
    wrong only then, since other places were switched.
    """
    found = {code if code in _WORST_FIRST else EXIT_BENCH for code in codes}
    return next(code for code in _WORST_FIRST if code in found)
