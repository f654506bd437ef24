"""How fast whole runs are, as ratios within one run of this file; `make benchmark` prints them."""

from __future__ import annotations

import asyncio
import gc
import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import yaml
from pymodbus.client import AsyncModbusTcpClient
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED
from ventproof.profile.load import load_profile, read_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.base import clock as virtual
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.mock.unit import build
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.modbus.link import InProcessTransport

pytestmark = pytest.mark.performance

TEN_MINUTES = """
profile: ten minutes of rain
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", side_vent: "%", rain_override: flag, house_reading: °C, rain_count: count,
            rain_contact: flag, stage: state}
always:
  - {signal: roof_vent, stays_at_most: 100.5 %}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 1 min, holds: 5 s}
steps:
  - step: rain begins
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 3 s}
      - {signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 35 s, holds: 530 s}
      - {signal: side_vent, reaches: 45 %, tolerance: 2 %, within: 30 s, holds: 530 s}
"""
EIGHT_SIGNALS = """
bench: a small house in process, eight signals
buses:
  unit: {link: in-process, framing: tcp, timeout: 500 ms, poll_every: 100 ms, longest_gap: 4}
outputs:
  rain: {driver: mock, wired: {input: rain}, operate: 8 ms, release: 5 ms, bounce: 3 ms}
  house_temperature:
    kind: register
    driver: register
    wired: {bus: unit, table: holding, address: 0, type: s16, scale: 0.1}
    unit: °C
signals:
  roof_vent:
    {bus: unit, table: input, address: 0, scale: 0.1, unit: "%", full_travel: 28 s, refreshed_every: 200 ms}
  side_vent:
    {bus: unit, table: input, address: 1, scale: 0.1, unit: "%", full_travel: 38 s, refreshed_every: 200 ms}
  house_reading:
    {bus: unit, table: input, address: 2, type: f32, unit: °C, accuracy: 0.1 °C, refreshed_every: 200 ms}
  rain_count: {bus: unit, table: input, address: 4, type: u32, unit: count, refreshed_every: 200 ms}
  rain_override: {bus: unit, table: input, address: 6, type: bit, bit: 0, unit: flag, refreshed_every: 200 ms}
  rain_contact: {bus: unit, table: input, address: 6, type: bit, bit: 1, unit: flag, refreshed_every: 200 ms}
  release_delay_runs: {bus: unit, table: input, address: 6, type: bit, bit: 3, unit: flag, refreshed_every: 200 ms}
  stage: {bus: unit, table: input, address: 7, unit: state, states: {closed: 0, open: 3}, refreshed_every: 200 ms}
mock:
  vents:
    roof: {full_travel: 30 s, dead_time: 400 ms, stages: [25 %, 55 %, 92 %]}
    side: {full_travel: 40 s, dead_time: 500 ms, stages: [35 %, 65 %, 88 %]}
  house: {temperature: 18 °C, stage_at: [22 °C, 25 °C, 28 °C], hysteresis: 1 °C}
  rain: {debounce: 50 ms, entry_delay: 2 s, release_delay: 30 s, positions: {roof: 8 %, side: 45 %}}
  refresh_every: 200 ms
"""


def ratios(rounds, ours, theirs):
    """Return how often longer one takes than the other, each round by itself."""
    return [ours() / theirs() for _ in range(rounds)]


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

    began = time.process_time()
    virtual.run(main(), virtual=True)
    return time.process_time() - began


def run_s(bench, profile):
    """Run the profile, and return what it showed, how long the greenhouse lived, and the processor's seconds."""
    with TemporaryDirectory() as folder:
        session = Session(bench=bench, out=Path(folder))
        began = time.process_time()
        result = session.run(profile, SilentView())
        took = time.process_time() - began
        lines = result.log.read_text(encoding="utf-8").splitlines()
    return result.outcome.verdict, json.loads(lines[-1])["t"], took


def speed_of_runs(rounds, hold_s):
    """Return the greenhouse's seconds for a second of the processor, and a run's cost as multiples of a bare loop's.

    Args:
        rounds: how often each is measured.
        hold_s: how long the profile holds its vents.
    """
    bench = read_bench("bench.yaml", EIGHT_SIGNALS)
    assert len(bench.model.signals) == 8
    profile = read_profile("ten.yaml", TEN_MINUTES.replace("holds: 530 s", f"holds: {hold_s} s"))
    speeds, times = [], []
    for _ in range(rounds):
        verdict, lasted_s, took_s = run_s(bench, profile)
        assert verdict == "pass"
        speeds.append(lasted_s / took_s)
        times.append(took_s / bare_loop_s(bench.model, round(lasted_s * 10)))
    return speeds, times


def test_ten_minutes_at_ten_hertz_cost_hardly_more_than_a_bare_loop(figure):
    """A 10-minute profile, 8 signals at 10 Hz, log and judge on: 200 times real time, 1.3 times a bare loop at most."""
    speeds, times = speed_of_runs(5, 530)
    figure(
        *("a run, times a bare loop of the same reads", times),
        limit=1.3,
        bound_by="a log line and some ten objects each poll; the answers of a mock that stands are foreseen",
    )
    figure("a run, times real time", speeds, better="more", limit=200)


def timed(*command):
    """Return the processor's seconds of a command."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def help_times(rounds):
    """Return how often longer `ventproof --help` takes than a click program with nothing in it."""
    empty = "import click\n@click.group()\ndef main(): pass\nmain(['--help'])"
    return ratios(
        rounds,
        lambda: timed(sys.executable, "-m", "ventproof", "--help"),
        lambda: timed(sys.executable, "-c", empty),
    )


def test_help_is_quick(figure):
    """`ventproof --help` takes less than twice the time of a click program with nothing in it."""
    figure("ventproof --help, times an empty click program", help_times(7), limit=2)


def check_times(rounds):
    """Return how often longer `ventproof check FILE` takes than importing the libraries that it needs."""
    libraries = "import asyncio, click, pydantic, rich.console, rich.table, yaml"
    file = str(shipped_path("rain-count"))
    return ratios(
        rounds,
        lambda: timed(sys.executable, "-m", "ventproof", "check", file),
        lambda: timed(sys.executable, "-c", libraries),
    )


def test_checking_one_file_is_quick(figure):
    """A check takes at most about twice as long as importing its libraries: it loads what one profile needs."""
    figure(
        *("ventproof check FILE, times importing its libraries", check_times(7)),
        limit=2.2,
        wanted=2,
        bound_by="what Pydantic imports with its first model, making the models of a profile",
    )


def loading_times(rounds):
    """Return how often longer loading and checking the shipped profiles takes than PyYAML's C parser takes."""
    gc.collect()
    gc.freeze()  # what pytest holds is not to be looked through meanwhile
    files = sorted(SHIPPED.rglob("*.yaml"))
    texts = [path.read_text(encoding="utf-8") for path in files]

    def took(each, of):
        began = time.process_time()
        for one in of:
            each(one)
        return time.process_time() - began

    return ratios(
        rounds,
        lambda: took(load_profile, files),
        lambda: took(lambda text: yaml.load(text, yaml.CSafeLoader), texts),
    )


def test_loading_profiles_costs_little_more_than_parsing_them(figure):
    """Places, quantities and every check make it at most three times a parse without them."""
    figure(
        *("loading profiles, times a C parse", loading_times(9)),
        limit=3,
        bound_by="a tree with places, built of the parser's events",
    )
