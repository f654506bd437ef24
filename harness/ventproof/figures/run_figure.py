"""The figure of a whole run: what was done, every vent, flag and counter over time, and what was decided (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Final

from ventproof.case.items import START
from ventproof.figures import sheet
from ventproof.figures.brackets import draw_brackets
from ventproof.figures.decided_run import Course, DecidedRun
from ventproof.figures.drawing import AxisScale, Drawing, Element, padded
from ventproof.figures.panel import Panel
from ventproof.figures.rows import Stretch, span_row, value_row
from ventproof.figures.sheet import LEFT, RIGHT, WIDTH, Moment
from ventproof.figures.vent_panel import draw_vent
from ventproof.figures.vents_seen import vents_seen
from ventproof.figures.weather_lane import weather_lane
from ventproof.log.events import OutputsSafe, StepBegin
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.benchfile.vents import FULL_PERCENT

_PLOT_PX: Final = 120.0
_COUNTER_PX: Final = 60.0
_ORDER: Final = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS)
_NARROWEST_PX: Final = 1.5
_SEEN_PX: Final = 3.0
"""Hatching narrower than this is a line for the eye."""


def run_figure(run: DecidedRun) -> str:
    """Return the SVG of a whole run: lanes of stimuli, vents, flags and counters on one time axis."""
    outside = vents_seen(run)
    apart = {name for seen in outside for name in seen.signals}
    vents = [name for name, c in run.courses.items() if c.traits.unit == "%" and name not in apart]
    drawing, y = _begin(run, [*(seen.name for seen in outside), *vents])
    x = AxisScale(0.0, max(run.end_s, 1e-3), LEFT, RIGHT)
    moments = sorted([*_steps(run), *_befallen(run)])
    ends = [(x(m.from_s), x(m.to_s)) for m in moments]
    bands = drawing.mark("g")
    top = y
    y += sheet.gutter_px(moments, [left for left, _ in ends]) + 6
    first = y
    rail = Panel(drawing, x, AxisScale(0.0, 1.0, y, y - 1), 0.0)
    for output in dict.fromkeys(done.output for done in run.done):
        if output not in run.bound.vents:
            y = weather_lane(drawing, rail, run, output, _output_row(drawing, rail, run, output, y))
    zones = [(first, y)]
    for seen in outside:
        _, bottom, after = draw_vent(drawing, x, run, seen, y + 6)
        zones.append((y, bottom))
        y = after
    for name in run.courses:
        if name not in apart:
            bottom, after = _lane(drawing, rail, run, name, y)
            zones.append((y, bottom))
            y = after
    _tint_steps(drawing, bands, x, run, top=first, bottom=y)
    sheet.draw_moments(drawing, moments, ends, top=top, bottom=zones[0][1])
    for from_y, to_y in zones[1:]:
        sheet.draw_lines(drawing, moments, ends, top=from_y, bottom=to_y)
    y = sheet.time_axis(drawing, rail, y, "since the run began")
    return drawing.render(sheet.key(drawing, _key(drawing), y + 8) + 6)


def _key(drawing: Drawing) -> Iterator[tuple[str, str]]:
    """Yield the signs that can be seen in the drawing, with their meaning."""
    elements = [*drawing.root.iter()]
    classes = {element.get("class") for element in elements}
    fills = {e.get("fill") for e in elements if float(e.get("width", 0)) >= _SEEN_PX}
    if "envelope" in classes:
        yield "envelope", "possible values"
    if drawing.hatch("gap") in fills:
        yield "gap", "not known: no reading tells"
    if drawing.hatch("either") in fills:
        yield "either", "changed during this time"
    if "closed" in classes:
        yield "on", "closed, or on"


def _lane(drawing: Drawing, rail: Panel, run: DecidedRun, name: str, y: float) -> tuple[float, float]:
    """Draw a signal with what was decided of it below, a flag or state as a row, any other in axes.

    Returns:
        The y below the signal, and the next free one.
    """
    course = run.courses[name]
    whole, unit = course.between(0.0, rail.x.high), course.traits.unit
    if unit in {"flag", "state"}:
        words = {value: word for word, value in run.case.states.get(name, {}).items()}
        y = value_row(drawing, rail, name, whole, y + 2, states=words)
    else:
        y = _signal_panel(drawing, rail.x, name, whole, y + 6) + 4
    decided = [result for result in run.case.results if result.signal == name]
    return y, draw_brackets(drawing, rail, run, decided, y) + 2


def _signal_panel(drawing: Drawing, x: AxisScale, name: str, course: Course, y: float) -> float:
    """Draw a vent, a counter or another quantity; return the lower edge of its axes."""
    edges = [*course.edges(), *((0.0, FULL_PERCENT) if course.traits.unit == "%" else ())] or [0.0, 1.0]
    counts = is_discrete(course.traits.unit)
    height_px = _COUNTER_PX if counts else _PLOT_PX
    panel = Panel(drawing, x, AxisScale(*padded(min(edges), max(edges)), y + height_px, y), 0.0)
    panel.frame(None, "" if counts else f"{name}, {course.traits.unit}")
    for gap in course.gaps:
        if gap.to_s - gap.from_s > 2 * _NARROWEST_PX * x.per_px:
            panel.hatched(gap.from_s, gap.to_s, "gap")
    panel.course(course, discrete=counts, dots=False)
    if (last := course.last()) is not None:
        panel.names([(last, name)])
    return panel.bottom


def _tint_steps(
    drawing: Drawing, bands: Element, x: AxisScale, run: DecidedRun, *, top: float, bottom: float
) -> None:
    """Tint every other step over all lanes."""
    begins = [event.window.earliest_s for event in run.rare if isinstance(event, StepBegin)]
    for number, (from_s, to_s) in enumerate(pairwise([*begins, run.end_s])):
        if number % 2:
            drawing.box(
                x(from_s),
                top,
                x(to_s),
                bottom,
                bands,
                class_="step",
                fill="currentColor",
                fill_opacity="0.05",
            )


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
    for event in run.rare:
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
    safe_s = next((e.t_s for e in run.rare if isinstance(e, OutputsSafe)), run.end_s)
    unit = run.case.profile.needs.outputs[output]
    changes: list[tuple[float, float, str, bool]] = []  # earliest, latest, what it became, whether closed
    for done in run.done:
        if done.output == output and done.window is not None and done.value is not None:
            changes.append((done.window.earliest_s, done.window.latest_s, f"{done.value:g} {unit}", False))
        elif done.output == output and done.window is not None and not done.edges:
            changes.append((done.window.earliest_s, done.window.latest_s, done.said, False))
        elif done.output == output:
            changes += [(from_s, to_s, "", closed) for closed, from_s, to_s in done.edges]
    spans = [
        Stretch(to_s, changes[i + 1][0] if i + 1 < len(changes) else safe_s, said, closed)
        for i, (_, to_s, said, closed) in enumerate(changes)
    ]
    return span_row(drawing, panel, output, spans, y)
