"""The figure of a whole run: every vent over time, the contacts below, and the steps (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from ventproof.case.items import START
from ventproof.envelope.spans import INF
from ventproof.figures import sheet
from ventproof.figures.decided_run import DecidedRun
from ventproof.figures.drawing import BLUE, AxisScale, Drawing, padded, text_width
from ventproof.figures.panel import SMALL, Panel
from ventproof.figures.sheet import LEFT, RIGHT, WIDTH, Moment
from ventproof.log.events import OutputsSafe, StepBegin
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.evidence import is_discrete

_PLOT_PX: Final = 280.0
_ROW_PX: Final = 24.0
_DASHES: Final = ("", "8 3", "3 3", "10 3 2 3", "1 3", "12 4")
_ORDER: Final = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS)
_NARROWEST_PX: Final = 1.5


def run_figure(run: DecidedRun) -> str:
    """Return the SVG of a whole run."""
    vents = {name: c for name, c in run.courses.items() if c.traits.unit == "%"}
    end_s = max(run.end_s, 1e-3)
    drawing, y = _begin(run, vents)
    x = AxisScale(0.0, end_s, LEFT, RIGHT)
    moments = list(_steps(run))
    ends = [(x(m.from_s), x(m.to_s)) for m in moments]
    top = y
    y += sheet.gutter_px(moments, [left for left, _ in ends]) + 6
    bounds = [edge for course in vents.values() for edge in course.edges()] or [0.0, 100.0]
    panel = Panel(drawing, x, AxisScale(*padded(min(bounds), max(bounds)), y + _PLOT_PX, y), 0.0)
    panel.frame(None, "vent positions, %")
    for gap in dict.fromkeys(gap for course in vents.values() for gap in course.gaps):
        if gap.to_s - gap.from_s > 2 * _NARROWEST_PX * x.per_px:
            panel.hatched(gap.from_s, gap.to_s, "gap")
    for number, course in enumerate(vents.values()):
        panel.course(
            course.between(0.0, end_s), discrete=False, dash=_DASHES[number % len(_DASHES)], dots=False
        )
    panel.names([(last, name) for name, course in vents.items() if (last := course.last()) is not None])
    y = panel.bottom + 10
    for output in dict.fromkeys(done.output for done in run.done):
        y = _output_row(drawing, panel, run, output, y)
    for name, course in run.courses.items():
        if course.traits.unit in {"flag", "state"}:
            y = _value_row(drawing, panel, run, name, y)
    sheet.draw_moments(drawing, moments, ends, top=top, bottom=y)
    y = sheet.time_axis(drawing, panel, y, "s since the run began")
    entries = [
        ("envelope", "everything that the readings leave possible"),
        ("gap", "no evidence"),
        ("either", "changed somewhere in here"),
        ("on", "closed, or on"),
    ]
    return drawing.render(sheet.key(drawing, entries, y + 8) + 6)


def _begin(run: DecidedRun, vents: Iterable[str]) -> tuple[Drawing, float]:
    """Return the drawing with its heading, and the next free y."""
    name = run.case.profile.profile
    verdict = str(run.case.verdict) if run.complete else "aborted"
    drawing = Drawing(
        WIDTH,
        f"v{run.digest[:8]}-run",
        title=f"{verdict}: {name}",
        description=f"The whole run: positions of {', '.join(vents) or 'no vent'}, with the contacts and steps below.",
        log=run.digest,
    )
    header = run.header
    stated = {"unit": header.unit, "firmware": header.firmware, "operator": header.operator}
    told = [f"{word} {text}" for word, text in stated.items() if text]
    return drawing, sheet.heading(drawing, verdict, name, [", ".join([f"bench: {header.bench.name}", *told])])


def _steps(run: DecidedRun) -> Iterator[Moment]:
    """Yield the begin of each step with its verdict."""
    for event in run.events:
        if isinstance(event, StepBegin):
            found = [i.ruling.verdict for i in run.case.of_step(event.step) if i.ruling is not None]
            verdict = min(found, key=_ORDER.index, default=None)
            number = "" if event.step == START else f"{event.step} "
            said = f"{number}{event.step_name}{f': {verdict}' if verdict else ''}"
            yield Moment(event.window.earliest_s, event.window.earliest_s, said, "step")


def _output_row(drawing: Drawing, panel: Panel, run: DecidedRun, output: str, y: float) -> float:
    """Draw what an output was set to over time; return the next free y."""
    safe_s = next((e.t_s for e in run.events if isinstance(e, OutputsSafe)), run.end_s)
    unit = run.case.profile.needs.outputs[output]
    changes: list[tuple[float, float, str, bool]] = []  # earliest, latest, what it became, whether closed
    for done in run.done:
        if done.output == output and done.window is not None and done.value is not None:
            changes.append((done.window.earliest_s, done.window.latest_s, f"{done.value:g} {unit}", False))
        elif done.output == output:
            changes += [(from_s, to_s, "", closed) for closed, from_s, to_s in done.edges]
    spans = [
        (to_s, changes[i + 1][0] if i + 1 < len(changes) else safe_s, said, closed)
        for i, (_, to_s, said, closed) in enumerate(changes)
    ]
    return _row(drawing, panel, output, spans, y)


def _value_row(drawing: Drawing, panel: Panel, run: DecidedRun, name: str, y: float) -> float:
    """Draw a flag or state over time; what is not certain is hatched. Return the next free y."""
    names = {value: word for word, value in run.case.states.get(name, {}).items()}
    course = run.courses[name]
    whole = course.between(0.0, run.end_s)
    spans: list[tuple[float, float, str, bool]] = []
    for piece in whole.pieces:
        if piece.l0 != piece.u0:
            panel.uncertain(piece.t0, piece.t1, y + 3, y + 17, known=piece.l0 > -INF)
            continue
        on = course.traits.unit == "flag" and piece.l0 == 1
        said = "" if course.traits.unit == "flag" else names.get(int(piece.l0), f"{piece.l0:g}")
        if spans and spans[-1][1] == piece.t0 and spans[-1][2:] == (said, on):
            spans[-1] = (spans[-1][0], piece.t1, said, on)
        else:
            spans.append((piece.t0, piece.t1, said, on))
    assert is_discrete(course.traits.unit), "only flags and states have a row"
    return _row(drawing, panel, name, spans, y)


def _row(
    drawing: Drawing, panel: Panel, name: str, spans: list[tuple[float, float, str, bool]], y: float
) -> float:
    """Draw (from, to, text, filled) as a row of bars with its name; return the next free y."""
    drawing.text(RIGHT + 11, y + 14, name, font_size=SMALL, class_="row")
    drawn_px = -1
    for from_s, to_s, said, filled in spans:
        left, right = panel.px(from_s), panel.px(to_s)
        if right <= left or (right - left < 1 and int(left) == drawn_px):
            continue  # a second one on the same pixel
        drawn_px = int(left)
        if filled:
            right = max(right, left + _NARROWEST_PX)
            drawing.box(left, y + 3, right, y + 17, class_="closed", fill=BLUE, fill_opacity="0.75")
        else:
            drawing.line(left, y + 17, right, y + 17, class_="open", stroke_width=1)
        if said and text_width(said, 11) < right - left - 4:
            drawing.line(left, y + 3, left, y + 17, stroke_width=1)
            drawing.text(left + 4, y + 13, said, font_size=11, class_="said")
    return y + _ROW_PX
