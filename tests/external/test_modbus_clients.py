"""Modbus clients that others wrote read and write the mock unit and agree with us.

uModbus 1.0.4 (TCP and RTU), MinimalModbus 2.1.1 (RTU and ASCII) and pymodbus 3.16 (TCP, RTU, ASCII) have
nothing in common with the mock's own frames and PDUs.
"""

import asyncio
import socket
import struct
from contextlib import asynccontextmanager

import pytest
import serial

from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp

pytestmark = pytest.mark.wire

SETTINGS = {
    "vents": {
        "roof": {"full_travel": "30 s", "stages": ["30 %"]},
        "side": {"full_travel": "40 s", "stages": ["40 %"]},
    },
    "house": {"temperature": "18 °C", "stage_at": ["22 °C"], "hysteresis": "1 °C"},
    "rain": {"positions": {"roof": "8 %"}},
    "refresh_every": "0 s",
}


@asynccontextmanager
async def unit_on(framing):
    """Serve a unit that has been raining on for half a minute; yields its TCP port or its serial port."""
    now_s = asyncio.get_running_loop().time()
    unit = build(MockSettings.model_validate(SETTINGS), now_s - 30, 0)
    unit.set_contact("rain", now_s - 30, closed=True)
    unit.advance(now_s)

    def responder():
        return Responder(framing, {1: unit})

    wires = serve_tcp(responder) if framing == "tcp" else serve_pty(responder())
    async with wires as address:
        yield address


def served(framing, client):
    """Run a blocking client in a thread against the unit; returns what the client returns."""

    async def main():
        async with unit_on(framing) as address:
            return await asyncio.to_thread(client, address)

    return asyncio.run(main())


# What every client must see: positions 0, 18 °C as f32, one closure counted, override and contact set, stage
# 0; the status bits one by one; then -5.5 °C written to holding 0 and the delays of 2 s and 30 s.
INPUTS = [0, 0, *struct.unpack(">HH", struct.pack(">f", 18.0)), 0, 1, 0b00011, 0]
STATUS = [1, 1, 0, 0, 0]
HOLDING = [0x10000 - 55, 20, 300]


def test_umodbus_over_tcp():
    """UModbus reads the map, writes a register and is told of an illegal address, over TCP."""
    pytest.importorskip("umodbus")
    from umodbus.client import tcp  # noqa: PLC0415 - after the check that it is installed
    from umodbus.exceptions import IllegalDataAddressError  # noqa: PLC0415 - as above

    def client(port):
        with socket.create_connection(("127.0.0.1", port), 5) as line:
            ask = [
                tcp.read_input_registers(1, 0, 8),
                tcp.read_discrete_inputs(1, 0, 5),
                tcp.write_multiple_registers(1, 0, HOLDING[:1]),
                tcp.read_holding_registers(1, 0, 3),
            ]
            seen = [tcp.send_message(adu, line) for adu in ask]
            with pytest.raises(IllegalDataAddressError, match=r"."):
                tcp.send_message(tcp.read_input_registers(1, 8, 1), line)
            return seen

    assert served("tcp", client) == [INPUTS, STATUS, 1, HOLDING]


def test_umodbus_over_rtu():
    """UModbus reads the map and writes a register on a serial line."""
    pytest.importorskip("umodbus")
    from umodbus.client.serial import rtu  # noqa: PLC0415 - after the check that it is installed

    def client(path):
        with serial.Serial(path, timeout=5) as line:
            ask = [
                rtu.read_input_registers(1, 0, 8),
                rtu.read_discrete_inputs(1, 0, 5),
                rtu.write_single_register(1, 0, HOLDING[0]),
                rtu.read_holding_registers(1, 0, 3),
            ]
            return [rtu.send_message(adu, line) for adu in ask]

    assert served("rtu", client) == [INPUTS, STATUS, HOLDING[0], HOLDING]


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_minimalmodbus_on_a_serial_line(framing):
    """MinimalModbus reads words, bits, f32 and u32, writes, and is told of an illegal address."""
    minimalmodbus = pytest.importorskip("minimalmodbus")

    def client(path):
        unit = minimalmodbus.Instrument(path, 1, mode=framing, close_port_after_each_call=True)
        unit.serial.baudrate = 115200
        unit.serial.timeout = (
            0.5  # it waits this long behind an exception reply, shorter than what it hopes for
        )
        seen = (
            unit.read_registers(0, 8, functioncode=4),
            unit.read_bits(0, 5, functioncode=2),
            unit.read_float(2, functioncode=4),
            unit.read_long(4, functioncode=4),
        )
        unit.write_register(0, -5.5, number_of_decimals=1, signed=True)
        with pytest.raises(minimalmodbus.IllegalRequestError, match=r"illegal data address"):
            unit.read_register(8, functioncode=4)
        return (*seen, unit.read_registers(0, 3))

    assert served(framing, client) == (INPUTS, STATUS, 18.0, 1, HOLDING)


@pytest.mark.parametrize("framing", ["tcp", "rtu", "ascii"])
def test_pymodbus_client(framing):
    """The pymodbus client reads and writes through all three framings."""

    async def main():
        from pymodbus import FramerType  # noqa: PLC0415 - a heavy import
        from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient  # noqa: PLC0415 - as above

        async with unit_on(framing) as address:
            if framing == "tcp":
                client = AsyncModbusTcpClient("127.0.0.1", port=address, retries=0)
            else:
                client = AsyncModbusSerialClient(address, framer=FramerType(framing), retries=0)
            try:
                await client.connect()
                inputs = await client.read_input_registers(0, count=8, device_id=1)
                status = await client.read_discrete_inputs(0, count=5, device_id=1)
                await client.write_registers(0, HOLDING[:1], device_id=1)
                masked = await client.mask_write_register(address=1, and_mask=0xFF00, or_mask=20, device_id=1)
                both = await client.readwrite_registers(
                    read_address=0, read_count=3, write_address=2, values=[300], device_id=1
                )
                beyond = await client.read_coils(0, count=1, device_id=1)
                seen = (inputs.registers, status.bits[:5], masked.isError(), both.registers)
                return (*seen, beyond.exception_code)
            finally:
                client.close()

    assert asyncio.run(main()) == (INPUTS, STATUS, False, HOLDING, 2)
