"""Responses of a run as brackets: from when to when each was watched, with the sign of its verdict (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from ventproof.case.invariants import InvariantItem
from ventproof.figures import sheet
from ventproof.figures.drawing import Drawing, text_width
from ventproof.figures.panel import SMALL, Panel
from ventproof.figures.response_figure import can_be_drawn, decided_s, observed
from ventproof.figures.sheet import LEFT, RIGHT
from ventproof.log.events import StepBegin
from ventproof.verdict.finding import Verdict
from ventproof.verdict.text import value_text

if TYPE_CHECKING:
    from ventproof.case.case import Result
    from ventproof.figures.decided_run import DecidedRun

_SIGN_PX: Final = 18.0
_VERDICT_PX: Final = 23.0
_CLEAR_PX: Final = 10.0


class _Placed(NamedTuple):
    """Responses of which the same is said: the px between which each was watched, and where the words begin."""

    verdict: str
    spans: tuple[tuple[float, float], ...]
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
    for one in sorted(_placed(panel, run, results, brief=brief), key=_begin):
        row = next((i for i, px in enumerate(free) if px <= _begin(one)), len(free))
        ends = max(right for _, right in one.spans)
        free[row : row + 1] = [max(ends, one.words_at + text_width(one.said, SMALL)) + _CLEAR_PX]
        top = y + row * _VERDICT_PX
        colour = sheet.VERDICT_COLOUR[one.verdict]
        for left, right in one.spans:
            ticks = "".join(f"M{value_text(x)} {value_text(top)}v6" for x in (left, right))
            drawing.mark("path", d=ticks, stroke=colour, stroke_width=1.5)
            drawing.line(left, top + 3, right, top + 3, class_="watched", stroke=colour, stroke_width=1.5)
        sheet.verdict_sign(drawing, one.verdict, one.words_at - _SIGN_PX + 7, top + 13, 0.45)
        if one.said:
            drawing.text(one.words_at, top + 17, one.said, font_size=SMALL, class_="decided")
    return y + len(free) * _VERDICT_PX


def _begin(one: _Placed) -> float:
    return min(*(left for left, _ in one.spans), one.words_at - _SIGN_PX)


def _placed(panel: Panel, run: DecidedRun, results: Iterable[Result], *, brief: bool) -> Iterator[_Placed]:
    """Yield the responses in their order; those of which the same is said in words come once."""
    spans: dict[tuple[str, str, int], list[tuple[float, float]]] = {}
    for number, result in enumerate(results):
        if result.ruling is None or not (isinstance(result, InvariantItem) or can_be_drawn(run, result)):
            continue
        from_s, to_s = _watched(run, result)
        verdict = str(result.ruling.verdict)
        quiet = brief and result.ruling.verdict is Verdict.PASS
        said = result.ruling.why if brief else observed(result, result.ruling)
        place = (verdict, "", number) if quiet else (verdict, f"{verdict}: {said}", 0)
        spans.setdefault(place, []).append((panel.px(from_s), panel.px(min(to_s, run.end_s))))
    most = int((RIGHT - LEFT - _SIGN_PX) / text_width("m", SMALL))
    for (verdict, said, _), its in spans.items():
        times = f" ({len(its)} times)" if len(its) > 1 else ""
        room = most - len(times)
        words = f"{said if len(said) <= room else f'{said[: room - 1]}…'}{times}"
        at = min(its[0][0] + _SIGN_PX, RIGHT - text_width(words, SMALL))
        yield _Placed(verdict, tuple(its), at, words)


def _watched(run: DecidedRun, result: Result) -> tuple[float, float]:
    """Return from when to when a response was watched, log time."""
    if isinstance(result, InvariantItem):
        if not result.watches:
            return 0.0, run.end_s
        return result.watches[0].judged_from_s, result.watches[-1].judged_to_s
    if result.watch is not None:
        return result.watch.judged_from_s, decided_s(result.watch)
    began_s = next(e.t_s for e in run.events if isinstance(e, StepBegin) and e.step == result.step)
    return began_s, began_s
