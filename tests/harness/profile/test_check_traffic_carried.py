"""Pulse trains on a serial bus: refused where it cannot carry them, noted where edges may be late."""

from dataclasses import replace
from pathlib import Path

import pytest

from ventproof.profile.bind import bind
from ventproof.profile.check_traffic import busiest, late_notes, train_problems
from ventproof.profile.load import load_profile, read_profile
from ventproof.session.session import Session
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench

BENCH = """\
bench: board and unit on one line
buses:
  line: {link: rtu, port: /dev/x, baud: 19200, poll_every: 100 ms, answers_within: 6 ms}
outputs:
  rain: {driver: coil, wired: {bus: line, unit_id: 2, coil: 0}, fastest_edge: 20 ms}
  rain_lines: {driver: control-line, wired: {port: /dev/y, line: rts}}
signals:
  roof_vent: {bus: line, table: input, address: 0, unit: "%", full_travel: 28 s}
"""
PROFILE = """\
profile: pulses
needs:
  outputs: {rain: contact}
  signals: {roof_vent: "%"}
steps:
  - step: pulses
    do:
      - {pulse: rain, times: 10, closed_for: 40 ms, open_for: 40 ms}
    expect:
      - {signal: roof_vent, stays: 10 %, tolerance: 1 %, for: 5 s}
"""
SHORT = "closed_for: 40 ms, open_for: 40 ms"


def bound(profile=PROFILE, bench=BENCH, use=None):
    """Return the profile tied to the bench."""
    return bind(read_profile("p.yaml", profile), read_bench("b.yaml", bench), use or {})


def test_pulses_too_dense_for_the_line_are_refused():
    """Edges of 37.2 ms every 40 ms and polls of 18.6 ms every 100 ms do not go together; what would do is named."""
    (problem,) = train_problems(bound())
    assert (problem.line, problem.column) == (8, 9)
    assert problem.reason == (
        "bus 'line' of bench b.yaml cannot carry these pulses in addition to its polls: together they need it 112 % "
        "of the time at 19200 Bd"
    )
    assert problem.hint == (
        "in the bench file, poll every 267 ms or less often, or let line and unit run at 38400 Bd; "
        "or make the pulses longer"
    )


@pytest.mark.parametrize(
    ("line", "advised", "nearly"),
    [
        ("poll_every: 100 ms", "poll_every: 267 ms", "poll_every: 266 ms"),
        ("baud: 19200", "baud: 38400", "baud: 19201"),
    ],
)
def test_what_is_advised_carries(line, advised, nearly):
    """The advised interval and the advised speed carry the pulses; a little less does not."""
    assert not list(train_problems(bound(bench=BENCH.replace(line, advised))))
    assert list(train_problems(bound(bench=BENCH.replace(line, nearly))))


def test_no_interval_helps_pulses_that_fill_the_line_alone():
    """Where the edges by themselves want all of the time, only a faster line is advised."""
    dense = PROFILE.replace(SHORT, "closed_for: 30 ms, open_for: 30 ms")
    (problem,) = train_problems(bound(dense))
    assert "poll every" not in problem.hint
    assert "in the bench file, let line and unit run at 57600 Bd" in problem.hint


def test_one_pulse_is_no_load():
    """Two edges cannot wear a line out, however short the pulse."""
    assert not list(train_problems(bound(PROFILE.replace("times: 10", "times: 1"))))


def test_outputs_beside_the_line_are_no_load():
    """Pulses of a relay with a port of its own do not touch the bus."""
    elsewhere = bound(use={"rain": "rain_lines"})
    assert not list(train_problems(elsewhere))
    assert not list(busiest(elsewhere))


def test_edges_that_may_be_late_are_noted():
    """A train that the bus carries in the long run may still have late edges: a note says so, at the train."""
    (note,) = late_notes(bound(PROFILE.replace(SHORT, "closed_for: 60 ms, open_for: 400 ms")))
    assert (note.line, note.column) == (8, 9)
    assert "an edge and its read-back can take" in note.reason
    assert "these edges are 60 ms apart: some may be late" in note.reason
    assert note.hint == ""
    assert not list(late_notes(bound(PROFILE.replace(SHORT, "closed_for: 400 ms, open_for: 400 ms"))))


def test_a_note_asks_for_what_is_not_declared():
    """Without answers_within only the time-out bounds an answer, and the note asks for it."""
    unknown = BENCH.replace(", answers_within: 6 ms", "")
    (note,) = late_notes(bound(PROFILE.replace(SHORT, "closed_for: 400 ms, open_for: 400 ms"), unknown))
    assert note.hint == "declare answers_within of the bus in b.yaml"


def test_the_busiest_train_speaks_for_its_bus():
    """Of several trains on a bus the most of its time and the worst of each figure are given."""
    text = PROFILE.replace(SHORT, "closed_for: 400 ms, open_for: 400 ms")
    more = text.replace(
        "    expect:\n      - {",
        "      - {pulse: rain, times: 5, closed_for: 150 ms, open_for: 150 ms, label: last}\n"
        "    expect:\n      - {after: last, ",
    )
    ((bus, share, worst),) = busiest(bound(more))
    ((_, calmer, better),) = busiest(bound(text))
    assert bus == "line"
    assert calmer < share < 1
    assert worst.age_us >= better.age_us > 100_000


def test_a_session_refuses_before_anything_is_switched(tmp_path):
    """`run`, `check` and the plugin all tie profiles to benches through the session, which refuses such a train."""
    session = Session(bench=read_bench("b.yaml", BENCH), out=tmp_path)
    with pytest.raises(FileError, match="cannot carry these pulses"):
        session.bind(read_profile("p.yaml", PROFILE))
    calm = replace(session, bench=read_bench("b.yaml", BENCH.replace("19200", "115200")))
    assert calm.bind(read_profile("p.yaml", PROFILE))


ROOT = Path(__file__).parents[3]
LINE = ROOT / "bench" / "files" / "mock-rtu.yaml"
TOO_FAST = {
    *("bucket-bounce-ignored", "sensor-cups-chatter", "drizzle-with-bouncing-tips", "gale-pulses-bounce"),
    "showers-at-random",
}
"""Their edges are closer than its relays can follow, or flags may change unseen; binding says so."""


def profiles_for_the_line():
    """Return the shipped profiles whose outputs and signals the shipped bench with a serial line has."""
    bench = read_bench(str(LINE), LINE.read_text(encoding="utf-8")).model
    has = bench.outputs.keys() | bench.signals.keys()
    paths = sorted((ROOT / "profiles" / "weather").rglob("*.yaml"))
    needs = {p: load_profile(p).model.needs for p in paths}
    return [
        path
        for path in paths
        if needs[path].outputs.keys() | needs[path].signals.keys() <= has and path.stem not in TOO_FAST
    ]


@pytest.mark.parametrize("path", profiles_for_the_line(), ids=lambda p: p.stem)
def test_shipped_profiles_go_over_the_shipped_line(path):
    """Every shipped profile for its outputs is carried by the shipped bench with a serial line."""
    tied = bind(
        load_profile(path),
        read_bench(str(LINE), LINE.read_text(encoding="utf-8")),
        {},
    )
    assert not list(train_problems(tied))


@pytest.mark.parametrize(
    ("stimulus", "share"),
    [
        ("{wind: rain, speed: 14 m/s}", "need it"),
        ("{rainfall: rain, intensity: 9000 mm/h, for: 1 min}", "need it"),
        ("{wind: rain, speed: 1 m/s}", None),
        ("{rainfall: rain, intensity: 12 mm/h, for: 1 h}", None),
        ("{wind: rain, speed: 0 m/s}", None),
    ],
)
def test_weather_is_a_load_too(stimulus, share):
    """The pulses of wind and of rain are counted as those of `pulse` are."""
    kind = "cups: {slope: 0.3}" if "wind" in stimulus else "bucket: {tip: 0.2 mm, closed_for: 30 ms}"
    bench = BENCH.replace("fastest_edge: 20 ms}", f"fastest_edge: 10 ms, sensor: {{{kind}}}}}")
    profile = PROFILE.replace("{pulse: rain, times: 10, closed_for: 40 ms, open_for: 40 ms}", stimulus)
    problems = list(train_problems(bound(profile, bench)))
    assert [share in str(problem) for problem in problems] == ([True] if share else [])


WIND_AT = "{wind: rain, speed: %s m/s}"


@pytest.mark.parametrize("told", [train_problems, late_notes])
def test_a_wind_too_fast_for_the_line_is_told_the_fastest_that_fits(told):
    """Its pulses follow from its speed: the hint names the speed up to which they fit, and a relay without a bus."""
    bench = BENCH.replace("fastest_edge: 20 ms}", "fastest_edge: 5 ms, sensor: {cups: {slope: 1.2}}}")
    pulses = "{pulse: rain, times: 10, closed_for: 40 ms, open_for: 40 ms}"

    def said(speed):
        return list(told(bound(PROFILE.replace(pulses, WIND_AT % speed), bench)))

    (found,) = said(30)
    assert found.hint.endswith(" m/s, or drive 'rain' with `driver: control-line`, which needs no bus")
    fastest = float(found.hint.partition("let the wind blow at no more than ")[2].partition(" m/s")[0])
    assert 5 < fastest < 20
    assert not said(fastest)
    assert said(round(fastest + 0.1, 1))


def test_a_line_that_its_polls_fill_leaves_no_wind():
    """No speed is named where even the slowest wind does not fit."""
    bench = BENCH.replace("fastest_edge: 20 ms}", "fastest_edge: 5 ms, sensor: {cups: {slope: 1.2}}}")
    full = bench.replace("poll_every: 100 ms", "poll_every: 18.62 ms")
    pulses = "{pulse: rain, times: 10, closed_for: 40 ms, open_for: 40 ms}"
    (problem,) = train_problems(bound(PROFILE.replace(pulses, WIND_AT % 30), full))
    assert problem.hint.endswith("; or drive 'rain' with `driver: control-line`, which needs no bus")


CROWD = """\
bench: a bucket and cups on one line
buses:
  line: {link: rtu, port: /dev/x, baud: 19200, poll_every: 100 ms, answers_within: 6 ms}
outputs:
  cups:
    driver: coil
    wired: {bus: line, unit_id: 2, coil: 0}
    operate: 1 ms
    release: 1 ms
    bounce: 0 ms
    sensor: {cups: {slope: 1.2}}
  more_cups:
    driver: coil
    wired: {bus: line, unit_id: 2, coil: 1}
    operate: 1 ms
    release: 1 ms
    bounce: 0 ms
    sensor: {cups: {slope: 1.2}}
  bucket:
    driver: coil
    wired: {bus: line, unit_id: 2, coil: 2}
    operate: 1 ms
    release: 1 ms
    bounce: 0 ms
    sensor: {bucket: {tip: 0.2 mm}}
signals:
  roof_vent: {bus: line, table: input, address: 0, unit: "%", full_travel: 28 s}
"""
CROWDED = """\
profile: trains beside each other
needs:
  outputs: {cups: contact, more_cups: contact, bucket: contact}
  signals: {roof_vent: "%"}
steps:
  - step: one wind
    do:
      - {wind: cups, speed: 6 m/s}
    expect:
      - {signal: roof_vent, stays: 10 %, tolerance: 1 %, for: 10 s}
  - step: another
    do:
      - {wind: more_cups, speed: 8 m/s, label: more}
      - {rainfall: bucket, intensity: 180 mm/h, for: 20 s}
    expect:
      - {signal: roof_vent, stays: 10 %, tolerance: 1 %, for: 30 s, after: more}
"""


def test_trains_that_play_beside_each_other_are_summed():
    """6 m/s and 8 m/s make 10 and 13.3 edges a second of 37.2 ms each: either fits beside the polls, both do not."""
    tied = bound(CROWDED, CROWD)
    wind, rain = train_problems(tied)
    assert (wind.line, rain.line) == (13, 14)
    assert (
        "cannot carry these pulses, those on cups in addition to its polls: together they need it 105 %"
        in wind.reason
    )
    assert "those on cups, those on more_cups" in rain.reason
    for _, share, _ in busiest(tied):
        assert share > 1


@pytest.mark.parametrize(
    "change",
    [
        ("{wind: more_cups", "{wind: cups"),
        ("speed: 6 m/s", "speed: 0 m/s"),
    ],
    ids=["another wind on the same cups", "a calm"],
)
def test_a_train_that_is_over_burdens_nobody(change):
    """A wind that another one replaces, and a calm, take no time of the bus."""
    assert list(train_problems(bound(CROWDED.replace(*change), CROWD))) == []


def test_rain_that_is_over_when_the_wind_comes_is_not_summed():
    """Twenty seconds of rain in a step of thirty do not meet the wind of the next step."""
    steps = CROWDED.partition("steps:\n")
    first, second = steps[2].split("  - step: another\n")
    turned = f"{steps[0]}steps:\n  - step: another\n{second}{first}"
    drizzle = turned.replace("intensity: 180 mm/h", "intensity: 40 mm/h")
    (busy, *_), (less, *_) = (
        [share for _, share, _ in busiest(bound(text, CROWD))] for text in (turned, drizzle)
    )
    assert busy == less > 1
