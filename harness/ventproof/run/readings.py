"""Asks people for the readings that can still matter, each person one after the other, and hands on what they tell."""

from __future__ import annotations

import asyncio
from math import inf
from typing import TYPE_CHECKING, final

from ventproof.case.looks import looks_due, looks_over
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import BenchError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from typing import NoReturn

    from ventproof.case.case import Case
    from ventproof.log.clockwork import Clockwork
    from ventproof_bench.base.evidence import Poll
    from ventproof_bench.drivers.people import People


@final
class ToldReadings:
    """The readings of one run that people take; asks nobody before `begin`.

    Args:
        people: who can be asked; None where nobody is.
        case: the run's case; it says what is worth a look.
        hand_on: takes what was read.
        broken: takes an error that ends the run.
        times: turns log times into loop times.
    """

    def __init__(
        self,
        people: People | None,
        case: Case,
        *,
        hand_on: Callable[[Poll], None],
        broken: Callable[[BaseException], None],
        times: Clockwork,
    ) -> None:
        self._people = people
        self._case = case
        self._hand_on, self._broken, self._times = hand_on, broken, times
        told = {} if people is None else people.signals
        self._bench_names = {name: at for at, name in case.names.items() if at in told}
        self._readers: Mapping[str, str] = {name: told[at].read_by for name, at in self._bench_names.items()}
        self._turned = asyncio.Event()
        self._tasks: list[asyncio.Task[NoReturn]] = []

    @property
    def _takes_s(self) -> Mapping[str, float]:
        assert self._people is not None, "there are readers only where there are people"
        return {name: self._people.specs[who].answers_in for name, who in self._readers.items()}

    async def all_of(self, signals: Iterable[str]) -> None:
        """Have each of these read that was not read just now, by all people at a time; no person reads the others."""
        by_person: dict[str, list[str]] = {}
        for name in dict.fromkeys(signals):
            if name in self._readers and not self._fresh(name):
                by_person.setdefault(self._readers[name], []).append(name)

        async def one_by_one(names: list[str]) -> None:
            for name in names:
                await self._read(name)

        async with asyncio.TaskGroup() as group:
            for names in by_person.values():
                group.create_task(one_by_one(names))

    def _fresh(self, name: str) -> bool:
        last = self._case.traces[name].last
        return last is not None and now_s() - self._times.loop_s(last.replied_s) < self._takes_s[name]

    @property
    def over(self) -> bool:
        """Whether no look can decide what is still undecided in the current step."""
        return bool(self._readers) and looks_over(self._case, self._takes_s)

    def begin(self) -> None:
        """Ask from now on for whatever matters."""
        for who in sorted(set(self._readers.values())):
            task = asyncio.get_running_loop().create_task(self._serve(who))
            task.add_done_callback(self._over)
            self._tasks.append(task)

    def turn(self) -> None:
        """Something happened: other readings may matter now."""
        self._turned.set()

    def drop(self) -> None:
        """Ask for nothing more; what is asked for is taken back."""
        for task in self._tasks:
            task.cancel()

    async def gone(self) -> None:
        """Wait until nobody is asked any more."""
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def _over(self, task: asyncio.Task[NoReturn]) -> None:
        error = None if task.cancelled() else task.exception()
        if error is not None:
            self._broken(error)

    async def _serve(self, who: str) -> NoReturn:
        while True:
            name, at_s = self._next_of(who)
            if not name or at_s > now_s():
                await self._until_turned(at_s)
            else:
                await self._read_while_due(name)

    def _due(self) -> Mapping[str, float]:
        return looks_due(self._case, self._takes_s)

    def _next_of(self, who: str) -> tuple[str, float]:
        """Return what a person reads next and the loop time for it; empty and infinite where nothing matters."""
        due = {name: at_s for name, at_s in self._due().items() if self._readers[name] == who}
        if not due:
            return "", inf
        # Of several that are due the one that was read longest ago.
        late = [name for name, at_s in due.items() if self._times.loop_s(at_s) <= now_s()]
        name = min(late, key=self._read_s) if late else min(due, key=lambda name: due[name])
        return name, self._times.loop_s(due[name])

    def _read_s(self, name: str) -> float:
        last = self._case.traces[name].last
        return -inf if last is None else last.requested_s

    async def _until_turned(self, at_s: float) -> None:
        self._turned.clear()
        try:
            async with asyncio.timeout_at(None if at_s == inf else at_s):
                await self._turned.wait()
        except TimeoutError:
            pass

    async def _read_while_due(self, name: str) -> None:
        """Have something read, unless it comes not to matter any more before the answer."""
        reading = asyncio.get_running_loop().create_task(self._read(name))
        try:
            while not reading.done() and name in self._due():
                self._turned.clear()
                turned = asyncio.get_running_loop().create_task(self._turned.wait())
                await asyncio.wait({reading, turned}, return_when=asyncio.FIRST_COMPLETED)
                turned.cancel()
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)
        if not reading.cancelled():
            reading.result()

    async def _read(self, name: str) -> None:
        assert self._people is not None, "likewise"
        poll = await self._people.read(self._bench_names[name])
        try:
            self._hand_on(poll)
        except BenchError as error:
            self._broken(error)
