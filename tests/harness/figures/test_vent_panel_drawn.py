"""The panel of a vent that the bench plays: what it draws is what the log, read by itself, holds."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from ventproof.case.case import case_of
from ventproof.case.findings import finding_of
from ventproof.case.invariants import InvariantItem
from ventproof.cli.judge import figures
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.deciders.formulas import Formula
from ventproof.drives.formulas import AgreesFormula
from ventproof.envelope.spans import Piece
from ventproof.figures import sheet
from ventproof.figures.decided_run import DecidedRun, decided_run
from ventproof.figures.demand import agreed
from ventproof.figures.drawing import text_width
from ventproof.figures.response_figure import response_figure
from ventproof.figures.run_figure import run_figure
from ventproof.log.decode import event_of
from ventproof.log.encode import fields_of
from ventproof.log.events import PollSeen, StimulusApplied
from ventproof.log.plan import PlannedRun
from ventproof.log.read import LogState
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.run.engine import Engine
from ventproof.session.session import Session
from ventproof.verdict.brief import at_a_glance
from ventproof_bench.base.clock import run as run_loop
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.rig.build import assemble

SVG = "{http://www.w3.org/2000/svg}"
BENCH = (SHIPPED_BENCH.parent / "loop-switches.yaml").read_text(encoding="utf-8")
POT = """\
  roof_pot:
    kind: level
    driver: register
    wired: {bus: io, unit_id: 3, table: holding, address: 0, scale: 0.001}
    signal: 0-10 V
    range: [0 %, 100 %]
    safe: 0
    selfcheck: leave

signals:
"""
BOTH = BENCH.replace("\nsignals:\n", POT, 1).replace(
    "      open_switch: {output: roof_wide, at: 100 %, reached: closed}\n",
    "      open_switch: {output: roof_wide, at: 100 %, reached: closed}\n"
    "      position: {output: roof_pot, seen_from: drive, accuracy: 0.1 %}\n",
)
JAM = """
profile: a vent jams and is free again
needs:
  outputs: {house_temperature: °C, roof: vent}
  signals: {roof_vent: "%", roof_told: "%", roof_opens: flag, roof_closes: flag, roof_broken_off: flag}
always:
  - {signal: roof_opens, never_together: roof_closes, purpose: both at once burn the drive}
start:
  write: {house_temperature: 18 °C}
  until:
    - {signal: roof_vent, reaches: 0 %, tolerance: 1 %, within: 2 min, holds: 2 s}
steps:
  - step: it jams
    do:
      - {fail: roof, mode: jams, position: 20 %, way: opening}
      - {wait: 1 s}
      - {write: house_temperature, value: 23 °C, label: warm}
      - {wait: 12 s}
      - {restore: roof}
      - {write: house_temperature, value: 18 °C, label: cold}
    expect:
      - {signal: roof_vent, reaches: 25 %, tolerance: 3 %, within: 10 s, after: warm}
      - {signal: roof_told, agrees_with: roof_vent, tolerance: 3 %, lag: 500 ms, for: 10 s, after: warm}
      - {signal: roof_opens, runs_at_most: 30 s, for: 10 s, after: warm}
      - {signal: roof_closes, starts_at_most: 3, per: 10 s, for: 10 s, after: cold}
"""


@pytest.fixture(scope="module")
def state():
    """A run whose vent jams on its way, as its log is read."""
    loaded, read = read_bench("bench.yaml", BOTH), read_profile("profile.yaml", JAM)
    bound = bind(read, loaded, {})
    session = Session(bench=loaded, out=Path())
    header = session.header(read, PlannedRun(session.plan([read]), 1))
    events = []

    async def main():
        rig = assemble(loaded.model, seed=0)
        names = {"output_names": bound.outputs, "vent_names": bound.vents}
        engine = Engine(read.model, rig, case_of(bound), record=events.append, **names)
        await engine.run(header)

    run_loop(main(), virtual=True)
    return LogState(tuple(events), len(events), None, "", "cd" * 32)


@pytest.fixture(scope="module")
def run(state) -> DecidedRun:
    """That run, decided again."""
    return decided_run(state)


@pytest.fixture(scope="module")
def drawn(run):
    """Its figure, parsed."""
    return ElementTree.fromstring(run_figure(run))


def of_class(root, name):
    return [element for element in root.iter() if element.get("class") == name]


def texts(root):
    return [element.text for element in root.iter(f"{SVG}text")]


def axes(root):
    """Read the scales of the vent's panel off its axes; returns (px to s, px to %)."""
    panel = next(e for e in root.findall(f"{SVG}svg") if of_class(e, "played"))
    top = float(panel.get("y"))
    xs = [(float(e.get("x")), float(e.text)) for e in of_class(root, "tick-x")]
    ys = [(float(e.get("y")) - 4, float(e.text)) for e in of_class(root, "tick-y")]
    ys = [(y, value) for y, value in ys if top <= y <= top + float(panel.get("height"))]
    return tuple(np.polynomial.Polynomial.fit(*zip(*pairs, strict=True), 1) for pairs in (xs, ys))


def line(root, name):
    """Read a line back; returns instants and values."""
    to_s, to_percent = axes(root)
    (path,) = of_class(root, name)
    points = np.array([[float(n) for n in p.split(",")] for p in re.split("[ML]", path.get("d"))[1:]])
    return to_s(points[:, 0]), to_percent(points[:, 1])


def polls(state, name):
    """Return when a signal was read, and what it was, straight from the log."""
    found = [e.poll for e in state.events if isinstance(e, PollSeen) and name in e.poll.values]
    return np.array([((p.requested_s + p.replied_s) / 2, p.values[name]) for p in found])


def shown(state, output):
    """Return from when on an output showed what, straight from the log."""
    found = [e.poll for e in state.events if isinstance(e, PollSeen) and output in e.poll.shown]
    return [(p.replied_s, p.shown[output]) for p in found]


@pytest.mark.parametrize(("name", "signal"), [("played", "roof_vent"), ("unit", "roof_told")])
def test_the_vent_and_the_unit_s_own_reading_run_through_what_was_read(name, signal, drawn, state):
    """Read back through the figure's axes, the true position and the unit's register are those of the log."""
    at_s, values = line(drawn, name)
    read = polls(state, signal)
    inside = (read[:, 0] >= at_s[0]) & (read[:, 0] <= at_s[-1])
    assert inside.sum() > 100
    drawn_at = np.interp(read[inside, 0], at_s, values)
    assert np.abs(drawn_at - read[inside, 1]).max() < 1.0  # a pixel is half a per cent
    assert read[:, 1].max() > 15


def test_the_position_that_was_fed_back_is_drawn_from_the_level_on_the_output(drawn, state):
    """0-10 V stand for 0-100 %: the dashed line shows what the unit was given, not what the vent did."""
    at_s, values = line(drawn, "fed-back")
    for t_s, level in shown(state, "roof_pot")[::10]:
        near = np.interp([t_s - 0.2, t_s, t_s + 0.2], at_s, values)
        assert near.min() - 1 <= 10 * level <= near.max() + 1


def test_an_end_switch_is_a_bar_while_its_contact_told_the_end(drawn, state):
    """The bar at the closed end stands when the contact was closed, by the log; the open end was never reached."""
    to_s, to_percent = axes(drawn)
    states = shown(state, "roof_shut")
    changes = [t for (t, told), (_, before) in zip(states[1:], states, strict=False) if told is not before]
    bars = of_class(drawn, "switch-closed")
    edges = sorted(to_s(float(b.get("x")) + w) for b in bars for w in (0, float(b.get("width"))))
    assert len(changes) == 2
    for change in changes:
        assert min(abs(edge - change) for edge in edges) < 0.2
    assert all(to_percent(float(bar.get("y"))) < 0 for bar in bars), "outward of the closed end"
    assert not of_class(drawn, "switch-open")


def test_what_befell_the_vent_stands_at_its_time_in_words(drawn, state):
    """A jam and its end are lines from a label, where the log has them."""
    to_s, _ = axes(drawn)
    befell = [e for e in state.events if isinstance(e, StimulusApplied) and e.output == "roof"]
    assert [e.said for e in befell] == ["let roof jam opening at 20 %", "restore roof"]
    lines = of_class(drawn, "moment-stimulus")
    for event, mark in zip(befell, lines, strict=True):
        assert event.said in texts(drawn)
        assert to_s(float(mark.get("x1"))) == pytest.approx(event.window.earliest_s, abs=0.1)


def test_drive_contacts_are_bars_and_every_line_is_named_beside_it(drawn):
    """No legend is needed to know which line is which."""
    said = texts(drawn)
    for words in (
        "played: roof_vent",
        "unit: roof_told",
        "fed back: roof_pot",
        "closed end: roof_shut",
        "open end: roof_wide",
        "roof_opens",
        "roof_closes",
    ):
        assert said.count(words) == 1
    assert "vent roof, %" in said
    assert not any("side" in words for words in said), "the profile has nothing to do with that vent"


def test_each_response_on_the_vent_has_its_verdict_below_it(drawn, run):
    """Each is told with its sign, below the time that it was watched; those on other signals are not."""
    to_s, _ = axes(drawn)
    wanted = [
        r
        for r in run.case.results
        if set(r.signals) & {"roof_vent", "roof_told", "roof_opens", "roof_closes"}
    ]
    said = " ".join(e.text for e in of_class(drawn, "decided"))
    for result in wanted:
        why = at_a_glance(finding_of(result))
        words = f"{', '.join(result.signals)}: {result.ruling.verdict}"
        assert (f"{words}: {why}" if why else words) in said
    assert {str(r.ruling.verdict) for r in wanted} >= {"pass", "fail"}
    begun = [to_s(float(e.get("x1"))) for e in of_class(drawn, "watched")]
    watched = [(r.watches if isinstance(r, InvariantItem) else [r.watch])[0].judged_from_s for r in wanted]
    assert sorted(begun) == pytest.approx(sorted(watched), abs=0.1)


def test_no_texts_overlap_in_a_figure_with_vents(run):
    """In the figures of this run every text stands clear of the others, and inside the figure."""
    for name, svg in figures(run).items():
        boxes = []
        parents = ElementTree.fromstring(svg).iter()
        pairs = ((parent, text) for parent in parents for text in parent.findall(f"{SVG}text"))
        for said, text in ((dict(parent.items()) | dict(text.items()), text.text) for parent, text in pairs):
            if "transform" not in said:
                size, x, y = (float(said[key]) for key in ("font-size", "x", "y"))
                width = text_width(text, size) * 0.9
                left = x - width * {"middle": 0.5, "end": 1}.get(said.get("text-anchor"), 0)
                boxes.append((left, y - 0.75 * size, left + width, y + 0.1 * size, text))
        for a, b in combinations(boxes, 2):
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (name, a, b)
        assert all(left >= 0 and right <= sheet.WIDTH for left, _, right, _, _ in boxes), name


def test_a_log_without_what_was_shown_is_drawn_all_the_same(state):
    """Where nothing tells what the outputs showed, the vent, the drive and the verdicts stand alone."""
    bare = [
        replace(e, poll=e.poll._replace(shown={})) if isinstance(e, PollSeen) else e for e in state.events
    ]
    root = ElementTree.fromstring(run_figure(decided_run(replace(state, events=tuple(bare)))))
    assert of_class(root, "played")
    assert not of_class(root, "fed-back")
    assert not of_class(root, "switch-closed")


def test_what_was_shown_comes_back_from_a_line_of_the_log(state):
    """A played position with its contacts and level is the same after it was written and read."""
    event = next(e for e in state.events if isinstance(e, PollSeen) and "roof_pot" in e.poll.shown)
    assert set(event.poll.shown) == {"roof_shut", "roof_wide", "roof_pot"}
    fields = {"t": event.t_s} | dict(fields_of(event)) | {"words": []}
    assert event_of("poll", event.t_s, fields) == event


def test_agreement_is_drawn_as_two_lines_and_a_band_around_the_other(run):
    """The band holds the other signal's course by the tolerance, and the figure names both."""
    item = next(i for i in run.case.items if i.kind == "agrees_with")
    root = ElementTree.fromstring(response_figure(run, item))
    assert len(of_class(root, "envelope")) == 2
    assert of_class(root, "demanded")
    assert {"roof_told", "roof_vent"} <= set(texts(root))


@pytest.mark.parametrize("lag_s", [0.0, 0.7, 5.0])
def test_the_band_of_agreement_holds_every_value_of_the_last_lag(lag_s):
    """Compared with the least and the greatest of a course, looked up instant by instant."""
    corners = [(0.0, 0.0), (2.0, 10.0), (3.0, 10.0), (5.5, -4.0), (8.0, 1.0)]
    pieces = [Piece(t0, v0, v0 + 1, t1, v1, v1 + 1) for (t0, v0), (t1, v1) in pairwise(corners)]
    band = agreed(pieces, AgreesFormula(tolerance=2.0, lag_s=lag_s, for_s=8.0))
    edges = [(p.t0, p.l0, p.u0) for p in band] + [(band[-1].t1, band[-1].l1, band[-1].u1)]
    times, lows, highs = zip(*edges, strict=True)
    for t_s, low, high in edges:
        last = np.interp(np.linspace(max(0.0, t_s - lag_s), t_s, 2001), *zip(*corners, strict=True))
        assert low == pytest.approx(last.min() - 2, abs=0.02)
        assert high == pytest.approx(last.max() + 1 + 2, abs=0.02)
    assert times[0] == 0.0
    assert times[-1] == 8.0
    assert all(low < high for low, high in zip(lows, highs, strict=True))


def test_a_demand_on_drives_is_drawn_as_bars_that_say_how_long(run):
    """The flags stand below one another; a run between two seen edges carries how long it lasted."""
    item = next(i for i in run.case.items if i.kind == "starts_at_most")
    root = ElementTree.fromstring(response_figure(run, item))
    assert of_class(root, "closed")
    assert not isinstance(item.watch.formula, Formula)
    both = next(r for r in run.case.results if isinstance(r, InvariantItem))
    root = ElementTree.fromstring(response_figure(run, both))
    assert {"roof_opens", "roof_closes"} <= set(texts(root))
    lasted = [e.text for e in of_class(root, "lasted")]
    assert lasted
    assert all(re.fullmatch(r"[\d.]+( … [\d.]+)? s", text) for text in lasted)
