"""Runs over bad wires in real time: what `wire_campaign` claims, of `ventproof run` on sockets and pseudo-terminals.

`python tests/performance/wire_real.py 2000` starts runs, several beside each other, until that many faults were done
to them; a second number is the seed, a third the only run to play. The wires are cut here: connections are reset,
the listener or the terminal goes away and comes back.
"""

from __future__ import annotations

import asyncio
import itertools
import random
import re
import signal
import socket
import struct
import sys
import tempfile
from collections.abc import AsyncIterator, Iterator
from concurrent.futures import Executor
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Final, cast

from kill_campaign import Started, Starter, hit
from wire_campaign import AS_BEFORE, OWN, Became, Left, Tally, Trial, Truth, judged
from wire_faults import BadWire, Replies

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.verdict.finding import EXIT_INPUT, Verdict, code_of
from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.processes import worker_processes
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.unit import build
from ventproof_bench.mock.wires.modbus_server import Deframer, Responder, encode
from ventproof_bench.mock.wires.relay_boards import FramesBoard
from ventproof_bench.mock.wires.stand import serve_pty

DETECTED: Final = (
    "ignores_rain",
    "gives_up",
    "swapped_positions",
    "misses_side_vent",
    "flag_stuck",
    "flag_inverted",
    "flag_drops_out",
)
"""Faults of the unit with which it fails over a good wire."""

_TEMPLATE: Final = SHIPPED_BENCH.with_name("mock-rtu.yaml")
_LEFT_OUT: Final = (("# A guard", "outputs:"), ("  rain_lines:", "  house_temperature:"))
"""Parts of it, from and to: the board's own watchdog, since nothing but the bench is to make it safe, and what has no
board here."""

_AFTER: Final = (0, 250, 650, 650, 650)
"""Requests before the first fault: most runs first come to the step that faults hardly end."""

_BESIDE: Final = 8
_ENDS_WITHIN_S: Final = 400.0
_GONE_WITHIN_S: Final = 30.0


class Line:
    """Carries a bad wire: gives it one request at a time, in whatever pieces they come, and is cut when it says so."""

    def __init__(self, trial: Trial, wire: BadWire) -> None:
        self._framing, self._wire = trial.framing, wire
        self._chance = random.Random(trial.seed)
        self._deframer = Deframer(trial.framing)
        self._cut = asyncio.Event()
        self._open: set[asyncio.Transport] = set()
        wire.hang_up = lambda _: self._cut.set()

    def exchange(self, data: bytes, now_s: float) -> Replies:
        """Take bytes; give what comes back for the requests that they complete."""
        frames = self._deframer.feed(data, now_s)
        return [reply for one in frames for reply in self._wire.exchange(encode(self._framing, one), now_s)]

    async def carry(self, place: Path | int) -> None:
        """Carry for ever: on a terminal with this name, or on this port."""
        while True:
            async with serve_pty(self, link=place) if isinstance(place, Path) else self._listening(place):
                await self._cut.wait()
            self._cut.clear()
            self._deframer = Deframer(self._framing)
            await asyncio.sleep(max(0.0, self._wire.dead_until_s - now_s()))

    @asynccontextmanager
    async def _listening(self, port: int) -> AsyncIterator[None]:
        loop = asyncio.get_running_loop()
        server = await loop.create_server(lambda: _Connection(self, self._open), "127.0.0.1", port)
        try:
            yield
        finally:
            server.close()
            for transport in tuple(self._open):
                if self._chance.random() < 0.5:  # a reset in the place of an end
                    sock = transport.get_extra_info("socket")
                    sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                transport.abort()


class _Connection(asyncio.Protocol):
    """One TCP connection to a line."""

    def __init__(self, line: Line, open_ones: set[asyncio.Transport]) -> None:
        self._line = line
        self._open_ones = open_ones

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        self._open_ones.add(self._transport)

    def data_received(self, data: bytes) -> None:
        for delay_s, reply in self._line.exchange(data, now_s()):
            if delay_s > 0:
                asyncio.get_running_loop().call_later(delay_s, self._send, reply)
            else:
                self._send(reply)

    def _send(self, reply: bytes) -> None:
        if self._transport in self._open_ones:
            self._transport.write(reply)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - asyncio's signature
        self._open_ones.discard(self._transport)


def drawn(seed: int, number: int) -> Trial:
    """Draw a run; the same each time."""
    chance = random.Random(f"real {seed} {number}")
    fault = chance.choice(DETECTED) if chance.random() < 0.5 else ""
    of_it = Trial.drawn(seed, number)
    every, after = 4 * 5 ** chance.random(), chance.choice(_AFTER)
    return replace(of_it, profile="short rain", fault=fault, every=every, after=after)


def bench_text(trial: Trial, place: Path | int, frames: Path) -> str:
    """Return a bench file for a trial: the unit and its coil board at a place, the frames board at another."""
    link = (
        f"link: tcp\n    host: 127.0.0.1\n    tcp_port: {place}"
        if isinstance(place, int)
        else f"link: {trial.framing}\n    port: {place}\n    baud: 115200\n    parity: none"
    )
    times = f"timeout: {trial.times.timeout_s} s\n    quiet_after_fault: {trial.times.quiet_s} s"
    text = _TEMPLATE.read_text(encoding="utf-8")
    for begin, end in _LEFT_OUT:
        text = text[: text.index(begin)] + text[text.index(end) :]
    text = re.sub(r"link: rtu\n.*?timeout: 300 ms", f"{link}\n    {times}", text, flags=re.DOTALL)
    return text.replace("/tmp/ventproof/frames", str(frames))


class Lane:
    """Runs one after the other.

    Args:
        folder: for what each writes.
        judges: processes that look at logs, while the wires of other runs go on here.
    """

    def __init__(self, folder: Path, judges: Executor) -> None:
        self._folder = folder
        self._judges = judges
        self._starter = Starter()

    async def close(self) -> None:
        """End what starts the runs."""
        await self._starter.close()

    async def tried(self, trial: Trial) -> Became:
        """Run it over a bad wire, and say what is wrong."""
        folder = self._folder / f"run-{trial.number}"
        folder.mkdir(parents=True)
        truth = Truth()
        settings = with_faults(load_bench(SHIPPED_BENCH), [trial.fault] if trial.fault else []).model.mock
        assert settings is not None, "the shipped bench has a mock"
        unit = build(settings, start_s=now_s(), seed=0)
        right = Responder(trial.framing, truth.wired(unit), reply_after_s=0.004, jitter_s=0.002)
        chance = random.Random(trial.seed)
        wire = truth.wire = BadWire(
            trial.framing, right, trial.times, chance, trial.every, trial.after, trial.kinds
        )
        frames = FramesBoard({1: lambda closed: unit.set_contact("rain", now_s(), closed=closed)})
        place = _free_port() if trial.framing == "tcp" else folder / "unit"
        carrying = asyncio.create_task(Line(trial, wire).carry(place))
        try:
            async with serve_pty(frames, link=folder / "frames"):
                bench = bench_text(trial, place, folder / "frames")
                (folder / "bench.yaml").write_text(bench, encoding="utf-8")
                (folder / "rain.yaml").write_text(OWN[trial.profile], encoding="utf-8")
                code = await self._ran(trial, folder)
        finally:
            carrying.cancel()
            with suppress(asyncio.CancelledError):
                await carrying
        return await self._judged(trial, folder, truth, code)

    async def _ran(self, trial: Trial, folder: Path) -> int | None:
        """Return its exit code; None if it does not end."""
        files = [folder / "rain.yaml", "--bench", folder / "bench.yaml", "--out", folder / "out"]
        rain = "rain" if trial.on_board else "rain_frames"
        words = ["run", *files, "--confirm-clear", "--quiet", "--history", "none", "--map", f"rain={rain}"]
        process = await self._starter.start([*map(str, words)], folder / "said.txt")
        try:
            await _end_of(process, _ENDS_WITHIN_S)
            return process.returncode
        finally:
            if process.returncode is None:
                hit(process.pid, signal.SIGINT)
                await _end_of(process, _GONE_WITHIN_S)
                hit(process.pid, signal.SIGKILL)
                await process.wait()

    async def _judged(self, trial: Trial, folder: Path, truth: Truth, code: int | None) -> Became:
        assert truth.wire is not None
        said = (folder / "said.txt").read_text(encoding="utf-8", errors="replace").strip()
        logs = sorted((folder / "out").glob("*.jsonl"))
        if not logs:
            return Became("not begun", truth.wire.done, [*_of_refused(truth.left(), code, said)])
        loop = asyncio.get_running_loop()
        verdict, wrong = await loop.run_in_executor(self._judges, judged, trial, logs[-1], truth.left())
        return Became(verdict, truth.wire.done, [*wrong, *_of_process(verdict, code, said)])


async def _end_of(process: Started, within_s: float) -> None:
    await asyncio.wait([asyncio.ensure_future(process.wait())], timeout=within_s)


def _of_refused(left: Left, code: int | None, said: str) -> Iterator[str]:
    """A bench that does not answer before anything is driven makes no log."""
    if code != EXIT_INPUT or not re.search(r"bench\.yaml:\d+:\d+: .*\bbus unit\b", said) or left != AS_BEFORE:
        yield f"no log, exit code {code}, {left}: {said[-300:]}"


def _of_process(verdict: str, code: int | None, said: str) -> Iterator[str]:
    right = code_of([Verdict(verdict) if verdict in set(Verdict) else None])
    if code is None:
        yield f"does not end: {said[-300:]}"
    elif code != right:
        yield f"exit code {code}, and its log says {verdict}: {said[-300:]}"
    if "Traceback" in said:
        yield f"a traceback: {said[-1000:]}"


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
        return port


async def campaign(tally: Tally, trials: Iterator[Trial], faults: int, folder: Path) -> None:
    """Play runs until so many faults were done, or there is no trial left."""
    with worker_processes(1, method="spawn", begin=bool) as judges:
        async with AsyncExitStack() as stack, asyncio.TaskGroup() as lanes:

            async def go_on() -> None:
                lane = Lane(folder, judges)
                stack.push_async_callback(lane.close)
                while tally.done.total() < faults and (trial := next(trials, None)) is not None:
                    tally.add(trial, await lane.tried(trial))
                    print(tally.line(), flush=True)

            for _ in range(_BESIDE):
                lanes.create_task(go_on())


def main(faults: int = 2_000, seed: int = 0, only: int | None = None) -> int:
    """Play and print, stopped with Ctrl-C too; returns 1 if anything was wrong."""
    tally = Tally()
    trials = (drawn(seed, number) for number in (itertools.count() if only is None else [only]))
    with tempfile.TemporaryDirectory() as name, suppress(KeyboardInterrupt):
        run(campaign(tally, trials, faults, Path(name)), virtual=False)
    print(tally.table())
    return 1 if tally.wrong else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
