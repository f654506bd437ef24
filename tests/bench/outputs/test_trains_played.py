"""Long pulse stimuli: played in pieces, reported as they play, and the same as one train would be."""

from __future__ import annotations

import asyncio

import pytest

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.edges import pulse_plan
from ventproof_bench.base.errors import DriverError
from ventproof_bench.base.evidence import EdgeReport, Window
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.trains import play

LONG = pulse_plan(3000, closed_for_s=0.1, open_for_s=0.2)


class Terminal:
    """The mock's terminal: every edge with its time."""

    def __init__(self):
        self.edges = []

    def set_contact(self, _name, now_s, *, closed):
        """Note an edge."""
        self.edges.append((now_s, closed))


class Asked:
    """Outputs that note what they are asked for; a train takes as long as it lasts, and fails where told."""

    def __init__(self, fails_at=None):
        self.sizes, self.at_once, self.cancelled = [], 0, 0
        self._fails_at = fails_at
        self._under_way = 0
        self._turn = asyncio.Lock()

    async def train(self, _name, edges, *, start_s):
        """Play."""
        self.sizes.append(len(edges))
        self._under_way += 1
        self.at_once = max(self.at_once, self._under_way)
        try:
            async with self._turn:
                await asyncio.sleep(max(0.0, start_s + edges[-1].at_s - now_s()))
                if self._fails_at is not None and edges[0].at_s >= self._fails_at:
                    raise DriverError("the relay is gone")
        except asyncio.CancelledError:
            self.cancelled += 1
            raise
        finally:
            self._under_way -= 1
        return [EdgeReport(e.closed, start_s + e.at_s, Window(0.0, 0.0)) for e in edges]


def test_a_long_train_is_reported_in_pieces_and_complete():
    """No report is of more than a second or so; two pieces are asked for at a time; nothing is lost or moved."""

    async def main():
        outputs = Asked()
        start_s = now_s() + 0.05
        reports = await play(outputs, "rain", LONG, start_s=start_s)
        assert max(outputs.sizes) <= 128
        assert outputs.at_once == 2
        assert [(r.closed, r.due_s) for r in reports] == [(e.closed, start_s + e.at_s) for e in LONG]

    run(main(), virtual=True)


def test_a_short_train_is_asked_for_at_once():
    """What is judged to the millisecond is played as it always was."""

    async def main():
        outputs = Asked()
        await play(outputs, "rain", LONG[:2000], start_s=now_s())
        assert outputs.sizes == [2000]

    run(main(), virtual=True)


def test_a_train_in_pieces_goes_out_as_one_would():
    """Edges and reports of real outputs are the same to the bit, whichever way they are asked for."""

    async def played(way):
        terminal = Terminal()
        spec = {"driver": "mock", "wired": {"input": "rain"}, "operate": "1 ms", "release": "2 ms"}
        outputs = LocalOutputs(
            {"rain": ContactOutput.model_validate(spec)}, buses={}, specs={}, inputs=terminal
        )
        await outputs.open()
        terminal.edges.clear()
        start_s = now_s() + 0.05
        reports = await (
            play(outputs, "rain", LONG, start_s=start_s)
            if way == "pieces"
            else outputs.train("rain", LONG, start_s=start_s)
        )
        return reports, terminal.edges

    assert run(played("pieces"), virtual=True) == run(played("whole"), virtual=True)


def test_trouble_ends_a_train_and_the_piece_that_waits():
    """The error is told, and no further piece goes out."""

    async def main():
        outputs = Asked(fails_at=10.0)
        with pytest.raises(DriverError, match=r"^the relay is gone$"):
            await play(outputs, "rain", LONG, start_s=now_s())
        assert outputs.cancelled == 1
        return now_s(), len(outputs.sizes)

    ended_s, pieces = run(main(), virtual=True)
    assert pieces < 20
    assert ended_s < 100_000.0 + 15


def test_who_is_cancelled_leaves_no_piece_behind():
    """Neither the piece that plays nor the one that waits goes on."""

    async def main():
        outputs = Asked()
        task = asyncio.create_task(play(outputs, "rain", LONG, start_s=now_s()))
        await asyncio.sleep(5)
        task.cancel()
        with pytest.raises(asyncio.CancelledError, match=r"^$"):
            await task
        assert outputs.cancelled == 2

    run(main(), virtual=True)
