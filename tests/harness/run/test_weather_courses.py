"""Rain and wind by their courses, and sensors that go wrong: exact counts, pinned series, levels that wander."""

from __future__ import annotations

import asyncio
import json
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ventproof.case.case import case_of
from ventproof.log.clockwork import Clockwork
from ventproof.log.events import EdgesPlayed, Header, StimulusEnd, StimulusId
from ventproof.log.read import read_log
from ventproof.profile.bind import bind
from ventproof.profile.load import load_profile, read_profile
from ventproof.profile.stimulus import Fail
from ventproof.rejudge.again import decide_again
from ventproof.run.engine import Engine
from ventproof.run.stimuli import failure_said, weather_said
from ventproof_bench.base import clock as virtual
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.evidence import EdgeReport, Window
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.rig.build import assemble

HEAD = """
profile: courses
needs:
  outputs: {bucket: contact, cups: contact, outside_temperature: °C, wind_direction: °}
  signals: {tip_count: count, gale_override: flag, outside_failed: flag}
start:
  write: {outside_temperature: 10 °C, wind_direction: 180 °}
  until: [{signal: tip_count, unchanged: {for: 1 s}}]
steps:
  - step: weather
    do:
"""
SERIES = "time [min], depth [mm]\n0, 0\n1, 0.4\n2, 1.0\n"


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


def profile_text(do, expect):
    """Return the text of a profile of one step."""
    return HEAD + "".join(f"      - {line}\n" for line in do) + f"    expect: [{', '.join(expect)}]\n"


def events_of(result, name):
    """Return the events of one name in a run's log."""
    return [event for event in lines_of(result.log) if event["event"] == name]


def closures(result, output):
    """Return the instants of the closures that were played on an output."""
    return [edge.window.earliest_s for edge in edges_of(result, output) if edge.closed]


def edges_of(result, output):
    """Return the edges that were played on an output beside the steps."""
    played = [event for event in read_log(result.log).events if isinstance(event, EdgesPlayed)]
    return [edge for event in played if event.output == output for edge in event.edges]


@pytest.mark.parametrize(
    ("rain", "tips"),
    [
        ("blocks: [{for: 1 min, intensity: 36 mm/h}, {for: 1 min, intensity: 0 mm/h}]", 3),
        ("intensity: 0 mm/h, to: 72 mm/h, for: 2 min", 6),
        ("intensity: 36 mm/h, for: 110 s, filled: 50 %", 6),
        ("intensity: 36 mm/h, for: 2 min, jitter: 40 %, seed: 3", 6),
        (
            "storm: {shape: peaked, lasts: 20 min, block: 5 min, formula: {a: 150, b: 10, n: 0.8}}, faster: 10",
            16,
        ),
        ("storm: {shape: IA, depth: 4 mm}, faster: 1440", 20),
    ],
    ids=["blocks", "rising", "half full", "jitter", "Chicago", "24-hour curve"],
)
def test_every_course_of_rain_gives_its_tips(rain, tips, run):
    """Whatever the course, so many tips fall as there are in its depth: played, recorded, and counted by the unit."""
    text = profile_text(
        [f"{{rainfall: bucket, {rain}, label: rain}}"],
        [f"{{signal: tip_count, counts: {tips}, within: 130 s, after: rain}}"],
    )
    result = run(text)
    assert result.outcome.verdict == "pass", result.findings
    assert len(closures(result, "bucket")) == tips
    assert events_of(result, "stimulus_end")[0]["closures"] == tips


def test_a_jittered_shower_strays_and_keeps_its_tips(run):
    """Jitter moves tips by less than its share of the time between them; the seed decides how."""
    times = {}
    for rain in ("", ", jitter: 40 %, seed: 3", ", jitter: 40 %, seed: 4"):
        do = [f"{{rainfall: bucket, intensity: 36 mm/h, for: 1 min{rain}}}"]
        result = run(profile_text(do, ["{signal: tip_count, counts: 3, within: 70 s}"]))
        times[rain] = closures(result, "bucket")
    even, *strayed = times.values()
    for one in strayed:
        assert all(0 < abs(a - b) < 8 for a, b in zip(one[:-1], even[:-1], strict=True))
    assert strayed[0] != strayed[1]


def test_a_wind_that_takes_over_adds_no_pulse(run):
    """From 4 Hz to 6.667 Hz: the cups go on from where they stand; no two pulses are too close."""
    do = ["{wind: cups, speed: 5.2 m/s}", "{wait: 10 s}", "{wind: cups, speed: 8.4 m/s, label: more}"]
    result = run(profile_text(do, ["{signal: gale_override, unchanged: {for: 5 s}, after: more}"]))
    assert result.outcome.verdict == "pass", result.findings
    gaps = [b - a for a, b in pairwise(closures(result, "cups"))]
    assert sum(gap == pytest.approx(0.25, abs=1e-5) for gap in gaps) >= 38
    assert sum(gap == pytest.approx(0.15, abs=1e-5) for gap in gaps) >= 30
    between = [gap for gap in gaps if 0.15 + 1e-5 < gap < 0.25 - 1e-5]
    assert len(between) <= 1  # the pulse in which the wind changed
    assert [gap for gap in gaps if not 0.15 - 1e-5 < gap < 0.25 + 1e-5] == []


def test_a_response_may_count_from_the_moment_that_a_wind_is_steady(run):
    """After a ramp of 20 s the wind blows a gale: `after_end_of` counts from there, also when another wind follows."""
    do = [
        "{wind: cups, speed: 4 m/s, to: 15 m/s, over: 20 s, label: rise}",
        "{wait: 22 s}",
        "{wind: cups, speed: 15 m/s}",
    ]
    result = run(profile_text(do, ["{signal: gale_override, unchanged: {for: 10 s}, after_end_of: rise}"]))
    begun = next(event for event in events_of(result, "stimulus") if event["label"] == "rise")
    (settled,) = events_of(result, "settled")
    assert settled["from"] == pytest.approx(begun["from"] + 20, abs=2e-6)
    assert result.findings[-1].verdict == "pass"


def test_a_series_is_pinned_and_judged_from_the_log_alone(run, tmp_path):
    """The log holds the series: with profile and series gone or changed, the log still decides the same."""
    path, series = tmp_path / "shower.yaml", tmp_path / "gauge.csv"
    do = ["{rainfall: bucket, series: {file: gauge.csv}, faster: 2, label: rain}"]
    text = profile_text(do, ["{signal: tip_count, counts: 7, within: 70 s, after: rain}"])
    path.write_text(text, encoding="utf-8")
    series.write_text(SERIES, encoding="utf-8")
    result = run(path)
    assert result.outcome.verdict == "pass", result.findings
    series.write_text(SERIES.replace("1.0", "2.0"), encoding="utf-8")
    state = read_log(result.log)
    assert state.events[0].header.profile.attached == {"gauge.csv": SERIES}
    with pytest.raises(FileError, match="the run applied other stimuli: this log cannot decide it"):
        decide_again(state, load_profile(path))
    path.unlink()
    series.unlink()
    assert decide_again(state).verdict == "pass"


@pytest.mark.parametrize(
    ("series", "said"),
    [
        (None, r"shower\.yaml:\d+:\d+: gauge\.csv: there is no such file; check the path"),
        ("time [min], depth [mm]\n0, 0\n1, wet\n", r"gauge\.csv:3:4: 'wet' is not a number"),
        ("time [min], depth\n0, 0\n", r"gauge\.csv:1: the column depth names no unit; write 'depth \[mm\]'"),
        ("", r"gauge\.csv: the file holds no rain"),
    ],
    ids=["no file", "a word", "no unit", "empty"],
)
def test_a_series_that_cannot_be_read_is_refused_with_its_place(series, said, run, tmp_path):
    """A missing file is told where the profile names it, a wrong row with the series' own line."""
    path = tmp_path / "shower.yaml"
    do = ["{rainfall: bucket, series: {file: gauge.csv}}"]
    path.write_text(profile_text(do, ["{signal: tip_count, counts: 1, within: 70 s}"]), encoding="utf-8")
    if series is not None:
        (tmp_path / "gauge.csv").write_text(series, encoding="utf-8")
    with pytest.raises(FileError, match=said):
        run(path)


def test_a_drift_goes_its_way_and_is_mended(run):
    """10 °C drift by -4 °C in 8 s, whatever is written meanwhile; mended, the value is true."""
    do = [
        "{fail: outside_temperature, mode: drift, by: -4 °C, over: 8 s}",
        "{wait: 10 s}",
        "{write: outside_temperature, value: 12 °C}",
        "{restore: outside_temperature, label: mended}",
    ]
    result = run(profile_text(do, ["{signal: outside_failed, unchanged: {for: 2 s}, after: mended}"]))
    assert result.outcome.verdict == "pass", result.findings
    wandered = events_of(result, "wandered")
    assert [event["error"] for event in wandered] == pytest.approx([-0.25 * k for k in range(1, 17)])
    assert wandered[-1]["level"] == pytest.approx(1023.43, abs=0.01)  # Pt1000 at 6 °C, IEC 60751
    levels = [event["level"] for event in events_of(result, "stimulus") if "level" in event]
    assert levels[-1] == pytest.approx(1031.23, abs=0.01)  # 12 °C - 4 °C are written as 8 °C


def test_a_chattering_contact_is_recorded_edge_by_edge(run):
    """A loose contact closes and opens at random until it works again, and the wind goes on unseen."""
    do = [
        "{wind: cups, speed: 2 m/s}",
        "{fail: cups, mode: chatter, every: 200 ms, seed: 2}",
        "{wait: 5 s}",
        "{restore: cups, label: mended}",
    ]
    result = run(profile_text(do, ["{signal: gale_override, unchanged: {for: 3 s}, after: mended}"]))
    assert result.outcome.verdict == "pass", result.findings
    played = [event for event in read_log(result.log).events if isinstance(event, EdgesPlayed)]
    edges = [edge for event in played if event.of.stimulus == 1 for edge in event.edges]
    assert len(edges) == pytest.approx(25, abs=4)
    assert all(0.1 - 1e-6 <= b.due_s - a.due_s <= 0.3 + 1e-6 for a, b in pairwise(edges))
    assert not edges[-1].closed


def test_edges_survive_their_packing():
    """A batch of edges comes back as it was, microsecond by microsecond; an edge that never left has no window."""
    reports = [
        EdgeReport(closed=True, due_s=101.25, window=Window(101.2500004, 101.2515)),
        EdgeReport(closed=False, due_s=101.3, window=None),
        EdgeReport(closed=True, due_s=101.5, window=Window(101.5, 101.501)),
    ]
    times = Clockwork(100.0)
    played = times.batch(1.6, StimulusId(1, 0), "bucket", reports)
    assert tuple(played.edges) == times.edges(reports)


def test_what_a_profile_makes_of_the_sensors_is_said(bench_text, shipped):
    """`check` tells an author the tips of each rain and the fastest pulses of each wind."""

    def said(name):
        return list(weather_said(bind(load_profile(shipped[name]), read_bench("b.yaml", bench_text), {})))

    assert said("rain-storm-counted") == [
        "alternating storm of 30.66 mm into bucket in 6 min, 5 times as fast: 153 tips of 0.2 mm"
    ]
    assert said("rain-measured-shower") == [
        "measured rain of 6.2 mm into bucket in 150 s, 20 times as fast: 31 tips of 0.2 mm"
    ]
    assert said("wind-gusts")[1] == (
        "wind of 6 m/s on cups, with a gust of 8 m/s more for 1 s: 14 m/s at most, 11.3 pulses a second"
    )
    assert said("wind-rises-slowly")[1] == (
        "wind of 6 m/s on cups, changing to 16 m/s in 60 s: 16 m/s at most, 13 pulses a second"
    )


@pytest.mark.parametrize(
    ("failure", "said"),
    [
        ("mode: open", "break the wire of cups"),
        ("mode: short", "short the wires of cups"),
        ("mode: stuck", "freeze cups"),
        ("mode: drift, by: 3 m/s, over: 1 min", "let cups drift by 3 m/s in 60 s"),
        ("mode: jump, by: 3 m/s", "let cups jump by 3 m/s"),
        ("mode: chatter, every: 1 s", "let cups chatter about every 1 s"),
        ("mode: chatter, every: 1 s, by: 2 m/s", "let cups chatter by 2 m/s about every 1 s"),
    ],
)
def test_each_failure_has_its_sentence(failure, said):
    """What was done to a sensor reads as a person would say it."""
    raw = dict(pair.split(": ") for pair in failure.split(", "))
    assert failure_said(Fail.model_validate({"fail": "cups", **raw})) == said


@pytest.mark.parametrize("after_s", [1.6, 2.2, 4.0, 30.0])
def test_nothing_is_driven_once_a_run_was_interrupted(after_s, bench_text):
    """A drift, a chatter and a rare rain end with the run: the outputs stay in their safe state."""
    do = [
        "{fail: outside_temperature, mode: drift, by: -8 °C, over: 5 min, label: drift}",
        "{rainfall: bucket, intensity: 12 mm/h, for: 10 min}",
        "{fail: wind_direction, mode: chatter, by: 90 °, every: 2 s}",
        "{fail: cups, mode: chatter, every: 2 s}",
    ]
    bench = read_bench("bench.yaml", bench_text)
    text = profile_text(do, ["{signal: outside_failed, unchanged: {for: 5 min}, after: drift}"])
    profile = read_profile("profile.yaml", text)
    bound = bind(profile, bench, {})
    events = []

    async def main():
        rig = assemble(bench.model, seed=0)
        engine = Engine(profile.model, rig, case_of(bound), record=events.append, output_names=bound.outputs)
        task = asyncio.get_running_loop().create_task(engine.run(Header()))
        await asyncio.sleep(after_s)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        ended, driven = len(events), []
        rig.mock.set_level = rig.mock.set_contact = lambda *at, **more: driven.append((at, more))
        await asyncio.sleep(100)
        assert (len(events), driven) == (ended, [])

    virtual.run(main(), virtual=True)
    assert events[-1].name == "run_end"


WINDS = st.sampled_from(
    [
        "{wind: cups, speed: 0 m/s}",
        "{wind: cups, speed: 0.7 m/s}",
        "{wind: cups, speed: 9 m/s}",
        "{wind: cups, speed: 2 m/s, to: 12 m/s, over: 3 s}",
        "{wind: cups, speed: 5 m/s, gust: {rise: 6 m/s, lasts: 2 s}}",
        "{wind: cups, speed: 3 m/s, turbulence: {intensity: 90 %, for: 5 s}}",
    ]
)
WAITS = st.integers(0, 4000).map(lambda ms: f"{{wait: {ms + 1} ms}}")


@given(st.lists(st.tuples(WINDS, WAITS, st.booleans(), WAITS), min_size=1, max_size=4))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_recorded_is_what_the_terminals_saw(bench_text, winds):
    """Whatever wind follows which, and fails in between: all edges are recorded, and the contact ends open."""
    do = []
    for wind, wait, fails, then in winds:
        do += [wind, wait]
        do += ["{fail: cups, mode: open}", then, "{restore: cups}"] if fails else []
    do.append("{write: outside_temperature, value: 9 °C, label: last}")
    bench = read_bench("bench.yaml", bench_text)
    profile = read_profile(
        "profile.yaml", profile_text(do, ["{signal: outside_failed, unchanged: {for: 1 s}, after: last}"])
    )
    bound = bind(profile, bench, {})
    events, seen = [], []

    async def main():
        rig = assemble(bench.model, seed=0)
        take = rig.mock.set_contact

        def noted(name, at_s, *, closed):
            if name == "cups":
                seen.append((at_s, closed))
            take(name, at_s, closed=closed)

        rig.mock.set_contact = noted
        engine = Engine(profile.model, rig, case_of(bound), record=events.append, output_names=bound.outputs)
        await engine.run(Header())

    virtual.run(main(), virtual=True)
    played = [edge for e in events if isinstance(e, EdgesPlayed) for edge in e.edges]
    changes = [b for (_, a), (t, b) in pairwise([(0.0, False), *seen]) if a != b]
    assert changes == [edge.closed for edge in played]
    assert not seen[-1][1]
    closures_told = sum(e.closures for e in events if isinstance(e, StimulusEnd))
    assert closures_told == sum(changes)
