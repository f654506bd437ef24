"""Relays on a network, which another computer can move: the bench notices, and its own commands are no alarm."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.edges import pulse_plan
from ventproof_bench.base.errors import DriverError
from ventproof_bench.benchfile.model import BenchFile, ContactOutput, TcpBus
from ventproof_bench.drivers.serial_ports import Ports
from ventproof_bench.mock.wires.modbus_server import Responder, Trouble
from ventproof_bench.mock.wires.relay_boards import CoilBoard
from ventproof_bench.mock.wires.scpi_instruments import ScpiBoard
from ventproof_bench.mock.wires.stand import serve_tcp
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.relays.scpi import ScpiContact, ScpiOptions

pytestmark = pytest.mark.wire

Somebody = Callable[[bool], Awaitable[Any]]
"""A second client of the same board: energises the relay, or releases it."""

RELAY = {"operate": "1 ms", "release": "1 ms", "bounce": "0 s"}


def _spec(port: int) -> TcpBus:
    return TcpBus(link="tcp", host="127.0.0.1", tcp_port=port, timeout="100 ms")


@asynccontextmanager
async def _coil() -> AsyncIterator[tuple[LocalOutputs, Somebody, list[Trouble]]]:
    board, trouble = CoilBoard({0: lambda _: None}), list[Trouble]()

    def connected() -> Responder:
        return Responder("tcp", {1: board}, trouble=lambda _: trouble.pop() if trouble else None)

    async with serve_tcp(connected) as port:
        bus, other = ModbusBus("relays", _spec(port)), ModbusBus("theirs", _spec(port))
        await bus.open()
        await other.open()
        rain = ContactOutput(driver="coil", wired={"bus": "relays", "coil": 0}, **RELAY)
        outputs = LocalOutputs({"rain": rain}, buses={"relays": bus}, specs={"relays": _spec(port)})
        await outputs.open()
        yield outputs, lambda on: other.write(1, "coil", 0, [int(on)]), trouble
        await other.close()
        await outputs.close()
        await bus.close()


@asynccontextmanager
async def _scpi() -> AsyncIterator[tuple[LocalOutputs, Somebody, list[Trouble]]]:
    board = ScpiBoard({101: lambda _: None})
    async with serve_tcp(lambda: board) as port:
        url = f"socket://127.0.0.1:{port}"
        other = ScpiContact("theirs", ScpiOptions(port=url, channel=101), Ports().port(url, 9600))
        await other.open()
        outputs = LocalOutputs(
            {"rain": ContactOutput(driver="scpi", wired={"port": url, "channel": 101}, **RELAY)},
            buses={},
            specs={},
        )
        await outputs.open()
        yield outputs, other.energise, []
        await other.close()
        await outputs.close()


@pytest.mark.parametrize("stand", [_coil, _scpi])
@pytest.mark.parametrize("left", [True, False])
def test_a_relay_that_somebody_else_moved_is_noticed(stand, left):
    """A second client on a socket of its own moves the relay that was left alone."""

    async def main() -> None:
        async with stand() as (outputs, somebody, _):
            assert outputs.shared
            await outputs.contact("rain", closed=left)
            await outputs.look()
            await somebody(not left)
            with pytest.raises(
                DriverError, match=r"output rain: its relay was left .* somebody else moves it"
            ):
                await outputs.look()
            await somebody(left)
            await outputs.look()

    run(main(), virtual=False)


def test_the_benchs_own_commands_are_no_alarm():
    """Looks between and during the edges of a train see what the train left, or leave it in peace."""

    async def main() -> None:
        async with _coil() as (outputs, *_):
            plan = pulse_plan(4, closed_for_s=0.06, open_for_s=0.06)
            train = asyncio.ensure_future(outputs.train("rain", plan, start_s=now_s() + 0.01))
            while not train.done():
                await outputs.look()
                await asyncio.sleep(0.002)
            assert all(report.window for report in await train)

    run(main(), virtual=False)


def test_a_relay_that_cannot_be_looked_at_is_an_error_in_the_end():
    """A look that fails now and then says nothing; three in a row leave nobody knowing what the relay does."""

    async def main() -> None:
        async with _coil() as (outputs, _, trouble):
            for failures in (2, 2, 3):
                trouble.extend([Trouble(exception=4)] * failures)
                for _ in range(2):
                    await outputs.look()
                if failures == 3:
                    with pytest.raises(DriverError, match="cannot be read back"):
                        await outputs.look()
                else:
                    await outputs.look()

    run(main(), virtual=False)


def test_the_line_process_looks_too():
    """What it sees comes back to the harness as the driver's own error."""

    async def main() -> None:
        board = CoilBoard({0: lambda _: None})
        async with serve_tcp(lambda: Responder("tcp", {1: board})) as port:
            other = ModbusBus("theirs", _spec(port))
            await other.open()
            file = {
                "bench": "shared",
                "buses": {"relays": {"link": "tcp", "host": "127.0.0.1", "tcp_port": port}},
                "outputs": {"rain": {"driver": "coil", "wired": {"bus": "relays", "coil": 0}, **RELAY}},
                "signals": {"door": {"bus": "relays", "table": "coil", "address": 0, "unit": "flag"}},
            }
            outputs = LineOutputs(BenchFile.model_validate(file))
            await outputs.open()
            assert outputs.shared
            await outputs.look()
            await other.write(1, "coil", 0, [1])
            with pytest.raises(DriverError, match="somebody else moves it"):
                await outputs.look()
            await outputs.close()
            await other.close()

    run(main(), virtual=False)
