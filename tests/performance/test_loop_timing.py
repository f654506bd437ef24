"""A vent in the loop beside a busy harness: rounds kept by the line process against rounds kept in the harness."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import time
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest
from driven_module import loop_bench

from ventproof_bench.base.clock import run
from ventproof_bench.base.evidence import Poll
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.vents import PlayedVents

pytestmark = pytest.mark.performance

BUSY_S = 0.03
ROUNDS_S = 5.0
EVERY_S = 0.05

MODULE = """
import asyncio, sys
sys.path.insert(0, sys.argv[1])
from driven_module import DrivenModule
from ventproof_bench.base.clock import now_s
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.mock.wires.stand import serve_tcp

async def main():
    module = DrivenModule([(0.0, True, False)])
    async with serve_tcp(lambda: Responder("tcp", {3: module})) as port:
        module.begins_s = now_s() + 1.0
        print(port, flush=True)
        await asyncio.Event().wait()

asyncio.run(main())
"""


@contextmanager
def served_module():
    """Serve the module from a process of its own; yields its port."""
    support = str(Path(__file__).parents[1] / "support")
    with subprocess.Popen(
        [sys.executable, "-c", MODULE, support], stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            yield int(process.stdout.readline())
        finally:
            process.kill()


async def harness_at_work():
    """Hold the interpreter for most of a round and again, as judging a long step does."""
    while True:
        until_s = time.monotonic() + BUSY_S
        while time.monotonic() < until_s:
            pass
        await asyncio.sleep(0.015)


async def rounds_late(outputs, lasts_s):
    """Play beside the busy harness; returns how much later than due rounds began, s, in order of size."""
    seen = []
    await outputs.open()
    playing = asyncio.ensure_future(outputs.play(seen.append))
    working = asyncio.ensure_future(harness_at_work())
    await asyncio.sleep(lasts_s)
    for task in (playing, working):
        task.cancel()
    await asyncio.gather(playing, working, return_exceptions=True)
    await outputs.close()
    asked_s = [one.requested_s for one in seen if isinstance(one, Poll) and one.table == "discrete"]
    return sorted(max(0.0, b - a - EVERY_S) for a, b in pairwise(asked_s))


def through_the_line_process(port, lasts_s=ROUNDS_S):
    """Return the lateness with the loop in the line process."""

    async def main():
        file = loop_bench({"link": "tcp", "host": "127.0.0.1", "tcp_port": port})
        return await rounds_late(LineOutputs(file), lasts_s)

    return run(main(), virtual=False)


def in_the_harness(port, lasts_s=ROUNDS_S):
    """Return the lateness with the loop in the process that is busy."""

    async def main():
        file = loop_bench({"link": "tcp", "host": "127.0.0.1", "tcp_port": port})
        bus = ModbusBus("io", file.buses["io"])
        await bus.open()
        vents = PlayedVents(file, {"io": bus})
        outputs = LocalOutputs(file.outputs, buses={"io": bus}, specs=file.buses, vents=vents)
        late = await rounds_late(outputs, lasts_s)
        await bus.close()
        return late

    return run(main(), virtual=False)


def test_a_busy_harness_delays_no_round():
    """Nineteen rounds of twenty are at least three times as punctual in the line process as beside the work."""
    with served_module() as port:
        line = through_the_line_process(port)
    with served_module() as port:
        own = in_the_harness(port)
    shares = (0.5, 0.95, 0.99)
    kept, delayed = ([1000 * late[int(share * (len(late) - 1))] for share in shares] for late in (line, own))
    print(f"\nlate rounds, median, 95 %, 99 %: line process {kept} ms, harness {delayed} ms")
    assert kept[1] < delayed[1] / 3
