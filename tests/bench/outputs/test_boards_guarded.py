"""Boards that go safe by themselves: whoever is killed, fed in time, tripped in a run, and left unfed on purpose."""

import asyncio
import os
import signal
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.errors import DriverError
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.mock.wires.board_watchdog import WatchedBoard
from ventproof_bench.mock.wires.modbus_server import Request, Responder, Trouble
from ventproof_bench.mock.wires.relay_boards import CoilBoard
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.outputs.boards import guards_of
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.outputs import LocalOutputs

BOARD: dict[str, Any] = {
    "bus": "io",
    "unit_id": 2,
    "goes_safe_after": "2 s",
    "set_at": {"table": "holding", "address": 40, "scale": 0.1},
    "tripped": {"table": "discrete", "address": 15},
    "cleared_by": {"table": "holding", "address": 41, "write": 1},
    "then": "off",
}
BY_WRITE: dict[str, Any] = {"fed_by": {"table": "holding", "address": 42, "write": 1}}
SAFE_VALUES: dict[str, Any] = {
    "then": "safe",
    "safe_at": {
        name: {"table": "holding", "address": 32, "bit": bit} for bit, name in enumerate(("rain", "lamp"))
    },
}
IN_PROCESS = {"link": "in-process", "timeout": "60 ms", "quiet_after_fault": "30 ms", "poll_every": "50 ms"}


def _file(bus: dict[str, Any], board: dict[str, Any], *, lamp_safe: str = "open") -> BenchFile:
    relay = {"operate": "1 ms", "release": "1 ms", "bounce": "0 ms"}
    return BenchFile.model_validate(
        {
            "bench": "boards",
            "buses": {"io": bus},
            "outputs": {
                "rain": {"driver": "coil", "wired": {"bus": "io", "unit_id": 2, "coil": 0}, **relay},
                "lamp": {
                    "driver": "coil",
                    "wired": {"bus": "io", "unit_id": 2, "coil": 1},
                    "safe": lamp_safe,
                    **relay,
                },
            },
            "signals": {
                "drive": {
                    "bus": "io",
                    "unit_id": 2,
                    "table": "coil",
                    "address": 0,
                    "type": "bit",
                    "unit": "flag",
                }
            },
            "boards": {"io": board},
        }
    )


class _Board:
    """A board with its watchdog, and when its contacts really moved."""

    def __init__(self, *, any_request: bool = True) -> None:
        self.edges: dict[str, list[tuple[float, bool]]] = {"rain": [], "lamp": []}
        coils = CoilBoard({0: self._moves("rain"), 1: self._moves("lamp")})
        self.bank = WatchedBoard(coils, coils=2, any_request=any_request)
        self.trouble: Trouble | None = None

    def _moves(self, name: str):
        return lambda closed: self.edges[name].append((now_s(), closed))

    def closed(self, name: str) -> bool:
        return bool(self.edges[name]) and self.edges[name][-1][1]

    def responder(self, framing: str) -> Responder:
        return Responder(framing, {2: self.bank}, reply_after_s=0.003, trouble=self._troubled)  # type: ignore[arg-type]

    def _troubled(self, _: Request) -> Trouble | None:
        return self.trouble


@asynccontextmanager
async def _opened(
    board: _Board, spec: dict[str, Any], **file: Any
) -> AsyncIterator[tuple[LocalOutputs, ModbusBus]]:
    bench = _file(IN_PROCESS, spec, **file)
    bus = ModbusBus("io", bench.buses["io"], peer=board.responder("tcp"))
    await bus.open()
    buses = {"io": bus}
    outputs = LocalOutputs(bench.outputs, buses=buses, specs=bench.buses, boards=guards_of(bench, buses))
    try:
        await outputs.open()
        yield outputs, bus
    finally:
        with suppress(DriverError):
            await outputs.close()
        await bus.close()


@pytest.mark.parametrize(
    ("spec", "any_request"), [(BOARD, True), (BOARD | BY_WRITE, False)], ids=["any-request", "by-write"]
)
def test_a_board_is_set_up_fed_and_let_go_of(spec, any_request):
    """The time stands in it after opening, five idle minutes trip nothing, closing ends the feed."""

    async def main():
        board = _Board(any_request=any_request)
        async with _opened(board, spec) as (outputs, bus):
            assert (await bus.read(ReadRequest(2, "holding", 40, 1))).words == (20,)
            assert outputs.shared
            await outputs.contact("rain", closed=True)
            await asyncio.sleep(300)
            await outputs.look()
            assert board.closed("rain")
        await asyncio.sleep(2.1)
        assert board.bank.tripped
        async with _opened(board, spec) as (outputs, _):  # the trip of the run before is cleared
            await outputs.contact("rain", closed=True)
            assert board.closed("rain")

    run(main(), virtual=True)


def test_safe_values_are_written_bit_by_bit():
    """An output that is safe while energised has its bit in the board's safe value, and the board goes there."""

    async def main():
        board = _Board()
        async with _opened(board, BOARD | SAFE_VALUES, lamp_safe="closed") as (outputs, bus):
            assert (await bus.read(ReadRequest(2, "holding", 32, 1))).words == (0b10,)
            await outputs.contact("rain", closed=True)
            async with bus.silence:
                await asyncio.sleep(2.1)
            assert board.bank.tripped
            assert not board.closed("rain")
            assert board.closed("lamp")

    run(main(), virtual=True)


def test_one_lost_reply_trips_nothing():
    """The board is asked again at once, and its time is not up by then."""

    async def main():
        board = _Board()
        async with _opened(board, BOARD) as (outputs, _):
            await outputs.contact("rain", closed=True)
            for _lost in range(20):
                board.trouble = Trouble(silent=True)
                await asyncio.sleep(0.08)
                board.trouble = None
                await asyncio.sleep(1.37)
            await outputs.look()
            assert board.closed("rain")

    run(main(), virtual=True)


def test_a_board_that_trips_in_a_run_fails_the_bench_and_is_made_safe_all_the_same():
    """A look raises with what to look at; making safe clears the trip, and the contact opens for good."""

    async def main():
        board = _Board()
        async with _opened(board, BOARD) as (outputs, bus):
            await outputs.contact("rain", closed=True)
            async with bus.silence:
                await asyncio.sleep(2.1)
            await asyncio.sleep(0.1)
            with pytest.raises(
                DriverError, match=r"^board io has gone safe by itself: rain, lamp may not be"
            ):
                await outputs.look()
            await outputs.make_safe()
            assert not board.bank.tripped
            assert not board.closed("rain")

    run(main(), virtual=True)


def test_a_board_that_cannot_be_fed_is_told_although_it_tells_nothing():
    """Without a `tripped`, a feed that failed for the whole time is enough to know."""

    async def main():
        board = _Board()
        spec = {key: value for key, value in BOARD.items() if key not in {"tripped", "cleared_by"}}
        async with _opened(board, spec) as (outputs, _):
            board.trouble = Trouble(silent=True)
            await asyncio.sleep(2.7)
            board.trouble = None
            with pytest.raises(
                DriverError, match=r"^board io could not be fed \(bus io: .*\) and has gone safe"
            ):
                await outputs.look()

    run(main(), virtual=True)


def test_a_board_that_does_not_keep_its_time_is_refused():
    """What was written does not read back: nothing is driven on such a board."""

    async def main():
        spec = BOARD | {"set_at": {"table": "holding", "address": 7}}
        board = _Board()
        with pytest.raises(DriverError, match=r"holding 7: write not confirmed"):
            async with _opened(board, spec):
                pass
        assert board.edges["rain"] == []

    run(main(), virtual=True)


@pytest.mark.parametrize(
    ("spec", "any_request"), [(BOARD, True), (BOARD | BY_WRITE, False)], ids=["any-request", "by-write"]
)
def test_left_unfed_a_board_shows_when_it_goes_safe(spec, any_request):
    """The span holds what the board really did, beside polls of others; afterwards it is fed and takes commands."""

    async def main():
        board = _Board(any_request=any_request)
        async with _opened(board, spec) as (outputs, bus):

            async def poll():
                while True:
                    await bus.read(ReadRequest(2, "coil", 0, 1))
                    await asyncio.sleep(0.05)

            polls = asyncio.ensure_future(poll())
            found = await outputs.starve("io", "rain")
            polls.cancel()
            assert found.within_s is not None
            assert found.after_s - 0.01 <= 2.0 <= found.within_s  # the board has a clock of its own
            assert found.within_s - found.after_s < 0.25
            assert found.told is True
            assert [closed for _, closed in board.edges["rain"]] == [True, False]
            await asyncio.sleep(5)
            await outputs.look()
            await outputs.contact("rain", closed=True)
            assert board.closed("rain")

    run(main(), virtual=True)


@pytest.mark.parametrize("fed_by", [{}, BY_WRITE], ids=["any-request", "by-write"])
def test_a_board_that_never_goes_safe_is_found(fed_by):
    """Its watchdog is off, whatever its register reads: the contact stays closed until the bench opens it."""

    async def main():
        board = _Board()
        board.bank._trip = lambda: None  # type: ignore[method-assign]
        async with _opened(board, BOARD | fed_by) as (outputs, _):
            found = await outputs.starve("io", "rain")
            assert (found.within_s, found.told) == (None, False)
            assert found.after_s >= 2.0
            assert [closed for _, closed in board.edges["rain"]] == [True, False]

    run(main(), virtual=True)


def test_making_safe_breaks_a_starving_off():
    """Whoever ends the self-check does not wait until the board has tripped."""

    async def main():
        board = _Board()
        async with _opened(board, BOARD) as (outputs, _):
            starving = asyncio.ensure_future(outputs.starve("io", "rain"))
            await asyncio.sleep(0.5)
            begun_s = now_s()
            await outputs.make_safe()
            assert now_s() - begun_s < 0.1
            assert not board.closed("rain")
            with pytest.raises(DriverError, match="broken off, outputs were made safe"):
                await starving

    run(main(), virtual=True)


HARNESS = """
import asyncio, sys
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.benchfile.model import BenchFile

async def main():
    outputs = LineOutputs(BenchFile.model_validate_json(sys.argv[1]))
    await outputs.open()
    await outputs.contact("rain", closed=True)
    print(outputs._line._process.pid, flush=True)
    await asyncio.sleep(60)

asyncio.run(main())
"""


@pytest.mark.wire
@pytest.mark.parametrize("link", ["rtu", "tcp"])
def test_contacts_open_in_time_although_all_processes_are_killed(link):
    """Harness and line process die at once; the board opens the contact within its own time."""

    async def main():
        board = _Board()
        served = (
            serve_pty(board.responder("rtu")) if link == "rtu" else serve_tcp(lambda: board.responder("tcp"))
        )
        async with served as at:
            where = {"port": at, "parity": "none"} if link == "rtu" else {"host": "127.0.0.1", "tcp_port": at}
            bus = {
                "link": link,
                **where,
                "timeout": "200 ms",
                "quiet_after_fault": "30 ms",
                "poll_every": "50 ms",
            }
            file = _file(bus, BOARD | {"goes_safe_after": "1 s"}).model_dump_json(exclude_unset=True)
            harness = subprocess.Popen(  # noqa: ASYNC220 - a few ms
                [sys.executable, "-c", HARNESS, file], stdout=subprocess.PIPE, cwd=Path(__file__).parents[3]
            )
            try:
                assert harness.stdout is not None
                said = await asyncio.get_running_loop().run_in_executor(None, harness.stdout.readline)
                line = int(said)
                await asyncio.sleep(1.5)
                assert board.closed("rain")
                killed_s = now_s()
                os.kill(line, signal.SIGKILL)
                harness.kill()
                await asyncio.sleep(1.2)
                assert not board.closed("rain")
                opened_s, _ = board.edges["rain"][-1]
                assert opened_s - killed_s <= 1.0
            finally:
                harness.kill()
                harness.wait()
                harness.stdout.close()

    run(main(), virtual=False)


@pytest.mark.wire
def test_the_line_process_feeds_and_starves():
    """In the line process all is as in this one: fed through a pause, starved on demand, told as it was measured."""

    async def main():
        board = _Board()
        async with serve_pty(board.responder("rtu")) as port:
            bus = {
                "link": "rtu",
                "port": port,
                "parity": "none",
                "timeout": "60 ms",
                "quiet_after_fault": "30 ms",
            }
            outputs = LineOutputs(_file(bus, BOARD))
            await outputs.open()
            try:
                await outputs.contact("rain", closed=True)
                await asyncio.sleep(2.5)
                await outputs.look()
                assert board.closed("rain")
                found = await outputs.starve("io", "rain")
                assert found.within_s is not None
                assert found.after_s - 0.01 <= 2.0 <= found.within_s  # the board has a clock of its own
                await outputs.look()
            finally:
                await outputs.close()

    run(main(), virtual=False)
