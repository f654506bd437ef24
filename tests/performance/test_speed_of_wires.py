"""How much of what a wire carries the bench reads, as shares within one run; `make benchmark` prints them."""

from __future__ import annotations

import os
import sys
import time
from contextlib import contextmanager
from subprocess import PIPE, Popen

import pytest
from pymodbus.client import AsyncModbusTcpClient

from ventproof_bench.base.clock import run
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import SerialBus, TcpBus
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.modbus.traffic import silent_interval_s

pytestmark = pytest.mark.performance

REGISTERS = 8
REQUEST = ReadRequest(1, "input", 0, REGISTERS)
REQUEST_BYTES, REPLY_BYTES = 8, 5 + 2 * REGISTERS

UNIT_ON_TCP = f"""
import socket

listener = socket.create_server(("127.0.0.1", 0))
print(listener.getsockname()[1], flush=True)
while True:
    line, _ = listener.accept()
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    while asked := line.recv(12):
        line.sendall(asked[:4] + bytes([0, {3 + 2 * REGISTERS}, 1, 4, {2 * REGISTERS}]) + bytes({2 * REGISTERS}))
"""
# A byte takes its time both ways, and the unit answers after a silence.
UNIT_ON_LINE = f"""
import os, sys, time, tty
from ventproof_bench.mock.wires.modbus_server import crc16
baud, silence_s = int(sys.argv[1]), float(sys.argv[2])
master, slave = os.openpty()
tty.setraw(slave)
print(os.ttyname(slave), flush=True)
body = bytes([1, 4, {2 * REGISTERS}]) + bytes({2 * REGISTERS})
while len(os.read(master, 256)) == {REQUEST_BYTES}:
    due_s = time.monotonic() + {REQUEST_BYTES + REPLY_BYTES} * 11 / baud + silence_s
    time.sleep(max(0.0, due_s - time.monotonic() - 0.002))
    while time.monotonic() < due_s:
        pass
    os.write(master, body + crc16(body))
"""


@contextmanager
def unit(code, *arguments):
    """Run a unit in a process of its own; give what it prints first: where it is."""
    with Popen([sys.executable, "-c", code, *map(str, arguments)], stdout=PIPE, text=True) as process:
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


async def rate(read, count):
    """Return how often a second something is read."""
    began_s = time.monotonic()
    for _ in range(count):
        await read()
    return count / (time.monotonic() - began_s)


@contextmanager
def undisturbed():
    """Let nothing that can wait disturb what is measured, where the system allows that."""
    usual = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    except PermissionError:
        yield
        return
    try:
        yield
    finally:
        os.sched_setscheduler(0, *usual)


def shares_on_tcp(rounds, count):
    """Return the bench's reads over TCP as shares of a bare client's, of the same unit."""

    async def main(port):
        bus = ModbusBus("unit", TcpBus.model_validate({"link": "tcp", "host": "127.0.0.1", "tcp_port": port}))
        client = AsyncModbusTcpClient("127.0.0.1", port=port)
        found = []
        for _ in range(rounds):
            await bus.open()
            ours = await rate(lambda: bus.read(REQUEST), count)
            await bus.close()
            await client.connect()
            theirs = await rate(lambda: client.read_input_registers(0, count=REGISTERS, device_id=1), count)
            client.close()
            found.append(ours / theirs)
        return found

    with undisturbed(), unit(UNIT_ON_TCP) as port:
        return run(main(int(port)), virtual=False)


def shares_on_line(rounds, count, baud):
    """Return the bench's reads over a serial line as shares of what the bytes and silences leave room for."""
    silence_s = silent_interval_s(baud)
    limit = 1 / ((REQUEST_BYTES + REPLY_BYTES) * 11 / baud + 2 * silence_s)

    async def main(port):
        spec = SerialBus.model_validate({"link": "rtu", "port": port, "baud": baud})
        bus = ModbusBus("unit", spec)
        await bus.open()
        found = [await rate(lambda: bus.read(REQUEST), count) / limit for _ in range(rounds)]
        await bus.close()
        return found

    with undisturbed(), unit(UNIT_ON_LINE, baud, silence_s) as port:
        return run(main(port), virtual=False)


def test_tcp_is_read_nearly_as_often_as_by_a_bare_client(figure):
    """At least 95 % of the reads a second of a bare client that reads the same registers."""
    figure("reads over TCP, share of a bare client's", shares_on_tcp(5, 1000), better="more", limit=0.95)


@pytest.mark.parametrize("baud", [9600, 19200, 115200])
def test_a_serial_line_is_read_nearly_as_often_as_it_allows(baud, figure):
    """At least 95 % of the reads a second that its bytes and silences leave room for."""
    figure(
        *(f"reads at {baud} Bd, share of the line's limit", shares_on_line(7, 60, baud)),
        better="more",
        limit=0.95,
        bound_by="waking the two processes, and some turns of the loop",
    )
