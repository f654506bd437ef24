"""The bus on real pseudo-terminals and sockets, in real time: opening, losing, late replies, echo."""

import asyncio
import os
import socket
from contextlib import asynccontextmanager, suppress

import pytest
from plain_unit import PlainBank, trouble_at

from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import BusFault, LinkError
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import RtuOverTcpBus, SerialBus, TcpBus
from ventproof_bench.mock.wires.modbus_server import Responder, Trouble
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp
from ventproof_bench.modbus.bus import ModbusBus

pytestmark = pytest.mark.wire

TIMES = {"timeout": "0.1 s", "quiet_after_fault": "0.25 s"}


def unit(framing, **trouble):
    """Return a unit whose register N holds N."""
    return Responder(framing, {1: PlainBank({"holding": list(range(100)), "coil": [0] * 8})}, **trouble)


def serial(port, **fields):
    """Return a serial bus on a port."""
    return SerialBus.model_validate({"link": "rtu", "port": port, **TIMES, **fields})


@asynccontextmanager
async def opened(spec):
    """Open a bus; close it in the end."""
    bus = ModbusBus("line", spec)
    await bus.open()
    try:
        yield bus
    finally:
        await bus.close()


async def asked(bus, address):
    """Return the words that came, or the kind of the fault."""
    try:
        return (await bus.read(ReadRequest(1, "holding", address, 1))).words
    except BusFault as fault:
        return fault.kind


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_late_reply_on_a_terminal_answers_nothing(framing):
    """On a real port too, a late reply never passes for the next one's."""

    async def main():
        slave = unit(framing, reply_after_s=0.005, trouble=trouble_at({0: Trouble(late_s=0.15)}))
        async with serve_pty(slave) as port, opened(serial(port, link=framing)) as bus:
            return [await asked(bus, address) for address in (10, 20, 30)]

    assert run(main(), virtual=False) == ["timeout", (20,), (30,)]


def test_reply_to_a_closed_bus_answers_nobody_else():
    """A bus that is closed in the midst of a read leaves no reply for whoever opens the port next."""

    async def main():
        async with serve_pty(unit("rtu", reply_after_s=0.05)) as port:
            async with opened(serial(port)) as first:
                given_up = asyncio.create_task(asked(first, 10))
                await asyncio.sleep(0.01)
                given_up.cancel()
            async with opened(serial(port)) as second:
                return await asked(second, 20)

    assert run(main(), virtual=False) == (20,)


@pytest.mark.parametrize("parity", ["even", "odd", "none"])
def test_terminal_opens_at_any_parity_and_says_what_it_leaves_out(parity):
    """A pseudo-terminal has no parity: the bus opens without it and notes that it was not exercised."""

    async def main():
        async with serve_pty(unit("rtu")) as port, opened(serial(port, parity=parity)) as bus:
            return await asked(bus, 7), bus.notes, port

    words, notes, port = run(main(), virtual=False)
    assert words == (7,)
    assert notes == (f"bus line: line parity not exercised: {port} is a pseudo-terminal",)


def test_declared_echo_is_stripped():
    """With `local_echo` the bus takes its own bytes off the line, and reads and writes as without."""

    async def main():
        slave = unit("rtu", local_echo=True, reply_after_s=0.005)
        async with serve_pty(slave) as port, opened(serial(port, local_echo=True)) as bus:
            await bus.write(1, "coil", 3, [1])
            coils = await bus.read(ReadRequest(1, "coil", 0, 8))
            return coils.words, await asked(bus, 9)

    assert run(main(), virtual=False) == ((0, 0, 0, 1, 0, 0, 0, 0), (9,))


def test_declared_echo_without_a_unit_is_no_acknowledgement():
    """An adapter that echoes, with nothing on the line, does not acknowledge a write."""

    async def main():
        slave = unit("rtu", local_echo=True, trouble=lambda _: Trouble(silent=True))
        async with serve_pty(slave) as port, opened(serial(port, local_echo=True)) as bus:
            with pytest.raises(BusFault, match=r"^bus line: no reply within 0\.1 s$"):
                await bus.write(1, "coil", 3, [1])

    run(main(), virtual=False)


def test_port_is_not_shared():
    """A second bus on the same port is refused rather than given half of the bytes."""

    async def main():
        async with serve_pty(unit("rtu")) as port, opened(serial(port)) as bus:
            with pytest.raises(
                LinkError, match=r"^bus line: port /dev/pts/\d+ cannot be opened: .*another program holds it$"
            ):
                await ModbusBus("line", serial(port)).open()
            return await asked(bus, 5)

    assert run(main(), virtual=False) == (5,)


def test_unplugged_port_is_reported_at_once_and_can_be_opened_again(tmp_path):
    """Unplugging ends the next read as disconnected; plugged in again, the bus opens and reads."""
    name = tmp_path / "port"

    async def main():
        bus = ModbusBus("line", serial(str(name)))
        async with serve_pty(unit("rtu"), link=name):
            await bus.open()
            before = await asked(bus, 5)
        await asyncio.sleep(0.02)
        unplugged = await asked(bus, 6)
        with pytest.raises(
            LinkError,
            match=r"^bus line: port .* cannot be opened: .*there is no such port; is the adapter plugged in\?$",
        ):
            await bus.open()
        async with serve_pty(unit("rtu"), link=name):
            await bus.open()
            after = await asked(bus, 7)
            await bus.close()
        return before, unplugged, after

    assert run(main(), virtual=False) == ((5,), "disconnected", (7,))


@pytest.mark.parametrize(
    ("port", "message"),
    [
        (
            "/dev/no-such-port",
            "port /dev/no-such-port cannot be opened: .*there is no such port; is the adapter plugged in\\?",
        ),
        (
            "rfc2217://x:1",
            r"port rfc2217://x:1 cannot be opened: this kind of port cannot be waited for; use .*",
        ),
        ("/dev/null", r"port /dev/null cannot be opened: .*"),
    ],
)
def test_port_that_cannot_be_opened_says_why(port, message):
    """Every way not to open a port is a LinkError with a reason."""

    async def main():
        with pytest.raises(LinkError, match=rf"^bus line: {message}$"):
            await ModbusBus("line", serial(port)).open()

    run(main(), virtual=False)


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_socket_carries_both_kinds_of_frames(framing):
    """Modbus TCP and RTU over TCP read and write over a socket, and a late reply answers nothing."""

    async def main():
        slave = lambda: unit(framing, trouble=trouble_at({1: Trouble(late_s=0.15)}))  # noqa: E731 - a factory
        async with serve_tcp(slave) as port:
            link = {"tcp": TcpBus, "rtu": RtuOverTcpBus}[framing]
            name = "tcp" if framing == "tcp" else "rtu-over-tcp"
            spec = link.model_validate({"link": name, "host": "127.0.0.1", "tcp_port": port, **TIMES})
            async with opened(spec) as bus:
                await bus.write(1, "holding", 50, [7])
                return [await asked(bus, address) for address in (10, 50, 30)]

    assert run(main(), virtual=False) == ["timeout", (7,), (30,)]


def test_refused_and_dropped_connections_are_told_apart():
    """Nobody listening is a LinkError; a connection that is dropped is a fault, and opening mends it."""

    async def main():
        with socket.socket() as taken:
            taken.bind(("127.0.0.1", 0))
            port = taken.getsockname()[1]
            spec = TcpBus.model_validate({"link": "tcp", "host": "127.0.0.1", "tcp_port": port, **TIMES})
            with pytest.raises(
                LinkError,
                match=r"^bus line: 127\.0\.0\.1 port \d+ cannot be opened: .*nothing listens there",
            ):
                await ModbusBus("line", spec).open()
        cut_once = iter([trouble_at({0: Trouble(cut=True)}), None])
        async with serve_tcp(lambda: unit("tcp", trouble=next(cut_once))) as port:
            spec = TcpBus.model_validate({"link": "tcp", "host": "127.0.0.1", "tcp_port": port, **TIMES})
            async with opened(spec) as bus:
                first = await asked(bus, 1)
                await bus.open()
                return first, await asked(bus, 2)

    assert run(main(), virtual=False) == ("disconnected", (2,))


def test_full_port_does_not_hang_the_bus():
    """Nobody reads at the far end until the port is full: every request still ends at its time-out."""

    async def main():
        master, slave = os.openpty()
        try:
            async with opened(serial(os.ttyname(slave), timeout="1 ms", quiet_after_fault="1 ms")) as bus:
                return {await asked(bus, 1) for _ in range(700)}
        finally:
            for fd in (master, slave):
                with suppress(OSError):
                    os.close(fd)

    assert run(main(), virtual=False) == {"timeout"}
