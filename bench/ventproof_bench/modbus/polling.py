"""Reads a bus's plan over and over and hands on what it saw, and where it saw nothing."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from math import ceil, inf
from typing import TYPE_CHECKING, Final, NoReturn, final

from ventproof_bench.base.clock import Awake, now_s, sleep_until
from ventproof_bench.base.errors import BenchError, BusFault, LinkError
from ventproof_bench.base.evidence import Gap, Poll
from ventproof_bench.benchfile.model import InProcessBus

if TYPE_CHECKING:
    from ventproof_bench.base.evidence import GapReason, Unread
    from ventproof_bench.base.protocols import Bus, EvidenceSink
    from ventproof_bench.benchfile.model import BusSpec
    from ventproof_bench.modbus.register_map import PlannedRead, ReadPlan


_SLEPT_S: Final = 1.0  # less may be a correction of one of the two clocks
_ONCE_S: Final = 3600.0  # while a poller rests: so often it looks whether the bus is still there


@final
@dataclass(slots=True)
class Rest:
    """While it lasts pollers read once an hour only.

    Attributes:
        until_s: loop time of its end.
    """

    until_s: float = -inf


async def poll(
    bus: Bus,
    plan: ReadPlan,
    *,
    every_s: float,
    bus_spec: BusSpec,
    sink: EvidenceSink,
    rest: Rest | None = None,
) -> NoReturn:
    """Poll until cancelled or until the computer slept; trouble on the bus goes to `sink` as gaps and is never raised.

    Rounds begin at whole multiples of `every_s` after the first; rounds that are missed are left out, never
    made up for. A signal whose registers hold no number is left out of its `Poll`; a reply without any
    value is a gap.

    Args:
        bus: an open bus.
        plan: what to read.
        every_s: seconds from the beginning of a round to the next.
        bus_spec: how the bus is declared; its reconnect times count here.
        sink: takes a `Poll` for every reply and a `Gap` for every fault and every rest.
        rest: shared by all pollers of a bench; none unless stated.

    Raises:
        BenchError: the computer slept, and nobody watched.
    """
    await _Poller(bus, plan, every_s, bus_spec, sink, rest or Rest()).run()


@final
class _Poller:
    def __init__(  # noqa: PLR0917 - made in one place only
        self, bus: Bus, plan: ReadPlan, every_s: float, spec: BusSpec, sink: EvidenceSink, rest: Rest
    ) -> None:
        self._bus = bus
        self._plan = plan
        self._every_s = every_s
        self._spec = spec
        self._sink = sink
        self._rest = rest
        self._awake = None if isinstance(spec, InProcessBus) else Awake()
        self._good_s = [now_s()] * len(plan.reads)
        """When each read's last good request went out: evidence reaches no further than that."""
        self._decoded: dict[int, tuple[tuple[int, ...], dict[str, float], tuple[Unread, ...]]] = {}
        """The last words of each read, and what they stand for: mostly they are the next ones, too."""

    async def run(self) -> NoReturn:
        began_s, turn = now_s(), 0
        while True:
            for index, read in enumerate(self._plan.reads):
                if not await self._read(index, read):
                    await self._reconnect()
                    break
            turn = max(turn + 1, ceil((now_s() - began_s) / self._every_s - 1e-9))
            await sleep_until(began_s + turn * self._every_s)
            if self._rest.until_s > now_s():
                await sleep_until(min(self._rest.until_s, now_s() + _ONCE_S))
                self._gap(min(self._good_s), now_s(), "idle", "nothing was read, as the profile says")

    async def _read(self, index: int, read: PlannedRead) -> bool:
        """Read once; whether the connection stands."""
        try:
            reply = await self._bus.read(read.request)
        except BusFault as fault:
            if fault.doubtful_s is not None:
                self._withdraw(fault.doubtful_s, fault)
            self._gap(self._good_s[index], fault.ended_s, fault.kind, str(fault))
            return fault.kind != "disconnected"
        except LinkError as error:
            self._gap(self._good_s[index], now_s(), "disconnected", str(error))
            return False
        if index not in self._decoded or self._decoded[index][0] != reply.words:
            self._decoded[index] = reply.words, *read.decode(reply.words)
        _, values, wrong = self._decoded[index]
        if wrong and not values:
            self._gap(self._good_s[index], reply.replied_s, "mismatch", "; ".join(map(str, wrong)))
            return True
        self._good_s[index] = reply.requested_s
        request = read.request
        self._hand_on(
            Poll(
                self._plan.bus,
                reply.requested_s,
                reply.replied_s,
                values,
                request.table,
                request.address,
                reply.words,
                wrong,
            )
        )
        return True

    def _withdraw(self, from_s: float, fault: BusFault) -> None:
        """Take back the readings that were requested since; they are as if nothing had been read."""
        self._good_s = [min(good_s, from_s) for good_s in self._good_s]
        self._gap(from_s, fault.ended_s, "withdrawn", str(fault))

    async def _reconnect(self) -> None:
        """Try to connect again, less and less often; what the unit did meanwhile nobody saw."""
        wait_s = self._spec.reconnect_after
        while True:
            await asyncio.sleep(wait_s)
            try:
                await self._bus.open()
            except LinkError as error:
                self._gap(min(self._good_s), now_s(), "disconnected", str(error))
                wait_s = min(2 * wait_s, self._spec.reconnect_at_most)
            else:
                self._gap(min(self._good_s), now_s(), "restart", "the connection was lost and made again")
                return

    def _gap(self, from_s: float, to_s: float, reason: GapReason, detail: str) -> None:
        self._hand_on(Gap(self._plan.bus, from_s, to_s, reason, detail))

    def _hand_on(self, evidence: Poll | Gap) -> None:
        """Hand on what was seen, unless its times leave out a sleep."""
        slept_s = self._awake.slept_s() if self._awake else 0.0
        if slept_s > _SLEPT_S:
            raise BenchError(
                f"this computer slept for {slept_s:.1f} s and the unit was not watched in that time: disable sleep"
            )
        self._sink(evidence)
