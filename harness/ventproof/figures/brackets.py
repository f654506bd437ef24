"""Responses of a run as brackets: from when to when each was watched, with the sign of its verdict (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from ventproof.case.invariants import InvariantItem
from ventproof.figures import sheet
from ventproof.figures.drawing import Drawing, text_width
from ventproof.figures.panel import SMALL, Panel
from ventproof.figures.response_figure import can_be_drawn, decided_s
from ventproof.figures.sheet import LEFT, WIDTH
from ventproof.log.events import StepBegin
from ventproof.verdict.finding import Verdict

if TYPE_CHECKING:
    from ventproof.case.case import Result
    from ventproof.figures.decided_run import DecidedRun

_SIGN_PX: Final = 18.0
_VERDICT_PX: Final = 23.0
_CLEAR_PX: Final = 10.0
_MARGIN: Final = 14.0


class _Placed(NamedTuple):
    """A response with the px between which it was watched, and where its words begin."""

    result: Result
    left: float
    right: float
    words_at: float
    said: str


def draw_brackets(
    drawing: Drawing,
    panel: Panel,
    run: DecidedRun,
    results: Iterable[Result],
    y: float,
    *,
    brief: bool = False,
) -> float:
    """Draw each response with its sign, below the time that it was watched; return the next free y.

    Args:
        drawing: where to draw.
        panel: the axes above.
        run: the log, judged.
        results: the responses; those that were never watched are left out.
        y: upper edge of the first row.
        brief: only what did not pass has words.
    """
    free: list[float] = []
    for one in sorted(_placed(panel, run, results, brief=brief), key=lambda one: min(one.left, one.words_at)):
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
        if one.said:
            drawing.text(one.words_at, top + 17, one.said, font_size=SMALL, class_="decided")
    return y + len(free) * _VERDICT_PX


def _placed(panel: Panel, run: DecidedRun, results: Iterable[Result], *, brief: bool) -> Iterator[_Placed]:
    most = int((WIDTH - _MARGIN - LEFT - _SIGN_PX) / text_width("m", SMALL))
    for result in results:
        if result.ruling is None or not can_be_drawn(run, result):
            continue
        from_s, to_s = _watched(run, result)
        left, right = panel.px(from_s), panel.px(min(to_s, run.end_s))
        said = f"{result.ruling.verdict}: {result.signal} {result.wording}"
        if brief and result.ruling.verdict is Verdict.PASS:
            said = ""
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
