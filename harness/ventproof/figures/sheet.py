"""What surrounds the axes of a figure: heading, moments, bars below the time axis, and the key (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from ventproof.figures.drawing import BLUE, GREEN, RED, Drawing, text_width, wrap
from ventproof.figures.panel import SMALL, Panel
from ventproof_bench.base.evidence import Gap

WIDTH: Final = 960.0
LEFT: Final = 84.0
RIGHT: Final = 790.0
MARGIN: Final = 14.0
_ROW_PX: Final = 17.0
_BAR_PX: Final = 22.0
_MOST_GAP_BARS: Final = 3
_CLEAR_PX: Final = 12.0

VERDICT_COLOUR: Final = {"pass": GREEN, "fail": RED, "inconclusive": BLUE, "aborted": RED}
_SIGN: Final = {
    "pass": "M-6 0 L-2 5 L7 -6",
    "fail": "M-5 -5 L5 5 M-5 5 L5 -5",
    "inconclusive": "M-4 -3 A4 4 0 1 1 1 1 Q0 2 0 4 M0 7 L0 8",
    "aborted": "M-6 0 L6 0",
}
_OUTLINE: Final = {
    "pass": "M-12 0 A12 12 0 1 0 12 0 A12 12 0 1 0 -12 0 Z",
    "fail": "M-11 -11 H11 V11 H-11 Z",
    "inconclusive": "M0 -14 L14 0 L0 14 L-14 0 Z",
    "aborted": "M-11 -11 H11 V11 H-11 Z",
}


class Moment(NamedTuple):
    """A labelled instant, or a window in which it lies: log times, label, and a key of `STROKES`."""

    from_s: float
    to_s: float
    label: str
    kind: str


class Bar(NamedTuple):
    """A row below the time axis: spans of log time, their label, and a key of `_PAINTS`."""

    spans: tuple[tuple[float, float], ...]
    label: str
    kind: str


STROKES: Final[Mapping[str, Mapping[str, str | float]]] = {
    "stimulus": {"stroke": "currentColor", "stroke_width": 2.5},
    "other": {"stroke": "currentColor", "stroke_width": 1, "stroke_dasharray": "2 3"},
    "deadline": {"stroke": "currentColor", "stroke_width": 1.5, "stroke_dasharray": "9 4"},
    "gate": {"stroke": "currentColor", "stroke_width": 4},
    "step": {"stroke": "currentColor", "stroke_width": 1, "stroke_dasharray": "6 3"},
}
"""How moments are drawn; no two look alike without colour."""

_PAINTS: Final[Mapping[str, Mapping[str, str | float]]] = {
    "gap": {"stroke": "currentColor"},
}


def heading(drawing: Drawing, verdict: str, title: str, lines: Iterable[str]) -> float:
    """Write the verdict, with a sign that needs no colour, what it is of, and why; return the next free y."""
    y = 26.0
    verdict_sign(drawing, verdict, MARGIN + 14, y)
    left = MARGIN + 38
    word = verdict.upper()
    drawing.text(left, y + 6, word, font_size=18, font_weight="bold", class_="verdict")
    beside = left + 1.25 * text_width(word, 18) + 12  # bold letters are wider
    for line in wrap(title, WIDTH - beside - MARGIN, 15):
        drawing.text(beside, y + 6, line, font_size=15, font_weight="600", class_="demand")
        y += 20
    y = max(y + 8, 54.0)
    for said in lines:
        for line in wrap(said, WIDTH - left - MARGIN, 13):
            drawing.text(left, y, line, font_size=13, class_="why")
            y += 18
    return y


def verdict_sign(drawing: Drawing, verdict: str, x: float, y: float, scale: float = 1.0) -> None:
    """Draw the sign of a verdict around a place; its outline needs no colour."""
    place = f"translate({x:g} {y:g})" + (f" scale({scale:g})" if scale != 1.0 else "")
    sign = drawing.mark("g", class_=f"verdict-{verdict}", transform=place)
    for path in (_OUTLINE[verdict], _SIGN[verdict]):
        drawing.mark("path", sign, d=path, fill="none", stroke=VERDICT_COLOUR[verdict], stroke_width=2.5)


def gutter_px(moments: Sequence[Moment], xs: Sequence[float]) -> float:
    """Return how high the rows of the moments' labels are together."""
    return _ROW_PX * (max((label.row for label in _labels(moments, xs)), default=-1) + 1)


def draw_moments(
    drawing: Drawing,
    moments: Sequence[Moment],
    xs: Sequence[tuple[float, float]],
    *,
    top: float,
    bottom: float,
    gates: float = 0.0,
) -> None:
    """Draw each moment from its label at the top down to the bottom; windows that are wide enough show their width.

    Args:
        drawing: where to draw.
        moments: what to draw.
        xs: px of both ends of each.
        top: y of the upper edge of the gutter.
        bottom: y of the time axis.
        gates: y at which the lines of gates end.
    """
    labels = _labels(moments, [x for x, _ in xs])
    for moment, (left, right), (anchor, row, said) in zip(moments, xs, labels, strict=True):
        y = top + row * _ROW_PX
        end = gates if moment.kind == "gate" else bottom
        if right - left > 1 and moment.kind != "gate":
            drawing.box(left, y, right, bottom, fill="currentColor", fill_opacity="0.18", class_="window")
        left = right if moment.kind == "gate" else left  # noqa: PLW2901 - where its posts stand
        drawing.line(left, y, left, end, class_=f"moment-{moment.kind}", **STROKES[moment.kind])
        x = left + (4 if anchor == "start" else -4)
        drawing.text(x, y + 11, said, class_="moment", text_anchor=anchor, font_size=SMALL)


def draw_lines(
    drawing: Drawing,
    moments: Sequence[Moment],
    xs: Sequence[tuple[float, float]],
    *,
    top: float,
    bottom: float,
) -> None:
    """Draw the moments again, without labels, through what stands further down; arguments as for `draw_moments`."""
    for moment, (left, right) in zip(moments, xs, strict=True):
        if right - left > 1:
            drawing.box(left, top, right, bottom, fill="currentColor", fill_opacity="0.18", class_="window")
        drawing.line(left, top, left, bottom, **STROKES[moment.kind])


class _Label(NamedTuple):
    """Where a moment's label stands: whether it starts or ends at its line, its row, and what fits."""

    anchor: str
    row: int
    said: str


def _labels(moments: Sequence[Moment], xs: Sequence[float]) -> list[_Label]:
    """Return the labels so placed that no line crosses a label.

    A line runs down from its own label's row, so it must begin below every label that reaches over it. Labels that
    would run out of the figure end at their line, and so do those that would reach over the line of such a one. That
    leaves no two labels that reach over each other's lines, and rows can be given to the ending labels from the right,
    then to the starting ones from the left. A label with no room on either side is cut.
    """
    order = sorted(range(len(xs)), key=lambda i: xs[i])
    limit = WIDTH - MARGIN
    ending: list[int] = []
    texts: dict[int, str] = {}
    spans: dict[int, tuple[float, float]] = {}
    for i in reversed(order):
        said, x = moments[i].label, xs[i]
        most = int((max(limit - x, x - MARGIN) - _CLEAR_PX) / text_width("m", SMALL))
        texts[i] = said if len(said) <= most else said[: max(0, most - 1)] + "…"
        width = text_width(texts[i], SMALL) + _CLEAR_PX
        spans[i] = (x, x + width)
        if x + width > limit:
            spans[i] = (x - width, x)
            ending.append(i)
            limit = x
    rows: dict[int, int] = {}
    for i in [*ending, *(i for i in order if i not in ending)]:
        left, right = spans[i]
        row = max((rows[j] + 1 for j in rows if spans[j][0] <= xs[i] <= spans[j][1]), default=0)
        while any(rows[j] == row and left < spans[j][1] and spans[j][0] < right for j in rows):
            row += 1
        rows[i] = row
    return [_Label("end" if i in ending else "start", rows[i], texts[i]) for i in range(len(xs))]


def time_axis(drawing: Drawing, panel: Panel, y: float, since: str) -> float:
    """Draw the time axis below a panel, in seconds, hours or days since an event; return the next free y."""
    unit, ticks = panel.x.time_ticks()
    drawing.lines([f"M{panel.x(value):.1f} {y:.1f}v5" for value, _ in ticks])
    if ticks:
        written = drawing.mark("g", text_anchor="middle", font_size=SMALL)
        for value, said in ticks:
            shown = said if unit == "s" else f"{said} {unit}"
            drawing.text(panel.x(value), y + 18, shown, written, class_="tick-x")
    drawing.text(RIGHT + 24, y + 18, f"s {since}" if unit == "s" else since, class_="axis-x", font_size=SMALL)
    return y + 30


def draw_bars(drawing: Drawing, panel: Panel, bars: Iterable[Bar], y: float) -> float:
    """Draw the rows; return the next free y."""
    for bar in bars:
        paint = dict(_PAINTS[bar.kind])
        paint.setdefault("fill", drawing.hatch("gap"))
        px = [(max(LEFT, panel.px(a)), min(RIGHT, panel.px(b))) for a, b in bar.spans]
        for left, right in px:
            drawing.box(
                left, y, max(right, left + 2), y + 12, class_=f"bar-{bar.kind}", stroke_width=1.2, **paint
            )
        first, last = px[0][0], px[-1][1]
        width = text_width(bar.label, SMALL)
        if last + 8 + width < WIDTH - MARGIN:
            x, anchor = last + 8, "start"
        elif first - 8 - width > MARGIN:
            x, anchor = first - 8, "end"
        else:
            x, anchor, y = LEFT, "start", y + 16
        drawing.text(x, y + 11, bar.label, text_anchor=anchor, font_size=SMALL, class_="bar")
        y += _BAR_PX
    return y


def key(drawing: Drawing, entries: Iterable[tuple[str, str]], y: float) -> float:
    """Draw the key, (sign, meaning) each, broken into rows; return the next free y."""
    x = LEFT
    for sign, meaning in entries:
        width = 30 + text_width(meaning, SMALL) + 18
        if x > LEFT and x + width > WIDTH - MARGIN:
            x, y = LEFT, y + 20
        _sign(drawing, sign, x, y)
        drawing.text(x + 30, y + 4, meaning, font_size=SMALL, class_="key")
        x += width
    return y + 16


def _sign(drawing: Drawing, sign: str, x: float, y: float) -> None:
    right = x + 24
    if sign == "envelope":
        drawing.box(x, y - 5, right, y + 5, fill=BLUE, fill_opacity="0.3", stroke=BLUE, stroke_width=1.2)
    elif sign == "on":
        drawing.box(x, y - 5, right, y + 5, fill=BLUE, fill_opacity="0.75")
    else:
        paint, stroke = drawing.hatch(sign), BLUE if sign == "either" else "currentColor"
        drawing.box(x, y - 5, right, y + 5, fill=paint, stroke=stroke)


def gap_bars(gaps: Iterable[Gap]) -> list[Bar]:
    """Return one bar for each gap; many short ones share one."""
    shown = list(gaps)
    if len(shown) > _MOST_GAP_BARS:
        longest = max(shown, key=lambda gap: gap.to_s - gap.from_s)
        said = f"{len(shown)} gaps, the longest {longest.to_s - longest.from_s:.3g} s ({longest.reason})"
        return [Bar(tuple((gap.from_s, gap.to_s) for gap in shown), said, "gap")]
    return [
        Bar(((g.from_s, g.to_s),), f"no reading for {g.to_s - g.from_s:.3g} s ({g.reason})", "gap")
        for g in shown
    ]
