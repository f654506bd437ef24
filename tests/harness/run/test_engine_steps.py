"""The engine: known start, recorded stimuli, steps that end when decided, and every way out closed and safe."""

from __future__ import annotations

import asyncio
import json
from itertools import count

import pytest

from ventproof.case.case import case_of
from ventproof.log.events import Header
from ventproof.profile.bind import bind
from ventproof.profile.load import load_profile, read_profile
from ventproof.run.engine import Engine
from ventproof_bench.base import clock as virtual
from ventproof_bench.base.errors import Abort, AbortKind, DriverError, RecordError
from ventproof_bench.base.evidence import EdgeReport, Window
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.rig.build import assemble

INTERLOCK = """
interlock: {signal: rain_contact, healthy: 0}
"""


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


def events_of(result):
    return lines_of(result.log)


def names_of(events):
    return [event["event"] for event in events]


def test_a_run_is_start_steps_findings_and_a_closing_line(run, shipped):
    """The log tells the run in order, the outputs are made safe before the last line, and nothing follows it."""
    events = [e for e in events_of(run(shipped["rain-count"])) if e["event"] not in {"poll", "note"}]
    assert names_of(events)[0] == "run_begin"
    driven = [e["why"] for e in events if e["event"] == "driven"]
    assert names_of(events)[-3 - driven.count("safe") :] == [
        "evidence_end",
        *["driven"] * driven.count("safe"),
        "safe",
        "run_end",
    ]
    assert [e["step"] for e in events if e["event"] == "step_begin"] == [0, 1, 2]
    assert names_of(events).count("finding") == 5


def test_a_step_ends_as_soon_as_everything_is_decided(run, shipped):
    """A step does not wait for its deadline when the vents answer sooner."""
    events = events_of(run(shipped["rain-closes-holds-releases"]))
    begin = next(e["t"] for e in events if e["event"] == "step_begin" and e["step"] == 1)
    end = next(e["t"] for e in events if e["event"] == "step_end" and e["step"] == 1)
    assert 47 < end - begin < 49  # the roof vent needs 27.2 s and is then held for 20 s


def test_a_stimulus_window_holds_the_true_edge(run, shipped):
    """The recorded window of a contact's edge contains the command, the operate time and the bounce."""
    events = events_of(run(shipped["rain-closes-holds-releases"]))
    close = next(e for e in events if e["event"] == "stimulus" and e["step"] == 1)
    edge = close["edges"][0]
    assert edge["closed"] is True
    assert edge["to"] - edge["from"] == pytest.approx(0.011, abs=2e-6)  # operate 8 ms and bounce 3 ms


def test_what_follows_a_failed_step_is_not_run(run, shipped):
    """After a step that did not pass nothing more is applied, and the rest says so."""
    result = run(shipped["rain-closes-holds-releases"], faults=["ignores_rain"])
    steps = {e["step"] for e in events_of(result) if e["event"] == "step_begin"}
    assert steps == {0, 1}
    unrun = [f for f in result.findings if f.step == 2]
    assert {f.verdict for f in unrun} == {"inconclusive"}
    assert {f.why for f in unrun} == {"not run: an earlier step did not pass"}


def test_a_unit_that_never_reaches_the_start_is_inconclusive(run, shipped):
    """Without the start state nothing is tested: no pass, and no fail that would blame an override."""
    result = run(shipped["rain-closes-holds-releases"], faults=["runs_inverted"])
    assert result.outcome.verdict == "inconclusive"
    assert {e["step"] for e in events_of(result) if e["event"] == "step_begin"} == {0}


def test_a_dead_bus_is_never_a_pass(run, shipped, bench_text):
    """A unit that does not answer in time leaves gaps, no values; a write that nobody confirms aborts the run."""
    deaf = bench_text.replace("timeout: 500 ms", "timeout: 1 ms")
    result = run(shipped["rain-count"], bench=deaf)
    assert result.outcome.verdict == "inconclusive"
    kinds = names_of(events_of(result))
    assert "poll" not in kinds
    assert "gap" in kinds
    assert run(shipped["rain-closes-holds-releases"], bench=deaf).outcome.verdict is None


def test_samples_that_contradict_the_declared_travel_abort_the_run(run, shipped, bench_text):
    """A vent that moves faster than its bench file says is the bench's fault: both samples are named."""
    slow = bench_text.replace("full_travel: 28 s", "full_travel: 60 s")
    result = run(shipped["rain-closes-holds-releases"], bench=slow)
    assert result.outcome.verdict is None
    assert "roof_vent" in result.outcome.aborted
    assert "full_travel" in result.outcome.aborted
    assert events_of(result)[-1]["verdict"] is None


def test_an_interlock_that_is_lost_aborts_within_a_poll(run, shipped, bench_text):
    """When the interlock opens, the run is broken off within one poll and the outputs are made safe."""
    result = run(
        shipped["rain-closes-holds-releases"], bench=bench_text.replace("\nmock:", INTERLOCK + "\nmock:")
    )
    events = events_of(result)
    closed = next(e for e in events if e["event"] == "stimulus" and e["step"] == 1)
    assert result.outcome.verdict is None
    assert result.outcome.aborted.startswith(
        "the interlock rain_contact is not healthy (it reads 1, healthy is 0)"
    )
    assert events[-1]["t"] - closed["t"] < 0.1 + 0.3  # debounce and refresh of the mock, then one poll
    assert "safe" in names_of(events)


def test_nothing_is_driven_while_the_interlock_is_unhealthy(run, shipped, bench_text):
    """With the interlock open from the start no stimulus is applied at all."""
    unhealthy = bench_text.replace("\nmock:", INTERLOCK.replace("healthy: 0", "healthy: 1") + "\nmock:")
    result = run(shipped["rain-count"], bench=unhealthy)
    assert result.outcome.verdict is None
    assert "stimulus" not in names_of(events_of(result))


def interrupted_run(shipped, bench_text, after_s):
    """Run a profile and cancel it as Ctrl-C does; returns the events and the rig."""
    bench = read_bench("bench.yaml", bench_text)
    profile = load_profile(shipped["rain-closes-holds-releases"])
    bound = bind(profile, bench, {})
    events, rigs = [], []

    async def main():
        rig = assemble(bench.model, seed=0)
        rigs.append(rig)
        engine = Engine(profile.model, rig, case_of(bound), record=events.append, output_names=bound.outputs)
        task = asyncio.get_running_loop().create_task(engine.run(Header()))
        await asyncio.sleep(after_s)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    virtual.run(main(), virtual=True)
    return events, rigs[0]


@pytest.mark.parametrize("after_s", [0.05, 1, 20, 45, 60, 100, 120])
def test_an_interrupted_run_is_safe_and_closed_as_aborted(after_s, shipped, bench_text):
    """Whenever the operator breaks the run off, the contact ends open and the log says aborted."""
    events, rig = interrupted_run(shipped, bench_text, after_s)
    assert events[-1].name == "run_end"
    assert events[-1].verdict is None
    assert events[-1].abort == Abort(AbortKind.OPERATOR, "interrupted by the operator")
    rig.mock.advance(rig.mock.now_s + 60)
    assert "rain" not in rig.mock.active


def test_a_run_interrupted_while_its_bench_opens_opens_it_and_makes_it_safe(shipped, bench_text):
    """What is half open could not be made safe in good order: opening runs to its end, and nothing more is driven."""
    events, rig = interrupted_run(shipped, bench_text, 0.001)
    assert [event.name for event in events[-2:]] == ["safe", "run_end"]
    assert {event.driven.why for event in events if event.name == "driven"} == {"open", "safe"}
    assert rig.outputs.driven


def test_a_chapter_of_polls_carries_the_registers_as_they_came(run, shipped):
    """Each poll keeps the raw words beside the values, so that a stranger can decode them again."""
    poll = next(e for e in events_of(run(shipped["rain-count"])) if e["event"] == "poll")
    assert poll["values"]["roof_vent"] == pytest.approx(poll["words"][0] * 0.1)
    assert json.dumps(poll)
    assert poll["to"] >= poll["from"]


def test_a_log_that_cannot_be_written_ends_the_run_with_safe_outputs(shipped, bench_text):
    """When the disk is full the run is aborted; the outputs are made safe although nothing can be written any more."""
    bench = read_bench("bench.yaml", bench_text)
    profile = load_profile(shipped["rain-closes-holds-releases"])
    bound = bind(profile, bench, {})
    rigs = []

    def record(event):
        if event.t_s > 60:
            raise RecordError("the log x.jsonl cannot be written: No space left on device")

    async def main():
        rig = assemble(bench.model, seed=0)
        rigs.append(rig)
        await Engine(profile.model, rig, case_of(bound), record=record, output_names=bound.outputs).run(
            Header()
        )

    with pytest.raises(RecordError, match=r"^the log x\.jsonl cannot be written: No space left on device$"):
        virtual.run(main(), virtual=True)
    rigs[0].mock.advance(rigs[0].mock.now_s + 60)
    assert "rain" not in rigs[0].mock.active


@pytest.mark.parametrize("seen_at", [1, 20, 44])
def test_a_relay_that_somebody_else_moves_aborts_the_run(seen_at, run, shipped, monkeypatch):
    """Whether the first look sees it or the last one, after all steps: no verdict, and the record says why."""
    looks = count(1)

    async def look(_):
        if next(looks) == seen_at:
            raise DriverError("output rain: somebody else moves it")

    monkeypatch.setattr(LocalOutputs, "shared", True)
    monkeypatch.setattr(LocalOutputs, "look", look)
    outcome = run(shipped["rain-count"]).outcome
    assert (outcome.verdict, outcome.aborted) == (None, "output rain: somebody else moves it")


def test_a_spoiled_train_decides_nothing(shipped, bench_text):
    """When the bench stretched a pulse, what the unit made of it is neither pass nor fail."""
    bench = read_bench("bench.yaml", bench_text)
    profile = load_profile(shipped["rain-count"])
    bound = bind(profile, bench, {})
    case = case_of(bound)

    async def main():
        rig = assemble(bench.model, seed=0)
        played = rig.outputs.train

        async def late(name, edges, *, start_s):
            reports = await played(name, edges, start_s=start_s)
            late_s = Window(reports[5].window.earliest_s + 0.08, reports[5].window.latest_s + 0.08)
            return [*reports[:5], EdgeReport(reports[5].closed, reports[5].due_s, late_s), *reports[6:]]

        rig.outputs.train = late
        engine = Engine(profile.model, rig, case, record=lambda _: None, output_names=bound.outputs)
        return await engine.run(Header())

    assert virtual.run(main(), virtual=True).verdict == "inconclusive"
    found = [item.ruling for item in case.of_step(1)]
    assert {f.verdict for f in found} == {"inconclusive"}
    assert all("instead of" in f.why for f in found)


def test_readings_after_the_evidence_ended_count_for_nothing(run):
    """When the bench puts the house back, the unit answers; no invariant is held against that answer."""
    profile = """
profile: open
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%"}
always:
  - {signal: roof_vent, stays_at_least: 88 %}
start:
  write: {house_temperature: 30 °C}
  until: [{signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min, holds: 5 s}]
steps:
  - step: nothing
    expect: [{signal: roof_vent, stays_at_least: 88 %, for: 5 s}]
"""
    assert run(profile).outcome.verdict == "pass"


@pytest.mark.parametrize("again_after_s", [0.0, 0.001, 0.01])
def test_a_cancellation_while_tidying_up_is_kept_until_it_is_done(again_after_s, shipped, bench_text):
    """However often a run is cancelled, the outputs are made safe and the log gets its closing line."""
    bench = read_bench("bench.yaml", bench_text)
    profile = load_profile(shipped["rain-closes-holds-releases"])
    bound = bind(profile, bench, {})
    events, rigs = [], []

    async def main():
        rig = assemble(bench.model, seed=0)
        rigs.append(rig)
        made_safe = rig.outputs.make_safe

        async def slowly(**patience):
            await asyncio.sleep(0.02)
            await made_safe(**patience)

        rig.outputs.make_safe = slowly
        engine = Engine(profile.model, rig, case_of(bound), record=events.append, output_names=bound.outputs)
        task = asyncio.get_running_loop().create_task(engine.run(Header()))
        await asyncio.sleep(60)
        for _ in range(4):
            task.cancel()
            await asyncio.sleep(again_after_s)
        with pytest.raises(asyncio.CancelledError):
            await task

    virtual.run(main(), virtual=True)
    assert [e.name for e in events[-2:]] == ["safe", "run_end"]
    rigs[0].mock.advance(rigs[0].mock.now_s + 60)
    assert "rain" not in rigs[0].mock.active


def test_a_closure_that_lasted_longer_than_planned_decides_nothing(bench_text):
    """A contact closed and opened by two stimuli is held to the plan like a pulse train."""
    bench = read_bench("bench.yaml", bench_text)
    profile = read_profile(
        "profile.yaml",
        """
profile: a short closure
needs: {outputs: {rain: contact}, signals: {rain_override: flag}}
start: {set: {rain: open}}
steps:
  - step: a short closure
    do: [{close: rain, label: closed}, {open: rain, at: 300 ms}]
    expect: [{signal: rain_override, unchanged: {for: 5 s}, after: closed}]
""",
    )
    bound = bind(profile, bench, {})
    outcomes = []
    for late_s in (0.0, 0.5):

        async def main(late_s=late_s):
            rig = assemble(bench.model, seed=0)
            moved = rig.outputs.contact

            async def late(name, *, closed):
                await asyncio.sleep(0.0 if closed else late_s)
                return await moved(name, closed=closed)

            rig.outputs.contact = late
            engine = Engine(
                profile.model, rig, case_of(bound), record=lambda _: None, output_names=bound.outputs
            )
            return await engine.run(Header())

        outcomes.append(str(virtual.run(main(), virtual=True).verdict))
    assert outcomes == ["pass", "inconclusive"]


def test_a_silent_unit_is_waited_for_whatever_the_time_out(run, shipped, bench_text):
    """Waits for a unit without supply that end between two nanoseconds, as after 300 ms, are no livelock."""
    bench = bench_text.replace("timeout: 500 ms", "timeout: 300 ms")
    assert run(shipped["power-fails-while-vents-move"], bench=bench).outcome.verdict == "pass"
