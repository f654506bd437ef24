"""The figure of one response: why it passed, failed or stayed inconclusive, at first sight (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, final

from ventproof.case.case import Result
from ventproof.case.invariants import InvariantItem
from ventproof.case.items import Item
from ventproof.deciders.formulas import CountsFormula, EqualsFormula, ReachesFormula, ReturnsFormula
from ventproof.drives.formulas import AgreesFormula, FlagsFormula
from ventproof.envelope.spans import INF, Piece
from ventproof.figures import sheet
from ventproof.figures.decided_run import Course, DecidedRun, Done
from ventproof.figures.demand import Demand, Ring, agreed, figure_demand, furthest_outside, smallest_margin
from ventproof.figures.drawing import BLUE, AxisScale, Drawing, padded
from ventproof.figures.panel import Panel
from ventproof.figures.rows import TIMED_ROW_PX, timed_row
from ventproof.figures.sheet import LEFT, RIGHT, WIDTH, Bar, Moment
from ventproof.judge.flags import AnyWatch
from ventproof.log.events import StepBegin
from ventproof.profile.check_responses import FLAG_WORDS
from ventproof.verdict.finding import Ruling, Verdict
from ventproof.verdict.text import span_text
from ventproof_bench.base.evidence import Window, is_discrete

_WHOLE_PX: Final = 250.0
_CLOSE_PX: Final = 150.0
_STEPS_PX: Final = 130.0
_NARROWEST_GAP_PX: Final = 3.0


@final
@dataclass(frozen=True, slots=True)
class Scene:
    """What one figure shows, in log time.

    Attributes:
        result: the response.
        ruling: what was found.
        watches: the judge's watches; one, except for what must always hold; none if the stimulus was incomplete.
        course: the signal in the visible span.
        others: the other signals of which it is demanded, by name, in the visible span.
        demand: what was demanded.
        origin_s: where the time axis is 0.
        from_s: where the figure begins.
        to_s: where it ends.
        moments: stimuli and limits.
    """

    result: Result
    ruling: Ruling
    watches: tuple[AnyWatch, ...]
    course: Course
    others: tuple[tuple[str, Course], ...]
    demand: Demand
    origin_s: float
    from_s: float
    to_s: float
    moments: tuple[Moment, ...]

    @property
    def discrete(self) -> bool:
        """Whether the signal has separate values."""
        return is_discrete(self.course.traits.unit)

    @property
    def unit(self) -> str:
        """The unit behind a number; empty for flags, states and counts."""
        return "" if self.discrete else self.course.traits.unit

    @property
    def drives(self) -> bool:
        """Whether it is demanded of the flags of drives."""
        return any(isinstance(watch.formula, FlagsFormula) for watch in self.watches)

    @property
    def agrees(self) -> list[Piece]:
        """Between which values it agrees with the other signal, where that is demanded."""
        formula = self.watches[0].formula if self.watches else None
        if not isinstance(formula, AgreesFormula) or not self.others[0][1].pieces:
            return []
        return agreed(self.others[0][1].pieces, formula)

    @property
    def spans(self) -> list[tuple[float, float]]:
        """Where the demand binds."""
        if isinstance(self.result, Item):
            return [(w.judged_from_s, min(w.judged_to_s, self.to_s)) for w in self.watches]
        return [
            (w.judged_from_s, min(w.judged_to_s, self.to_s))
            for w in self.watches
            if w.judged_to_s > w.judged_from_s
        ]


def can_be_drawn(run: DecidedRun, result: Result) -> bool:
    """Whether the run came as far as this response; otherwise there is nothing to see."""
    if isinstance(result, InvariantItem):
        return bool(result.watches)
    return any(isinstance(e, StepBegin) and e.step == result.step for e in run.events)


def response_figure(run: DecidedRun, result: Result) -> str:
    """Return the SVG of one response or invariant.

    Args:
        run: the log, judged.
        result: one of its case's results, for which `can_be_drawn`.
    """
    scene = _always_scene(run, result) if isinstance(result, InvariantItem) else _step_scene(run, result)
    verdict = str(scene.ruling.verdict)
    step = "always" if result.step is None else result.step
    title = f"{result.signal} {result.wording}"
    drawing = Drawing(
        WIDTH,
        f"v{run.digest[:8]}-{step}-{result.number}",
        title=f"{verdict}: {title}",
        description=f"{scene.ruling.why}. Profile {run.case.profile.profile}, step {result.step_name}.",
        log=run.digest,
    )
    place = (
        run.case.profile.profile if result.step is None else f"{run.case.profile.profile}: {result.step_name}"
    )
    lines = [scene.ruling.why, _margins(scene), result.why and f"proves: {result.why}", place]
    if run.case.profile.decision == "simple":
        lines.append("decision: simple (the readings as they stand, without their uncertainty)")
    y = sheet.heading(drawing, verdict, title, (line for line in lines if line))
    ring = _ring(scene)
    y = _axes(drawing, scene, run, ring, y)
    return drawing.render(sheet.key(drawing, _key(scene, ring), y + 8) + 6)


def _step_scene(run: DecidedRun, item: Item) -> Scene:
    watch = item.watch
    began = next(e.window for e in run.events if isinstance(e, StepBegin) and e.step == item.step)
    stimulus = next((d for d in run.done if (d.step, d.number) == (item.step, item.anchor[1])), None)
    origin_s = watch.judged_from_s if watch else began.earliest_s
    whole = run.courses[item.signal]
    demand = Demand()
    if watch is not None:
        unit = "" if is_discrete(whole.traits.unit) else item.unit
        counted = isinstance(watch.formula, CountsFormula)
        before = whole.read_before(origin_s) if counted else whole.at(watch.stimulus.earliest_s)
        demand = figure_demand(watch.formula, unit, before)
    assert item.ruling is not None, "the evidence has ended"
    until_s = _shown_until(watch, item.ruling, demand) if watch else run.end_s
    room_s = max(0.5, 0.04 * (until_s - origin_s))
    from_s, to_s = origin_s - room_s, until_s + room_s
    moments = [*_stimulus_moments(watch, stimulus, began)]
    if watch is not None:
        moments += [
            Moment(watch.judged_from_s + after_s, watch.stimulus.latest_s + after_s, said, "deadline")
            for after_s, said in demand.limits
        ]
    moments += _other_moments(run.done, stimulus, from_s, to_s)
    if run.end_s < to_s - room_s:
        moments.append(Moment(run.end_s, run.end_s, "the run ended", "other"))
    watches = (watch,) if watch else ()
    course = whole.between(from_s, to_s)
    others = tuple(_others(run, item, from_s, to_s))
    return Scene(item, item.ruling, watches, course, others, demand, origin_s, from_s, to_s, tuple(moments))


def _others(run: DecidedRun, result: Result, from_s: float, to_s: float) -> Iterator[tuple[str, Course]]:
    """Yield the signals after the first of which something is demanded, in the visible span."""
    for name in result.signals[1:]:
        yield name, run.courses[name].between(from_s, to_s)


def _shown_until(watch: AnyWatch, ruling: Ruling, demand: Demand) -> float:
    """Return up to when the figure of a response must reach: its limits, and what was found."""
    ends = [after_s for after_s, _ in demand.limits]
    if ruling.verdict is Verdict.PASS and ruling.response_s is not None:
        return max(decided_s(watch), watch.stimulus.latest_s + max(ends, default=0.0))
    if demand.until_s is not None:
        ends.append(demand.until_s)
    return watch.stimulus.latest_s + max(ends, default=1.0)


def decided_s(watch: AnyWatch) -> float:
    """Return up to when a response mattered, log time: until it had come and was kept, or to the end of its watch."""
    ruling = watch.ruling
    if ruling is None or ruling.verdict is not Verdict.PASS or ruling.response_s is None:
        return watch.judged_to_s
    held_s = watch.formula.holds_s if isinstance(watch.formula, ReachesFormula) else 0.0
    return watch.stimulus.latest_s + ruling.response_s.high + held_s


def _stimulus_moments(watch: AnyWatch | None, stimulus: Done | None, began: Window) -> Iterator[Moment]:
    if stimulus is None:
        yield Moment(began.earliest_s, began.latest_s, "step begins", "stimulus")
    elif watch is not None:
        yield Moment(watch.stimulus.earliest_s, watch.stimulus.latest_s, stimulus.said, "stimulus")
    elif stimulus.window is not None:
        yield Moment(stimulus.window.earliest_s, stimulus.window.latest_s, stimulus.said, "stimulus")


def _other_moments(done: Iterable[Done], but: Done | None, from_s: float, to_s: float) -> Iterator[Moment]:
    for other in done:
        window = other.window
        if other is not but and window is not None and from_s <= window.earliest_s <= to_s:
            last_s = window.latest_s if len(other.edges) <= 1 else other.edges[0][2]
            yield Moment(window.earliest_s, last_s, other.said, "other")


def _always_scene(run: DecidedRun, item: InvariantItem) -> Scene:
    whole = run.courses[item.signal]
    assert item.ruling is not None, "the evidence has ended"
    demand = figure_demand(
        item.watches[0].formula, "" if is_discrete(whole.traits.unit) else item.unit, (-INF, INF)
    )
    contacts = set(item.invariant.while_ or ())
    moments = [
        Moment(
            d.window.earliest_s, d.window.latest_s, d.said, "stimulus" if d.output in contacts else "other"
        )
        for d in run.done
        if d.window is not None and d.step > 0
    ]
    first, last = item.watches[0], item.watches[-1]
    ended_s = min(last.judged_to_s, run.end_s)
    room_s = max(0.5, 0.1 * (ended_s - first.judged_from_s))
    from_s = max(0.0, first.judged_from_s - item.invariant.settled_after - room_s)
    to_s = max(min(ended_s + room_s, run.end_s), from_s + 1.0)
    shown = tuple(m for m in moments if from_s <= m.from_s <= to_s)
    course = whole.between(from_s, to_s)
    others = tuple(_others(run, item, from_s, to_s))
    return Scene(item, item.ruling, item.watches, course, others, demand, 0.0, from_s, to_s, shown)


def _ring(scene: Scene) -> Ring | None:
    """Return the place to point at; flags, states and counts have none."""
    if scene.discrete:
        return None
    pieces, ruling, demand = scene.course.pieces, scene.ruling, scene.demand
    watch = next((w for w in scene.watches if w.ruling is ruling), None)
    if watch is None:
        return None
    span = watch.judged_from_s, min(watch.judged_to_s, scene.to_s)
    if ruling.verdict is not Verdict.FAIL:
        return smallest_margin(pieces, span, demand, ruling.margin, scene.unit)
    if isinstance(watch.formula, ReachesFormula | ReturnsFormula):
        due_s = watch.stimulus.latest_s + watch.formula.within_s
        at_deadline = furthest_outside(pieces, (due_s, due_s), demand, scene.unit)
        return at_deadline or furthest_outside(pieces, (due_s, span[1]), demand, scene.unit)
    return furthest_outside(pieces, span, demand, scene.unit)


def _margins(scene: Scene) -> str:
    """Return margin and time left, from worst to best, as one line; empty when there is neither."""
    margin, slack = scene.ruling.margin, scene.ruling.slack_s
    parts = []
    if margin is not None and not scene.discrete:
        parts.append(f"margin {span_text([*margin], scene.unit, signed=True)}")
    if slack is not None:
        parts.append(f"time to spare {span_text([*slack], 's', signed=True)}")
    return "; ".join(parts).replace(" …", " to")


def _axes(drawing: Drawing, scene: Scene, run: DecidedRun, ring: Ring | None, y: float) -> float:
    """Draw the course once as a whole, and once close to the demand where that shows more; return the next free y."""
    x = AxisScale(scene.from_s - scene.origin_s, scene.to_s - scene.origin_s, LEFT, RIGHT)
    ends = [(x(m.from_s - scene.origin_s), x(m.to_s - scene.origin_s)) for m in scene.moments]
    top = y
    y += sheet.gutter_px(scene.moments, [left for left, _ in ends]) + 6
    panels = [_drives(drawing, scene, x, y)] if scene.drives else _panels(drawing, scene, run, x, y)
    if ring is not None:
        (panels[-1] if panels[-1].y.low <= ring.value <= panels[-1].y.high else panels[0]).ring(ring)
    bottom = panels[-1].bottom
    sheet.draw_moments(drawing, scene.moments, ends, top=top, bottom=bottom)
    since = "s since the run began" if scene.result.step is None else "s since the stimulus"
    y = sheet.time_axis(drawing, panels[-1], bottom, since)
    return sheet.draw_bars(drawing, panels[0], [*_bars(scene), *sheet.gap_bars(scene.course.gaps)], y)


def _drives(drawing: Drawing, scene: Scene, x: AxisScale, y: float) -> Panel:
    """Draw the flags of drives as bars, one row each."""
    courses = [(scene.result.signal, scene.course), *scene.others]
    bottom = y + TIMED_ROW_PX * len(courses) + 6
    panel = Panel(drawing, x, AxisScale(0.0, 1.0, bottom, y), scene.origin_s)
    panel.frame((), "drives")
    for name, course in courses:
        y = timed_row(drawing, panel, name, course, y)
    return panel


def _panels(drawing: Drawing, scene: Scene, run: DecidedRun, x: AxisScale, y: float) -> list[Panel]:
    """Draw the whole course, and what is close to the demand where that shows more; return their axes."""
    whole, close = _ranges(scene)
    axis = f"{scene.result.signal}{f', {scene.unit}' if scene.unit else ''}"
    panels = [
        Panel(
            drawing, x, AxisScale(*whole, y + (_STEPS_PX if scene.discrete else _WHOLE_PX), y), scene.origin_s
        )
    ]
    titles = [axis]
    if close is not None:
        y = panels[0].bottom + 14
        panels.append(Panel(drawing, x, AxisScale(*close, y + _CLOSE_PX, y), scene.origin_s))
        titles.append(f"close-up{f', {scene.unit}' if scene.unit else ''}")
    for panel, title in zip(panels, titles, strict=True):
        panel.frame(_names(scene, run), title)
        panel.band(scene.demand, scene.spans, half_px=7 if scene.discrete else 0)
        for gap in scene.course.gaps:
            if gap.to_s - gap.from_s > _NARROWEST_GAP_PX * x.per_px:
                panel.hatched(gap.from_s, gap.to_s, "gap")
        panel.around(scene.agrees, scene.spans)
        for _, other in scene.others:
            panel.course(other, discrete=False, dash="7 3", dots=False, colour="currentColor")
        panel.course(scene.course, discrete=scene.discrete)
        panel.levels(scene.demand.levels)
        if scene.others:
            named = [(scene.result.signal, scene.course, BLUE)]
            named += [(name, other, "currentColor") for name, other in scene.others]
            panel.labels(
                (panel.y(end), name, colour)
                for name, course, colour in named
                if (end := course.last()) is not None
            )
    return panels


def _names(scene: Scene, run: DecidedRun) -> list[tuple[float, str]] | None:
    """Return what stands at the value axis where values have names."""
    unit = scene.course.traits.unit
    if unit == "flag":
        return [(1.0, "on"), (0.0, "off")]
    names = {value: name for name, value in run.case.states.get(scene.result.signal, {}).items()}
    if unit == "state" and names:
        seen = {a.sample.value for a in scene.course.arrived} | {float(v) for v in names}
        return [(value, names.get(int(value), f"{value:g}")) for value in sorted(seen)]
    return None


def _ranges(scene: Scene) -> tuple[tuple[float, float], tuple[float, float] | None]:
    """Return the value range of the whole, and that close to the demand if it shows more."""
    demand, course = scene.demand, scene.course
    values = course.edges()
    if course.traits.unit == "flag":
        values += FLAG_WORDS.values()
    read = (min(values), max(values)) if values else (0.0, 1.0)
    values += [edge for piece in scene.agrees for edge in (piece.l0, piece.u0) if -INF < edge < INF]
    values += [v for v in (demand.low, demand.high, *(level for level, _ in demand.levels)) if v is not None]
    room = 0.5 * (read[1] - read[0]) + 2 * course.traits.error
    bounds = [b for p in course.pieces for b in (p.l0, p.u0, p.l1, p.u1) if -INF < b < INF]
    ends = (min(bounds), max(bounds)) if bounds else ()
    values += [min(max(b, read[0] - room), read[1] + room) for b in ends]
    low, high = min(values, default=0.0), max(values, default=1.0)
    whole = padded(low, high, 0.25 if scene.discrete else 0.06)
    edges = [edge for edge in (demand.low, demand.high) if edge is not None]
    if scene.discrete or not edges:
        return whole, None
    reach = edges[-1] - edges[0]
    if not reach:
        margin = scene.ruling.margin
        reach = max(1.5 * max(abs(m) for m in margin) if margin else 0.0, 0.04 * (high - low))
    close = (edges[0] - 0.8 * reach, edges[-1] + 0.8 * reach)
    comes_near = any(
        p.u0 > close[0] and p.l0 < close[1]
        for p in course.pieces
        if any(from_s <= p.t0 <= to_s for from_s, to_s in scene.spans)
    )
    return whole, close if comes_near and close[1] - close[0] < 0.5 * (whole[1] - whole[0]) else None


def _bars(scene: Scene) -> Iterator[Bar]:
    """Yield what was found on the time axis: the response, and the hold."""
    found = scene.ruling
    if isinstance(scene.result, InvariantItem):
        for from_s, to_s in scene.spans:
            yield Bar(((from_s, to_s),), "held to it here", "wanted")
        return
    if not scene.watches:
        return
    watch = scene.watches[0]
    s1, s2 = watch.judged_from_s, max(watch.judged_from_s, watch.stimulus.latest_s)
    holds_s = watch.formula.holds_s if isinstance(watch.formula, ReachesFormula) else 0.0
    if found.response_s is not None:
        said = f"responded {span_text([*found.response_s], 's')} after the stimulus".replace(" …", " to")
        came_s = s1 + found.response_s.high
        yield Bar(((min(s2 + found.response_s.low, came_s), came_s),), said, "came")
        if holds_s and found.verdict is Verdict.PASS:
            yield Bar(((came_s, came_s + holds_s),), f"kept for {holds_s:g} s", "kept")
    if found.verdict is not Verdict.PASS and holds_s:
        due_s = s2 + scene.demand.limits[0][0]
        yield Bar(
            ((due_s, due_s + holds_s),), f"to be kept for {holds_s:g} s at the latest from here", "wanted"
        )
    elif found.verdict is not Verdict.PASS and isinstance(watch.formula, EqualsFormula):
        yield Bar(((s1, s2 + watch.formula.within_s),), "to be taken in this time", "wanted")


def _key(scene: Scene, ring: Ring | None) -> list[tuple[str, str]]:
    """Return the key of what is in the figure."""
    if scene.drives:
        return [("on", "on, for certain"), ("either", "changed somewhere in here"), ("gap", "no evidence")]
    entries = [("reading", "readings")]
    pieces = scene.course.pieces
    if scene.discrete:
        if any(p.l0 == p.u0 for p in pieces):
            entries.append(("kept", "the value, for certain"))
        if any(p.l0 != p.u0 and p.l0 > -INF for p in pieces):
            entries.append(("either", "changed somewhere in here"))
    elif any(p.u0 - p.l0 > 0 for p in pieces if p.l0 > -INF):
        entries.append(("envelope", "everything that the readings leave possible"))
    else:
        entries.append(("envelope", "the readings, joined"))
    if scene.agrees:
        entries.append(("demanded", "what may agree"))
    elif scene.demand.low is not None or scene.demand.high is not None:
        entries.append(("demanded", "still counts as unmoved" if scene.demand.leave else "demanded"))
    if scene.course.gaps or any(p.l0 == -INF for p in pieces):
        entries.append(("gap", "no evidence"))
    if ring is not None:
        entries.append(("margin", ring.said))
    return entries


def every_drawable(run: DecidedRun) -> list[Result]:
    """Return the results that can be drawn, in the profile's order."""
    return [result for result in run.case.results if can_be_drawn(run, result)]
