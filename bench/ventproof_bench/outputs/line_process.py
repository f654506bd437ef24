"""The line process: owns output ports and shared buses, plays edges on time, guards against a lost harness.

It ends, outputs safe, when the socket ends or fails in any way (a killed harness may show as a reset rather
than an end of file), when the harness was not heard of for a while, on SIGTERM, and on any error of its own.
It cannot guard against loss of power, an unplugged adapter, or its own death by SIGKILL: boards that open by
themselves do, and it feeds those (`ventproof_bench.outputs.boards`).
"""

from __future__ import annotations

import asyncio
import gc
import os
import selectors
import signal
import socket
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import BenchError, DriverError, LinkError, VentproofError
from ventproof_bench.base.protocols import Bus, ReadRequest
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.outputs.boards import guards_of
from ventproof_bench.outputs.line import (
    WINDOW_S,
    Message,
    Messages,
    carried_buses,
    pack,
    pack_done,
    pack_error,
    pack_evidence,
    pack_reply,
    pack_reports,
    pack_window,
    unpack_edges,
)
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.vents import PlayedVents
from ventproof_bench.outputs.wear import Ledger

# A sleep ends late by the scheduler's wake-up, some tenths of a millisecond; the rest is spent asking the clock.
_SPIN_S: Final = 0.0004
# Any real-time priority goes before all ordinary processes; low among them, so that the kernel's own threads still win.
_PRIORITY: Final = 20
_SAFE_WITHIN_S: Final = 30.0  # every driver gives up before; a broken one must not keep the process


@final
class _Guarded(asyncio.Protocol):
    """Serves the harness, and watches it."""

    def __init__(self) -> None:
        self.end: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self.outputs: LocalOutputs | None = None
        self.buses: dict[str, Bus] = {}
        self._heard_s = now_s()
        self._messages = Messages(self._take)
        self._tasks: dict[int, asyncio.Task[None]] = {}
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Say that the process listens; from here on it wants to hear of the harness."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.write(b'{"ready":1}\n')

    def data_received(self, data: bytes) -> None:
        """Whatever comes is a sign of life."""
        self._heard_s = now_s()
        self._messages.feed(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """The harness is gone, by end of file or by any error."""
        self.finish(f"the harness is gone ({exc})" if exc else "the harness is gone")

    def finish(self, reason: str) -> None:
        """Have the process make safe and leave; the first reason counts."""
        if not self.end.done():
            self.end.set_result(reason)

    def watch(self) -> None:
        """Look whether the harness was heard of; looks again when its window could be over."""
        # Invariant: a look is always pending, and never later than the end of the window that was open at the last one.
        # Cheaper than to move a timer at each message, and as sharp.
        left_s = self._heard_s + WINDOW_S - now_s()
        if left_s <= 0:
            self.finish(f"it heard nothing of the harness for {WINDOW_S:g} s; is the machine overloaded?")
        else:
            asyncio.get_running_loop().call_later(left_s, self.watch)

    async def make_safe(self) -> None:
        """Make safe on the way out; when that fails, connect lost buses again and try once more."""
        if self.outputs is None:
            return  # nothing was opened here, so nothing was driven from here
        try:
            await self.outputs.make_safe()
        except BenchError:
            # What killed the harness may have killed the bus as well. A second failure goes up and is told.
            for bus in self.buses.values():
                with suppress(BenchError):
                    await bus.open()
            await self.outputs.make_safe()

    def say(self, message: Message) -> None:
        """Send, if anybody is still there."""
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(pack(message))

    def _take(self, message: Message) -> None:
        if self.end.done():
            return  # making safe has the last word: no order that was on its way may drive anything after it
        if "beat" in message:
            self.say(message)
            return
        if "cancel" in message:  # nobody waits any more: no further edge of that train
            if task := self._tasks.get(message["cancel"]):
                task.cancel()
            return
        # A task each, since a train takes minutes and meanwhile other outputs move and buses are polled.
        number = message["id"]
        self._tasks[number] = task = asyncio.ensure_future(self._serve(message))
        task.add_done_callback(lambda _: self._tasks.pop(number, None))

    async def _serve(self, message: Message) -> None:
        try:
            result = await getattr(self, f"do_{message['op']}")(message)
        except VentproofError as error:
            self.say({"id": message["id"], "error": pack_error(error)})
        except Exception as error:  # noqa: BLE001 - a fault of ours: safe first, then say so
            self.finish(f"{type(error).__name__} in it: {error}")
        else:
            self.say({"id": message["id"], "result": result})

    async def do_open(self, message: Message) -> Message:
        """Build and open what the bench file declares, `owed` as `LocalOutputs.open` takes it."""
        file = BenchFile.model_validate_json(message["file"])
        if carried := carried_buses(file):
            from ventproof_bench.modbus.bus import ModbusBus  # noqa: PLC0415 - heavy, and not every bench has such a bus

            self.buses = {name: ModbusBus(name, file.buses[name]) for name in carried}
        try:
            outputs = LocalOutputs(
                file.outputs,
                buses=self.buses,
                specs=file.buses,
                spin_s=_SPIN_S,
                vents=PlayedVents(file, self.buses),
                boards=guards_of(file, self.buses),
                ledger=Ledger(Path(message["ledger"]), file) if message["ledger"] else None,
            )
        except ValueError as error:
            raise DriverError(str(error)) from error
        for bus in self.buses.values():
            await bus.open()
        # Before they are opened: opening makes them safe one after the other, and if it fails half way, whatever
        # ends this process must find them all.
        self.outputs = outputs
        outputs.tell = lambda done: self.say(pack_done(done))
        await outputs.open(message["owed"])
        notes = [*outputs.notes, *(note for bus in self.buses.values() for note in getattr(bus, "notes", ()))]
        gc.collect()
        gc.freeze()  # a full collection over what lives for ever would delay edges
        return {"notes": notes + _raise_priority(), "shared": outputs.shared}

    def _outputs(self) -> LocalOutputs:
        if self.outputs is None:
            raise DriverError("the outputs are not open")
        return self.outputs

    async def do_contact(self, message: Message) -> list[float]:
        """Move a contact."""
        return pack_window(await self._outputs().contact(message["name"], closed=message["closed"]))

    async def do_train(self, message: Message) -> list[list[Any]]:
        """Play a train."""
        edges = unpack_edges(message["edges"])
        return pack_reports(await self._outputs().train(message["name"], edges, start_s=message["start_s"]))

    async def do_stop(self, message: Message) -> None:
        """Stop a train."""
        await self._outputs().stop(message["name"], from_s=message["from_s"])

    async def do_level(self, message: Message) -> list[float]:
        """Set a level."""
        return pack_window(await self._outputs().level(message["name"], message["value"]))

    async def do_look(self, _: Message) -> None:
        """Look at the relays that others could move."""
        await self._outputs().look()

    async def do_play(self, _: Message) -> None:
        """Play the vents, until nobody waits for that any more."""
        await self._outputs().play(lambda evidence: self.say(pack_evidence(evidence)))

    async def do_condition(self, message: Message) -> list[float]:
        """Set what has befallen a vent."""
        return pack_window(await self._outputs().condition(message["vent"], message["parts"]))

    async def do_starve(self, message: Message) -> Message:
        """Feed a board no longer for once."""
        return asdict(await self._outputs().starve(message["board"], message["contact"]))

    async def do_make_safe(self, message: Message) -> None:
        """Make safe and stay."""
        await self._outputs().make_safe(vents_play_on=message["vents_play_on"])

    async def do_close(self, _: Message) -> None:
        """Make safe and let go."""
        try:
            await self._outputs().close()
        finally:
            # Closed outputs are not driven again, not even to make them safe on the way out: another may own them.
            self.outputs = None
            for bus in self.buses.values():
                await bus.close()

    def _bus(self, message: Message) -> Bus:
        bus = self.buses.get(message["bus"])
        if bus is None:
            raise LinkError(f"bus {message['bus']} is not open")
        return bus

    async def do_bus_open(self, message: Message) -> None:
        """Connect a bus again."""
        await self._bus(message).open()

    async def do_bus_close(self, message: Message) -> None:
        """Disconnect a bus."""
        await self._bus(message).close()

    async def do_read(self, message: Message) -> list[Any]:
        """Poll a bus."""
        return pack_reply(await self._bus(message).read(ReadRequest(*message["request"])))

    async def do_write(self, message: Message) -> list[Any]:
        """Write on a bus."""
        bus = self._bus(message)
        return pack_reply(
            await bus.write(message["unit_id"], message["table"], message["address"], message["words"])
        )


def _raise_priority() -> list[str]:
    """Ask for real-time priority; returns what the record should say where it is not granted."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(_PRIORITY))
    except (AttributeError, OSError):
        return ["the line process has no real-time priority: on a busy machine edges may be some ms late"]
    return []


async def _live(connection: socket.socket) -> None:
    loop = asyncio.get_running_loop()
    guarded = _Guarded()
    loop.add_signal_handler(signal.SIGTERM, guarded.finish, "it was asked to end (SIGTERM)")
    # A callback that fails has no caller who would hear of it; half a line process is no guard, so it ends.
    loop.set_exception_handler(lambda _, context: guarded.finish(f"{context['message']} in it"))
    await loop.create_unix_connection(lambda: guarded, sock=connection)
    guarded.watch()
    reason = "it failed"
    try:
        reason = await guarded.end
    finally:
        try:
            async with asyncio.timeout(_SAFE_WITHIN_S):
                await guarded.make_safe()
        except (BenchError, TimeoutError) as error:
            reason += f"; not every output could be made safe: {error}"
        guarded.say({"leaves": reason})
        await asyncio.sleep(0)  # one turn, in which the socket takes the last word


def main() -> None:
    """Run until the harness is gone or has closed. The socket's file descriptor is the only argument."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the harness's business; it closes in good order
    connection = socket.socket(fileno=int(sys.argv[1]))
    # select() waits to the microsecond, where asyncio's epoll rounds up to the millisecond.
    with asyncio.Runner(loop_factory=lambda: asyncio.SelectorEventLoop(selectors.SelectSelector())) as runner:
        runner.run(_live(connection))
        os._exit(0)  # outputs are safe; a driver's thread that hangs must not keep the process


if __name__ == "__main__":
    main()
