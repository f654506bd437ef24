"""The figure of a profile's repeats: each position over time since the first stimulus, all runs in one (pure)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, NamedTuple, final

from ventproof.case.items import START, Item
from ventproof.deciders.formulas import ReachesFormula, ReturnsFormula
from ventproof.envelope.spans import INF, Piece, clip
from ventproof.figures import sheet
from ventproof.figures.decided_run import Course, DecidedRun, moment
from ventproof.figures.demand import Demand, figure_demand
from ventproof.figures.drawing import RED, AxisScale, Drawing, outline, padded, text_width
from ventproof.figures.panel import SMALL, Panel
from ventproof.figures.sheet import LEFT, RIGHT, WIDTH, Moment
from ventproof.log.events import StepBegin
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.base.text import number_of
from ventproof_bench.benchfile.vents import FULL_PERCENT
from ventproof_bench.plant.contacts import ReckonedTraits

_PLOT_PX: Final = 150.0
_MOST_CELLS: Final = 400
_MOST_POINTS: Final = 200
_MOST_NAMED: Final = 8
"""At so many places at most the lines that end there are named."""
_MOST_TOGETHER: Final = 3
_GATE_PX: Final = 12.0
"""A deadline that differs by more from run to run has no gate: it would stand wrong for some of them."""
_SLIT_PX: Final = 3.0
_ROOM: Final = 0.03
_TOP_PX: Final = 6.0
_NAME_PX: Final = 20.0
_NAME_GAP_PX: Final = 6.0
Place = tuple[str, int, int]
Points = tuple[tuple[float, float], ...]
Lines = Mapping[str, tuple[Points, ...]]


@final
@dataclass(frozen=True, slots=True)
class CellBand:
    """Lowest and highest of what was read, in cells of time; `width_s` is a power of two, so that cells nest."""

    width_s: float
    cells: Mapping[int, tuple[float, float]]

    @classmethod
    def of(cls, pieces: Sequence[Piece], width_s: float) -> CellBand:
        """Return the band around pieces."""
        cells: dict[int, tuple[float, float]] = {}
        for piece in pieces:
            for cell in range(math.floor(piece.t0 / width_s), math.floor(piece.t1 / width_s) + 1):
                if part := clip(piece, cell * width_s, (cell + 1) * width_s):
                    _widen(cells, cell, min(part.l0, part.l1), max(part.u0, part.u1))
        return cls(width_s, cells)

    def joined(self, other: CellBand) -> CellBand:
        """Return the band around both, with the wider cells of the two."""
        width_s = max(self.width_s, other.width_s)
        cells: dict[int, tuple[float, float]] = {}
        for band in (self, other):
            per_cell = round(width_s / band.width_s)
            for cell, (low, high) in band.cells.items():
                _widen(cells, cell // per_cell, low, high)
        return CellBand(width_s, cells)

    def pieces(self) -> Iterator[Piece]:
        """Yield the band with edges that run from cell to cell, never inside of what a cell holds."""
        for cell, here in sorted(self.cells.items()):
            before, after = self.cells.get(cell - 1, here), self.cells.get(cell + 1, here)
            yield Piece(
                cell * self.width_s,
                min(before[0], here[0]),
                max(before[1], here[1]),
                (cell + 1) * self.width_s,
                min(here[0], after[0]),
                max(here[1], after[1]),
            )


def _widen(cells: dict[int, tuple[float, float]], cell: int, low: float, high: float) -> None:
    least, most = cells.get(cell, (INF, -INF))
    cells[cell] = min(low, least), max(high, most)


@final
class Deadline(NamedTuple):
    """When a signal must be where: within which time the deadline lies, and what is required then."""

    from_s: float
    to_s: float
    demand: Demand

    def joined(self, other: Deadline) -> Deadline:
        """Return it with the times of another run."""
        return Deadline(min(self.from_s, other.from_s), max(self.to_s, other.to_s), self.demand)


@final
@dataclass(frozen=True, slots=True)
class ThinSignal:
    """A signal of one run: the band of its readings, and a line through them, broken at gaps.

    What is reckoned has no readings: its band holds its bounds, and its line is their middle.
    """

    unit: str
    reckoned: bool
    band: CellBand
    lines: tuple[Points, ...]


@final
@dataclass(frozen=True, slots=True)
class ThinRun:
    """What a run leaves for the figure of repeats; times are since its first stimulus.

    Attributes:
        from_s: when the run began.
        to_s: when it ended.
        steps: by number, the name of each step and when it began.
        signals: by name, those that are measured and not counted.
        deadlines: by signal, step and number, of each response that has one.
    """

    from_s: float
    to_s: float
    steps: Mapping[int, tuple[str, float, float]]
    signals: Mapping[str, ThinSignal]
    deadlines: Mapping[Place, Deadline]


def thin_run(run: DecidedRun) -> ThinRun | None:
    """Return what a run leaves for the figure of repeats; None of one that ended before its first stimulus."""
    windows = [done.window for done in run.done if done.step != START and done.window is not None]
    if not windows:
        return None
    origin_s = min(window.earliest_s for window in windows)
    begins = [event for event in run.rare if isinstance(event, StepBegin) and event.step != START]
    return ThinRun(
        from_s=-origin_s,
        to_s=run.end_s - origin_s,
        steps={
            e.step: (e.step_name, e.window.earliest_s - origin_s, e.window.latest_s - origin_s)
            for e in begins
        },
        signals={
            name: _thin(course, origin_s, max(run.end_s, 1.0))
            for name, course in run.courses.items()
            if not is_discrete(course.traits.unit)
        },
        deadlines=dict(_deadlines(run, origin_s)),
    )


def _deadlines(run: DecidedRun, origin_s: float) -> Iterator[tuple[Place, Deadline]]:
    for result in run.case.results:
        if not isinstance(result, Item) or result.step == START or result.watch is None:
            continue
        formula, window = result.watch.formula, result.watch.stimulus
        if isinstance(formula, ReachesFormula | ReturnsFormula) and not is_discrete(result.unit):
            demand = figure_demand(formula, result.unit, (-INF, INF))
            by_s = formula.within_s - origin_s
            place = (result.signal, result.step, result.number)
            yield place, Deadline(window.earliest_s + by_s, window.latest_s + by_s, demand)


def _thin(course: Course, origin_s: float, span_s: float) -> ThinSignal:
    reckoned = isinstance(course.traits, ReckonedTraits)
    width_s = 2.0 ** math.ceil(math.log2(span_s / _MOST_CELLS))
    stretches = [*(_bounds(course) if reckoned else _readings(course))]
    values = [value for _, points in stretches for _, value in points]
    per_px = max(values, default=0.0) - min(values, default=0.0)
    scale = (span_s / (RIGHT - LEFT), (per_px or 1.0) / _PLOT_PX)
    pieces = [
        piece._replace(t0=piece.t0 - origin_s, t1=piece.t1 - origin_s)
        for stretch, _ in stretches
        for piece in stretch
    ]
    lines = [
        _line([(t_s - origin_s, value) for t_s, value in points], scale, span_s / (_MOST_POINTS / 4))
        for _, points in stretches
    ]
    return ThinSignal(course.traits.unit, reckoned, CellBand.of(pieces, width_s), tuple(lines))


def _readings(course: Course) -> Iterator[tuple[list[Piece], list[tuple[float, float]]]]:
    """Yield stretches without a gap: the windows of their readings, joined by straight lines, and the readings."""
    pieces: list[Piece] = []
    points: list[tuple[float, float]] = []
    for arrived in course.arrived:
        read = arrived.reading
        if pieces and arrived.gap is not None:
            yield pieces, points
            pieces, points = [], []
        if pieces and read.a > pieces[-1].t1:
            last = pieces[-1]
            pieces.append(Piece(last.t1, last.l1, last.u1, read.a, read.lo, read.hi))
        pieces.append(Piece(read.a, read.lo, read.hi, read.b, read.lo, read.hi))
        points.append((moment(arrived), arrived.sample.value))
    if pieces:
        yield pieces, points


def _bounds(course: Course) -> Iterator[tuple[list[Piece], list[tuple[float, float]]]]:
    """Yield the same of what is reckoned: its bounds, and their middle."""
    pieces = [piece for piece in course.pieces if piece.l0 > -INF and piece.u0 < INF]
    cuts = [0, *(i for i, (p, q) in enumerate(pairwise(pieces), start=1) if q.t0 > p.t1), len(pieces)]
    for first, last in pairwise(cuts):
        its = pieces[first:last]
        ends = ((t, (low + high) / 2) for p in its for t, low, high in ((p[:3]), (p[3:])))
        yield its, [*ends]


def _line(points: Sequence[tuple[float, float]], scale: tuple[float, float], width_s: float) -> Points:
    """Return the corners of a line that the eye cannot tell from it, or else the extremes of spans of time."""
    corners = outline([(t_s / scale[0], value / scale[1]) for t_s, value in points])
    if len(corners) <= _MOST_POINTS:
        return tuple((x * scale[0], y * scale[1]) for x, y in corners)
    spans: dict[int, list[tuple[float, float]]] = {}
    for point in points:
        spans.setdefault(math.floor(point[0] / width_s), []).append(point)
    kept = (
        {its[0], min(its, key=lambda p: p[1]), max(its, key=lambda p: p[1]), its[-1]}
        for its in spans.values()
    )
    return tuple(point for four in kept for point in sorted(four))


@final
class DrawnRun(NamedTuple):
    """A run that is drawn: what it is called, how it stands, and its lines by signal."""

    name: str
    standing: str
    lines: Lines


@final
@dataclass(slots=True)
class Overlay:
    """What all runs leave together: it holds no run, and does not grow with their number."""

    from_s: float = INF
    to_s: float = -INF
    steps: dict[int, tuple[str, float, float]] = field(default_factory=dict)
    bands: dict[str, CellBand] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    reckoned: set[str] = field(default_factory=set)
    deadlines: dict[Place, Deadline] = field(default_factory=dict)

    def take(self, run: ThinRun) -> None:
        """Add a run."""
        self.from_s, self.to_s = min(self.from_s, run.from_s), max(self.to_s, run.to_s)
        for number, (name, earliest_s, latest_s) in run.steps.items():
            _, least_s, most_s = self.steps.get(number, (name, INF, -INF))
            self.steps[number] = name, min(least_s, earliest_s), max(most_s, latest_s)
        for name, signal in run.signals.items():
            self.units[name] = signal.unit
            self.reckoned |= {name} if signal.reckoned else set()
            held = self.bands.get(name)
            self.bands[name] = signal.band if held is None else held.joined(signal.band)
        for place, deadline in run.deadlines.items():
            known = self.deadlines.get(place)
            self.deadlines[place] = deadline if known is None else known.joined(deadline)

    @property
    def x(self) -> AxisScale:
        """Its times, along the picture, with room behind them for a gate."""
        return AxisScale(self.from_s, self.to_s + _ROOM * (self.to_s - self.from_s), LEFT, RIGHT)

    def gates(self, name: str) -> list[Deadline]:
        """Return the deadlines of a signal that a run reached, and that are the same in all runs for the eye."""
        x = self.x
        return [
            deadline
            for (signal, _, _), deadline in self.deadlines.items()
            if signal == name
            and deadline.to_s - deadline.from_s <= _GATE_PX * x.per_px
            and x(deadline.to_s) < RIGHT - _GATE_PX
        ]


def repeats_figure(ident: str, title: str, said: str, overlay: Overlay, drawn: Sequence[DrawnRun]) -> str:
    """Return the SVG of a profile's repeats.

    Args:
        ident: begins every id.
        title: what a screen reader says first.
        said: what it says next.
        overlay: what all runs leave together.
        drawn: the runs that are drawn as lines.
    """
    drawing = Drawing(WIDTH, ident, title=title, description=said)
    x = overlay.x
    moments = [
        Moment(from_s, to_s, f"{number} {name}", "step")
        for number, (name, from_s, to_s) in sorted(overlay.steps.items())
    ]
    ends = [(x(m.from_s), x(m.to_s)) for m in moments]
    top = _TOP_PX
    y = top + sheet.gutter_px(moments, [left for left, _ in ends])
    sheet.draw_moments(drawing, moments, ends, top=top, bottom=y)
    panels = []
    for name in overlay.bands:
        panel = _axes(drawing, overlay, name, y + _NAME_PX)
        sheet.draw_lines(drawing, moments, ends, top=panel.top, bottom=panel.bottom)
        _lines(drawing, panel, name, drawn)
        panels.append(panel)
        y = panel.bottom + 6
    return drawing.render(sheet.time_axis(drawing, panels[-1], y - 6, "since stimulus"))


def _axes(drawing: Drawing, overlay: Overlay, name: str, y: float) -> Panel:
    """Draw the axes of a signal with its band and its gates."""
    band, unit, gates = overlay.bands[name], overlay.units[name], overlay.gates(name)
    edges = [edge for cell in band.cells.values() for edge in cell]
    edges += [edge for g in gates for edge in (g.demand.low, g.demand.high) if edge is not None]
    edges += (0.0, FULL_PERCENT) if unit == "%" else ()
    scale = padded(min(edges, default=0.0), max(edges, default=1.0))
    panel = Panel(drawing, overlay.x, AxisScale(*scale, y + _PLOT_PX, y), 0.0)
    drawing.text(LEFT, y - 5, name, class_="row", font_size=SMALL, font_weight="600")
    panel.frame(None, unit)
    panel.seen(band.pieces())
    for gate in gates:
        panel.gate(gate.to_s, gate.demand, half_px=_SLIT_PX)
    return panel


def _lines(drawing: Drawing, panel: Panel, name: str, drawn: Sequence[DrawnRun]) -> None:
    """Draw the runs, those that passed first, and name the others where they end."""
    ends: dict[tuple[int, int, str], _End] = {}
    for run in sorted(drawn, key=lambda run: run.standing != "pass"):
        good = run.standing == "pass"
        lines = run.lines.get(name, ())
        for points in lines:
            panel.line(
                points,
                class_=f"run-{run.standing}",
                stroke="currentColor" if good else sheet.VERDICT_COLOUR.get(run.standing, RED),
                stroke_width=0.8 if good else 2,
                stroke_opacity="0.55" if good else "1",
            )
        if lines and not good:
            before, last = lines[-1][-2:][0], lines[-1][-1]
            x, y = panel.px(last[0]), panel.y(last[1])
            place = round(x / _NAME_PX), round(y / _NAME_PX), run.standing
            ends.setdefault(place, _End(x, y, last[1] > before[1], [])).names.append(run.name)
    for (_, _, standing), end in [*ends.items()][:_MOST_NAMED]:
        x, said = _beside(end, standing)
        y = end.y + SMALL + 3 if end.rises else end.y - 5
        drawing.text(x, min(max(y, panel.top + SMALL), panel.bottom - 4), said, class_="run", font_size=SMALL)


@final
class _End(NamedTuple):
    """Where lines end, px; whether the first of them rises there, so that others go on above; and their names."""

    x: float
    y: float
    rises: bool
    names: list[str]


def _beside(end: _End, standing: str) -> tuple[float, str]:
    """Return where what is said of runs begins, px, and what: so much that it stays within the frame, or beyond it."""
    names, x = end.names, end.x + _NAME_GAP_PX
    more = f" and {len(names) - _MOST_TOGETHER} more" if len(names) > _MOST_TOGETHER else ""
    ways = (
        f"{', '.join(names[:_MOST_TOGETHER])}{more}: {standing}",
        f"{number_of(len(names), 'run')}: {standing}",
        standing,
    )
    beyond = x + text_width(standing, SMALL) > RIGHT
    x, most = (max(x, RIGHT + _NAME_GAP_PX), WIDTH) if beyond else (x, RIGHT)
    return x, next((one for one in ways if x + text_width(one, SMALL) <= most), standing)
