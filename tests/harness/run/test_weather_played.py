"""Weather that goes on beside the steps: exact counts, windows that hold the truth, failures, and honest ends."""

from __future__ import annotations

import asyncio
import json

import pytest

from ventproof.case.case import case_of
from ventproof.log.events import EdgesPlayed, Header, Note
from ventproof.log.read import read_log
from ventproof.profile.bind import bind
from ventproof.profile.load import load_profile, read_profile
from ventproof.run.engine import Engine
from ventproof_bench.base import clock as virtual
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import AbortKind, FileError
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.rig.build import assemble

HEAD = """
profile: weather beside the steps
needs:
  outputs: {bucket: contact, cups: contact, rain: contact, outside_temperature: °C, house_temperature: °C}
  signals: {tip_count: count, gust: m/s, gale_override: flag, outside_failed: flag, rain_override: flag}
steps:
  - step: weather
    do:
"""


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
    """Return the closures that were played on an output, as the log tells of them."""
    return [
        edge
        for event in read_log(result.log).events
        if isinstance(event, EdgesPlayed) and event.output == output
        for edge in event.edges
        if edge.closed
    ]


def test_every_tip_is_played_recorded_and_counted(run):
    """36 mm/h for 3 min are 1.8 mm, nine tips 20 s apart: played at their instants, and the unit counts them."""
    do = [
        "{wait: 1 s}",
        "{rainfall: bucket, intensity: 36 mm/h, for: 3 min, label: shower}",
        "{wind: cups, speed: 9 m/s}",
    ]
    result = run(profile_text(do, ["{signal: tip_count, counts: 9, within: 200 s, after: shower}"]))
    assert result.outcome.verdict == "pass", result.findings
    begin = events_of(result, "stimulus")
    shower = next(e for e in begin if e["said"] == "rain of 36 mm/h into bucket for 3 min")
    tips = closures(result, "bucket")
    assert [edge.window.earliest_s for edge in tips] == pytest.approx(
        [shower["from"] + 20 * k for k in range(1, 10)], abs=2e-6
    )
    assert all(edge.window.earliest_s <= edge.due_s + 1e-6 for edge in tips)
    assert all(edge.window.latest_s - edge.window.earliest_s >= 0.001 - 1e-9 for edge in tips)
    ends = {e["output"]: e for e in events_of(result, "stimulus_end")}
    assert ends["bucket"]["closures"] == 9
    assert ends["cups"]["closures"] == len(closures(result, "cups"))
    assert ends["cups"]["closures"] == pytest.approx(200 * 8.6 / 1.2, abs=3)


def test_a_response_may_count_from_the_last_tip(run):
    """`after_end_of` a rainfall counts from its last edge, although the step's other stimuli came long before."""
    do = ["{rainfall: bucket, intensity: 24 mm/h, for: 4 min, label: shower}", "{wait: 1 s}"]
    result = run(
        profile_text(do, ["{signal: rain_override, equals: off, within: 155 s, after_end_of: shower}"])
    )
    assert result.outcome.verdict == "pass", result.findings
    longer = run(profile_text(do, ["{signal: rain_override, unchanged: {for: 152 s}, after_end_of: shower}"]))
    assert longer.outcome.verdict == "fail"  # 120 s until the next tip is overdue and 30 s release delay


def test_another_wind_takes_the_place_of_the_one_before(run):
    """Each wind ends the one before, and the unit reads the new one."""
    do = ["{wind: cups, speed: 5.2 m/s}", "{wait: 10 s}", "{wind: cups, speed: 8.4 m/s, label: more}"]
    result = run(
        profile_text(do, ["{signal: gust, reaches: 8.4 m/s, tolerance: 0.2 m/s, within: 5 s, after: more}"])
    )
    assert result.outcome.verdict == "pass", result.findings
    first, second = events_of(result, "stimulus_end")
    assert first["closures"] == 40  # 10.05 s at 4 Hz
    assert second["t"] - first["t"] == pytest.approx(3.3, abs=0.7)  # a steady reading takes the gust window


def test_a_failed_sensor_hides_the_weather_until_it_is_mended(run):
    """Cups whose wire breaks show no wind; mended, they show the wind that blew on."""
    do = [
        "{wind: cups, speed: 8.4 m/s}",
        "{wait: 10 s}",
        "{fail: cups, mode: open, label: broken}",
        "{wait: 10 s}",
        "{restore: cups, label: mended}",
    ]
    expect = [
        "{signal: gust, reaches: 0 m/s, tolerance: 0.1 m/s, within: 4 s, after: broken}",
        "{signal: gust, reaches: 8.4 m/s, tolerance: 0.2 m/s, within: 5 s, after: mended}",
    ]
    result = run(profile_text(do, expect))
    assert result.outcome.verdict == "pass", result.findings
    times = [edge.window.earliest_s for edge in closures(result, "cups")]
    broken, mended = (
        next(e["from"] for e in events_of(result, "stimulus") if e["said"] == said)
        for said in ("break the wire of cups", "restore cups")
    )
    assert not [t for t in times if broken < t < mended]
    assert [t for t in times if t > mended]


def test_what_is_written_to_a_broken_sensor_shows_when_it_is_mended(run):
    """A level that is set while the wire is broken reaches the terminals with the mending."""
    do = [
        "{write: outside_temperature, value: 10 °C}",
        "{fail: outside_temperature, mode: open}",
        "{wait: 3 s}",
        "{write: outside_temperature, value: 4 °C}",
        "{wait: 3 s}",
        "{restore: outside_temperature, label: mended}",
    ]
    text = profile_text(do, ["{signal: outside_failed, equals: off, within: 12 s, after: mended}"])
    result = run(text)
    assert result.outcome.verdict == "pass", result.findings
    levels = [e["level"] for e in events_of(result, "stimulus") if "level" in e]
    assert levels == pytest.approx([1039.03, 1015.62], abs=0.01)  # Pt1000 at 10 °C and 4 °C, IEC 60751


@pytest.mark.parametrize(
    ("do", "reason"),
    [
        ("{rainfall: cups, intensity: 1 mm/h, for: 1 min}", "'cups' on bench .* stands for no bucket"),
        ("{wind: bucket, speed: 1 m/s}", "'bucket' on bench .* stands for no cups"),
        (
            "{rainfall: bucket, intensity: 1 mm, for: 1 min}",
            "intensity '1 mm' must be a rain intensity; write it in mm/h",
        ),
        (
            "{rainfall: bucket, intensity: -1 mm/h, for: 1 min}",
            "intensity '-1 mm/h' is below zero; write 0 mm/h for none",
        ),
        ("{rainfall: bucket, intensity: 9000 mm/h, for: 1 min}", "is too long: tip 2 comes"),
        ("{rainfall: bucket, intensity: 1 mm/h}", "'for' is missing"),
        ("{wind: cups, speed: 700 m/s}", "faster than the limit of 500 Hz; stay below"),
        ("{wind: cupz, speed: 5 m/s}", "'cupz' is not among the outputs .* did you mean 'cups'"),
        ("{fail: cups, mode: opne}", "did you mean 'open'"),
        ("{fail: rain, mode: jump, by: 1 m/s}", "'rain' on bench .* is a contact and shows no value"),
        ("{fail: house_temperature, mode: open}", "is a register, and no sensor that could fail"),
        ("{restore: cups}", "'cups' has not failed; use `fail` first"),
        ("{write: outside_temperature, value: -300 °C}", "-300.0 °C is outside what IEC 60751 covers"),
    ],
)
def test_weather_that_cannot_be_is_refused_before_anything_moves(do, reason, run):
    """A slip, a missing sensor or a wind that the output cannot play is found with its line."""
    with pytest.raises(FileError, match=rf"(?s)profile\.yaml:\d+:\d+: .*{reason}"):
        run(profile_text([do], ["{signal: gust, stays_at_most: 100 m/s, for: 1 s}"]))


@pytest.mark.parametrize(
    ("how", "before", "seen"),
    [("open", "close", "off"), ("short", "open", "on"), ("stuck", "open", "off"), ("stuck", "close", "on")],
)
def test_a_contact_that_failed_hides_what_it_is_told_until_it_is_mended(run, how, before, seen):
    """A cut wire stays open, a shorted or welded one closed; moved meanwhile, the contact shows it once mended."""
    after, shown = ("open", "off") if before == "close" else ("close", "on")
    do = [
        f"{{{before}: rain}}",
        "{wait: 130 s}",
        f"{{fail: rain, mode: {how}, label: failed}}",
        "{wait: 130 s}",
    ]
    do += [f"{{{after}: rain, label: unseen}}", "{wait: 20 s}", "{restore: rain, label: mended}"]
    expect = [
        f"{{signal: rain_override, equals: {seen}, within: 125 s, after: failed, already_so: enough}}",
        "{signal: rain_override, unchanged: {for: 15 s}, after: unseen}",
        f"{{signal: rain_override, equals: {shown}, within: 125 s, after: mended, already_so: enough}}",
    ]
    result = run(profile_text(do, expect))
    assert result.outcome.verdict == "pass", result.findings
    said = [event["said"] for event in events_of(result, "stimulus")]
    assert f"{after} rain, unseen" in said


def test_a_leaking_contact_chatters(run):
    """A plain contact opens and closes by itself, and every closure is in the log."""
    do = ["{fail: rain, mode: chatter, every: 500 ms, label: leaks}", "{wait: 30 s}", "{restore: rain}"]
    text = profile_text(do, ["{signal: rain_contact, equals: on, within: 3 s, after: leaks}"])
    result = run(text.replace("rain_override: flag}", "rain_contact: flag}"))
    assert result.outcome.verdict == "pass", result.findings
    assert len(closures(result, "rain")) == pytest.approx(30, abs=8)


def test_a_mended_wire_needs_something_to_show(run):
    """Nobody said what the thermometer shows: mending it would leave the wire broken, and the unit would be blamed."""
    do = ["{fail: outside_temperature, mode: open}", "{restore: outside_temperature, label: mended}"]
    expect = ["{signal: outside_failed, equals: off, within: 12 s, after: mended}"]
    with pytest.raises(
        FileError, match="the value of 'outside_temperature' from now on is unknown; write its val"
    ):
        run(profile_text(do, expect))


def test_a_count_from_the_end_of_a_rain_is_refused(run):
    """Whether the last tip is in the reading at the end of the rain nobody can say: a right unit would fail on it."""
    do = ["{wait: 2 s}", "{rainfall: bucket, intensity: 72 mm/h, for: 30 s, label: shower}"]
    expect = ["{signal: tip_count, counts: 0, within: 60 s, after_end_of: shower}"]
    with pytest.raises(
        FileError, match="what the last closure counts may come before or after the end of it; use"
    ):
        run(profile_text(do, expect))


def test_a_contact_cannot_be_two_things(run):
    """A contact that plays wind is not closed by hand, nor is it a condition of an invariant."""
    do = ["{wind: cups, speed: 5 m/s}", "{close: cups}"]
    with pytest.raises(FileError, match=r"'cups' stands for wind further up and for contact here"):
        run(profile_text(do, ["{signal: gust, stays_at_most: 100 m/s, for: 1 s}"]))
    always = "always:\n  - {signal: gust, stays_at_most: 9 m/s, while: {cups: closed}}\nsteps:"
    text = profile_text(do[:1], ["{signal: gust, stays_at_most: 100 m/s, for: 1 s}"]).replace(
        "steps:", always, 1
    )
    with pytest.raises(FileError, match=r"'cups' stands for wind: it opens and closes all the time"):
        run(text)


@pytest.mark.parametrize("after_s", [45.0, 45.5, 60.0, 119.0])
def test_an_interrupted_gale_leaves_the_contact_open(after_s, bench_text, shipped):
    """Whenever the operator breaks the run off, the cups' contact ends open and nothing is played any more."""
    bench = read_bench("bench.yaml", bench_text)
    profile = load_profile(shipped["wind-closes-holds-releases"])
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
        ended = len(events)
        await asyncio.sleep(30)
        assert len(events) == ended
        rig.mock.advance(now_s())
        assert "cups" not in rig.mock._closed

    virtual.run(main(), virtual=True)
    assert (events[-1].verdict, events[-1].abort.kind) == (None, AbortKind.OPERATOR)


def delayed(bench_text, output, do, expect, *, closing_s=0.0, opening_s=0.0):
    """Run a profile on a bench whose driver of one output takes its time; returns outcome and events."""
    bench = read_bench("bench.yaml", bench_text)
    profile = read_profile("p.yaml", profile_text(do, expect))
    bound = bind(profile, bench, {})
    events = []

    async def main():
        rig = assemble(bench.model, seed=0)
        drive = rig.outputs._contacts[output].driver
        energise = drive.energise

        async def slow(on):
            await asyncio.sleep(closing_s if on else opening_s)
            return await energise(on)

        drive.energise = slow
        engine = Engine(profile.model, rig, case_of(bound), record=events.append, output_names=bound.outputs)
        return await engine.run(Header())

    return virtual.run(main(), virtual=True), events


def test_a_bench_that_falls_behind_leaves_the_run_inconclusive(bench_text):
    """Pulses much later than asked for are another weather: the profile ends there, and nothing of it passes."""
    do, expect = ["{wind: cups, speed: 14 m/s}"], ["{signal: gust, stays_at_most: 100 m/s, for: 60 s}"]
    # 60 ms is longer than the 44 ms between two edges
    outcome, events = delayed(bench_text, "cups", do, expect, closing_s=0.06, opening_s=0.06)
    assert outcome.verdict == "inconclusive"
    (said,) = [event.text for event in events if isinstance(event, Note) and "behind" in event.text]
    assert said.startswith("the pulses on cups fell 0.1")
    assert said.endswith("s behind: the weather was not the one asked for")


TIPS = (
    ["{wait: 2 s}", "{rainfall: bucket, intensity: 36 mm/h, for: 1 min, label: shower}"],
    ["{signal: tip_count, counts: 3, within: 80 s, after: shower}"],
)


def test_a_pulse_three_times_as_long_as_asked_is_another_weather(bench_text):
    """A closure of 0.1 s that lasts 0.33 s may be a stuck contact to the unit: nothing passes."""
    outcome, events = delayed(bench_text, "bucket", *TIPS, opening_s=0.23)
    assert outcome.verdict == "inconclusive"
    assert [e for e in events if isinstance(e, Note) and "on bucket fell 0.23 s behind" in e.text]


def test_a_late_closure_keeps_half_of_its_width(bench_text):
    """A closure that went out late is not cut down to what the unit debounces: it is counted."""
    outcome, events = delayed(bench_text, "bucket", *TIPS, closing_s=0.09)
    assert outcome.verdict == "pass"
    closures, openings = (
        [
            edge.window.earliest_s
            for event in events
            if isinstance(event, EdgesPlayed)
            for edge in event.edges
        ][half::2]
        for half in (0, 1)
    )
    assert all(b - a >= 0.05 - 1e-5 for a, b in zip(closures, openings, strict=True))
