"""Pulse timing: the line process against a plain loop of sleeps, on a loaded machine; counts over 100,000 tips."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import time
from contextlib import contextmanager

import pytest

from ventproof.profile.stimulus import Rainfall
from ventproof.profile.weather import rain_edges
from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.edges import Edge
from ventproof_bench.benchfile.model import BenchFile, ContactOutput
from ventproof_bench.benchfile.sensors import BucketSensor
from ventproof_bench.mock.wires.relay_boards import FramesBoard
from ventproof_bench.mock.wires.stand import serve_pty
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.trains import Train

pytestmark = pytest.mark.performance

PERIOD_S = 0.05
BUSY_S = 0.005


def pulses(count):
    """Return the edges of the train of so many pulses that both ways play."""
    return [Edge(k * PERIOD_S / 2, closed=k % 2 == 0) for k in range(2 * count)]


@contextmanager
def loaded_core():
    """Keep one core busy."""
    with subprocess.Popen([sys.executable, "-c", "while True: pass"]) as load:
        try:
            yield
        finally:
            load.kill()


async def harness_at_work():
    """Hold the interpreter a while and again, as decoding, judging and drawing do."""
    while True:
        until_s = time.monotonic() + BUSY_S
        while time.monotonic() < until_s:
            pass
        await asyncio.sleep(0.015)


async def naive(edges, *, to_deadlines):
    """Play by sleeping in the harness, from edge to edge or to deadlines; returns how late each edge was, s."""
    late_s, start_s, before_s = [], now_s(), 0.0
    for edge in edges:
        wait_s = start_s + edge.at_s - now_s() if to_deadlines else edge.at_s - before_s
        await asyncio.sleep(max(0.0, wait_s))
        before_s = edge.at_s
        late_s.append(now_s() - start_s - edge.at_s)
    return late_s


async def through_the_line_process(edges):
    """Play through the line process; returns how late each edge was, s."""
    frames = {"on": "55 01 01 {sum8}", "off": "55 01 00 {sum8}"}
    async with serve_pty(FramesBoard({1: lambda _: None}, answers=False)) as port:
        relay = {"operate": "1 ms", "release": "1 ms", "bounce": "0 ms", "fastest_edge": "5 ms"}
        outputs = LineOutputs(
            BenchFile.model_validate(
                {
                    "bench": "timing",
                    "buses": {"unit": {"link": "tcp", "host": "192.0.2.1"}},
                    "outputs": {"cups": {"driver": "frames", "wired": {"port": port, **frames}, **relay}},
                    "signals": {"vent": {"bus": "unit", "table": "holding", "address": 0, "unit": "%"}},
                }
            )
        )
        await outputs.open()
        reports = []
        train = Train(outputs, "cups", edges, start_s=now_s() + 0.1, played=reports.extend)
        over = asyncio.Event()
        train.when_over(over.set)
        await over.wait()
        await train.stop()
        await outputs.close()
        return [report.window.earliest_s - report.due_s for report in reports]


def said(name, late_s):
    """Print quantiles of lateness and the drift from the first tenth of a train to its last."""
    ranked, tenth = sorted(late_s), len(late_s) // 10
    at = {q: 1e3 * ranked[min(len(ranked) - 1, int(q * len(ranked)))] for q in (0.5, 0.9, 0.99, 1.0)}
    drift = 1e3 * (sum(late_s[-tenth:]) - sum(late_s[:tenth])) / tenth
    shown = ", ".join(f"{q:.0%} {value:.2f} ms" for q, value in at.items())
    print(f"\n{name}: {len(late_s)} edges, late {shown}; drift {drift:.2f} ms")
    return at, drift


def lateness(count):
    """Return how late each edge of so many pulses was, s: by the line process, by sleeps, by sleeps to deadlines."""

    async def main():
        edges = pulses(count)
        work = asyncio.ensure_future(harness_at_work())
        with loaded_core():
            line = await through_the_line_process(edges)
            plain = await naive(edges, to_deadlines=False)
            timed = await naive(edges, to_deadlines=True)
        work.cancel()
        return line, plain, timed

    shown = run(main(), virtual=False)
    assert [len(late_s) for late_s in shown] == [2 * count] * 3
    return shown


def test_the_line_process_keeps_time_where_a_loop_of_sleeps_drifts():
    """Beside a busy harness and with a core loaded, edges are far less late than a plain loop's, and do not drift."""
    line, plain, timed = lateness(200)
    (line_at, line_drift), (plain_at, plain_drift) = said("line process", line), said("sleeps", plain)
    timed_at, _ = said("sleeps to deadlines", timed)
    assert line_at[0.9] < timed_at[0.9]
    assert line_at[0.5] < plain_at[0.5] / 10
    assert line_at[0.9] < plain_at[0.9] / 10
    assert abs(line_drift) < plain_drift / 10


class Terminals:
    """Counts closures, and keeps the last edge."""

    def __init__(self):
        self.closures = 0
        self.last_s = 0.0

    def set_contact(self, _name, now_s, *, closed):
        """Note an edge."""
        self.closures += closed
        self.last_s = now_s


def tips_played(count):
    """Play a tip a second of so many; returns how many pieces they were played in. Every tip is exact."""

    async def main():
        terminals = Terminals()
        bucket = BucketSensor.model_validate({"tip": "0.2 mm", "closed_for": "100 ms"})
        rain = {"rainfall": "bucket", "intensity": "720 mm/h", "for": f"{count} s"}
        edges = rain_edges(bucket, Rainfall.model_validate(rain))
        spec = {"driver": "mock", "wired": {"input": "bucket"}}
        outputs = LocalOutputs(
            {"bucket": ContactOutput.model_validate(spec)}, buses={}, specs={}, inputs=terminals
        )
        await outputs.open()
        start_s, reported = now_s(), []
        train = Train(
            outputs, "bucket", edges, start_s=start_s, played=lambda reports: reported.append(len(reports))
        )
        over = asyncio.Event()
        train.when_over(over.set)
        await over.wait()
        await train.stop()
        assert (terminals.closures, train.closures, sum(reported)) == (count, count, 2 * count)
        assert terminals.last_s - start_s == pytest.approx(count + 0.1, abs=1e-6)
        assert max(reported) <= 130
        return len(reported)

    return run(main(), virtual=True)


def test_a_hundred_thousand_tips_are_exact():
    """20 m of rain in 0.2 mm tips: every tip is played, and the last edge falls where exact arithmetic puts it."""
    begun_s = time.monotonic()
    pieces = tips_played(100_000)
    print(f"\n100,000 tips over 28 h in {time.monotonic() - begun_s:.1f} s, {pieces} pieces")
    assert pieces > 1000
