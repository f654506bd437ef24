"""The line process: owns output ports and shared buses, plays edges on time, guards against a lost harness.

It ends, outputs safe, when the socket ends or fails in any way (a killed harness may show as a reset rather
than an end of file), when the harness was not heard of for the bench's heartbeat limit, on SIGTERM, and on any error of
its own. Against its own death stands its standby (`ventproof_bench.outputs.standby`). Against the death of both, the
loss of power and an unplugged adapter stand boards alone that open by themselves: it feeds those
(`ventproof_bench.outputs.boards`).
"""

from __future__ import annotations

import asyncio
import gc
import os
import signal
import socket
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final, final

from ventproof_bench.base.clock import now_s, wall_loop
from ventproof_bench.base.errors import BenchError, DriverError, LinkError, VentproofError
from ventproof_bench.base.evidence import DrivenOutput, FoundSetting
from ventproof_bench.base.protocols import Bus, ReadRequest
from ventproof_bench.benchfile.model import BenchFile, RegisterOutput
from ventproof_bench.outputs.links import connect
from ventproof_bench.outputs.messages import (
    Message,
    Messages,
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
from ventproof_bench.outputs.parts import import_for, parts_of, raise_priority
from ventproof_bench.outputs.standby import BEAT_S, RESCUE_S, StandbyLine, stand_by
from ventproof_bench.outputs.wear import Ledger

_SAFE_WITHIN_S: Final = 2 * RESCUE_S  # every driver gives up before; a broken one must not keep the process
_LOOK_S: Final = 0.1  # from one look whether the harness was heard of to the next


@final
class _Guarded(asyncio.Protocol):
    """Serves the harness, and watches it.

    Args:
        file: the bench.
        standby: watches this process.
    """

    def __init__(self, file: BenchFile, standby: StandbyLine) -> None:
        self.end: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self.since_s = 0.0
        self.outputs: LocalOutputs | None = None
        self.buses: dict[str, Bus] = {}
        self._file = file
        self._standby = standby
        self._stood_by = True
        self._opened = False
        self._heard_s = now_s()
        self._longest_s = 0.0
        self._unheard = 0
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
        self._longest_s = max(self._longest_s, now_s() - self._heard_s)
        self._heard_s, self._unheard = now_s(), 0
        self._messages.feed(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """The harness is gone, by end of file or by any error."""
        self.finish(f"the harness is gone ({exc})" if exc else "the harness is gone")

    def finish(self, reason: str, *, since_s: float | None = None) -> None:
        """Have the process make safe and leave; the first reason counts, and since when it was so."""
        if not self.end.done():
            self.since_s = now_s() if since_s is None else since_s
            self.end.set_result(reason)

    def watch(self) -> None:
        """Look again and again whether the harness was heard of."""
        # Looks are counted, and not time: a line process that was stopped or busy itself blames nobody.
        self._unheard += 1
        limit_s = self._file.heartbeat_limit
        if (self._unheard - 1) * _LOOK_S >= limit_s:
            reason = f"it heard nothing of the harness for {limit_s:g} s; is the machine overloaded?"
            self.finish(reason, since_s=self._heard_s)
        else:
            asyncio.get_running_loop().call_later(_LOOK_S, self.watch)

    def beat(self) -> None:
        """Let the standby hear of this process, again and again."""
        if not self._standby.beat() and self._stood_by:
            self._stood_by = False
            self.say({"note": "the standby is lost: nothing makes safe if the line process is killed, too"})
        asyncio.get_running_loop().call_later(BEAT_S, self.beat)

    async def make_safe(self) -> None:
        """Make safe on the way out, over links that may have to be brought back, and tell the standby."""
        # Where nothing was opened here, nothing was driven from here.
        if self.outputs is not None:
            # What killed the harness may have killed the bus as well.
            await self.outputs.make_safe(patience_s=RESCUE_S if self._opened else 0.0)
        self._standby.say({"left": 1})

    def say(self, message: Message) -> None:
        """Send, if anybody is still there."""
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(pack(message))

    def _take(self, message: Message) -> None:
        if self.end.done():
            return  # making safe has the last word: no order that was on its way may drive anything after it
        if "beat" in message:
            self.say({"beat": self._longest_s})
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
        """Build and open what the bench file declares."""
        ledger = Ledger(Path(message["ledger"]), self._file) if message["ledger"] else None
        outputs, self.buses = parts_of(self._file, ledger)
        for bus in self.buses.values():
            await connect(bus)
        # Before they are opened: opening makes them safe one after the other, and if it fails half way, whatever
        # ends this process must find them all.
        self.outputs = outputs
        outputs.tell = self._tell
        outputs.broke = lambda error: self.say({"broke": pack_error(error)})
        outputs.remark = lambda said: self.say({"note": said})
        await outputs.open()
        self._opened = True
        self._standby.say({"armed": 1})
        notes = [*outputs.notes, *(note for bus in self.buses.values() for note in getattr(bus, "notes", ()))]
        gc.collect()
        gc.freeze()  # a full collection over what lives for ever would delay edges
        return {"notes": notes + raise_priority(), "shared": outputs.shared}

    async def do_rescue(self, message: Message) -> None:
        """Make safe what another line process and its standby were lost with."""
        outputs, self.buses = parts_of(self._file)
        outputs.tell = self._tell
        await outputs.rescue(message["owed"], patience_s=RESCUE_S)

    def _tell(self, done: FoundSetting | DrivenOutput) -> None:
        if isinstance(done, FoundSetting):
            self._standby.say({"found": done.output, "words": done.words})
        elif done.why == "restore":
            self._standby.say({"restored": done.output})
        self.say(pack_done(done))

    def _outputs(self) -> LocalOutputs:
        if self.outputs is None:
            raise DriverError("the outputs are not open")
        return self.outputs

    async def do_contact(self, message: Message) -> list[Any]:
        """Move a contact."""
        return pack_window(await self._outputs().contact(message["name"], closed=message["closed"]))

    async def do_train(self, message: Message) -> list[list[Any]]:
        """Play a train."""
        edges = unpack_edges(message["edges"])
        return pack_reports(await self._outputs().train(message["name"], edges, start_s=message["start_s"]))

    async def do_stop(self, message: Message) -> None:
        """Stop a train."""
        await self._outputs().stop(message["name"], from_s=message["from_s"])

    async def do_level(self, message: Message) -> list[Any]:
        """Set a level, or a setting of the unit: before it is written, the standby knows that it is to be put back."""
        if isinstance(self._file.outputs.get(message["name"]), RegisterOutput):
            self._standby.say({"owed": message["name"]})
        return pack_window(await self._outputs().level(message["name"], message["value"]))

    async def do_look(self, _: Message) -> None:
        """Look at the relays that others could move."""
        await self._outputs().look()

    async def do_play(self, _: Message) -> None:
        """Play the vents, until nobody waits for that any more."""
        await self._outputs().play(lambda evidence: self.say(pack_evidence(evidence)))

    async def do_condition(self, message: Message) -> list[Any]:
        """Set what has befallen a vent."""
        return pack_window(await self._outputs().condition(message["vent"], message["parts"]))

    async def do_starve(self, message: Message) -> Message:
        """Feed a board no longer for once."""
        return asdict(await self._outputs().starve(message["board"], message["contact"]))

    async def do_make_safe(self, message: Message) -> None:
        """Make safe and stay."""
        await self._outputs().make_safe(
            vents_play_on=message["vents_play_on"], patience_s=message["patience_s"]
        )

    async def do_close(self, _: Message) -> None:
        """Make safe and let go."""
        try:
            await self._outputs().close()
        finally:
            # Closed outputs are not driven again, not even to make them safe on the way out: another may own them.
            self.outputs = None
            self._standby.say({"left": 1})
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


async def _live(file: BenchFile, connection: socket.socket, standby: StandbyLine) -> None:
    loop = asyncio.get_running_loop()
    guarded = _Guarded(file, standby)
    loop.add_signal_handler(signal.SIGTERM, guarded.finish, "it was asked to end (SIGTERM)")
    # A callback that fails has no caller who would hear of it; half a line process is no guard, so it ends.
    loop.set_exception_handler(lambda _, context: guarded.finish(f"{context['message']} in it"))
    await loop.create_unix_connection(lambda: guarded, sock=connection)
    guarded.watch()
    guarded.beat()
    reason = "it failed"
    try:
        reason = await guarded.end
    finally:
        try:
            async with asyncio.timeout(_SAFE_WITHIN_S):
                await guarded.make_safe()
        except (BenchError, TimeoutError) as error:
            reason += f"; not every output could be made safe: {error}"
        guarded.say({"leaves": reason, "since_s": guarded.since_s})
        await asyncio.sleep(0)  # one turn, in which the socket takes the last word


def main() -> None:
    """Run until the harness is gone or has closed, beside a standby.

    The bench file comes on standard input; the arguments are the file descriptors of the sockets to the harness, this
    process's and the standby's.
    """
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # the harness's business; it closes in good order
    file = BenchFile.model_validate_json(sys.stdin.buffer.read())
    with suppress(ValueError, ImportError):  # told when the outputs are opened
        import_for(file)
    connection, of_standby = (socket.socket(fileno=int(number)) for number in sys.argv[1:3])
    ours, theirs = socket.socketpair()
    line_process = os.getpid()
    if os.fork() == 0:
        connection.close()
        ours.close()
        stand_by(file, of_standby, theirs, line_process)
    of_standby.close()
    theirs.close()
    with asyncio.Runner(loop_factory=wall_loop) as runner:
        runner.run(_live(file, connection, StandbyLine(ours)))
        os._exit(0)  # outputs are safe; a driver's thread that hangs must not keep the process


if __name__ == "__main__":
    main()
