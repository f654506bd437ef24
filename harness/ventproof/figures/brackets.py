"""Responses of a run as brackets: from when to when each was watched, with the sign of its verdict (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from ventproof.case.findings import finding_of
from ventproof.case.invariants import InvariantItem
from ventproof.figures import sheet
from ventproof.figures.drawing import Drawing, text_width, wrap
from ventproof.figures.panel import SMALL, Panel
from ventproof.figures.response_figure import can_be_drawn, decided_s
from ventproof.figures.sheet import MARGIN, RIGHT, WIDTH
from ventproof.log.events import StepBegin
from ventproof.verdict.brief import at_a_glance
from ventproof.verdict.text import value_text

if TYPE_CHECKING:
    from ventproof.case.case import Result
    from ventproof.figures.decided_run import DecidedRun

_SIGN_PX: Final = 18.0
_VERDICT_PX: Final = 23.0
_LINE_PX: Final = 14.0
_MOST_LINES: Final = 3
_CLEAR_PX: Final = 10.0


class _Placed(NamedTuple):
    """Responses of which the same is said: the px between which each was watched, and the words in lines."""

    verdict: str
    spans: tuple[tuple[float, float], ...]
    lines: tuple[str, ...]

    @property
    def begin(self) -> float:
        """Where the first bracket begins, and below it the sign and the words."""
        return self.spans[0][0]

    @property
    def end(self) -> float:
        """Where brackets and words end."""
        words = max((text_width(line, SMALL) for line in self.lines), default=0.0)
        return max(*(right for _, right in self.spans), self.begin + _SIGN_PX + words)


def draw_brackets(
    drawing: Drawing,
    panel: Panel,
    run: DecidedRun,
    results: Iterable[Result],
    y: float,
    *,
    named: bool = False,
) -> float:
    """Draw each response with its sign, below the time that it was watched; return the next free y.

    Words stand below the begin of their bracket, and where there is too little room in several lines.

    Args:
        drawing: where to draw.
        panel: the axes above.
        run: the log, judged.
        results: the responses; those that were never watched are left out.
        y: upper edge of the first row.
        named: several signals share the axes, so that each response names its own.
    """
    rows: list[list[_Placed]] = []
    for one in sorted(_placed(panel, run, results, named=named), key=lambda one: one.begin):
        free = (row for row in rows if row[-1].end + _CLEAR_PX <= one.begin)
        row = next(free, None)
        if row is None:
            rows.append([one])
        else:
            row.append(one)
    for row in rows:
        for one in row:
            _draw(drawing, one, y)
        y += _VERDICT_PX + _LINE_PX * (max(1, *(len(one.lines) for one in row)) - 1)
    return y


def _draw(drawing: Drawing, one: _Placed, top: float) -> None:
    colour = sheet.VERDICT_COLOUR[one.verdict]
    for left, right in one.spans:
        ticks = "".join(f"M{value_text(x)} {value_text(top)}v6" for x in (left, right))
        drawing.mark("path", d=ticks, stroke=colour, stroke_width=1.5)
        drawing.line(left, top + 3, right, top + 3, class_="watched", stroke=colour, stroke_width=1.5)
    sheet.verdict_sign(drawing, one.verdict, one.begin + 7, top + 13, 0.45)
    for number, line in enumerate(one.lines):
        drawing.text(
            one.begin + _SIGN_PX, top + 17 + number * _LINE_PX, line, font_size=SMALL, class_="decided"
        )


def _placed(panel: Panel, run: DecidedRun, results: Iterable[Result], *, named: bool) -> Iterator[_Placed]:
    """Yield the responses in their order; those of which the same is said in words come once."""
    spans: dict[tuple[str, str, int], list[tuple[float, float]]] = {}
    for number, result in enumerate(results):
        if result.ruling is None or not (isinstance(result, InvariantItem) or can_be_drawn(run, result)):
            continue
        from_s, to_s = _watched(run, result)
        verdict = str(result.ruling.verdict)
        said = _said(result, named=named)
        place = (verdict, said, 0 if said else number)
        spans.setdefault(place, []).append((panel.px(from_s), panel.px(min(to_s, run.end_s))))
    for (verdict, said, _), its in spans.items():
        words = f"{said} ({len(its)} times)" if len(its) > 1 else said
        yield _Placed(verdict, tuple(its), _lines(words, its[0][0] + _SIGN_PX))


def _said(result: Result, *, named: bool) -> str:
    """Return what is written at a response: its signals where `named`, and why where it did not pass."""
    finding = finding_of(result)
    why = at_a_glance(finding)
    names = [", ".join(result.signals)] if named else []
    return ": ".join([*names, *([str(finding.verdict)] if names or why else []), *([why] if why else [])])


def _lines(words: str, from_px: float) -> tuple[str, ...]:
    """Return words in lines, within the axes if one line is enough there, otherwise to the edge of the figure."""
    right = RIGHT if from_px + text_width(words, SMALL) <= RIGHT else WIDTH - MARGIN
    lines = wrap(words, right - from_px, SMALL)
    if len(lines) > _MOST_LINES:
        lines[_MOST_LINES - 1 :] = [f"{lines[_MOST_LINES - 1][:-1]}…"]
    return tuple(lines)


def _watched(run: DecidedRun, result: Result) -> tuple[float, float]:
    """Return from when to when a response was watched, log time."""
    if isinstance(result, InvariantItem):
        if not result.watches:
            return 0.0, run.end_s
        return result.watches[0].judged_from_s, result.watches[-1].judged_to_s
    if result.watch is not None:
        return result.watch.judged_from_s, decided_s(result.watch)
    began_s = next(e.t_s for e in run.rare if isinstance(e, StepBegin) and e.step == result.step)
    return began_s, began_s
