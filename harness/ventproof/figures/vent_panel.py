"""The panel of one vent: where it stood beside what was told of it, its drive below, and what was decided (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

from ventproof.case.invariants import InvariantItem
from ventproof.figures import sheet
from ventproof.figures.drawing import BLUE, AxisScale, Drawing, padded, text_width
from ventproof.figures.panel import SMALL, Panel
from ventproof.figures.response_figure import can_be_drawn, decided_s
from ventproof.figures.rows import value_row
from ventproof.figures.sheet import LEFT, WIDTH
from ventproof.log.events import StepBegin
from ventproof_bench.benchfile.vents import FULL_PERCENT

if TYPE_CHECKING:
    from ventproof.case.case import Result
    from ventproof.figures.decided_run import DecidedRun
    from ventproof.figures.vents_seen import VentSeen

_PLOT_PX: Final = 210.0
_SWITCH_PX: Final = 5.0
_BESIDE_PX: Final = 7.0
"""How far outward of its end a switch is drawn."""
_SIGN_PX: Final = 18.0
_VERDICT_PX: Final = 23.0
_CLEAR_PX: Final = 10.0
_MARGIN: Final = 14.0
_Stroke = Mapping[str, str | float]
_TOLD: Final[_Stroke] = {"stroke_dasharray": "7 3", "stroke_width": 1.4}
_FED_BACK: Final[_Stroke] = {"stroke_dasharray": "2 2", "stroke_width": 1.4}
_COMMAND: Final[_Stroke] = {"stroke_dasharray": "12 3 2 3", "stroke_width": 1.2}


class Drawn(NamedTuple):
    """A panel as it was drawn: where it and the rows of its drive end, and the next free y."""

    panel: Panel
    bottom: float
    y: float


def draw_vent(drawing: Drawing, x: AxisScale, run: DecidedRun, seen: VentSeen, y: float) -> Drawn:
    """Draw a vent over the whole run."""
    lines = [("command", seen.command, _COMMAND), ("fed back", seen.fed_back, _FED_BACK)]
    lines += [("unit", told, _TOLD) for told in seen.told.items()]
    shown = [(kind, *line, stroke) for kind, line, stroke in lines if line is not None and line[1]]
    values = [value for _, _, points, _ in shown for _, value in points]
    scale = padded(min([0.0, *values]), max([FULL_PERCENT, *values]), 0.12)
    panel = Panel(drawing, x, AxisScale(*scale, y + _PLOT_PX, y), 0.0)
    panel.frame(None, f"vent {seen.name}, %")
    labels: list[tuple[float, str, str]] = []
    for name, course in seen.positions.items():
        for gap in course.gaps:
            panel.hatched(gap.from_s, gap.to_s, "gap")
        whole = course.between(0.0, run.end_s)
        panel.course(whole, discrete=False, dots=False)
        panel.line(seen.read[name], class_="played", stroke=BLUE, stroke_width=2)
        if (last := whole.last()) is not None:
            labels.append((panel.y(last), f"{'played' if seen.played else 'reckoned'}: {name}", BLUE))
    for kind, name, points, stroke in shown:
        panel.line(points, class_=kind.replace(" ", "-"), **stroke)
        labels.append((panel.y(points[-1][1]), f"{kind}: {name}", "currentColor"))
    for switch in seen.switches:
        outward = _BESIDE_PX if switch.end == "closed" else -_BESIDE_PX
        at = panel.y(switch.at_percent) + outward
        for from_s, to_s in switch.spans:
            panel.bar(from_s, to_s, at, thick_px=_SWITCH_PX, name=f"switch-{switch.end}")
        labels.append((at, f"{switch.end} end: {switch.name}", "currentColor"))
    panel.labels(labels)
    y = panel.bottom + 6
    for name, course in seen.contacts.items():
        y = value_row(drawing, panel, name, course.between(0.0, run.end_s), y)
    return Drawn(panel, y, _verdicts(drawing, panel, run, seen.results, y + 2) + 12)


class _Placed(NamedTuple):
    """A response with the px between which it was watched, and where its words begin."""

    result: Result
    left: float
    right: float
    words_at: float
    said: str


def _verdicts(drawing: Drawing, panel: Panel, run: DecidedRun, results: Iterable[Result], y: float) -> float:
    """Draw each response with its sign, below the time that it was watched; return the next free y."""
    free: list[float] = []
    for one in sorted(_placed(panel, run, results), key=lambda one: min(one.left, one.words_at)):
        begin = min(one.left, one.words_at - _SIGN_PX)
        row = next((i for i, px in enumerate(free) if px <= begin), len(free))
        free[row : row + 1] = [max(one.right, one.words_at + text_width(one.said, SMALL)) + _CLEAR_PX]
        top = y + row * _VERDICT_PX
        assert one.result.ruling is not None, "only what was decided is placed"
        verdict = str(one.result.ruling.verdict)
        colour = sheet.VERDICT_COLOUR[verdict]
        for x in (one.left, one.right):
            drawing.line(x, top, x, top + 6, stroke=colour, stroke_width=1.5)
        drawing.line(one.left, top + 3, one.right, top + 3, class_="watched", stroke=colour, stroke_width=1.5)
        sheet.verdict_sign(drawing, verdict, one.words_at - _SIGN_PX + 7, top + 13, 0.45)
        drawing.text(one.words_at, top + 17, one.said, font_size=SMALL, class_="decided")
    return y + len(free) * _VERDICT_PX


def _placed(panel: Panel, run: DecidedRun, results: Iterable[Result]) -> Iterator[_Placed]:
    most = int((WIDTH - _MARGIN - LEFT - _SIGN_PX) / text_width("m", SMALL))
    for result in results:
        if result.ruling is None or not can_be_drawn(run, result):
            continue
        from_s, to_s = _watched(run, result)
        left, right = panel.px(from_s), panel.px(min(to_s, run.end_s))
        said = f"{result.ruling.verdict}: {result.signal} {result.wording}"
        said = said if len(said) <= most else f"{said[: most - 1]}…"
        room = WIDTH - _MARGIN - text_width(said, SMALL)
        yield _Placed(result, left, right, min(left + _SIGN_PX, room), said)


def _watched(run: DecidedRun, result: Result) -> tuple[float, float]:
    """Return from when to when a response was watched, log time."""
    if isinstance(result, InvariantItem):
        return result.watches[0].judged_from_s, result.watches[-1].judged_to_s
    if result.watch is not None:
        return result.watch.judged_from_s, decided_s(result.watch)
    began_s = next(e.t_s for e in run.events if isinstance(e, StepBegin) and e.step == result.step)
    return began_s, began_s
