"""A unit with a vent outside it on real wires: its I/O module answers beside it, on a serial line and on TCP."""

import asyncio
from contextlib import AsyncExitStack

import pytest
from outside import settings

from ventproof_bench.base.clock import run
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import SerialBus, TcpBus
from ventproof_bench.mock.io_module import MODULE_ID, UNIT_ID
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.wires.stand import BOARD_ID, serve
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.plant.vent import Vent, VentTravel

pytestmark = pytest.mark.wire

TIMES = {"timeout": "0.5 s", "quiet_after_fault": "0.1 s"}
QUICK = {"full_travel": "2 s", "dead_time": "100 ms", "coast": "0 s"}
PLAY_S = 2.5


async def play(bus):
    """Send the vent to 60 % and play it for a while; return where it came, where the unit puts it, and the alarms."""
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    vent = Vent(VentTravel(open_s=2, close_s=2, dead_time_s=0.1), began_s)
    await bus.write(MODULE_ID, "coil", 0, [0, 1])
    await bus.write(UNIT_ID, "holding", 0, [260])
    while loop.time() < began_s + PLAY_S:
        reply = await bus.read(ReadRequest(MODULE_ID, "discrete", 0, 2))
        at_s = (reply.requested_s + reply.replied_s) / 2
        vent.switch(at_s, opens=bool(reply.words[0]), closes=bool(reply.words[1]))
        end = vent.end_at(at_s)
        await bus.write(MODULE_ID, "coil", 0, [end != "closed", end != "open"])
    told = (await bus.read(ReadRequest(UNIT_ID, "input", 0, 9))).words
    return vent.position_at(loop.time()), told[0] / 10, told[-2:]


@pytest.mark.parametrize("link", ["rtu", "tcp"])
def test_a_vent_is_played_over_the_wires(tmp_path, link):
    """The unit opens a vent of 2 s to 60 %: the contacts bring it there within a few rounds, and no alarm goes."""

    async def main():
        plain = settings("end-switches", closing_travel="2 s")
        plain["vents"]["roof"].update(QUICK)
        plain["refresh_every"] = "20 ms"
        async with AsyncExitStack() as stack:
            stand = await serve(MockSettings.model_validate(plain), tmp_path, stack)
            if link == "rtu":
                fields = {"link": "rtu", "port": stand.places["unit_rtu"], **TIMES}
                bus = ModbusBus("line", SerialBus.model_validate(fields))
            else:
                host, _, port = stand.places["unit_tcp"].rpartition(":")
                fields = {"link": "tcp", "host": host, "tcp_port": int(port), **TIMES}
                bus = ModbusBus("line", TcpBus.model_validate(fields))
            await bus.open()
            stack.push_async_callback(bus.close)
            if link == "rtu":
                assert (await bus.read(ReadRequest(BOARD_ID, "coil", 0, 1))).words == (0,)
            return await play(bus)

    percent, told_percent, alarms = run(main(), virtual=False)
    assert told_percent == 60
    assert percent == pytest.approx(60, abs=15)
    assert alarms == (0, 0)
