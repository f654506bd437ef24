"""Vents that are played on real framing: by the line process, over serial lines of two speeds and over TCP."""

import asyncio
import os
import signal
import subprocess
import sys
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path

import pytest
from driven_module import DrivenModule, Paced, loop_bench, worst_error

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.errors import BenchError
from ventproof_bench.base.evidence import Gap, Poll
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.parts import carried_buses
from ventproof_bench.outputs.vents import PLAYED

pytestmark = pytest.mark.wire

THERE_AND_BACK = [(0.0, True, False), (3.0, False, False), (4.0, False, True), (5.5, False, False)]


def _served(link: str, module: DrivenModule) -> AbstractAsyncContextManager[dict[str, object]]:
    """Serve the module as a link carries it; yields what the bench file says of the bus."""

    @asynccontextmanager
    async def serving():
        if link == "tcp":
            async with serve_tcp(lambda: Responder("tcp", {3: module})) as port:
                yield {"link": "tcp", "host": "127.0.0.1", "tcp_port": port}
        else:
            baud = int(link.removeprefix("rtu "))
            async with serve_pty(Paced(Responder("rtu", {3: module}), baud)) as port:
                yield {
                    "link": "rtu",
                    "port": port,
                    "baud": baud,
                    "timeout": "200 ms",
                    "quiet_after_fault": "50 ms",
                }

    return serving()


@pytest.mark.parametrize("link", ["rtu 19200", "rtu 115200", "tcp"])
def test_what_the_unit_is_shown_keeps_to_the_ideal_vent_on_wires(link):
    """The error of what is shown stays within what windows, holds and the lag of this very run leave."""
    module = DrivenModule(THERE_AND_BACK)

    async def main():
        async with _served(link, module) as bus:
            file = loop_bench(bus)
            outputs = LineOutputs(file)
            await outputs.open()
            seen: list[Poll | Gap] = []
            playing = asyncio.ensure_future(outputs.play(seen.append))
            try:
                await asyncio.sleep(0.5)
                module.begins_s = now_s()
                await asyncio.sleep(6.5)
                assert not playing.done()
            finally:
                playing.cancel()
                await asyncio.gather(playing, return_exceptions=True)
                await outputs.close()
            polls = [one for one in seen if isinstance(one, Poll)]
            worst, share = worst_error(module, polls)
            assert 0 < worst < 5
            assert share <= 1
            assert any(one.table == PLAYED for one in polls)
            assert module.tables["coil"] == [0, 0]
            assert module.tables["holding"] == [0]

    run(main(), virtual=False)


HARNESS = """
import asyncio, sys
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.benchfile.model import BenchFile

async def main():
    outputs = LineOutputs(BenchFile.model_validate_json(sys.argv[1]))
    await outputs.open()
    playing = asyncio.ensure_future(outputs.play(lambda _: None))
    await asyncio.sleep(3.0)
    print("plays", flush=True)
    await playing

asyncio.run(main())
"""


def test_a_vent_whose_harness_is_killed_is_played_no_more_and_left_safe():
    """Within a second its outputs are safe, and they stay so although the unit still drives it."""
    module = DrivenModule([(0.0, True, False)])

    async def main():
        async with _served("rtu 115200", module) as bus:
            module.begins_s = now_s()
            harness = subprocess.Popen(  # noqa: ASYNC220 - a few ms
                [sys.executable, "-c", HARNESS, loop_bench(bus).model_dump_json(exclude_unset=True)],
                start_new_session=True,
                stdout=subprocess.PIPE,
                cwd=Path(__file__).parents[3],
            )
            try:
                assert harness.stdout is not None
                said = await asyncio.get_running_loop().run_in_executor(None, harness.stdout.readline)
                assert said == b"plays\n"
                assert module.tables["holding"][0] > 100
            finally:
                os.killpg(harness.pid, signal.SIGKILL)
                harness.wait()
                harness.stdout.close()
            async with asyncio.timeout(1.0):
                while module.tables["holding"] != [0]:
                    await asyncio.sleep(0.01)
            written = len(module.written)
            await asyncio.sleep(0.5)
            assert all(word == 0 for *_, word in module.written[written:])
            assert module.tables == {"coil": [0, 0], "holding": [0], "discrete": [1, 0]}

    run(main(), virtual=False)


def test_the_bus_that_commands_a_vent_lives_in_the_line_process():
    """Its polls go where the vents are played, although no output hangs on it."""
    file = loop_bench({"link": "tcp", "host": "192.0.2.1"})
    data = file.model_dump(mode="json", exclude_unset=True)
    data["buses"]["relays"] = {"link": "tcp", "host": "192.0.2.2"}
    for output in data["outputs"].values():
        output["wired"]["bus"] = "relays"
    assert carried_buses(type(file).model_validate(data)) == ("io", "relays")


def test_a_module_that_falls_silent_ends_the_playing_with_its_reason():
    """What ends the playing in the line process is told here, and the outputs can still be made safe."""
    module = DrivenModule([])

    async def main():
        async with _served("tcp", module) as bus:
            outputs = LineOutputs(loop_bench(bus))
            await outputs.open()
            playing = asyncio.ensure_future(outputs.play(lambda _: None))
            await asyncio.sleep(0.5)
            read, module.read = module.read, _silent
            with pytest.raises(BenchError, match="what commands vent roof was not read for 2 s"):
                await playing
            module.read = read
            await outputs.buses["io"].open()
            await outputs.close()
            assert module.tables["coil"] == [0, 0]

    run(main(), virtual=False)


def _silent(*_: object) -> object:
    raise ConnectionResetError
