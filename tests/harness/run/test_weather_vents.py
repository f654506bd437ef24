"""A run on a vent that the bench plays: judged, judged again, failing and mended; and the bench measured with it."""

import asyncio
import json
from pathlib import Path

import pytest

from ventproof.case.case import case_of
from ventproof.log.events import Header
from ventproof.log.read import read_log
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.rejudge.again import decide_again
from ventproof.run.engine import Engine
from ventproof.session.selfcheck import selfcheck
from ventproof.verdict.finding import Verdict
from ventproof_bench.base import clock
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import AbortKind, BusFault, FileError
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.rig.build import assemble

BENCH = Path(__file__).parents[1] / "data" / "bench-loop.yaml"

RAIN = """
profile: rain closes a vent that the bench plays
needs:
  outputs: {{rain: contact, house_temperature: °C, roof: vent}}
  signals: {{roof_vent: "%"}}
start:
  write: {{house_temperature: 30 °C}}
  until:
    - {{signal: roof_vent, reaches: 90 %, tolerance: 3 %, within: 2 min}}
steps:
  - step: rain
    do:
{failures}
      - {{close: rain, label: rain_begins}}
    expect:
      - {{signal: roof_vent, {demand}, after: rain_begins}}
"""
CLOSES = "reaches: 8 %, tolerance: 2 %, within: 40 s, holds: 5 s"
STANDS = "unchanged: {for: 40 s, tolerance: 1 %}"


def _profile(*failures, demand=CLOSES):
    lines = "\n".join(f"      - {failure}" for failure in failures) or "      - {wait: 1 s}"
    return RAIN.format(failures=lines, demand=demand)


def _events(log):
    return [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]


@pytest.mark.parametrize(
    ("failures", "demand", "verdict"),
    [
        ((), CLOSES, Verdict.PASS),
        (("{fail: roof, mode: dead}",), STANDS, Verdict.PASS),
        (("{fail: roof, mode: dead}", "{restore: roof}"), CLOSES, Verdict.PASS),
        (("{fail: roof, mode: jams, position: 40 %, way: closing}",), CLOSES, Verdict.FAIL),
        (("{fail: roof, mode: slow, factor: 2}",), CLOSES, Verdict.FAIL),
        (("{fail: roof, part: position, mode: stuck}",), CLOSES, Verdict.FAIL),
    ],
)
def test_what_the_unit_does_with_a_played_vent_is_judged(run, failures, demand, verdict):
    """The unit sees what befell the vent by its feedback alone, and the judge sees where the vent really went."""
    result = run(_profile(*failures, demand=demand), bench=BENCH.read_text(encoding="utf-8"))
    assert result.outcome.verdict is verdict
    assert decide_again(read_log(result.log)).changes == ()


def test_a_log_holds_where_the_vent_was_and_what_befell_it(run):
    """Positions stand as readings of table `played` without words, a failure as any stimulus, lateness as a note."""
    profile = _profile("{fail: roof, mode: slips, by: 2 %, label: slip}")
    events = _events(run(profile, bench=BENCH.read_text(encoding="utf-8")).log)
    played = [event for event in events if event.get("table") == "played"]
    assert {event["bus"] for event in played} == {"io"}
    assert all(event["words"] == [] and list(event["values"]) == ["roof_vent"] for event in played)
    assert max(event["values"]["roof_vent"] for event in played) == pytest.approx(90, abs=1.5)
    (slip,) = [event for event in events if event["event"] == "stimulus" and event["output"] == "roof"]
    assert slip["said"] == "let roof slip by 2 % in each opening run"
    assert 0 < slip["to"] - slip["from"] < 0.1
    assert any(
        event["event"] == "note" and "rounds in which vents are played" in event["text"] for event in events
    )


def test_a_run_whose_vent_nobody_plays_is_aborted_and_left_safe():
    """Two seconds without a reading of the drive's contacts: the bench failed, no verdict, and outputs are safe."""
    bench = load_bench(BENCH)
    profile = read_profile("p.yaml", _profile())
    bound, events = bind(profile, bench, {}), []

    async def main():
        rig = assemble(bench.model, seed=0)
        io = next(bus for bus in rig.buses if bus.name == "io")
        read, begun_s = io.read, now_s()

        async def lapsing(request):
            if request.table == "discrete" and now_s() > begun_s + 10:
                asked_s = now_s()
                await asyncio.sleep(0.06)
                raise BusFault("timeout", "no reply", requested_s=asked_s, ended_s=now_s())
            return await read(request)

        io.read = lapsing
        engine = Engine(
            profile.model,
            rig,
            case_of(bound),
            record=events.append,
            output_names=bound.outputs,
            vent_names=bound.vents,
        )
        return await engine.run(Header())

    outcome = clock.run(main(), virtual=True)
    assert outcome.verdict is None
    assert outcome.unsafe == ""
    assert outcome.abort.kind is AbortKind.BENCH
    assert outcome.aborted == "what commands vent roof was not read for 2 s: nothing plays it"
    assert "safe" in {event.name for event in events}


@pytest.mark.parametrize(
    ("needs", "said"),
    [
        (
            'outputs: {feedback: "%"}',
            "'feedback' on bench b shows where vent 'roof' stands: a profile cannot drive it; let the vent itself fail",
        ),
        ("outputs: {gable: vent}", "bench b has no vent that it plays 'gable'; known: roof"),
    ],
)
def test_what_shows_a_vent_is_driven_by_nobody_else(needs, said):
    """A profile that needs such an output, or a vent that nobody plays, is refused with its place."""
    name = needs.split("{")[1].split(":")[0]
    do = f"{{fail: {name}, mode: dead}}" if "vent" in needs else f"{{write: {name}, value: 5 %}}"
    text = f"""
profile: drives feedback
needs:
  {needs}
  signals: {{roof_vent: "%"}}
steps:
  - step: it
    do: [{do}]
    expect:
      - {{signal: roof_vent, unchanged: {{for: 5 s, tolerance: 1 %}}}}
"""
    with pytest.raises(FileError) as caught:
        bind(read_profile("p.yaml", text), load_bench(BENCH), {})
    found = str(caught.value).replace(str(BENCH), "b")
    assert found.startswith("p.yaml:4:")
    assert said in found


def test_a_part_that_the_bench_does_not_play_cannot_fail():
    """This vent has no end switches."""
    text = _profile("{fail: roof, part: switches, mode: never}")
    with pytest.raises(FileError) as caught:
        bind(read_profile("p.yaml", text), load_bench(BENCH), {})
    assert "plays no closed switch of vent 'roof'; declare `closed_switch:` below its `plays:`" in str(
        caught.value
    )


def test_a_bench_measures_its_loop(tmp_path):
    """Delay and held position are measured, the position's tolerance is told, and what shows the vent is left to it."""
    result = selfcheck(load_bench(BENCH), tmp_path, kind="bench")
    (loop,) = [event for event in _events(result.log) if event["event"] == "loop"]
    assert (loop["vent"], loop["signal"]) == ("roof", "roof_vent")
    assert loop["delay"]["count"] >= 20
    assert 0.008 <= loop["delay"]["median_s"] <= loop["delay"]["worst_s"] < 0.05
    assert 0.005 < loop["off_percent"] < 0.006  # half a count of 1 mV of 9 V
    assert not [
        event for event in _events(result.log) if event.get("output") == "feedback" and "edges" in event
    ]
    assert "roof_vent" in {one.signal for one in result.decidable}
    assert [one.name for one in result.unjudged if one.left] == []
