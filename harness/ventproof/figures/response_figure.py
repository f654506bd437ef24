"""The figure of one response: why it passed, failed or stayed inconclusive, at first sight (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final, final

from ventproof.case.case import Result
from ventproof.case.findings import finding_of
from ventproof.case.invariants import InvariantItem
from ventproof.case.items import START, Item
from ventproof.deciders.formulas import CountsFormula, ReachesFormula, ReturnsFormula, StaysFormula
from ventproof.drives.formulas import AgreesFormula, FlagsFormula, NeverTogetherFormula, PausesFormula
from ventproof.envelope.spans import INF, Piece
from ventproof.figures import sheet
from ventproof.figures.decided_run import Course, DecidedRun, Done
from ventproof.figures.demand import (
    Demand,
    Ring,
    agreed,
    figure_demand,
    furthest_outside,
    outside,
    smallest_margin,
)
from ventproof.figures.drawing import BLUE, AxisScale, Drawing, padded
from ventproof.figures.panel import Panel
from ventproof.figures.rows import TIMED_ROW_PX, timed_row
from ventproof.figures.sheet import LEFT, RIGHT, WIDTH, Moment
from ventproof.judge.flags import AnyWatch
from ventproof.log.events import StepBegin
from ventproof.profile.check_responses import FLAG_WORDS
from ventproof.verdict.finding import Ruling, Verdict
from ventproof.verdict.text import margin_text, miss_text, number_text, outward
from ventproof_bench.base.evidence import Window
from ventproof_bench.base.quantities import is_discrete

_WHOLE_PX: Final = 230.0
_STEPS_PX: Final = 100.0
_NARROWEST_GAP_PX: Final = 3.0
_BESIDE_GATE: Final = 5
"""So many times the usual room is left behind a deadline, for what is written there."""


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
    return any(isinstance(e, StepBegin) and e.step == result.step for e in run.rare)


def response_figure(run: DecidedRun, result: Result) -> str:
    """Return the SVG of one response or invariant.

    Args:
        run: the log, judged.
        result: one of its case's results, for which `can_be_drawn`.
    """
    scene = _always_scene(run, result) if isinstance(result, InvariantItem) else _step_scene(run, result)
    verdict = str(scene.ruling.verdict)
    step = "always" if result.step is None else result.step
    drawing = Drawing(
        WIDTH,
        f"v{run.digest[:8]}-{step}-{result.number}",
        title=f"{verdict}: {result.signal} {result.wording}",
        description=f"{scene.ruling.why}. Profile {run.case.profile.profile}, step {result.step_name}.",
        log=run.digest,
    )
    place = (
        run.case.profile.profile if result.step is None else f"{run.case.profile.profile}: {result.step_name}"
    )
    lines = [place]
    if run.case.profile.decision == "simple":
        lines.append("decision: simple (readings used as they are, without their uncertainty)")
    y = sheet.heading(drawing, verdict, observed(result, scene.ruling), lines)
    return drawing.render(_axes(drawing, scene, run, y) + 6)


def observed(result: Result, ruling: Ruling) -> str:
    """Return what was observed of which signal; a sentence on two drives names them itself."""
    watches = result.watches if isinstance(result, InvariantItem) else (result.watch,)
    formula = watches[0].formula if watches and watches[0] is not None else None
    names_them = isinstance(formula, NeverTogetherFormula) or (
        isinstance(formula, PausesFormula) and ruling.verdict is Verdict.FAIL
    )
    return ruling.why if names_them else f"{', '.join(result.signals)}: {ruling.why}"


def _step_scene(run: DecidedRun, item: Item) -> Scene:
    watch = item.watch
    began = next(e.window for e in run.rare if isinstance(e, StepBegin) and e.step == item.step)
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
    ended_s = _start_ended_s(run) if item.step == START else INF
    if ended_s < until_s:
        demand = replace(demand, gate_s=None)
        until_s = ended_s
    room_s = max(0.5, 0.04 * (until_s - origin_s))
    from_s, to_s = origin_s - room_s, until_s + room_s * (_BESIDE_GATE if demand.gate_s else 1)
    moments = [*_stimulus_moments(watch, stimulus, began)]
    if watch is not None:
        moments += [
            Moment(
                watch.judged_from_s + after_s,
                watch.stimulus.latest_s + after_s,
                said,
                "gate" if after_s == demand.gate_s else "deadline",
            )
            for after_s, said in demand.limits
            if watch.judged_from_s + after_s <= to_s
        ]
    moments += _other_moments(run.done, stimulus, from_s, to_s)
    if run.end_s < to_s - room_s and item.ruling.verdict is Verdict.INCONCLUSIVE:
        moments.append(Moment(run.end_s, run.end_s, "the run ended", "other"))
    watches = (watch,) if watch else ()
    course = whole.between(from_s, to_s)
    others = tuple(_others(run, item, from_s, to_s))
    return Scene(item, item.ruling, watches, course, others, demand, origin_s, from_s, to_s, tuple(moments))


def _start_ended_s(run: DecidedRun) -> float:
    """Return when the start state was left for the first step, log time; infinite where it never was."""
    begins = (e.window.latest_s for e in run.rare if isinstance(e, StepBegin) and e.step > START)
    return min(begins, default=INF)


def _others(run: DecidedRun, result: Result, from_s: float, to_s: float) -> Iterator[tuple[str, Course]]:
    """Yield the signals after the first of which something is demanded, in the visible span."""
    for name in result.signals[1:]:
        yield name, run.courses[name].between(from_s, to_s)


def _shown_until(watch: AnyWatch, ruling: Ruling, demand: Demand) -> float:
    """Return up to when the figure of a response must reach: its limits, and what was found."""
    ends = [after_s for after_s, _ in demand.limits]
    if ruling.verdict is Verdict.PASS and ruling.response_s is not None:
        return max(decided_s(watch), watch.stimulus.latest_s + max(ends, default=0.0))
    if ruling.witness is not None and ruling.witness.at_s is not None:
        ends.append(ruling.witness.at_s - watch.stimulus.latest_s)
    if demand.until_s is not None and ruling.verdict is not Verdict.FAIL:
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
        yield Moment(watch.stimulus.earliest_s, watch.stimulus.latest_s, stimulus.label, "stimulus")
    elif stimulus.window is not None:
        yield Moment(stimulus.window.earliest_s, stimulus.window.latest_s, stimulus.label, "stimulus")


def _other_moments(done: Iterable[Done], but: Done | None, from_s: float, to_s: float) -> Iterator[Moment]:
    for other in done:
        window = other.window
        if other is not but and window is not None and from_s <= window.earliest_s <= to_s:
            last_s = window.latest_s if len(other.edges) <= 1 else other.edges[0][2]
            yield Moment(window.earliest_s, last_s, other.label, "other")


def _always_scene(run: DecidedRun, item: InvariantItem) -> Scene:
    whole = run.courses[item.signal]
    assert item.ruling is not None, "the evidence has ended"
    demand = figure_demand(
        item.watches[0].formula, "" if is_discrete(whole.traits.unit) else item.unit, (-INF, INF)
    )
    contacts = set(item.invariant.while_ or ())
    moments = [
        Moment(
            d.window.earliest_s, d.window.latest_s, d.label, "stimulus" if d.output in contacts else "other"
        )
        for d in run.done
        if d.window is not None and d.step > 0
    ]
    first, last = item.watches[0], item.watches[-1]
    ended_s = min(last.judged_to_s, run.end_s)
    room_s = max(0.5, 0.1 * (ended_s - first.judged_from_s))
    from_s = max(0.0, first.judged_from_s - item.invariant.applies_after - room_s)
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
    miss, witness = ruling.miss, ruling.witness
    if isinstance(watch.formula, ReachesFormula | ReturnsFormula | StaysFormula):
        if miss is None or witness is None or witness.at_s is None or miss.observed != witness.value:
            return None
        return Ring(witness.at_s, miss.near, miss.limit, miss_text(miss))
    return furthest_outside(pieces, span, demand, margin_text(finding_of(scene.result)))


def _axes(drawing: Drawing, scene: Scene, run: DecidedRun, y: float) -> float:
    """Draw the course and what is demanded of it; return the next free y."""
    x = AxisScale(scene.from_s - scene.origin_s, scene.to_s - scene.origin_s, LEFT, RIGHT)
    ends = [(x(m.from_s - scene.origin_s), x(m.to_s - scene.origin_s)) for m in scene.moments]
    top = y
    y += sheet.gutter_px(scene.moments, [left for left, _ in ends]) + 6
    panel = _drives(drawing, scene, x, y) if scene.drives else _panel(drawing, scene, run, x, y)
    sheet.draw_moments(drawing, scene.moments, ends, top=top, bottom=panel.bottom, gates=panel.top)
    since = "since the run began" if scene.result.step is None else "since the stimulus"
    y = sheet.time_axis(drawing, panel, panel.bottom, since)
    return sheet.draw_bars(drawing, panel, sheet.gap_bars(scene.course.gaps), y)


def _drives(drawing: Drawing, scene: Scene, x: AxisScale, y: float) -> Panel:
    """Draw the flags of drives as bars, one row each."""
    courses = [(scene.result.signal, scene.course), *scene.others]
    bottom = y + TIMED_ROW_PX * len(courses) + 6
    panel = Panel(drawing, x, AxisScale(0.0, 1.0, bottom, y), scene.origin_s)
    panel.frame((), "drives")
    for name, course in courses:
        y = timed_row(drawing, panel, name, course, y)
    return panel


def _panel(drawing: Drawing, scene: Scene, run: DecidedRun, x: AxisScale, y: float) -> Panel:
    """Draw the course and the demand where it binds, with what was left to its limits; return the axes."""
    height_px = _STEPS_PX if scene.discrete else _WHOLE_PX
    panel = Panel(drawing, x, AxisScale(*_range(scene), y + height_px, y), scene.origin_s)
    panel.frame(_names(scene, run), f"{scene.result.signal}{f', {scene.unit}' if scene.unit else ''}")
    _required(panel, scene)
    for gap in scene.course.gaps:
        if gap.to_s - gap.from_s > _NARROWEST_GAP_PX * x.per_px:
            panel.hatched(gap.from_s, gap.to_s, "gap")
    panel.around(scene.agrees, scene.spans)
    for _, other in scene.others:
        panel.course(other, discrete=False, dash="7 3", dots=False, colour="currentColor")
    panel.course(scene.course, discrete=scene.discrete)
    if scene.ruling.verdict is Verdict.INCONCLUSIVE:
        panel.perhaps(outside(scene.course.pieces, _binding(scene), scene.demand))
    _left_over(panel, scene)
    _off_in_time(panel, scene)
    if scene.others:
        named = [(scene.result.signal, scene.course, BLUE)]
        named += [(name, other, "currentColor") for name, other in scene.others]
        panel.labels(
            (panel.y(end), name, colour)
            for name, course, colour in named
            if (end := course.last()) is not None
        )
    return panel


def _required(panel: Panel, scene: Scene) -> None:
    """Draw what is demanded, where it binds: a gate at its deadline, a bar for what must be kept."""
    demand, half_px = scene.demand, 7.0 if scene.discrete else 0.0
    banded = demand.low is not None or demand.high is not None
    panel.levels(demand.levels, lined=not banded or demand.leave)
    if not banded or not scene.watches:
        return
    if demand.keeps:
        panel.band(demand, scene.spans, half_px=half_px)
        return
    watch = scene.watches[0]
    begun_s, stimulus_s = watch.judged_from_s, watch.stimulus.latest_s
    if demand.closed_s:
        panel.barred(begun_s, begun_s + demand.closed_s, demand, half_px=half_px)
    due_s = begun_s if demand.gate_s is None else stimulus_s + demand.gate_s
    holds_s = watch.formula.holds_s if isinstance(watch.formula, ReachesFormula) else 0.0
    came = scene.ruling.response_s if scene.ruling.verdict is Verdict.PASS else None
    from_s = due_s if came is None else begun_s + came.high
    panel.band(demand, [(from_s, from_s + holds_s)] if holds_s else [], half_px=half_px, name="kept")
    if demand.gate_s is not None:
        panel.gate(due_s, demand, half_px=half_px)


def _left_over(panel: Panel, scene: Scene) -> None:
    """Draw how far it was from its limits, in the signal's unit and in time."""
    ruling, demand = scene.ruling, scene.demand
    colour = sheet.VERDICT_COLOUR[str(ruling.verdict)]
    ring = _ring(scene)
    if ring is not None:
        gated = ruling.verdict is Verdict.FAIL and demand.gate_s is not None
        panel.margin(ring, colour, -12.0 if gated else 0.0)
    if ruling.slack_s is None or ruling.response_s is None or demand.gate_s is None or not scene.watches:
        return
    watch = scene.watches[0]
    came_s, due_s = watch.judged_from_s + ruling.response_s.high, watch.stimulus.latest_s + demand.gate_s
    if due_s <= scene.to_s and came_s < due_s:
        value = scene.course.at(came_s)
        at = demand.levels[0][0] if value[0] == -INF else sum(value) / 2
        said = f"{number_text(outward(ruling.slack_s.low, 1, up=False))} s to spare"
        panel.along(came_s, due_s, at, said, colour, "time-to-spare")


def _binding(scene: Scene) -> list[tuple[float, float]]:
    """Return where the signal had to be within the band: as long as it is to be kept, or from the deadline on."""
    if scene.demand.keeps:
        return scene.spans
    if scene.demand.leave or scene.demand.gate_s is None:
        return []
    due_s = scene.watches[0].stimulus.latest_s + scene.demand.gate_s
    holds_s = max(
        (w.formula.holds_s for w in scene.watches if isinstance(w.formula, ReachesFormula)), default=0.0
    )
    return [(due_s, due_s + holds_s)]


def _off_in_time(panel: Panel, scene: Scene) -> None:
    """Draw by how much a response that failed came too early or too late: from its limit to what shows it."""
    miss, witness = scene.ruling.miss, scene.ruling.witness
    watch = next((watch for watch in scene.watches if watch.ruling is scene.ruling), None)
    if (
        miss is None
        or witness is None
        or watch is None
        or witness.at_s is None
        or miss.observed == witness.value
    ):
        return
    from_s, to_s = sorted((watch.judged_from_s + miss.limit, witness.at_s))
    low, high = witness.value or scene.course.at(witness.at_s)
    if -INF < low <= high < INF:
        said, colour = miss_text(miss), sheet.VERDICT_COLOUR["fail"]
        panel.along(from_s, to_s, (low + high) / 2, said, colour, "off-in-time")


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


def _range(scene: Scene) -> tuple[float, float]:
    """Return the values between which there is something to see: where nothing is decided, those around the limits."""
    demand, course = scene.demand, scene.course
    binding = _binding(scene) if scene.ruling.verdict is Verdict.INCONCLUSIVE and not scene.discrete else []
    if binding:
        course = course.between(binding[0][0], binding[-1][1])
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
    share = 0.25 if scene.discrete else 0.5 if binding else 0.06
    return padded(min(values, default=0.0), max(values, default=1.0), share)


def every_drawable(run: DecidedRun) -> list[Result]:
    """Return the results that can be drawn, in the profile's order."""
    return [result for result in run.case.results if can_be_drawn(run, result)]
