"""How fast whole runs are, as ratios within one run of this file; `make benchmark` prints them."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time

import pytest
from pymodbus.client import AsyncModbusTcpClient

from bench import virtual
from bench.benchfile import load_bench
from bench.link import InProcessTransport
from bench.mock.server import Responder
from bench.mock.unit import build
from harness.cli.options import SHIPPED_BENCH
from harness.profile.load import read_profile
from harness.run.view import SilentView
from harness.session import Session

pytestmark = pytest.mark.performance

TEN_MINUTES = """
profile: ten minutes of rain
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", side_vent: "%", rain_override: flag, house_reading: °C, rain_count: count,
            rain_contact: flag, stage: state}
always:
  - {signal: roof_vent, stays_below: 100.5 %}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 99 %, tolerance: 2 %, within: 1 min, holds: 5 s}
steps:
  - step: rain begins
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 3 s}
      - {signal: roof_vent, reaches: 5 %, tolerance: 2 %, within: 35 s, holds: 530 s}
      - {signal: side_vent, reaches: 50 %, tolerance: 2 %, within: 30 s, holds: 530 s}
"""
EIGHTH_SIGNAL = """  release_delay_runs:
    bus: unit
    table: input
    address: 6
    type: bit
    bit: 3
    unit: flag
    refreshed_every: 200 ms

mock:
"""


def best_of(rounds, measure):
    return min(measure() for _ in range(rounds))


def bare_loop_s(bench, polls):
    """Seconds that a bare pymodbus client needs for the same reads, over the same in-process wire, in virtual time."""

    async def main():
        loop = asyncio.get_running_loop()
        peer = Responder("tcp", {1: build(bench.mock, start_s=loop.time(), seed=0)}, reply_after_s=0.005)
        client = AsyncModbusTcpClient("mock", retries=0, reconnect_delay=0)

        async def dial():
            protocol = client.ctx.handle_new_connection()
            transport = InProcessTransport(protocol, peer)
            protocol.connection_made(transport)
            return transport, protocol

        client.ctx.call_create = dial
        await client.connect()
        start = loop.time()
        for index in range(polls):
            reply = await client.read_input_registers(0, count=8, device_id=1)
            assert len(reply.registers) == 8
            await asyncio.sleep(max(0.0, start + (index + 1) * 0.1 - loop.time()))
        client.close()

    began = time.perf_counter()
    virtual.run(main(), virtual=True)
    return time.perf_counter() - began


def test_ten_minutes_at_ten_hertz_run_three_hundred_times_faster_than_real_time(tmp_path):
    """A 10-minute profile, 8 signals at 10 Hz, log and judge on: 300 times real time or faster on one core."""
    text = SHIPPED_BENCH.read_text(encoding="utf-8").replace("\nmock:\n", EIGHTH_SIGNAL, 1)
    (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
    bench = load_bench(tmp_path / "bench.yaml")
    assert len(bench.model.signals) == 8
    session = Session(bench=bench, out=tmp_path)
    profile = read_profile("ten.yaml", TEN_MINUTES)
    ratios, seconds = [], []
    for _ in range(3):
        began = time.perf_counter()
        result = session.run(profile, SilentView())
        took = time.perf_counter() - began
        assert result.outcome.verdict == "pass"
        last = json.loads(result.log.read_text(encoding="utf-8").splitlines()[-1])["t"]
        ratios.append(last / took)
        seconds.append(took)
    polls = round(last * 10)
    bare = best_of(3, lambda: bare_loop_s(bench.model, polls))
    print(
        f"\n{last:.0f} s of greenhouse: {max(ratios):.0f} times real time, {min(seconds) / bare:.1f} times a bare loop"
    )
    assert max(ratios) >= 300


def test_help_is_quick():
    """`ventproof --help` takes less than twice the time of a click program with nothing in it."""

    def timed(*command):
        began = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        return time.perf_counter() - began

    empty = "import click\n@click.group()\ndef main(): pass\nmain(['--help'])"
    ours = best_of(7, lambda: timed(sys.executable, "-m", "harness.cli", "--help"))
    theirs = best_of(7, lambda: timed(sys.executable, "-c", empty))
    print(f"\nventproof --help: {ours / theirs:.2f} times an empty click program")
    assert ours < 2 * theirs
