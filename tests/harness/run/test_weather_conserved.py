"""Water and wind are conserved: what one stimulus leaves in a sensor the next one finds, unless told to reset it."""

from __future__ import annotations

from bisect import bisect_left
from fractions import Fraction
from itertools import takewhile
from math import floor

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.cli import ventproof
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import StimulusApplied, StimulusEnd
from ventproof.log.read import read_log
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.profile.rains import buckets_of, found_by_rains
from ventproof.profile.stimulus import Rainfall
from ventproof.profile.weather import EMPTY, rain_edges, rain_leaves
from ventproof.rejudge.again import decide_again
from ventproof.run.stimuli import weather_said
from ventproof.run.weather import WindPlan
from ventproof.verdict.finding import EXIT_PASS
from ventproof.weather.anemometer import CupAnemometer
from ventproof.weather.exact import exact
from ventproof.weather.wind import steady
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.benchfile.sensors import BucketSensor

HEAD = """
profile: rain in pieces
needs:
  outputs: {bucket: contact}
  signals: {tip_count: count}
start:
  until: [{signal: tip_count, unchanged: {for: 1 s}}]
steps:
"""
FEW = settings(max_examples=60, deadline=None)


def step(name, do, tips, within="130 s"):
    lines = "".join(f"      - {line}\n" for line in do)
    expect = f"[{{signal: tip_count, counts: {tips}, within: {within}, after: rain}}]"
    return f"  - step: {name}\n    do:\n{lines}    expect: {expect}\n"


def rain(said):
    return f"{{rainfall: bucket, {said}, label: rain}}"


TWO_MIN = "for: 2 min"
IN_TWO = HEAD + step("a", [rain(f"intensity: 11 mm/h, {TWO_MIN}")], 1)
IN_TWO += step("b", [rain(f"intensity: 7 mm/h, {TWO_MIN}")], 2)  # 0.6 mm together: three tips of 0.2 mm
IN_FIVE = HEAD + "".join(
    step(f"piece {n}", [rain("intensity: 9.6 mm/h, for: 1 min")], tips, "70 s")
    for n, tips in enumerate([0, 1, 1, 1, 1])  # 0.16 mm each
)
RESET = HEAD + step("a", [rain(f"intensity: 11 mm/h, {TWO_MIN}")], 1)
RESET += step("b", [rain(f"intensity: 7 mm/h, {TWO_MIN}, filled: 0 %")], 1)
PAUSED = HEAD + step("a", [rain("intensity: 11 mm/h, for: 2 min")], 1)
PAUSED += step("pause", ["{wait: 5 min}", rain("intensity: 0 mm/h, for: 1 s")], 0, "10 s")
PAUSED += step("b", [rain(f"intensity: 7 mm/h, {TWO_MIN}")], 2)
CUT = HEAD + step(
    "a",
    [
        "{rainfall: bucket, intensity: 36 mm/h, for: 1 h}",
        "{wait: 50 s}",
        rain("intensity: 18 mm/h, for: 61 s"),
    ],
    2,
)  # 0.5 mm and a little in the lead of the second, then 0.305 mm: 2 tips and then 2
BROKEN = HEAD + step(
    "a",
    [
        "{fail: bucket, mode: open}",
        "{wait: 3 s}",
        rain(f"intensity: 11 mm/h, {TWO_MIN}"),
        "{wait: 121 s}",
        "{restore: bucket}",
    ],
    0,
)
BROKEN += step("b", [rain(f"intensity: 7 mm/h, {TWO_MIN}")], 2)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(IN_TWO, id="11 mm/h, then 7 mm/h"),
        pytest.param(IN_FIVE, id="five pieces of 0.16 mm"),
        pytest.param(RESET, id="reset in between"),
        pytest.param(PAUSED, id="through a dry pause"),
        pytest.param(CUT, id="one takes over from another"),
        pytest.param(BROKEN, id="while its wire is broken"),
    ],
)
def test_rain_in_pieces_tips_as_one_rain_does(text, run):
    """A healthy unit counts every whole bucket of all the rain together, live and judged again from the log alone."""
    result = run(text)
    assert result.outcome.verdict == "pass", result.findings
    assert decide_again(read_log(result.log)).verdict == "pass"


def test_a_rain_without_a_tip_ends_when_it_is_over(run):
    """It begins, and then it ends: what comes after is not taken for a part of it."""
    text = HEAD + step("a", [rain("intensity: 6 mm/h, for: 20 s")], 0, "30 s")
    began, ended = (
        event
        for event in read_log(run(text).log).events
        if isinstance(event, StimulusApplied | StimulusEnd) and event.output == "bucket" and event.of.step
    )
    assert (type(began), type(ended)) == (StimulusApplied, StimulusEnd)
    assert ended.t_s - began.t_s == pytest.approx(20.0, abs=0.1)


def test_all_commands_agree_on_the_count(tmp_path):
    """`check` says what `run` plays, `judge` decides so from the log, `challenge` holds the healthy unit to it."""
    path = tmp_path / "rain.yaml"
    path.write_text(IN_TWO, encoding="utf-8")
    runner, bench = CliRunner(), str(SHIPPED_BENCH)

    def call(*arguments):
        result = runner.invoke(ventproof, [*map(str, arguments)], standalone_mode=False)
        if result.exception is not None:
            raise result.exception
        return result.return_value, " ".join(result.output.split())

    code, said = call("check", path, "--bench", bench)
    assert code == EXIT_PASS
    assert "rain of 11 mm/h into bucket for 2 min: 1 tips of 0.2 mm" in said
    assert "rain of 7 mm/h into bucket for 2 min: 2 tips of 0.2 mm" in said
    out = tmp_path / "logs"
    assert call("run", path, "--bench", bench, "--out", out, "--unit", "U", "--firmware", "1")[0] == EXIT_PASS
    (log,) = out.glob("*.jsonl")
    ends = [event.closures for event in read_log(log).events if isinstance(event, StimulusEnd)]
    assert ends == [1, 2]
    assert call("judge", log)[0] == EXIT_PASS
    assert (
        "0 inconclusive, 1 not detected"
        in call("challenge", path, "--bench", bench, "--fault", "tips_wrap_16", "--jobs", 1)[1]
    )
    path.write_text(IN_TWO.replace("counts: 2", "counts: 1"), encoding="utf-8")
    with pytest.raises(FileError, match="healthy"):
        call("challenge", path, "--bench", bench, "--fault", "tips_wrap_16", "--jobs", 1)


def found(text):
    """Return what each rain of a profile finds, as `check` knows it."""
    bound = bind(read_profile("p.yaml", text), read_bench("b.yaml", SHIPPED_BENCH.read_text("utf-8")), {})
    known = found_by_rains(bound.profile.model, buckets_of(bound.bench.model.outputs, bound.outputs))
    return [left and left.fill for left in known.values()], list(weather_said(bound))


def test_check_says_what_it_cannot_know():
    """A rain that gives way to another leaves what the run decides: two counts are possible, and a reset ends it."""
    text = CUT + step("b", [rain("intensity: 7 mm/h, for: 1 min")], 0)
    text += step("c", [rain("intensity: 7 mm/h, for: 1 min, filled: 50 %")], 1)
    text += step("d", [rain("intensity: 7 mm/h, for: 1 min")], 0)
    fills, said = found(text)
    assert fills == [0, None, None, 0, Fraction(1, 12)]
    assert said[1].endswith("for 61 s: 1 or 2 tips, as the rain before leaves the bucket, of 0.2 mm")
    assert [line.partition("s: ")[2] for line in said[3:]] == ["1 tips of 0.2 mm", "0 tips of 0.2 mm"]


TENTHS = st.integers(0, 900).map(lambda n: f"{n / 10:g} mm/h")
SPANS = st.integers(1, 4000).map(lambda n: f"{n / 10:g} s")
RAINS = st.lists(st.tuples(TENTHS, SPANS), min_size=1, max_size=8)
JITTER = st.sampled_from(["0 %", "20 %", "49 %"])


def bucket(dead_time="0 s"):
    return BucketSensor.model_validate({"tip": "0.2 mm", "closed_for": "1 ms", "dead_time": dead_time})


def rainfall(intensity, for_, jitter="0 %", seed=0):
    said = {"intensity": intensity, "for": for_, "jitter": jitter, "seed": seed}
    return Rainfall.model_validate({"rainfall": "bucket", **said})


@FEW
@given(RAINS, JITTER)
def test_split_rain_tips_as_often_as_unsplit_rain(parts, jitter):
    """Over any split of the rain the tips add up to the whole buckets in all of it, exactly, and the rest is left."""
    left, tips, depth = EMPTY, 0, Fraction()
    for seed, (intensity, for_) in enumerate(parts):
        one = rainfall(intensity, for_, jitter, seed)
        tips += len(rain_edges(bucket(), one, left)) // 2
        left = rain_leaves(bucket(), one, left)
        depth += Fraction(intensity.split()[0]) * Fraction(for_.split()[0]) / 3600 / Fraction("0.2")
    assert tips == floor(depth)
    assert left.fill == depth - tips


@FEW
@given(RAINS, JITTER, st.data())
def test_rains_that_give_way_lose_nothing(parts, jitter, data):
    """Wherever one takes over from another, every bucket of what fell until then has tipped, or tips next."""
    left, tips, depth = EMPTY, 0, Fraction()
    for seed, (intensity, for_) in enumerate(parts):
        one, lasts_s = rainfall(intensity, for_, jitter, seed), float(for_.split()[0])
        cut_s = round(data.draw(st.floats(0.001, lasts_s)), 3)
        tips += bisect_left([edge.at_s for edge in rain_edges(bucket(), one, left)[::2]], cut_s)
        left = rain_leaves(bucket(), one, left, at_s=cut_s)
        depth += Fraction(intensity.split()[0]) * exact(cut_s) / 3600 / Fraction("0.2")
        assert left.fill == depth - tips
        assert -1 < left.fill < 2
    last = rainfall("36 mm/h", "100 s")
    tips += len(rain_edges(bucket(), last, left)) // 2
    assert tips == floor(depth + 5)


@FEW
@given(st.integers(1, 3000), st.integers(2, 3001))
def test_a_dead_time_goes_on_through_the_split(cut, lasts):
    """Rain that falls past the bucket because it just tipped does so too where another rain begins meanwhile."""
    cut, lasts = sorted((cut, cut + lasts))
    gauge, whole = bucket("3 s"), rainfall("60 mm/h", f"{lasts / 10:g} s")
    first, second = rainfall("60 mm/h", f"{cut / 10:g} s"), rainfall("60 mm/h", f"{(lasts - cut) / 10:g} s")
    left = rain_leaves(gauge, first, EMPTY)
    tips = [len(rain_edges(gauge, one, found)) // 2 for one, found in ((first, EMPTY), (second, left))]
    assert sum(tips) == len(rain_edges(gauge, whole)) // 2
    assert rain_leaves(gauge, second, left) == rain_leaves(gauge, whole, EMPTY)


@FEW
@given(st.lists(st.tuples(st.integers(0, 200), st.integers(1, 200)), min_size=1, max_size=8))
def test_winds_in_pieces_turn_the_cups_as_one_wind_does(parts):
    """However often the wind changes, through calms too, as many pulses come as the cups turned whole distances."""
    cups = CupAnemometer(slope_m=1.2, offset_m_per_s=0.4, starts_at_m_per_s=0.6, fastest_hz=100.0)
    phase, pulses, turned = Fraction(), 0, Fraction()
    for speed, lasts in parts:
        plan = WindPlan(cups, steady(speed / 10), phase)
        gone_s, phase = plan.open_from(lasts / 10)
        pulses += sum(edge.closed for edge in takewhile(lambda e, end=gone_s: e.at_s < end, plan.after(-1.0)))
        per_s = (Fraction(speed, 10) - Fraction("0.4")) / Fraction("1.2") if speed >= 6 else Fraction()
        turned += per_s * exact(gone_s)
    assert abs(turned - pulses - phase) <= Fraction(1, 10**6) or abs(turned - pulses - phase - 1) <= Fraction(
        1, 10**6
    )
