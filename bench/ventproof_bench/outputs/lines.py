"""One output each: its driver, its order of commands, and what it was left at."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from functools import partial
from math import inf
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.clock import leap, now_s, sleep_until, spin_until
from ventproof_bench.base.errors import BusFault, DriverError
from ventproof_bench.base.evidence import DrivenOutput, Window
from ventproof_bench.base.quantities import canonical_symbol
from ventproof_bench.drivers.driver import Repeatable, Shared

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from ventproof_bench.base.edges import Edge
    from ventproof_bench.base.errors import StimulusError
    from ventproof_bench.base.evidence import DrivenWhy
    from ventproof_bench.base.protocols import Contact, Level
    from ventproof_bench.benchfile.model import ContactOutput, TerminalOutput
    from ventproof_bench.outputs.wear import ContactWear


_UNSEEN_IN_A_ROW: Final = 3  # looks at a relay; then nobody knows what it does


def _fault_of(error: BaseException | None) -> BusFault | None:
    """Return the fault of a bus that an error of an output comes of; None where it comes of none."""
    while error is not None and not isinstance(error, BusFault):
        error = error.__cause__
    return error


async def once_more(do: Callable[[], Awaitable[None]]) -> None:
    """Do what may be done twice; again where the reply to something in it was lost, or its connection.

    Raises:
        BenchError: it fails.
    """
    try:
        await do()
    except DriverError as error:
        fault = _fault_of(error)
        if fault is None or not (fault.of_the_reply or fault.kind == "disconnected"):
            raise
        await do()


@final
@dataclass(slots=True)
class Repeats:
    """Gives commands of one output again where a reply was lost: once, and none in the way of one that makes safe.

    Attributes:
        remark: takes what the record should say of one that was; None: none is.
        safer: how often the output was to be made safe; who gives a command again looks whether that waits.
    """

    remark: Callable[[str], None] | None = None
    safer: int = 0

    async def give(self, command: Callable[[], Awaitable[Window]], driver: object, asked: float) -> Window:
        """Give a command; where its reply was lost, read what it did, and give it again unless it was done.

        Then its window reaches from the first time to the proof.

        Args:
            command: gives it.
            driver: of the output.
            asked: what it asks for.

        Raises:
            DriverError: nothing proves that it was done.
        """
        begun_s, safer = now_s(), self.safer
        try:
            return await command()
        except DriverError as error:
            fault = _fault_of(error)
            lost = fault is not None and fault.of_the_reply
            if self.remark is None or not isinstance(driver, Repeatable) or not lost:
                raise
            await self._again(command, driver, asked, error, safer)
            window = Window(begun_s, now_s(), again=True)
            took_s = window.latest_s - begun_s
            self.remark(f"{error}; it was read back, and was done within {took_s:.2f} s of the first command")
            return window

    async def _again(
        self,
        command: Callable[[], Awaitable[Window]],
        driver: Repeatable,
        asked: float,
        lost: DriverError,
        safer: int,
    ) -> None:
        """See to it that what a command asked is done; raises that its reply was lost where that happens again."""
        try:
            # Two readings in a row: a reply too many on a serial line passes for the first.
            if not (await driver.holds(asked) and await driver.holds(asked)):
                if self.safer != safer:
                    raise lost
                await command()
        except DriverError as error:
            raise (error if _fault_of(error) is None else lost) from error.__cause__


@final
@dataclass(slots=True)
class ContactLine:
    """A contact with its driver. The lock keeps commands in order: what was asked first is done first.

    Attributes:
        turn: one train plays at a time, in the order in which they were asked for.
        free_from_s: the relay can follow another edge from then on.
        ends_s: of each stop so far the instant from which it allows no closure to the trains asked for before it.
        wait: what a train that plays waits on between two edges.
        next_s: when the next edge of a train is due, or the last one was.
        left_on: whether the relay was left energised; None while that is not certain.
        moved_s: when it was moved last.
        commands: how often it was commanded.
        unseen: how many looks at it failed in a row.
        reads_back: as its driver says.
        wear: holds its limits, and counts its operations.
        repeats: gives a command again where its reply was lost; not the one to its safe state, which whoever asks for
            it tries again.
        held: why it is moved to its safe state only, or not at all; None while it takes commands.
    """

    spec: ContactOutput
    driver: Contact
    fastest_edge_s: float
    reads_back: bool = False
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    free_from_s: float = 0.0
    ends_s: list[float] = field(default_factory=list)
    wait: asyncio.Future[bool] | None = None
    next_s: float = -inf
    left_on: bool | None = None
    moved_s: float = -inf
    commands: int = 0
    unseen: int = 0
    held: StimulusError | None = None
    wear: ContactWear | None = None
    repeats: Repeats = field(default_factory=Repeats)

    @property
    def safe_on(self) -> bool:
        """Whether its relay is energised when it is safe."""
        return (self.spec.safe == "closed") != (self.spec.at_rest == "closed")

    @property
    def left_safe(self) -> bool:
        """Whether it was surely left in its safe state."""
        return self.left_on is self.safe_on

    @property
    def rests_safe(self) -> bool:
        """Whether it was surely left in its safe state, and nothing is about to move it."""
        return self.left_safe and not self.turn.locked() and not self.lock.locked()

    async def drive(self, *, closed: bool, to_safe: bool = False) -> Window:
        """Command the contact; returns the window of its electrical edge.

        The contact moves somewhere from the command leaving to its acknowledgement plus the longest operate
        (or release) time, and may bounce for `bounce` after that. Limits hold unless it goes to its safe state.
        """
        on = closed != (self.spec.at_rest == "closed")
        # Counted before its turn comes: a look that went on meanwhile says nothing of the relay any more.
        self.commands += 1
        async with self.lock:
            before = self.left_on
            if self.wear is not None and not to_safe and before is not on:
                self.wear.allow(closed=closed)
            if before is not on:
                self.left_on = None  # until it is answered: what failed may have moved the relay or not
            command = partial(self.driver.energise, on)
            commanded = await (command() if to_safe else self.repeats.give(command, self.driver, on))
            self.left_on = on
            if before is not on:
                self.moved_s = commanded.latest_s
                if self.wear is not None and not (before is None and to_safe):  # as the bench opens
                    self.wear.moved(commanded, closed=closed)
        return commanded.widened((self.spec.operate if on else self.spec.release) + self.spec.bounce)

    async def to_safe(self) -> Window:
        """Drive it to its safe state; raises `DriverError`."""
        self.repeats.safer += 1
        return await self.drive(closed=self.spec.safe == "closed", to_safe=True)

    @property
    def look_s(self) -> float | None:
        """How long a look at the relay takes, seconds; None where nobody else can move it."""
        return self.driver.look_s if isinstance(self.driver, Shared) else None

    async def look(self, name: str) -> None:
        """Look whether the relay is as it was left.

        Raises:
            DriverError: it is not, or it could not be read again and again.
        """
        left_on, commands = self.left_on, self.commands
        if left_on is None or self.lock.locked():
            return
        assert isinstance(self.driver, Shared), "only those are looked at"
        try:
            on = await self.driver.is_on()
        except DriverError:
            self.unseen += 1
            if self.unseen < _UNSEEN_IN_A_ROW:
                return
            raise
        self.unseen = 0
        if on is not left_on and commands == self.commands:
            was, now = ("energised" if state else "released" for state in (left_on, on))
            raise DriverError(
                f"output {name}: its relay was left {was} and is {now} now: somebody else moves it, or its board "
                "restarted; let one run at a time use the board"
            )

    async def reached(self, at_s: float, edge: Edge, plays: Callable[[], bool], *, spin_s: float) -> bool:
        """Wait for an edge's instant; returns False when the train was stopped before a closure.

        An opening is waited for although the train was stopped: the pulse under way keeps its width.

        Args:
            at_s: the instant, loop time.
            edge: the edge.
            plays: whether its train still plays it.
            spin_s: how long before to stop sleeping and watch the clock instead.
        """
        if not edge.closed:
            await sleep_until(at_s - spin_s)
        while edge.closed and plays() and not await self._wait_until(at_s - spin_s):
            pass  # a stop that may not be for this train, or is for later closures
        if edge.closed and not plays():
            return False
        if spin_s:
            spin_until(at_s)
        return True

    async def _wait_until(self, at_s: float) -> bool:
        """Wait until an instant; returns False when a stop broke that off."""
        if leap(at_s - now_s()):
            return True
        loop = asyncio.get_running_loop()
        wait: asyncio.Future[bool] = loop.create_future()
        self.wait = wait
        timer = loop.call_at(max(at_s, now_s()), _wake, wait, True)  # noqa: FBT003 - the future's result
        try:
            return await wait
        finally:
            timer.cancel()
            self.wait = None

    def stop(self, from_s: float = -inf) -> None:
        """Let the trains that were asked for so far play no closure that is due from an instant on."""
        self.ends_s.append(from_s)
        if self.wait is not None:
            _wake(self.wait, over=False)

    def plays(self, closure_due_s: float, stops: int) -> bool:
        """Whether a train still plays a closure, when `stops` stops came before it was asked for."""
        return closure_due_s < min(self.ends_s[stops:], default=inf)


def _wake(wait: asyncio.Future[bool], over: bool) -> None:  # noqa: FBT001 - what the waiting is told
    if not wait.done():
        wait.set_result(over)


@final
@dataclass(slots=True)
class LevelLine:
    """A level with its driver; what was asked first is put first.

    Attributes:
        left: the level that it was left at; None while that is not certain, or nobody put one yet.
        moved: whether any level was put.
        reads_back: as its driver says.
        repeats: gives a level again where its reply was lost.
        held: why only its safe level is put, or none at all; None while it takes commands.
    """

    spec: TerminalOutput
    driver: Level
    reads_back: bool = False
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    left: float | None = None
    moved: bool = False
    held: StimulusError | None = None
    repeats: Repeats = field(default_factory=Repeats)

    async def put(self, value: float) -> Window:
        """Put a level, in mA, V or ohm; raises `DriverError`."""
        self.moved = True
        async with self.lock:
            if self.left != value:
                self.left = None
            window = await self.repeats.give(partial(self.driver.put, value), self.driver, value)
            self.left = value
        return window

    async def to_safe(self) -> Window | None:
        """Put its safe level; one that has none is left as it is. Raises `DriverError`."""
        self.repeats.safer += 1
        return None if self.spec.safe is None else await self.put(self.spec.safe)

    @property
    def left_safe(self) -> bool:
        """Whether it surely holds its safe level, or nobody put another."""
        return not self.moved or self.left == self.spec.safe is not None

    @property
    def rests_safe(self) -> bool:
        """Whether it surely holds its safe level, or nobody put another, and nothing is about to."""
        return self.left_safe and not self.lock.locked()


def driven_safe(name: str, line: ContactLine | LevelLine, why: DrivenWhy, window: Window) -> DrivenOutput:
    """Return what is told of an output that was driven to its safe state."""
    if isinstance(line, ContactLine):
        closed = line.spec.safe == "closed"
        return DrivenOutput(name, why, window, closed=closed, read_back=line.reads_back)
    unit = canonical_symbol(line.spec.carries)
    return DrivenOutput(name, why, window, level=line.spec.safe, unit=unit, read_back=line.reads_back)
