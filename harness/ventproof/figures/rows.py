"""Rows of bars over time: what an output was set to, and what a flag or a state was (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final, NamedTuple

from ventproof.envelope.spans import INF, Piece
from ventproof.figures.decided_run import Course
from ventproof.figures.drawing import BLUE, Drawing, text_width
from ventproof.figures.panel import SMALL, Panel
from ventproof.figures.sheet import RIGHT
from ventproof.verdict.text import span_text
from ventproof_bench.base.quantities import is_discrete

_ROW_PX: Final = 24.0
TIMED_ROW_PX: Final = 40.0
"""Height of a row with times above its bars."""
_SAID_PX: Final = 11.0
_NARROWEST_PX: Final = 1.5
_FEWEST: Final = 10
"""Words are cut to so many characters, but no shorter."""
_NONE: Final[Mapping[int, str]] = {}


class Stretch(NamedTuple):
    """A stretch of log time in which something was so: what is written to it, and whether it is filled."""

    from_s: float
    to_s: float
    said: str
    filled: bool


def span_row(drawing: Drawing, panel: Panel, name: str, spans: Sequence[Stretch], y: float) -> float:
    """Draw spans as a row of bars with its name; return the next free y."""
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
        fits = int((right - left - 8) / text_width("m", _SAID_PX))
        if said and fits >= min(len(said), _FEWEST):
            drawing.line(left, y + 3, left, y + 17, stroke_width=1)
            words = said if len(said) <= fits else f"{said[: fits - 1]}…"
            drawing.text(left + 4, y + 13, words, font_size=_SAID_PX, class_="said")
    return y + _ROW_PX


def value_row(
    drawing: Drawing, panel: Panel, name: str, course: Course, y: float, *, states: Mapping[int, str] = _NONE
) -> float:
    """Draw a flag or state over time; what is not certain is hatched. Return the next free y.

    Args:
        drawing: where to draw.
        panel: the axes above.
        name: of the signal.
        course: of the signal, as far as it is to be seen.
        y: upper edge of the row.
        states: the words of a state's values.
    """
    assert is_discrete(course.traits.unit), "only flags and states have a row"
    flag = course.traits.unit == "flag"
    spans: list[Stretch] = []
    for from_s, to_s, known in _uncertain(panel, course.pieces):
        panel.uncertain(from_s, to_s, y + 3, y + 17, known=known)
    for piece in course.pieces:
        if piece.l0 != piece.u0:
            continue
        said = "" if flag else states.get(int(piece.l0), f"{piece.l0:g}")
        span = Stretch(piece.t0, piece.t1, said, flag and piece.l0 == 1)
        if spans and spans[-1].to_s == piece.t0 and spans[-1][2:] == span[2:]:
            span = span._replace(from_s=spans.pop().from_s)
        spans.append(span)
    return span_row(drawing, panel, name, spans, y)


def _uncertain(panel: Panel, pieces: Sequence[Piece]) -> list[tuple[float, float, bool]]:
    """Return the stretches to hatch, and whether one of two values is known; what would overlap is one stretch."""
    found: list[tuple[float, float, bool]] = []
    for piece in pieces:
        if piece.l0 == piece.u0:
            continue
        from_s, to_s, known = piece.t0, piece.t1, piece.l0 > -INF
        if found and found[-1][2] == known:
            last_from_s, last_to_s, _ = found[-1]
            drawn_px = max(panel.px(last_to_s), panel.px(last_from_s) + _NARROWEST_PX)
            if panel.px(from_s) <= drawn_px:
                from_s = found.pop()[0]
        found.append((from_s, to_s, known))
    return found


def timed_row(drawing: Drawing, panel: Panel, name: str, course: Course, y: float) -> float:
    """Draw a flag as `value_row` does, with how long it was on and off above the bars; return the next free y."""
    free = -INF
    for least, most in _lasting(course.pieces):
        middle = panel.px((least[0] + least[1]) / 2)
        said = span_text([least[1] - least[0], most[1] - most[0]], "s")
        half = text_width(said, _SAID_PX) / 2
        whole = panel.x.start_px <= panel.px(most[0]) and panel.px(most[1]) <= panel.x.end_px
        if whole and free <= middle - half and panel.x.start_px <= middle - half and middle + half <= RIGHT:
            drawing.text(middle, y + 13, said, font_size=_SAID_PX, text_anchor="middle", class_="lasted")
            free = middle + half + 6
    value_row(drawing, panel, name, course, y + TIMED_ROW_PX - _ROW_PX)
    return y + TIMED_ROW_PX


def _lasting(pieces: Sequence[Piece]) -> Iterator[tuple[tuple[float, float], tuple[float, float]]]:
    """Yield for each time between two changes from when to when it lasted for certain, and at most."""
    levels: list[Piece] = []
    for piece in pieces:
        if levels and levels[-1].t1 == piece.t0 and (levels[-1].l0, levels[-1].u0) == (piece.l0, piece.u0):
            piece = piece._replace(t0=levels.pop().t0)  # noqa: PLW2901 - joined with its neighbour
        levels.append(piece)
    for before, level, after in zip(levels, levels[1:], levels[2:], strict=False):
        if level.l0 == level.u0 and before.l0 > -INF and after.l0 > -INF:
            begins_s = level.t0 if before.l0 == before.u0 else before.t0
            yield (level.t0, level.t1), (begins_s, level.t1 if after.l0 == after.u0 else after.t1)
