"""The figure of a whole run: every vent over time, the contacts below, and the steps (pure)."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping
from typing import Final

from ventproof.case.items import START
from ventproof.figures import sheet
from ventproof.figures.decided_run import Course, DecidedRun
from ventproof.figures.drawing import AxisScale, Drawing, padded
from ventproof.figures.panel import Panel
from ventproof.figures.rows import Stretch, span_row, value_row
from ventproof.figures.sheet import LEFT, RIGHT, WIDTH, Moment
from ventproof.figures.vent_panel import draw_vent
from ventproof.figures.vents_seen import vents_seen
from ventproof.log.events import OutputsSafe, StepBegin
from ventproof.verdict.finding import Verdict

_PLOT_PX: Final = 280.0
_DASHES: Final = ("", "8 3", "3 3", "10 3 2 3", "1 3", "12 4")
_ORDER: Final = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS)
_NARROWEST_PX: Final = 1.5


def run_figure(run: DecidedRun) -> str:
    """Return the SVG of a whole run; each vent outside the unit has a panel of its own."""
    outside = vents_seen(run)
    apart = {name for seen in outside for name in seen.signals}
    vents = {name: c for name, c in run.courses.items() if c.traits.unit == "%" and name not in apart}
    drawing, y = _begin(run, [*(seen.name for seen in outside), *vents])
    x = AxisScale(0.0, max(run.end_s, 1e-3), LEFT, RIGHT)
    moments = sorted([*_steps(run), *_befallen(run)])
    ends = [(x(m.from_s), x(m.to_s)) for m in moments]
    top = y
    y += sheet.gutter_px(moments, [left for left, _ in ends]) + 6
    zones: list[tuple[float, float]] = []
    panel: Panel | None = None
    for seen in outside:
        begun = y
        panel, bottom, y = draw_vent(drawing, x, run, seen, y)
        zones.append((begun, bottom))
    begun = y
    if vents or panel is None:
        panel = _positions(drawing, x, vents, y)
        y = panel.bottom + 10
    y = _rows(drawing, panel, run, apart, y)
    zones.append((begun, y))
    sheet.draw_moments(drawing, moments, ends, top=top, bottom=zones[0][1])
    for from_y, to_y in zones[1:]:
        sheet.draw_lines(drawing, moments, ends, top=from_y, bottom=to_y)
    y = sheet.time_axis(drawing, panel, y, "s since the run began")
    entries = [
        ("envelope", "everything that the readings leave possible"),
        ("gap", "no evidence"),
        ("either", "changed somewhere in here"),
        ("on", "closed, or on"),
    ]
    return drawing.render(sheet.key(drawing, entries, y + 8) + 6)


def _positions(drawing: Drawing, x: AxisScale, vents: Mapping[str, Course], y: float) -> Panel:
    """Draw the vents of which the unit tells the positions, in one panel."""
    bounds = [edge for course in vents.values() for edge in course.edges()] or [0.0, 100.0]
    panel = Panel(drawing, x, AxisScale(*padded(min(bounds), max(bounds)), y + _PLOT_PX, y), 0.0)
    panel.frame(None, "vent positions, %")
    for gap in dict.fromkeys(gap for course in vents.values() for gap in course.gaps):
        if gap.to_s - gap.from_s > 2 * _NARROWEST_PX * x.per_px:
            panel.hatched(gap.from_s, gap.to_s, "gap")
    for number, course in enumerate(vents.values()):
        panel.course(
            course.between(0.0, x.high), discrete=False, dash=_DASHES[number % len(_DASHES)], dots=False
        )
    panel.names([(last, name) for name, course in vents.items() if (last := course.last()) is not None])
    return panel


def _rows(drawing: Drawing, panel: Panel, run: DecidedRun, but: Container[str], y: float) -> float:
    """Draw a row for each output, and each flag and state but those drawn already; return the next free y."""
    for output in dict.fromkeys(done.output for done in run.done):
        if output not in run.bound.vents:
            y = _output_row(drawing, panel, run, output, y)
    for name, course in run.courses.items():
        if course.traits.unit in {"flag", "state"} and name not in but:
            words = {value: word for word, value in run.case.states.get(name, {}).items()}
            y = value_row(drawing, panel, name, course.between(0.0, run.end_s), y, states=words)
    return y


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


def _befallen(run: DecidedRun) -> Iterator[Moment]:
    """Yield what befell vents that the bench plays."""
    for done in run.done:
        if done.output in run.bound.vents and done.window is not None:
            yield Moment(done.window.earliest_s, done.window.latest_s, done.said, "stimulus")


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
        Stretch(to_s, changes[i + 1][0] if i + 1 < len(changes) else safe_s, said, closed)
        for i, (_, to_s, said, closed) in enumerate(changes)
    ]
    return span_row(drawing, panel, output, spans, y)
