"""Figures: true to the evidence, readable without colour, safe with any text, and never written over strange files."""

from __future__ import annotations

import asyncio
import re
from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import get_args
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shipped_profiles import shipped_path

from ventproof.case.case import case_of
from ventproof.cli.judge import figures, write_figures
from ventproof.cli.options import SHIPPED, SHIPPED_BENCH, with_faults
from ventproof.deciders.formulas import Formula
from ventproof.envelope.spans import INF
from ventproof.figures import drawing, sheet
from ventproof.figures.decided_run import decided_run, moment
from ventproof.figures.demand import demand_of
from ventproof.figures.drawing import AxisScale, Drawing, padded, spread, text_width, wrap
from ventproof.figures.response_figure import every_drawable, response_figure
from ventproof.figures.run_figure import run_figure
from ventproof.log.events import GapSeen, PollSeen, StepBegin, StimulusApplied
from ventproof.log.plan import PlannedRun
from ventproof.log.read import LogState
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.profile.stimulus import Rainfall
from ventproof.profile.weather import rain_of
from ventproof.run.engine import Engine
from ventproof.session.session import Session
from ventproof.verdict.finding import Verdict
from ventproof.verdict.text import miss_text
from ventproof_bench.base.clock import run as run_loop
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.evidence import Gap
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.rig.build import assemble

SVG = "{http://www.w3.org/2000/svg}"
BENCH = SHIPPED_BENCH.read_text(encoding="utf-8")
RAIN = shipped_path("rain-closes-holds-releases").read_text(encoding="utf-8")
COARSE = (
    BENCH.replace("poll_every: 100 ms", "poll_every: 1500 ms"),
    RAIN.replace("$tolerance, within: 2", "6 %, within: 2"),
)


def record(profile=RAIN, bench=BENCH, faults=()):
    """Run a profile; return its log and the true course of both vents in log time."""
    loaded = with_faults(read_bench("bench.yaml", bench), faults)
    read = read_profile("profile.yaml", profile)
    bound = bind(read, loaded, {})
    session = Session(bench=loaded, out=Path())
    header = session.header(read, PlannedRun(session.plan([read]), 1))
    events = []

    async def main():
        origin_s = asyncio.get_running_loop().time()
        rig = assemble(loaded.model, seed=0)
        engine = Engine(read.model, rig, case_of(bound), record=events.append, output_names=bound.outputs)
        await engine.run(header)
        truths = {f"{vent}_vent": rig.mock.truth(vent) for vent in ("roof", "side")}
        return {name: [(t - origin_s, v) for t, v in points] for name, points in truths.items()}

    truth = run_loop(main(), virtual=True)
    return LogState(tuple(events), len(events), None, "", "ab" * 32), truth


@pytest.fixture(scope="module")
def runs():
    """A passing, a failing and an inconclusive run of the same profile, with the true courses."""
    return {
        "pass": record(),
        "fail": record(faults=["slow_travel"]),
        "inconclusive": record(COARSE[1], COARSE[0]),
    }


def texts(svg):
    return [element.text for element in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def of_class(root, name):
    return [element for element in root.iter() if element.get("class") == name]


def roof(run, step=1):
    return next(i for i in run.case.items if (i.step, i.signal) == (step, "roof_vent"))


@pytest.mark.parametrize("verdict", ["pass", "fail", "inconclusive"])
def test_a_figure_says_verdict_reason_stimulus_deadline_and_target(verdict, runs):
    """Whoever opens the figure reads what was done, what was demanded, by when, and why it was decided so."""
    run = decided_run(runs[verdict][0])
    svg = response_figure(run, roof(run))
    root = ElementTree.fromstring(svg)
    said = " ".join(texts(svg))
    for words in (
        verdict.upper(),
        "rain: contact closed",
        "required by 32 s",
        "8 % ± 2 % for 20 s",
        "s since the stimulus",
        "roof_vent, %",
    ):
        assert words in said
    assert roof(run).ruling.why in said
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == f"{verdict}: roof_vent reaches 8 % ± 2 % within 32 s, holds 20 s"
    assert roof(run).ruling.why in root.find(f"{SVG}desc").text
    assert of_class(root, "margin"), "an arrow shows how far the place that decides it is from its limit"


def axes(root):
    """Read the scale of the first panel off its axes, as a person would; returns (px to s, px to value)."""
    panel = root.find(f"{SVG}svg")
    top, bottom = (float(panel.get("y")), float(panel.get("y")) + float(panel.get("height")))
    xs = [(float(e.get("x")), float(e.text)) for e in of_class(root, "tick-x")]
    ys = [(float(e.get("y")) - 4, float(e.text)) for e in of_class(root, "tick-y")]
    ys = [(y, value) for y, value in ys if top <= y <= bottom]
    return (
        panel,
        np.polynomial.Polynomial.fit(*zip(*xs, strict=True), 1),
        np.polynomial.Polynomial.fit(*zip(*ys, strict=True), 1),
    )


def envelope(panel, to_s, to_value):
    """Read the drawn envelope back; returns instants, lower and upper bounds."""
    (polygon,) = of_class(panel, "envelope")
    points = np.array([[float(n) for n in pair.split(",")] for pair in polygon.get("points").split()])
    turn = int((np.diff(points[:, 0]) < 0).argmax())  # where the lower edge begins to run back
    upper, lower = points[:turn], points[turn:][::-1]
    at = np.union1d(upper[:, 0], lower[:, 0])
    return to_s(at), to_value(np.interp(at, *lower.T)), to_value(np.interp(at, *upper.T))


@pytest.mark.parametrize("verdict", ["pass", "fail", "inconclusive"])
@pytest.mark.parametrize("signal", ["roof_vent", "side_vent"])
def test_the_drawn_envelope_contains_the_true_course_and_every_reading(verdict, signal, runs):
    """Read back through the figure's own axes, the true vent never leaves the band, and readings lie in it."""
    state, truth = runs[verdict]
    run = decided_run(state)
    item = next(i for i in run.case.items if (i.step, i.signal) == (1, signal))
    root = ElementTree.fromstring(response_figure(run, item))
    panel, to_s, to_value = axes(root)
    t_s, low, high = envelope(panel, to_s, to_value)
    slack = (
        0.05 * abs(to_value.deriv()(0)) + 0.05 * abs(to_s.deriv()(0)) * 100 / 28
    )  # a twentieth of a pixel each way
    at_s = np.linspace(t_s[0], t_s[-1], 3000)
    true = np.interp(at_s + item.watch.judged_from_s, *np.array(truth[signal]).T)
    assert np.all(np.interp(at_s, t_s, low) <= true + slack)
    assert np.all(true <= np.interp(at_s, t_s, high) + slack)
    read = np.array([(moment(a), a.sample.value) for a in run.courses[signal].arrived])
    read_s, read = read[:, 0] - item.watch.judged_from_s, read[:, 1]
    inside = (read_s >= t_s[0]) & (read_s <= t_s[-1])
    assert inside.sum() >= 15
    read_s, read = read_s[inside], read[inside]
    reach = run.courses[signal].traits.error + run.courses[signal].traits.rate_per_s * 0.11 + slack
    assert np.all(np.interp(read_s, t_s, low) - reach <= read)
    assert np.all(read <= np.interp(read_s, t_s, high) + reach)


def test_readings_are_dots_only_where_one_can_tell_them_apart(runs):
    """Polled every 1.5 s each reading has its dot at its place; polled ten times a second they are the line."""
    state, _ = runs["inconclusive"]
    run = decided_run(state)
    panel, to_s, to_value = axes(ElementTree.fromstring(response_figure(run, roof(run))))
    (dots,) = of_class(panel, "readings")
    places = np.array([[float(n) for n in p] for p in re.findall(r"M([-\d.]+),([-\d.]+)h0", dots.get("d"))])
    read = {(round(moment(a), 1), a.sample.value) for a in run.courses["roof_vent"].arrived}
    for x, y in places:
        t_s = to_s(x) + roof(run).watch.judged_from_s
        assert any(abs(t_s - at_s) < 0.2 and abs(to_value(y) - value) < 0.5 for at_s, value in read)
    assert len(places) >= 15
    often = decided_run(runs["pass"][0])
    assert not of_class(ElementTree.fromstring(response_figure(often, roof(often))), "readings")


def test_the_same_log_gives_the_same_bytes(runs):
    """Figures can be compared byte by byte."""
    state = runs["pass"][0]
    assert figures(decided_run(state)) == figures(decided_run(state))


def test_texts_from_files_cannot_become_markup():
    """Names and reasons with markup in them stand in the figure as they stand in the file."""
    name, step = 'rain <b>&"vents"</b>', "begins ]]> <script>&amp;"
    changed = RAIN.replace("profile: rain closes, holds and releases the vents", f"profile: '{name}'")
    changed = changed.replace("step: rain begins", f"step: '{step}'")
    run = decided_run(record(changed)[0])
    every = figures(run)
    tags = {
        "svg",
        "title",
        "desc",
        "defs",
        "pattern",
        "g",
        "path",
        "line",
        "rect",
        "text",
        "polygon",
        "circle",
    }
    for svg in every.values():
        assert {element.tag.removeprefix(SVG) for element in ElementTree.fromstring(svg).iter()} <= tags
    assert name in texts(every["run.svg"])
    assert f"{name}: {step}" in texts(every["1-1-roof_vent-reaches.svg"])


def test_characters_that_xml_forbids_are_replaced():
    """A control character in a text does not make the figure unreadable."""
    drawn = Drawing(10, "v", title="a\x00b", description="\x1b[0m", log="")
    drawn.text(0, 0, "bell\x07 \ufffe ok ±")
    assert texts(drawn.render(10)) == ["bell\ufffd \ufffd ok ±"]


def text_boxes(svg):
    """Return about where the upright texts stand: (left, top, right, bottom, text)."""
    root = ElementTree.fromstring(svg)
    for parent in root.iter():
        for element in parent.findall(f"{SVG}text"):
            if element.get("transform") is None:
                said = dict(parent.items()) | dict(element.items())
                size, x, y = float(said.get("font-size", "13")), float(said["x"]), float(said["y"])
                width = text_width(element.text, size) * 0.9
                left = x - width * {"start": 0, "middle": 0.5, "end": 1}[said.get("text-anchor", "start")]
                yield left, y - 0.75 * size, left + width, y + 0.1 * size, element.text


@pytest.mark.parametrize("path", sorted(SHIPPED.rglob("*.yaml"))[::5], ids=lambda p: p.stem)
def test_no_texts_overlap(path):
    """In the figures of a fifth of the shipped suite every text stands clear of the others, and inside the figure."""
    for name, svg in figures(decided_run(record(path.read_text(encoding="utf-8"))[0])).items():
        boxes = list(text_boxes(svg))
        for a, b in combinations(boxes, 2):
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, (name, a, b)
        assert all(left >= 0 and right <= sheet.WIDTH for left, _, right, _, _ in boxes), name


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.floats(sheet.LEFT, sheet.RIGHT), st.integers(1, 130)), max_size=7))
def test_no_label_of_a_moment_is_crossed_or_covered(placed):
    """Wherever moments are and however long their labels, no line runs through a label, and no label over another."""
    moments = [sheet.Moment(0, 0, "x" * length, "other") for _, length in placed]
    xs = [x for x, _ in placed]
    labels = []
    for (anchor, row, said), x in zip(sheet._labels(moments, xs), xs, strict=True):
        width = text_width(said, 12) + 8
        assert x - width >= 0 if anchor == "end" else x + width <= sheet.WIDTH
        labels.append((x, row, (x - width, x) if anchor == "end" else (x, x + width)))
    for (x, row, (left, right)), (other_x, other_row, (other_left, other_right)) in combinations(labels, 2):
        assert row != other_row or right <= other_left or other_right <= left
        assert not left < other_x < right or other_row > row
        assert not other_left < x < other_right or row > other_row


def test_nothing_depends_on_colour(runs):
    """Verdicts, lines and areas differ in shape, dashes or hatching where they differ in colour."""
    assert len(set(sheet._OUTLINE.values()) | set(sheet._SIGN.values())) >= 6
    strokes = [{k: v for k, v in stroke.items() if k != "stroke"} for stroke in sheet.STROKES.values()]
    assert all(a != b for a, b in combinations(strokes, 2))
    run = decided_run(runs["pass"][0])
    root = ElementTree.fromstring(response_figure(run, roof(run)))
    assert len({angle for angle, _ in drawing._HATCHINGS.values()}) == 2
    assert of_class(root, "moment-stimulus")[0].get("stroke-width") != of_class(root, "gate")[0].get(
        "stroke-width"
    )


def test_a_flag_is_drawn_in_steps_and_hatched_where_it_may_have_changed(runs):
    """Where it changed between two readings the figure says that nothing more is known."""
    run = decided_run(runs["pass"][0])
    root = ElementTree.fromstring(response_figure(run, run.case.of_step(1)[0]))
    assert [e.text for e in of_class(root, "tick-y")] == ["on", "off"]
    assert of_class(root, "level-kept")
    (either,) = of_class(root, "either")
    assert "url(#" in either.get("fill")
    coarse = decided_run(runs["inconclusive"][0])
    unsure = ElementTree.fromstring(response_figure(coarse, coarse.case.of_step(1)[0]))
    assert of_class(unsure, "unknown"), (
        "polled too seldom for its keeps_for, nothing is known between readings"
    )


def test_missing_readings_are_hatched_and_named(runs):
    """A bus that brought nothing for a while leaves a hatched span and a bar that says how long and why."""
    state = runs["pass"][0]
    silent = GapSeen(84.0, Gap("unit", 80.0, 84.0, "timeout"))
    kept = [e for e in state.events if not (isinstance(e, PollSeen) and 80 <= e.poll.requested_s <= 84)]
    at = next(i for i, e in enumerate(kept) if e.t_s > 84)
    run = decided_run(replace(state, events=(*kept[:at], silent, *kept[at:])))
    assert roof(run).ruling.verdict is Verdict.INCONCLUSIVE
    svg = response_figure(run, roof(run))
    root = ElementTree.fromstring(svg)
    assert "no reading for 4 s (timeout)" in texts(svg)
    hatched = [e for e in of_class(root, "gap") if e.get("fill", "").startswith("url(#")]
    assert float(hatched[0].get("width")) > 20


def test_a_requirement_is_drawn_only_where_it_binds(runs):
    """At its deadline the course must pass a gate as wide as the band; the band itself is a bar for the hold alone."""
    run = decided_run(runs["pass"][0])
    item = roof(run)
    root = ElementTree.fromstring(response_figure(run, item))
    panel, to_s, to_value = axes(root)
    posts = of_class(panel, "gate")
    assert {round(to_s(float(post.get("x1"))), 1) for post in posts} == {32.0}
    ends = sorted(to_value(float(post.get(key))) for post in posts for key in ("y1", "y2"))
    assert ends[1:3] == pytest.approx([6, 10], abs=0.5)
    (hold,) = of_class(panel, "kept")
    begins_s = to_s(float(hold.get("x")))
    assert begins_s == pytest.approx(item.ruling.response_s.high, abs=0.2)
    assert to_s(float(hold.get("x")) + float(hold.get("width"))) - begins_s == pytest.approx(20, abs=0.2)


@pytest.mark.parametrize(("verdict", "words"), [("pass", "to spare"), ("fail", "too high")])
def test_an_arrow_says_by_how_much(verdict, words, runs):
    """Its ends are the course and the limit, and the number beside it is that distance."""
    run = decided_run(runs[verdict][0])
    root = ElementTree.fromstring(response_figure(run, roof(run)))
    panel, _, to_value = axes(root)
    (arrow,) = of_class(panel, "margin")
    y0, y1 = (float(y) for y in re.findall(r"[-\d.]+ ([-\d.]+)", arrow.get("d"))[:2])
    (said,) = [
        e.text for e in of_class(root, "said") if e.text.endswith(f" % {words}") or f"% {words}" in e.text
    ]
    distance = abs(to_value(y0) - to_value(y1))
    assert float(re.search(r"[\d.]+", said)[0]) == pytest.approx(distance, abs=0.5)


def test_time_to_spare_is_an_arrow_up_to_the_deadline(runs):
    """It begins where the vent had surely come."""
    run = decided_run(runs["pass"][0])
    root = ElementTree.fromstring(response_figure(run, roof(run)))
    panel, to_s, _ = axes(root)
    (arrow,) = of_class(panel, "time-to-spare")
    x0, x1 = (float(x) for x in re.findall(r"([-\d.]+) [-\d.]+", arrow.get("d"))[:2])
    assert to_s(x0) == pytest.approx(roof(run).ruling.response_s.high, abs=0.2)
    assert to_s(x1) == pytest.approx(32, abs=0.2)
    (said,) = [e.text for e in of_class(root, "said") if " s to spare" in e.text]
    assert float(said.split()[0]) <= roof(run).ruling.slack_s.low


def test_an_arrow_says_how_late_a_flag_is_as_its_reason_does():
    """It runs from the deadline to the reading of which the reason tells, and its words are that difference."""
    run = decided_run(record(faults=["ignores_rain"])[0])
    (item,) = [
        i for i in run.case.items if (i.step, i.signal, str(i.ruling.verdict)) == (1, "rain_override", "fail")
    ]
    root = ElementTree.fromstring(response_figure(run, item))
    (arrow,) = of_class(root, "off-in-time")
    x0, x1 = (float(x) for x in re.findall(r"([-\d.]+) [-\d.]+", arrow.get("d"))[:2])
    xs = [(float(e.get("x")), float(e.text)) for e in of_class(root, "tick-x")]
    to_s = np.polynomial.Polynomial.fit(*zip(*xs, strict=True), 1)
    assert to_s(x0) == pytest.approx(3, abs=0.05)
    (said,) = [e.text for e in of_class(root, "said") if " s late" in e.text]
    late_s = float(re.search(r"[\d.]+", said)[0])
    assert to_s(x1) - to_s(x0) == pytest.approx(late_s, abs=0.05)
    read_s = float(re.search(r"still off at ([\d.]+) s", item.ruling.why)[1])
    assert late_s == pytest.approx(read_s - 3)


def test_what_could_be_outside_is_hatched_where_nobody_can_tell(runs):
    """An inconclusive hold has hatching beyond the band; what is decided has none."""
    run = decided_run(runs["inconclusive"][0])
    root = ElementTree.fromstring(response_figure(run, roof(run)))
    panel, to_s, to_value = axes(root)
    perhaps = of_class(panel, "perhaps")
    assert perhaps
    for hatched in perhaps:
        places = [[float(n) for n in pair.split(",")] for pair in hatched.get("points").split()]
        assert all(to_s(x) > 31.5 for x, _ in places)
        assert all(to_value(y) > 9.8 for _, y in places) or all(to_value(y) < 6.2 for _, y in places)
    for verdict in ("pass", "fail"):
        decided = decided_run(runs[verdict][0])
        assert not of_class(ElementTree.fromstring(response_figure(decided, roof(decided))), "perhaps")


def test_a_picture_of_the_start_state_ends_with_the_start(runs):
    """What the first step did belongs to other pictures."""
    run = decided_run(runs["pass"][0])
    began_s = next(e.window.latest_s for e in run.events if isinstance(e, StepBegin) and e.step == 1)
    _, to_s, _ = axes(ElementTree.fromstring(response_figure(run, roof(run, step=0))))
    assert to_s(sheet.RIGHT) + roof(run, step=0).watch.judged_from_s < began_s * 1.1


def test_requirements_are_grey_and_verdicts_coloured(runs):
    """No colour of a verdict is used for a requirement; the arrow to the limit has that of its verdict."""
    for verdict in ("pass", "fail"):
        run = decided_run(runs[verdict][0])
        root = ElementTree.fromstring(response_figure(run, roof(run)))
        for name in ("gate", "kept", "demanded", "level", "moment-gate"):
            colours = {e.get(key) for e in of_class(root, name) for key in ("stroke", "fill")}
            assert not colours & set(sheet.VERDICT_COLOUR.values()), name
        assert of_class(root, "margin")[0].get("stroke") == sheet.VERDICT_COLOUR[verdict]


def test_a_stimulus_that_never_left_is_still_shown(runs):
    """Without the stimulus there is no demand to draw, but the course and the reason stand there."""
    state = runs["pass"][0]
    events = list(state.events)
    at = next(i for i, e in enumerate(events) if isinstance(e, StimulusApplied) and e.of.step == 1)
    events[at] = replace(events[at], edges=[replace(events[at].edges[0], window=None)])
    run = decided_run(replace(state, events=tuple(events)))
    svg = response_figure(run, roof(run))
    assert "INCONCLUSIVE" in texts(svg)
    assert "1 of 1 edges never left the bench" in " ".join(texts(svg))
    assert of_class(ElementTree.fromstring(svg), "envelope")
    assert not of_class(ElementTree.fromstring(svg), "demanded")


def test_bare_readings_are_drawn_as_a_line_and_said_to_be_so(runs):
    """`decision: simple` draws what it judges: no width, and a line of text that says it."""
    state = runs["pass"][0]
    simple = read_profile("edited.yaml", RAIN.replace("needs:", "decision: simple\nneeds:"))
    run = decided_run(state, simple)
    svg = response_figure(run, roof(run))
    panel, to_s, to_value = axes(ElementTree.fromstring(svg))
    _, low, high = envelope(panel, to_s, to_value)
    assert np.all(low == high)
    assert any(text.startswith("decision: simple") for text in texts(svg))


@pytest.mark.parametrize(
    ("response", "said"),
    [
        ("starts_moving: {by: 2 %, within: 5 s}", "moved by 2 %"),
        ("{moves_at: 3.33 %/s, tolerance: 1 %/s, to: 8 %, within: 40 s}", "90 % of the way"),
        ("{overshoots_at_most: 2 %, of: 8 %, for: 40 s}", "not beyond 6 %"),
        ("never_reverses: {by: 2 %, for: 40 s}", "watched for 40 s"),
        ("{stays_at_least: 3 %, for: 40 s}", "not below 3 %"),
        ("unchanged: {for: 2 s, tolerance: 2 %}", "unchanged ± 2 %"),
        ("{stays: 50 %, tolerance: 50 %, for: 40 s}", "not above 100 %"),
    ],
)
def test_every_kind_of_response_can_be_drawn(response, said, runs):
    """Each kind shows its own demand."""
    body = response.strip("{}") if response.startswith("{") else response
    edited = RAIN.replace("reaches: $roof_in_rain, tolerance: $tolerance, within: 32 s, holds: 20 s", body)
    run = decided_run(runs["pass"][0], read_profile("edited.yaml", edited))
    assert said in texts(response_figure(run, roof(run)))


def test_no_formula_of_the_judge_is_left_out():
    """A new kind of response cannot be added without saying what its figure draws."""
    undrawn = demand_of.dispatch(object)
    assert all(demand_of.dispatch(kind) is not undrawn for kind in get_args(Formula))


def test_counts_show_where_they_began_and_where_they_must_end():
    """A count is demanded from the last reading before the stimulus on."""
    run = decided_run(record(shipped_path("rain-count").read_text(encoding="utf-8"))[0])
    said = texts(response_figure(run, run.case.of_step(1)[0]))
    stood = next(e.poll.values["rain_count"] for e in run.events if isinstance(e, PollSeen))
    assert {f"before: {stood:.0f}", f"required: {stood + 25:.0f}"} <= set(said)


def test_the_run_figure_shows_vents_contacts_and_steps(runs):
    """One look shows what was done when, and what each step came to."""
    run = decided_run(runs["fail"][0])
    said = set(texts(run_figure(run)))
    assert {"FAIL", "roof_vent", "side_vent", "rain", "start: pass", "1 rain begins: fail", "30 °C"} <= said
    aborted = decided_run(replace(runs["fail"][0], events=runs["fail"][0].events[:-1]))
    assert "ABORTED" in texts(run_figure(aborted))


def test_each_vent_has_axes_of_its_own_and_each_response_a_bracket_there(runs):
    """Vents are not drawn over one another; below each stands what was decided, in words where it did not pass."""
    run = decided_run(runs["fail"][0])
    root = ElementTree.fromstring(run_figure(run))
    panels = [e for e in root.findall(f"{SVG}svg") if of_class(e, "envelope")]
    assert len(panels) == 2
    shown = every_drawable(run)
    drawn = [r for r in run.case.results if r.ruling is not None and (r in shown or r.step is None)]
    assert len(of_class(root, "watched")) == len(drawn)
    for verdict in ("pass", "fail"):
        assert len(of_class(root, f"verdict-{verdict}")) == (verdict == "fail") + sum(
            r.ruling.verdict == verdict for r in drawn
        )
    dashes = sheet.STROKES["step"]["stroke_dasharray"]
    lines = [e for e in root.iter(f"{SVG}line") if e.get("stroke-dasharray") == dashes]
    assert lines
    for text in of_class(root, "decided"):
        assert not any(float(e.get("y1")) < float(text.get("y")) - 4 < float(e.get("y2")) for e in lines)
    words = [e.text for e in of_class(root, "decided")]
    assert f"fail: {miss_text(roof(run).ruling.miss)}" in words, "by how much, without times of another zero"
    assert not any(text.startswith("pass:") for text in words)


def test_weather_and_counters_are_lanes_of_the_run_figure():
    """What was played stands in words at its output, and what was counted as a course with its name."""
    run = decided_run(record(shipped_path("rain-storm-counted").read_text(encoding="utf-8"))[0])
    root = ElementTree.fromstring(run_figure(run))
    assert any("storm of 30.66 mm" in text for text in texts(run_figure(run)))
    (curve,) = of_class(root, "played-weather")
    rate = {y for _, y in (map(float, p.split(",")) for p in re.split("[ML]", curve.get("d"))[1:])}
    _, _, to_mm_per_h = axes(root)
    (storm,) = [its for its in run.case.profile.steps[0].do if isinstance(its, Rainfall)]
    assert to_mm_per_h(min(rate)) == pytest.approx(
        float(max(piece.begins_mm_per_h for piece in rain_of(storm).pieces)), abs=20
    )
    assert to_mm_per_h(max(rate)) == pytest.approx(0, abs=20)
    assert {"tip_count", "roof_vent"} <= {e.text for e in of_class(root, "course")}
    assert len(of_class(root, "step")) == 1, "every other step is tinted"


def test_the_key_of_a_run_explains_nothing_that_is_not_there(runs):
    """No reading was missing, so that no hatching for that is explained."""
    said = texts(run_figure(decided_run(runs["pass"][0])))
    assert "possible values" in said
    assert not any("no reading" in text for text in said)


def test_an_invariant_that_never_came_into_force_has_its_mark_in_the_run_figure():
    """What the matrix marks as inconclusive can be found in the picture, over the whole run, with its reason."""
    run = decided_run(record(faults=["ignores_rain"])[0])
    (never,) = [r for r in run.case.results if r.step is None]
    assert never.ruling.verdict is Verdict.INCONCLUSIVE
    assert f"inconclusive: {never.ruling.why}" in texts(run_figure(run))


def test_what_is_said_of_several_responses_alike_is_said_once():
    """Six showers that no vent minds are six brackets and one sentence."""
    text = shipped_path("rain-showers-in-series").read_text(encoding="utf-8")
    root = ElementTree.fromstring(run_figure(decided_run(record(text, faults=["ignores_rain"])[0])))
    words = [e.text for e in of_class(root, "decided")]
    assert len(words) == len(set(words))
    assert any(said.endswith("(6 times)") for said in words)


def test_what_was_not_run_has_no_figure(runs):
    """A step that the run never came to leaves no figure; there is nothing to see."""
    run = decided_run(runs["fail"][0])
    steps = {r.step for r in every_drawable(run)}
    assert steps - {None} == {
        0,
        1,
    }  # None: an invariant, which the failure may have ended before it was in force


def test_figures_replace_only_figures_of_the_same_log(runs, tmp_path):
    """Made again they replace themselves, old ones of the same log go, and any other file stays."""
    run = decided_run(runs["pass"][0])
    (tmp_path / "mine.svg").write_text("<svg/>", encoding="utf-8")
    assert write_figures(run, tmp_path) == 11
    (tmp_path / "1-9-old-reaches.svg").write_bytes((tmp_path / "run.svg").read_bytes())
    assert write_figures(run, tmp_path) == 11
    assert len(list(tmp_path.iterdir())) == 12
    other = replace(run, digest="cd" * 32)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(FileError, match=r"run\.svg: is not a figure of this log; name another folder"):
        write_figures(other, tmp_path)
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_a_folder_that_is_a_file_is_one_clear_error(runs, tmp_path):
    """No traceback reaches whoever names a file as the folder."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(FileError, match=r"file: cannot write the figures: "):
        write_figures(decided_run(runs["pass"][0]), tmp_path / "file")


@settings(max_examples=100, deadline=None)
@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e5), st.integers(2, 12))
def test_ticks_are_round_few_and_in_range(low, span, most):
    """Axes carry a handful of round numbers, each where it says it is."""
    scale = AxisScale(low, low + span, 0, 700)
    ticks = scale.ticks(most)
    assert len(ticks) <= most + 1
    for value, said in ticks:
        assert -0.01 <= scale(value) <= 700.01
        assert float(said) == pytest.approx(value, abs=1e-9 * max(1, abs(value)))


@settings(max_examples=100, deadline=None)
@given(st.floats(-10, 10), st.floats(0.01, 1e8))
@example(0, 30 * 86400.0)
def test_a_time_axis_has_a_few_short_ticks_in_a_unit_that_people_count_in(low, span_s):
    """Of half a second or of thirty days: never a number of seconds that nobody reads, never an empty axis."""
    scale = AxisScale(low, low + span_s, 0, 700)
    unit, ticks = scale.time_ticks()
    size_s = {"s": 1, "h": 3600, "d": 86400}[unit]
    assert 2 <= len(ticks) <= 10
    assert span_s < 2 * {"s": 3600, "h": 86400, "d": INF}[unit]
    for value, said in ticks:
        assert -0.01 <= scale(value) <= 700.01
        assert float(said) * size_s == pytest.approx(value, abs=1e-9 * size_s * max(1, abs(value)))


def test_labels_beside_an_axis_keep_their_distance():
    """Labels that would collide are moved apart, in their order, between top and bottom."""
    assert spread([100, 101, 10], 15, 0, 110) == [95, 110, 10]
    assert padded(5, 5) == (4, 6)
    assert wrap("one two-words " + "x" * 30, 100, 13) == ["one", "two-words", "x" * 12, "x" * 12, "x" * 6]
