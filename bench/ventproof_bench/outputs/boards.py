"""Boards that go safe by themselves: set up, fed, watched, and once in a self-check left unfed."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from math import inf
from typing import TYPE_CHECKING, Final, Literal, cast, final

from ventproof_bench.base.clock import now_s, sleep_until
from ventproof_bench.base.errors import BenchError, BusFault, DriverError
from ventproof_bench.base.evidence import BoardStarved
from ventproof_bench.base.protocols import QuietBus, ReadRequest
from ventproof_bench.benchfile.boards import BoardPlace, BoardWrite
from ventproof_bench.benchfile.model import safe_number
from ventproof_bench.modbus.register_map import encode, resolve, width

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping, Sequence

    from ventproof_bench.base.protocols import Bus, Reply
    from ventproof_bench.benchfile.boards import BoardSpec
    from ventproof_bench.benchfile.model import BenchFile, OutputSpec
    from ventproof_bench.benchfile.signals import Location


STARVED_FOR: Final = (0.75, 0.9, 1.0, 1.1, 1.25)
"""Spans without a request, as shares of the time after which a board goes safe; the first must leave it driven."""

_AGAIN: Final = 0.1  # of the time between two feeds: what fails at once is not asked without end
_LOOKS: Final = 40  # at a board that a write feeds, in the time after which it goes safe


@final
class BoardGuard:
    """One board's communication watchdog.

    Args:
        name: the board's name in the bench file.
        spec: its declaration there.
        bus: the bus that it hangs on, owned by this process.
        outputs: the outputs that it carries, by name.

    Attributes:
        failure: why its outputs are no longer what the bench made them; None while they are.
    """

    def __init__(self, name: str, spec: BoardSpec, bus: Bus, outputs: Mapping[str, OutputSpec]) -> None:
        self.failure: str | None = None
        self._name = name
        self._spec = spec
        self._bus = bus
        self._outputs = tuple(outputs)
        self._safe = {
            output: number for output in spec.safe_at if (number := safe_number(outputs[output])) is not None
        }
        self._fed_s = -inf
        self._feeding: asyncio.Task[None] | None = None

    async def set_up(self) -> None:
        """Write the safe values and the time and read them back, clear a trip, and begin to feed.

        Raises:
            DriverError: the board does not take them, or stays tripped.
        """
        spec = self._spec
        for output, number in self._safe.items():
            await self._hold(spec.place(spec.safe_at[output]), number)
        if spec.set_at is not None:
            await self._hold(spec.place(spec.set_at), spec.goes_safe_after)
        await self.clear()
        self._begin()

    async def clear(self) -> None:
        """Feed it, and let it take commands again if it has tripped.

        Raises:
            DriverError: it does not answer, or stays tripped.
        """
        try:
            if not await self._feed():
                return
            if self._spec.cleared_by is not None:
                await self._write(self._spec.cleared_by)
            tripped = await self._feed()
        except BusFault as error:
            raise DriverError(f"board {self._name}: {error}") from error
        if tripped:
            raise DriverError(
                f"board {self._name} has gone safe by itself and stays so; look at its `tripped` and `cleared_by`"
            )

    def check(self) -> None:
        """Raise a `DriverError` if the board went safe by itself."""
        if self.failure is not None:
            raise DriverError(self.failure)

    def stop(self) -> None:
        """Feed it no longer: its outputs go safe, as they must be already."""
        if self._feeding is not None:
            self._feeding.cancel()
            self._feeding = None

    async def starve(self, output: str | None, is_on: Callable[[], Awaitable[bool]] | None) -> BoardStarved:
        """Stop feeding until the board goes safe, or should have; then clear the trip and feed it on.

        Args:
            output: the contact whose relay is energised meanwhile, or None.
            is_on: reads that relay.

        Raises:
            BenchError: the board does not answer, or stays tripped.
        """
        self.stop()
        try:
            after_s, within_s = await self._until_safe(is_on)
            told = await self._tripped() if self._spec.tripped is not None else None
            return BoardStarved(self._name, output, after_s, within_s, told)
        except BusFault as error:
            raise DriverError(f"board {self._name}: {error}") from error
        finally:
            await self.clear()
            self._begin()

    async def _until_safe(self, is_on: Callable[[], Awaitable[bool]] | None) -> tuple[float, float | None]:
        """Return how long it surely stayed driven after it was fed last, and by when it was safe; None for never."""
        stays_s, until_s = 0.0, self._spec.goes_safe_after
        if isinstance(self._spec.fed_by, BoardWrite):
            fed_s = now_s()
            fed = await self._write(self._spec.fed_by)
            while now_s() - fed_s <= until_s * STARVED_FOR[-1]:
                asked_s = now_s()
                if await self._is_safe(is_on):
                    return stays_s, now_s() - fed.requested_s
                stays_s = max(stays_s, asked_s - fed.replied_s)
                await asyncio.sleep(until_s / _LOOKS)
            return stays_s, None
        for share in STARVED_FOR:
            fed_s = now_s()
            await self._feed()
            # Whatever was on its way has ended once this is held, and nothing is sent while it is.
            async with cast("QuietBus", self._bus).silence:
                silent_s = now_s()
                await asyncio.sleep(share * until_s)
                quiet_s = now_s() - silent_s
            if await self._is_safe(is_on):
                return stays_s, now_s() - fed_s
            stays_s = quiet_s
        return stays_s, None

    async def _is_safe(self, is_on: Callable[[], Awaitable[bool]] | None) -> bool:
        return await self._tripped() if is_on is None else not await is_on()

    def _begin(self) -> None:
        self._feeding = asyncio.get_running_loop().create_task(self._go_on_feeding())

    async def _go_on_feeding(self) -> None:
        every_s = self._spec.fed_every_s
        while self.failure is None:
            await sleep_until(self._fed_s + every_s)
            try:
                if await self._feed():
                    self._fail("has gone safe by itself")
            except BenchError as error:
                if now_s() - self._fed_s >= self._spec.goes_safe_after:
                    self._fail(f"could not be fed ({error}) and has gone safe by itself")
                await asyncio.sleep(_AGAIN * every_s)

    def _fail(self, what: str) -> None:
        self.failure = (
            f"board {self._name} {what}: {', '.join(self._outputs)} may not be what the run made them; look at its "
            "bus and its supply, and whether anything else commands it"
        )

    async def _feed(self) -> bool:
        """Feed it; whether it has tripped, as far as it tells. Raises `BusFault`."""
        if isinstance(self._spec.fed_by, BoardWrite):
            fed_s = (await self._write(self._spec.fed_by)).requested_s
            tripped = await self._tripped()
        else:
            assert self._spec.asked is not None, "the model sees to it"
            reply = await self._read(self._spec.asked)
            fed_s, tripped = reply.requested_s, self._spec.tripped is not None and self._tells(reply)
        self._fed_s = fed_s
        return tripped

    async def _tripped(self) -> bool:
        return self._spec.tripped is not None and self._tells(await self._read(self._spec.tripped))

    def _tells(self, reply: Reply) -> bool:
        assert self._spec.tripped is not None, "who asks has looked"
        bit = self._spec.tripped.bit
        return any(reply.words) if bit is None else bool(reply.words[0] >> bit & 1)

    async def _read(self, where: BoardPlace) -> Reply:
        return await self._read_at(self._spec.place(where))

    async def _read_at(self, place: Location) -> Reply:
        table, address = resolve(place)
        return await self._bus.read(ReadRequest(place.unit_id, table, address, width(place)))

    async def _write(self, what: BoardWrite) -> Reply:
        table = cast("Literal['coil', 'holding']", what.table)
        return await self._bus.write(self._spec.unit_id, table, what.address, [what.write])

    async def _hold(self, place: Location, number: float) -> None:
        """Have a register hold a number; the other bits of it stay as they are."""
        table, address = resolve(place)
        words: Sequence[int] = encode(place, number)
        try:
            if table == "holding" and place.bit is not None:
                (before,) = (await self._read_at(place)).words
                words = [before & ~(1 << place.bit) | words[0]]
            await self._bus.write(
                place.unit_id, cast("Literal['coil', 'holding']", table), address, list(words)
            )
            held = (await self._read_at(place)).words
        except BusFault as error:
            at = f"{table} {address}"
            raise DriverError(f"board {self._name}: {at}: write not confirmed: {error}") from error
        if held != tuple(words):
            raise DriverError(
                f"board {self._name}: {table} {address} of unit {place.unit_id} on bus {place.bus} holds "
                f"{list(held)} after {list(words)} was written; look at its manual for where it keeps that"
            )


def guards_of(file: BenchFile, buses: Mapping[str, Bus]) -> dict[str, BoardGuard]:
    """Return the guards of a bench's boards, by the boards' names."""
    return {
        name: BoardGuard(
            name, spec, buses[spec.bus], {output: file.outputs[output] for output in file.outputs_on(name)}
        )
        for name, spec in file.boards.items()
    }


async def clear_all(guards: Mapping[str, BoardGuard]) -> None:
    """Let every board take commands again that has tripped; what cannot be done shows when it is commanded."""
    for guard in guards.values():
        with suppress(BenchError):
            await guard.clear()
