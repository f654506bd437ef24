"""Our bus and poller read a Modbus server that others wrote, and the coding agrees with another library.

Server: uModbus 1.0.4 (PyPI) over loopback TCP; its frames, PDUs and sockets are its own. Coding: the register
conversion of pymodbus 3.16, which this project does not use.
"""

import asyncio
import threading
from contextlib import contextmanager
from socketserver import TCPServer

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from umodbus.server.tcp import RequestHandler, get_server

from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import BusFault
from ventproof_bench.base.evidence import Poll
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import TcpBus
from ventproof_bench.benchfile.signals import Location, SignalSpec
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.modbus.polling import poll
from ventproof_bench.modbus.register_map import decode, encode, plan_reads

DATATYPES = {
    "u16": ModbusClientMixin.DATATYPE.UINT16,
    "s16": ModbusClientMixin.DATATYPE.INT16,
    "u32": ModbusClientMixin.DATATYPE.UINT32,
    "s32": ModbusClientMixin.DATATYPE.INT32,
    "f32": ModbusClientMixin.DATATYPE.FLOAT32,
}
RANGES = {"u16": (0, 65535), "s16": (-32768, 32767), "u32": (0, 2**32 - 1), "s32": (-(2**31), 2**31 - 1)}


@contextmanager
def independent_unit(words, coils):
    """Serve input registers and coils with uModbus; yields the port."""
    server = get_server(TCPServer, ("127.0.0.1", 0), RequestHandler)

    @server.route(slave_ids=[1], function_codes=[4], addresses=list(range(len(words))))
    def read(slave_id, function_code, address):  # noqa: ARG001 - uModbus passes these by name
        return words[address]

    @server.route(slave_ids=[1], function_codes=[1], addresses=list(range(len(coils))))
    def read_coil(slave_id, function_code, address):  # noqa: ARG001 - as above
        return coils[address]

    @server.route(slave_ids=[1], function_codes=[5, 15], addresses=list(range(len(coils))))
    def write_coil(slave_id, function_code, address, value):  # noqa: ARG001 - as above
        coils[address] = int(bool(value))

    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def bus_at(port):
    """Return the declaration of a TCP bus on a loopback port."""
    return TcpBus.model_validate({"link": "tcp", "host": "127.0.0.1", "tcp_port": port, "longest_gap": 8})


@pytest.mark.wire
def test_poller_reads_an_independent_server():
    """Every poll of a server that others wrote brings the values that it holds."""
    place = {"bus": "unit", "table": "input"}
    signals = {
        "roof": {"address": 0, "scale": 0.1, "unit": "%", **place},
        "house": {"address": 2, "type": "f32", "unit": "°C", **place},
        "count": {"address": 4, "type": "u32", "word_order": "low-first", "unit": "count", **place},
        "rain": {"address": 6, "type": "bit", "bit": 1, "unit": "flag", **place},
        "relay": {"address": 3, "type": "bit", "unit": "flag", **place, "table": "coil"},
    }
    specs = {name: SignalSpec.model_validate(raw) for name, raw in signals.items()}
    seen = []

    async def main(port):
        spec = bus_at(port)
        bus = ModbusBus("unit", spec)
        await bus.open()
        task = asyncio.create_task(
            poll(bus, plan_reads(specs, spec), every_s=0.02, bus_spec=spec, sink=seen.append)
        )
        await asyncio.sleep(0.2)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await bus.close()

    with independent_unit([995, 0, 0x41AC, 0, 5, 1, 2, 0], [0, 0, 0, 1]) as port:
        run(main(port), virtual=False)
    assert len(seen) >= 6
    assert all(isinstance(s, Poll) and s.requested_s <= s.replied_s for s in seen)
    assert {tuple(sorted(s.values.items())) for s in seen} == {
        (("count", 65541.0), ("house", 21.5), ("rain", 1.0), ("roof", 99.5)),
        (("relay", 1.0),),
    }


@pytest.mark.wire
def test_coils_are_written_and_refusals_understood():
    """Single and several coils reach an independent server, and its refusals are named."""
    coils = [0] * 4

    async def main(port):
        bus = ModbusBus("unit", bus_at(port))
        await bus.open()
        await bus.write(1, "coil", 0, [1])
        await bus.write(1, "coil", 2, [1, 1])
        read = await bus.read(ReadRequest(1, "coil", 0, 4))
        with pytest.raises(
            BusFault, match=r"^bus unit: the unit refused with exception 2, illegal data address"
        ) as fault:
            await bus.read(ReadRequest(1, "input", 90, 1))
        await bus.close()
        return read.words, fault.value.kind

    with independent_unit([0], coils) as port:
        assert run(main(port), virtual=False) == ((1, 0, 1, 1), "exception")
    assert coils == [1, 0, 1, 1]


@given(
    kind=st.sampled_from(list(DATATYPES)), order=st.sampled_from(["high-first", "low-first"]), data=st.data()
)
def test_coding_agrees_with_an_independent_library(kind, order, data):
    """Types and word orders are coded as pymodbus' own conversion codes them, both ways."""
    location = Location.model_validate(
        {"bus": "unit", "table": "input", "address": 0, "type": kind, "word_order": order}
    )
    value = data.draw(
        st.floats(width=32, allow_nan=False, allow_infinity=False)
        if kind == "f32"
        else st.integers(*RANGES[kind])
    )
    word_order = "big" if order == "high-first" else "little"
    theirs = ModbusClientMixin.convert_to_registers(value, DATATYPES[kind], word_order=word_order)
    assert encode(location, value) == tuple(theirs)
    assert decode(location, theirs) == value
