"""What it costs to judge a whole log: an hour of sixteen signals, and one formula over one long trace."""

from __future__ import annotations

import math
import random
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from ventproof.deciders import formulas as f
from ventproof.envelope.spans import Block
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Rule, Ruling, Verdict
from ventproof_bench.base.evidence import SignalTraits, Window

COUNT = 36_000  # an hour at 10 Hz
STEP_S = 0.1


@dataclass
class Recorded:
    """One signal's hour, and what is asked of it: from which instant, and what."""

    traits: SignalTraits
    block: Block
    questions: list[tuple[float, f.Formula]] = field(default_factory=list)
    invariant: f.StaysFormula | None = None


def _instants(r: random.Random, count: int) -> list[float]:
    """Instants of an hour, at least 100 s apart."""
    slots = r.sample(range(1, 20), count)
    return [slot * 160 + r.uniform(0, 60) for slot in sorted(slots)]


def _block(values: list[float], phase_s: float) -> Block:
    begins = [i * STEP_S + phase_s for i in range(COUNT)]
    return Block.of(values, begins, [begin + 0.01 for begin in begins])


def _vent(r: random.Random, number: int) -> Recorded:
    """A vent that travels to and fro three times in the hour, 30 s each way, read to half a percent."""
    traits = SignalTraits(
        name=f"vent_{number}", unit="%", error=0.25, rate_per_s=100 / 28, refreshed_every_s=0.2
    )
    moves, x, goal, values = _instants(r, 3), 99.0, 99.0, []
    kinds: list[Callable[[float], f.Formula]] = [
        lambda goal: f.ReachesFormula(goal, 2.0, 60.0, 120.0),
        lambda goal: f.ReturnsFormula(goal, 2.0, 10.0, 60.0),
        lambda goal: f.OvershootsAtMostFormula(2.0, goal, 180.0),
        lambda goal: f.MovesAtFormula(100 / 30, 0.4, goal, 60.0),
        lambda _: f.StartsMovingFormula(1.0, 60.0),
        lambda _: f.NeverReversesFormula(3.0, 120.0),
    ]
    questions: list[tuple[float, f.Formula]] = [(30.0, f.UnchangedFormula(2.0, 100.0))] if number < 4 else []
    for i in range(COUNT):
        if moves and i * STEP_S >= moves[0]:
            goal = 104.0 - goal
            if len(moves) > 1:
                questions.append((moves[0], kinds[(number + len(moves)) % len(kinds)](goal)))
            moves.pop(0)
        x += max(-1 / 3, min(1 / 3, goal - x))
        values.append(round(2 * x) / 2)
    invariant = f.StaysFormula(-1.0, 101.0, None) if number < 4 else None
    return Recorded(traits, _block(values, number * 0.002), questions, invariant)


def _flag(r: random.Random, number: int) -> Recorded:
    """An override flag that goes on and off twice."""
    traits = SignalTraits(name=f"flag_{number}", unit="flag", keeps_for_s=2.0, refreshed_every_s=0.2)
    edges = _instants(r, 4)
    values = [float(sum(edge + 1 <= i * STEP_S for edge in edges) % 2) for i in range(COUNT)]
    questions: list[tuple[float, f.Formula]] = [
        (edges[0], f.EqualsFormula(1.0, 60.0)),
        (edges[1] + 10, f.UnchangedFormula(None, 80.0)),
        (edges[2], f.StaysFormula(None, 1.0, 300.0)),
    ]
    return Recorded(traits, _block(values, number * 0.002), questions)


def _counter(r: random.Random, number: int) -> Recorded:
    traits = SignalTraits(name=f"count_{number}", unit="count", refreshed_every_s=0.2)
    edges = _instants(r, 12)
    values = [float(sum(edge <= i * STEP_S for edge in edges)) for i in range(COUNT)]
    questions: list[tuple[float, f.Formula]] = [
        (edges[1] - 5, f.CountsFormula(1, 60.0)),
        (20.0, f.CountsFormula(0, 100.0)),
    ]
    return Recorded(traits, _block(values, number * 0.002), questions)


def _judge(one: Recorded, *, blocks: bool) -> list[Ruling]:
    """Follow one signal through the hour as a log is followed: watches open half a second after their stimulus."""
    trace = SignalTrace(one.traits)
    watches = [trace.watch(one.invariant, Window(0.0, 0.0))] if one.invariant else []
    at = 0
    for begin_s, question in [*sorted(one.questions, key=lambda q: q[0]), (math.inf, None)]:
        trace.remember_from(begin_s - 1)
        end = min(COUNT, int(one.block.requested_s.searchsorted(begin_s + 0.5)))
        if blocks:
            trace.observe_block(one.block.part(at, end))
        else:
            for sample in one.block.part(at, end):
                trace.observe(sample)
        at = end
        if question is not None:
            watches.append(trace.watch(question, Window(begin_s, begin_s + 0.02)))
    return [watch.close(COUNT * STEP_S) for watch in watches]


def hour_of(vents: int, flags: int, counters: int) -> list[Recorded]:
    """Return an hour of so many signals."""
    r = random.Random(5)
    makers = ((_vent, vents), (_flag, flags), (_counter, counters))
    return [make(r, number) for make, count in makers for number in range(count)]


def judged(hour: list[Recorded], rounds: int) -> tuple[list[Verdict], float, float]:
    """Return the verdicts on an hour, what the best round took, and what readings one by one take, s."""
    best_s, found = math.inf, []
    for _ in range(rounds):
        begin = time.process_time()
        found = [_judge(one, blocks=True) for one in hour]
        best_s = min(best_s, time.process_time() - begin)
    begin = time.process_time()
    assert [_judge(one, blocks=False) for one in hour] == found
    singly_s = time.process_time() - begin
    return [finding.verdict for each in found for finding in each], best_s, singly_s


@pytest.mark.performance
def test_an_hour_of_sixteen_signals_is_judged_in_a_second() -> None:
    """36,000 readings of each of 16 signals, 40 responses and 4 invariants of the whole hour, on one core."""
    hour = hour_of(9, 5, 2)
    assert len(hour) == 16
    assert sum(len(one.questions) for one in hour) >= 40
    verdicts, best_s, singly_s = judged(hour, 3)
    assert verdicts.count(Verdict.PASS) > 30
    print(f"{best_s:.2f} s for {len(verdicts)} findings; {singly_s:.2f} s one by one")
    assert best_s < 1.0


def _travel(count: int, *, arrives: bool) -> list[float]:
    """A position that comes into 5 ± 2 only just before 150 s and stays, or only visits it for 50 s at a time."""
    r = random.Random(3)
    x, values = 20.0, []
    for i in range(count):
        t = i * STEP_S
        goal = (5.3 if t > 136.9 else 20.0) if arrives else (5.3 if int(t / 50) % 2 else 9.0)
        x += max(-0.1, min(0.1, goal - x))
        values.append(x + r.uniform(-0.02, 0.02))
    return values


def _theirs(values: list[float]) -> tuple[float, float]:
    """Return robustness at time 0 by rtamt 0.4.10 (BSD-3), discrete time offline, and what it took."""
    rtamt = pytest.importorskip("rtamt")
    monitor = rtamt.StlDiscreteTimeOfflineSpecification()
    monitor.declare_var("x", "float")
    monitor.set_sampling_period(100, "ms", 0.1)
    monitor.unit = "s"
    monitor.spec = "out = eventually[0:150] (always[0:60] ((x >= 3) and (x <= 7)))"
    monitor.parse()
    data = {"time": [i * STEP_S for i in range(len(values))], "x": values}
    begin = time.process_time()
    robustness = float(monitor.evaluate(data)[0][1])
    return robustness, time.process_time() - begin


def _ours(values: list[float]) -> tuple[Ruling, float]:
    t = [i * STEP_S for i in range(len(values))]
    best_s = math.inf
    for _ in range(5):
        begin = time.process_time()
        trace = SignalTrace(SignalTraits(name="x", unit="%"))
        watch = trace.watch(f.ReachesFormula(5.0, 2.0, 150.0, 60.0), Window(0.0, 0.0), Rule.SIMPLE)
        trace.observe_block(Block.of(values, t, t))
        found = watch.close(t[-1])
        best_s = min(best_s, time.process_time() - begin)
    return found, best_s


def monitored(count: int, *, arrives: bool) -> tuple[float, float]:
    """Return what we and an offline monitor take for one trace at best, in turn, s; both say the same of it."""
    values = _travel(count, arrives=arrives)
    rounds = [(*_ours(values), *_theirs(values)) for _ in range(8)]
    found, _, robustness, _ = rounds[0]
    ours_s, theirs_s = (min(one[i] for one in rounds) for i in (1, 3))
    assert found.verdict is (Verdict.PASS if robustness >= 0 else Verdict.FAIL)
    assert (found.verdict is Verdict.PASS) is arrives
    assert found.margin is not None
    assert found.margin.low == pytest.approx(robustness, abs=0.14)
    return ours_s, theirs_s


@pytest.mark.performance
@pytest.mark.skipif(sys.version_info >= (3, 13), reason="rtamt's parser needs typing.io, gone in Python 3.13")
@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("arrives", [True, False])
@pytest.mark.parametrize("count", [2_200, 10_000, 36_000])
def test_one_pass_over_a_trace_beats_an_offline_monitor(
    figure: Callable[..., None],
    count: int,
    arrives: bool,  # noqa: FBT001
) -> None:
    """F[0,150] G[0,60] |x - 5| <= 2 at 10 Hz, exact readings: the same verdict and robustness, 50 times as fast.

    rtamt looks at the samples only; between two of them the position moves by 0.14 at most. The margin of a pass
    covers the evidence up to the decision, so the arrival is as late as may be. The shortest trace is the shortest
    that the formula can be decided on.
    """
    rounds = [monitored(count, arrives=arrives) for _ in range(5)]
    what = f"an offline monitor on {count:,} readings, {'pass' if arrives else 'fail'}, times ours"
    figure(what, [theirs_s / ours_s for ours_s, theirs_s in rounds], better="more", limit=50)
