"""Long trains: exact in virtual time, beside each other, stopped within a pulse, and never silently something else."""

from __future__ import annotations

import asyncio
from fractions import Fraction
from itertools import count, islice

import pytest

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.edges import Edge
from ventproof_bench.base.errors import DriverError
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.trains import Train


class Terminals:
    """The mock's terminals: every edge with its time."""

    def __init__(self):
        self.edges = {"cups": [], "bucket": []}

    def set_contact(self, name, now_s, *, closed):
        """Note an edge."""
        self.edges[name].append((now_s, closed))


async def opened(**more):
    """Return open outputs on two contacts, and their terminals."""
    fast = {"operate": "1 ms", "release": "1 ms", "bounce": "0 ms", **more}
    terminals = Terminals()
    specs = {
        name: ContactOutput.model_validate({"driver": "mock", "wired": {"input": name}, **fast})
        for name in terminals.edges
    }
    outputs = LocalOutputs(specs, buses={}, specs={}, inputs=terminals)
    await outputs.open()
    for edges in terminals.edges.values():
        edges.clear()
    return outputs, terminals


def pulses(period_s, closed_s):
    """Yield the edges of an endless train."""
    for k in count():
        at_s = k * Fraction(period_s)
        yield Edge(float(at_s), closed=True)
        yield Edge(float(at_s + Fraction(closed_s)), closed=False)


def test_a_ten_thousand_tips_are_counted_exactly_and_do_not_drift():
    """After 10,000 tips the last edge is where the first one promised it, and none is missing."""

    async def main():
        outputs, terminals = await opened()
        reports = []
        start_s = now_s() + 0.05
        edges = list(islice(pulses("0.3", "0.1"), 20_000))
        train = Train(outputs, "bucket", edges, start_s=start_s, played=reports.extend)
        await train._task
        assert train.closures == 10_000
        assert len(terminals.edges["bucket"]) == len(reports) == 20_000
        assert terminals.edges["bucket"][-1][0] == pytest.approx(start_s + edges[-1].at_s, abs=1e-7)
        worst = max(
            abs(at_s - start_s - edge.at_s)
            for (at_s, _), edge in zip(terminals.edges["bucket"], edges, strict=True)
        )
        assert worst < 1e-7

    run(main(), virtual=True)


def test_trains_beside_each_other_keep_their_own_time():
    """Two endless trains of different periods do not disturb each other."""

    async def main():
        outputs, terminals = await opened()
        start_s = now_s()
        trains = [
            Train(outputs, "cups", pulses("0.07", "0.03"), start_s=start_s, played=lambda _: None),
            Train(outputs, "bucket", pulses("3", "0.1"), start_s=start_s, played=lambda _: None),
        ]
        await asyncio.sleep(60.05)
        for train in trains:
            await train.stop()
        for name, period_s in (("cups", 0.07), ("bucket", 3.0)):
            closings = [at_s - start_s for at_s, closed in terminals.edges[name] if closed]
            assert closings == pytest.approx([k * period_s for k in range(len(closings))], abs=1e-7)
        assert trains[1].closures == 21
        assert trains[0].closures == int(60.05 / 0.07) + 1

    run(main(), virtual=True)


@pytest.mark.parametrize("after_s", [0.0, 0.01, 0.05, 0.0999, 0.1, 0.15, 2.95, 3.0, 7.31])
def test_a_train_stops_within_a_pulse_and_says_what_it_played(after_s):
    """A pulse under way keeps its width, no other follows, and the contact is open."""

    async def main():
        outputs, terminals = await opened()
        reports = []
        start_s = now_s()
        train = Train(outputs, "bucket", pulses("0.3", "0.1"), start_s=start_s, played=reports.extend)
        await asyncio.sleep(after_s)
        await train.stop()
        assert now_s() - start_s - after_s <= 0.1 + 1e-6
        edges = terminals.edges["bucket"]
        assert [(r.window.earliest_s, r.closed) for r in reports] == edges
        assert len(edges) == 2 * train.closures
        assert [closed for _, closed in edges] == [True, False] * train.closures
        await asyncio.sleep(5)
        assert len(terminals.edges["bucket"]) == len(edges)

    run(main(), virtual=True)


def test_a_stopped_rare_train_does_not_keep_anybody_waiting():
    """Although the next tip is an hour away, stopping takes no time."""

    async def main():
        outputs, _ = await opened()
        edges = [Edge(3600.0, closed=True), Edge(3600.1, closed=False)]
        start_s = now_s()
        train = Train(outputs, "bucket", edges, start_s=start_s, played=lambda _: None)
        await asyncio.sleep(1)
        await train.stop()
        assert now_s() == pytest.approx(start_s + 1)
        assert train.closures == 0

    run(main(), virtual=True)


def test_a_train_that_falls_behind_is_an_error():
    """Edges much later than asked for are another weather: the train ends with an error, it does not go on."""

    async def main():
        outputs, _ = await opened()
        edges = [Edge(0.0, closed=True), Edge(0.1, closed=False)]
        train = Train(outputs, "bucket", edges, start_s=now_s() - 1, played=lambda _: None)
        await asyncio.sleep(1)
        with pytest.raises(DriverError, match=r"^the pulses on bucket fell 1 s behind: the weather was not"):
            await train.stop()

    run(main(), virtual=True)


def test_making_safe_ends_a_train_with_an_error():
    """Whoever makes the outputs safe breaks off the trains, and the train says so."""

    async def main():
        outputs, terminals = await opened()
        train = Train(outputs, "cups", pulses("0.3", "0.1"), start_s=now_s(), played=lambda _: None)
        await asyncio.sleep(1.05)
        await outputs.make_safe()
        assert terminals.edges["cups"][-1][1] is False
        await asyncio.sleep(1)
        assert isinstance(train.error, DriverError)

    run(main(), virtual=True)


@pytest.mark.parametrize("hands_over_s", [0.9, 1.0, 1.01, 3.499])
def test_one_train_takes_over_from_another_at_an_instant(hands_over_s):
    """The first plays what is due before, the second what comes after: nothing is lost, doubled or late."""

    async def main():
        outputs, terminals = await opened(fastest_edge="5 ms")
        start_s = now_s() + 0.05
        takes_over_s = start_s + hands_over_s
        reports = []
        first = Train(outputs, "cups", pulses("1/100", "1/200"), start_s=start_s, played=reports.extend)
        await asyncio.sleep(hands_over_s)
        await first.end(from_s=takes_over_s)
        edges = (Edge(e.at_s + 0.0025, e.closed) for e in pulses("1/50", "1/100"))
        second = Train(outputs, "cups", edges, start_s=takes_over_s, played=reports.extend)
        await first.over()
        assert first.closures == round(hands_over_s * 100)
        assert now_s() < takes_over_s + 0.01
        await asyncio.sleep(1.0)
        await second.stop()
        assert [closed for _, closed in terminals.edges["cups"]] == [True, False] * len(reports[::2])
        assert [at_s for at_s, _ in terminals.edges["cups"]] == pytest.approx(
            [r.due_s for r in reports], abs=1e-6
        )

    run(main(), virtual=True)


def test_a_quick_train_takes_over_from_a_slow_one_on_time():
    """The width that the slow train's next closure would have kept holds nobody back."""

    async def main():
        outputs, terminals = await opened()
        begun_s = now_s() + 0.05
        slow = Train(outputs, "cups", pulses(1, "1/2"), start_s=begun_s, played=lambda _: None)
        await asyncio.sleep(2.2)
        await slow.end(from_s=begun_s + 2.5)
        quick = Train(outputs, "cups", pulses("1/7", "1/14"), start_s=begun_s + 2.55, played=lambda _: None)
        await asyncio.sleep(1.2)
        await quick.stop()
        await slow.over()
        closed = [at_s - begun_s for at_s, closes in terminals.edges["cups"] if closes]
        due = [0, 1, 2, *(2.55 + k / 7 for k in range(len(closed) - 3))]
        assert len(closed) > 6
        assert closed == pytest.approx(due, abs=1e-6)
        await outputs.close()

    run(main(), virtual=True)
