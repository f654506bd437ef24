"""Repeats of a profile in one picture: the band holds every reading, and every run that did not pass is named."""

from __future__ import annotations

import pickle
from dataclasses import replace
from types import SimpleNamespace
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.envelope.spans import INF, Piece
from ventproof.figures.decided_run import decided_run
from ventproof.figures.drawing import text_width
from ventproof.figures.panel import SMALL
from ventproof.figures.repeats_figure import (
    CellBand,
    DrawnRun,
    Overlay,
    ThinRun,
    ThinSignal,
    repeats_figure,
    thin_run,
)
from ventproof.figures.sheet import RIGHT, WIDTH
from ventproof.log.read import read_log
from ventproof.report.build import report_of
from ventproof.report.overlays import MOST_LINES, LaidRun, Overlays
from ventproof.report.write import html_of

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def repeats(mock, tmp_path_factory):
    """Logs of one profile: two that passed, one that failed, one that died, one that ended before any stimulus."""
    out = tmp_path_factory.mktemp("repeats")
    faults = [(), (), ("ignores_rain",), (), ()]
    logs = [mock.run(out, mock.rain, faults=its, repeat=n) for n, its in enumerate(faults, start=1)]
    healthy = mock.run(tmp_path_factory.mktemp("healthy"), mock.rain, repeat=3)
    # On the bench of the others, as if the unit had failed by itself.
    mock.rechained([mock.events_of(healthy)[0], *mock.events_of(logs[2])[1:]], logs[2])
    for log, more in ((logs[3], 200), (logs[4], 0)):
        applied = next(i for i, e in enumerate(mock.events_of(log)) if e["event"] == "stimulus" and e["step"])
        log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[: applied + more]))
    return logs


@pytest.fixture(scope="module")
def overlay(repeats):
    """The one picture of them, as the report has it."""
    (told,) = report_of(repeats).overlays
    return told


@given(
    st.lists(
        st.lists(st.tuples(st.floats(0.001, 50), st.floats(-1e3, 1e3), st.floats(0, 9)), min_size=2),
        min_size=1,
        max_size=4,
    ),
    st.data(),
)
def test_band_holds_all_of_every_run_whatever_the_width_of_its_cells(runs, data):
    """Cells of several widths are joined to the widest, and nothing that a run read falls outside."""
    bands, read = [], []
    for run in runs:
        pieces, t_s = [], -20.0
        for wait_s, value, error in run:
            if pieces:
                last = pieces[-1]
                pieces.append(Piece(t_s, last.l1, last.u1, t_s + wait_s, value - error, value + error))
            t_s += wait_s
            pieces.append(Piece(t_s, value - error, value + error, t_s, value - error, value + error))
        read += pieces
        bands.append(CellBand.of(pieces, 2.0 ** data.draw(st.integers(-2, 4))))
    whole = bands[0]
    for band in bands[1:]:
        whole = whole.joined(band)
    drawn = {piece.t0: piece for piece in whole.pieces()}
    for piece in read:
        for t_s, low, high in (piece[:3], piece[3:]):
            cell = drawn[t_s // whole.width_s * whole.width_s]
            assert min(cell.l0, cell.l1) <= low + 1e-9
            assert max(cell.u0, cell.u1) >= high - 1e-9


def test_every_reading_of_every_run_is_inside_of_the_band(repeats):
    """The window and the resolution of each reading, and the line that is drawn, of real runs."""
    runs = [decided_run(read_log(log)) for log in repeats]
    thin = [(run, thin_run(run)) for run in runs]
    assert [one is None for _, one in thin] == [False, False, False, False, True]
    overlay = Overlay()
    drawn = [(run, one) for run, one in thin if one is not None]
    for _, one in drawn:
        overlay.take(one)
    assert set(overlay.bands) == {"roof_vent", "side_vent"}
    for run, one in drawn:
        for name, band in overlay.bands.items():
            for arrived in run.courses[name].arrived:
                read = arrived.reading
                for t_s in (read.a + one.from_s, read.b + one.from_s):
                    low, high = band.cells[t_s // band.width_s]
                    assert low <= min(read.lo, arrived.sample.value)
                    assert high >= max(read.hi, arrived.sample.value)


def test_each_run_that_did_not_pass_is_named_and_coloured(overlay):
    """In words and with a link, in the text for those who cannot see, and at its line."""
    assert [(mark.verdict, mark.said) for mark in overlay.wrong] == [
        ("fail", "repeat 3: fail"),
        ("aborted", "repeat 4: aborted"),
        ("aborted", "repeat 5: aborted"),
    ]
    assert overlay.counts == "5 runs: 1 failed, 2 aborted, 2 passed."
    assert "contains every reading of 4 runs" in overlay.says
    assert "Not drawn: 1 that ended before the first stimulus or cannot be judged again." in overlay.says
    root = ElementTree.fromstring(overlay.figure.svg)
    told = root.findtext(f"{SVG}desc")
    assert all(mark.said in told and mark.said in overlay.figure.alt for mark in overlay.wrong)
    named = [text.text for text in root.iter(f"{SVG}text") if text.get("class") == "run"]
    assert sorted(named) == ["repeat 3: fail"] * 2 + ["repeat 4: aborted"] * 2


@pytest.mark.parametrize("name", ["repeat 4", "four/rain-closes-the-roof-vent-and-holds-it-closed.jsonl"])
@pytest.mark.parametrize("end_s", [5.0, 60.0, 95.0, 100.0])
def test_what_names_a_run_crosses_neither_the_frame_nor_its_line(name, end_s):
    """However long the name, and wherever the line ends: a list below the picture names the run in full."""
    points = ((0.0, 99.0), (end_s, 99.0 - 0.9 * end_s))
    signal = ThinSignal("%", reckoned=False, band=CellBand(100.0, {0: (9.0, 99.0)}), lines=(points,))
    overlay = Overlay()
    overlay.take(ThinRun(0.0, 100.0, {}, {"roof_vent": signal}, {}))
    svg = repeats_figure("a", "a", "a", overlay, [DrawnRun(name, "aborted", {"roof_vent": (points,)})])
    (text,) = (t for t in ElementTree.fromstring(svg).iter(f"{SVG}text") if t.get("class") == "run")
    left, right = float(text.get("x")), float(text.get("x")) + text_width(text.text, SMALL)
    assert right <= RIGHT or RIGHT <= left < right <= WIDTH
    assert left > overlay.x(end_s)
    assert text.text == f"{name}: aborted" or (text.text in {"1 run: aborted", "aborted"} and len(name) > 10)


def test_picture_has_a_band_all_lines_and_what_is_required(overlay):
    """For each vent; lines of runs that passed are neutral and lie below the others."""
    root = ElementTree.fromstring(overlay.figure.svg)
    classes = [element.get("class") for element in root.iter() if element.get("class")]
    assert [text.text for text in root.iter(f"{SVG}text") if text.get("class") == "row"] == [
        "roof_vent",
        "side_vent",
    ]
    assert classes.count("seen") == 2
    assert [name for name in classes if name.startswith("run-")] == [
        *["run-pass"] * 2,
        "run-fail",
        "run-aborted",
    ] * 2
    assert "slot" in classes
    neutral = [element for element in root.iter() if element.get("class") == "run-pass"]
    assert {element.get("stroke") for element in neutral} == {"currentColor"}


def test_a_run_that_cannot_be_judged_again_is_named_and_not_drawn(repeats, mock, tmp_path):
    """Its readings are no evidence, and the band does not claim to have them."""
    events = mock.events_of(repeats[0])
    old = mock.rechained([events[0] | {"format": 1}, *events[1:]], tmp_path / "old.jsonl")
    (told,) = report_of([repeats[1], repeats[2], old]).overlays
    assert [mark.said for mark in told.wrong] == ["repeat 3: fail", "repeat 1: unconfirmed"]
    assert "every reading of 2 runs" in told.says
    assert "Not drawn: 1" in told.says


def test_of_what_is_reckoned_the_band_has_every_possible_value(mock, tmp_path):
    """It has no readings; the caption says what the band is instead."""
    profile = SHIPPED.parent / "drives" / "reckoned" / "rain-turns-a-short-run.yaml"
    bench = (SHIPPED_BENCH.parent / "loop-reckoned.yaml").read_text(encoding="utf-8")
    text = profile.read_text(encoding="utf-8")
    logs = [mock.run(tmp_path, text, bench, repeat=repeat) for repeat in (1, 2)]
    run = decided_run(read_log(logs[0]))
    thin = thin_run(run)
    band = thin.signals["roof_vent"].band
    bounded = [piece for piece in run.courses["roof_vent"].pieces if piece.l0 > -INF]
    assert bounded
    for piece in bounded:
        low, high = band.cells[(piece.t0 + thin.from_s) // band.width_s]
        assert low <= piece.l0
        assert high >= piece.u0
    (told,) = report_of(logs).overlays
    assert "Of roof_vent, reckoned from contacts, it contains every possible value." in told.says


def test_a_deadline_that_differs_from_run_to_run_has_no_gate(repeats):
    """It would stand wrong for some of the runs."""
    thin = thin_run(decided_run(read_log(repeats[0])))
    same, other = Overlay(), Overlay()
    later = {place: due._replace(to_s=due.to_s + 5.0) for place, due in thin.deadlines.items()}
    for overlay, deadlines in ((same, thin.deadlines), (other, later)):
        overlay.take(thin)
        overlay.take(replace(thin, deadlines=deadlines))
    assert same.gates("roof_vent")
    assert other.gates("roof_vent") == []


def test_first_page_shows_the_picture_and_leads_to_the_runs_that_did_not_pass(repeats):
    """A page of one run a profile has no such part, and a copy of a log is no repeat."""
    page = html_of(report_of(repeats))
    assert page.index('id="failed"') < page.index('id="repeats"')
    assert '<a href="#run-3"><bdi>repeat 3: fail</bdi></a>' in page
    assert 'id="repeats"' not in html_of(report_of([repeats[0], repeats[0]]))


def test_other_firmware_and_other_text_is_no_repeat(mock, tmp_path):
    """Only runs that should be the same are laid over each other."""
    older = mock.run(tmp_path, mock.rain, firmware="3.0")
    changed = mock.run(tmp_path, mock.rain.replace("within: 2", "within: 3", 1))
    assert report_of([older, changed, mock.run(tmp_path, mock.rain)]).overlays == ()


def test_of_many_runs_few_lines_are_kept_and_all_failures_are_named(repeats):
    """What is held does not grow with the runs that passed, and failures are drawn first."""
    thin = thin_run(decided_run(read_log(repeats[0])))
    overlays, sizes = Overlays(), []
    for number in range(1, 201):
        failed = number % 50 == 0
        overlays.take(
            SimpleNamespace(
                ident=f"run-{number}",
                profile="rain",
                repeat=number,
                seed=number,
                log=f"{number}.jsonl",
                standing="fail" if failed else "pass",
                identity={"unit": "V-1", "firmware": "3.1", "bench": "b", "bench digest": "d", "faults": ""},
            ),
            LaidRun("sha", thin),
        )
        sizes.append(len(pickle.dumps(overlays)))
    (told,) = overlays.told()
    assert [mark.said for mark in told.wrong] == [f"repeat {n}: fail" for n in (50, 100, 150, 200)]
    assert f"{MOST_LINES} of them are drawn as lines, runs that did not pass first." in told.says
    root = ElementTree.fromstring(told.figure.svg)
    lines = [e.get("class") for e in root.iter() if str(e.get("class")).startswith("run-")]
    assert lines.count("run-fail") == 2 * 4
    assert len(lines) == 2 * MOST_LINES
    assert (sizes[-1] - sizes[99]) / 100 < 200


def test_runs_on_different_benches_are_no_repeats(mock, tmp_path):
    """A unit with a fault and one without are drawn apart, each said; runs with other seeds are named by these."""
    logs = [mock.run(tmp_path, mock.rain, repeat=n) for n in (1, 2)]
    logs += [mock.run(tmp_path, mock.rain, faults=("ignores_rain",), seed=seed) for seed in (3, 5)]
    faulty, healthy = report_of(logs).overlays
    assert [told.profile.rpartition(", ")[2] for told in (faulty, healthy)] == [
        "fault ignores_rain",
        "no faults",
    ]
    assert [mark.said for mark in faulty.wrong] == ["seed 3: fail", "seed 5: fail"]
