"""Long trains through the line process, on pseudo-terminals: beside each other, stopped, and counted."""

from __future__ import annotations

import asyncio
from itertools import count

import pytest

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.edges import Edge
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.mock.wires.relay_boards import FramesBoard
from ventproof_bench.mock.wires.stand import serve_pty
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.trains import Train

pytestmark = pytest.mark.wire


def bench_file(*ports):
    """Return a bench with a contact on each port."""
    frames = {"on": "55 01 01 {sum8}", "off": "55 01 00 {sum8}", "reply": "AA 01 {state} {sum8}"}
    relay = {"operate": "1 ms", "release": "1 ms", "bounce": "1 ms", "fastest_edge": "5 ms"}
    return BenchFile.model_validate(
        {
            "bench": "trains",
            "buses": {"unit": {"link": "tcp", "host": "192.0.2.1"}},
            "outputs": {
                name: {"driver": "frames", "wired": {"port": port, **frames}, **relay}
                for name, port in zip(("cups", "bucket"), ports, strict=True)
            },
            "signals": {"vent": {"bus": "unit", "table": "holding", "address": 0, "unit": "%"}},
        }
    )


def pulses(period_s, closed_s):
    """Yield the edges of an endless train."""
    for k in count():
        yield Edge(k * period_s, closed=True)
        yield Edge(k * period_s + closed_s, closed=False)


def test_two_trains_through_the_line_process_are_counted_exactly():
    """What the boards saw is what the reports say, edge for edge; each window holds the board's own time."""

    async def main():
        seen = {"cups": [], "bucket": []}
        boards = {
            name: FramesBoard({1: lambda closed, edges=edges: edges.append((now_s(), closed))})
            for name, edges in seen.items()
        }
        async with serve_pty(boards["cups"]) as cups, serve_pty(boards["bucket"]) as bucket:
            outputs = LineOutputs(bench_file(cups, bucket))
            await outputs.open()
            for edges in seen.values():
                edges.clear()
            reports = {"cups": [], "bucket": []}
            start_s = now_s() + 0.05
            trains = [
                Train(outputs, "cups", pulses(0.04, 0.02), start_s=start_s, played=reports["cups"].extend),
                Train(outputs, "bucket", pulses(0.3, 0.1), start_s=start_s, played=reports["bucket"].extend),
            ]
            await asyncio.sleep(2.5)
            for train in trains:
                await train.stop()
            after = {name: len(edges) for name, edges in seen.items()}
            await asyncio.sleep(0.4)
            assert {name: len(edges) for name, edges in seen.items()} == after
            for name, train in zip(("cups", "bucket"), trains, strict=True):
                assert [r.closed for r in reports[name]] == [closed for _, closed in seen[name]]
                assert [r.closed for r in reports[name]] == [True, False] * train.closures
                assert all(r.window.earliest_s >= r.due_s for r in reports[name])
            assert trains[1].closures in {8, 9}
            await outputs.close()

    run(main(), virtual=False)


def test_a_train_takes_over_through_the_line_process():
    """Between two pulses of one train another begins: none of the first comes after, none of the second before."""

    async def main():
        seen = []
        board = FramesBoard({1: lambda closed: seen.append((now_s(), closed))})
        async with serve_pty(board) as cups, serve_pty(FramesBoard({1: lambda _: None})) as bucket:
            outputs = LineOutputs(bench_file(cups, bucket))
            await outputs.open()
            seen.clear()
            reports = []
            start_s = now_s() + 0.05
            first = Train(outputs, "cups", pulses(0.04, 0.02), start_s=start_s, played=reports.extend)
            await asyncio.sleep(0.6)
            takes_over_s = start_s + 0.63
            await first.end(from_s=takes_over_s)
            second = Train(outputs, "cups", pulses(0.02, 0.01), start_s=takes_over_s, played=reports.extend)
            await first.over()
            await asyncio.sleep(0.5)
            await second.stop()
            await outputs.close()
        assert first.closures == 16
        assert [r.closed for r in reports] == [closed for _, closed in seen]
        assert [r.closed for r in reports] == [True, False] * (first.closures + second.closures)

    run(main(), virtual=False)
