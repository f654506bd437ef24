"""One pair of axes: draws a signal's course, a demand and hatched spans into a rectangle of a figure (pure)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import Final, final

from ventproof.envelope.spans import INF, Piece, clip
from ventproof.figures.decided_run import Course, moment
from ventproof.figures.demand import Demand, Ring
from ventproof.figures.drawing import (
    BLUE,
    OFF_PX,
    AxisScale,
    Drawing,
    Element,
    columns,
    corners_text,
    outline,
    spread,
    text_width,
)

SMALL: Final = 12.0
_LEVEL_APART_PX: Final = 15.0
_LONGEST_LABEL: Final = 22
_FAR_PX: Final = 1e6
_NARROWEST_PX: Final = 1.5
_MOST_STEPS: Final = 150
"""Of more values than this one cannot tell the steps."""
_SHORTEST_ARROW_PX: Final = 16.0
_TINT: Final[Mapping[str, str]] = {"fill": "currentColor", "fill_opacity": "0.12"}
"""What is required is grey; colours are for verdicts and for the signal itself."""
_MEET_S: Final = 1e-6
"""Pieces so near to each other in time are neighbours."""
_SLOT_PX: Final = 7.0
"""Half the width of the box in which a course must be at a deadline."""
_APART_PX: Final = 6.0
"""Readings closer to each other than this are no dots: the line between them says as much."""


@final
class Panel:
    """Axes over `[x.low, x.high]` and `[y.low, y.high]`; what lies outside is cut off.

    Args:
        drawing: where to draw.
        x: time in seconds to px.
        y: values to px.
        origin_s: log time at which the time axis is 0.
    """

    def __init__(self, drawing: Drawing, x: AxisScale, y: AxisScale, origin_s: float) -> None:
        self._drawing = drawing
        self.x = x
        self.y = y
        self._origin_s = origin_s
        self.top, self.bottom = y.end_px, y.start_px
        self._words: list[tuple[float, float, float]] = []
        self._posts: list[float] = []

    @cached_property
    def _inside(self) -> Element:
        """What is drawn into, and cut off at the axes."""
        x, top = self.x, self.top
        width, height = x.end_px - x.start_px, self.bottom - top
        box = f"{x.start_px:g} {top:g} {width:g} {height:g}"
        return self._drawing.mark("svg", x=x.start_px, y=top, width=width, height=height, viewBox=box)

    def px(self, t_s: float) -> float:
        """Return the pixel of a log time."""
        return self.x(t_s - self._origin_s)

    def frame(self, names: Iterable[tuple[float, str]] | None, title: str) -> None:
        """Draw the frame and the value axis.

        Args:
            names: what to write at which value; None for round numbers.
            title: written along the axis.
        """
        drawing, left, right = self._drawing, self.x.start_px, self.x.end_px
        numbers = self.y.ticks(max(2, int((self.bottom - self.top) / 45)))
        shown = [
            place for place in (numbers if names is None else names) if self.y.low <= place[0] <= self.y.high
        ]
        drawing.lines(
            [f"M{left:g} {self.y(value):.1f}H{right:g}" for value, _ in shown], stroke_opacity="0.15"
        )
        if shown:
            written = drawing.mark("g", text_anchor="end", font_size=SMALL)
            for value, said in shown:
                drawing.text(left - 6, self.y(value) + 4, said, written, class_="tick-y")
        drawing.box(left, self.top, right, self.bottom, fill="none", stroke="currentColor", stroke_width=1)
        most = int((self.bottom - self.top) / text_width("m", SMALL))
        drawing.text(
            0,
            0,
            title if len(title) <= most else f"{title[: most - 1]}…",
            class_="axis-y",
            font_size=SMALL,
            text_anchor="middle",
            transform=f"translate(24 {(self.top + self.bottom) / 2:g}) rotate(-90)",
        )  # fmt: skip - as above

    def _band_px(self, demand: Demand, half_px: float) -> tuple[float, float]:
        """Return the upper and lower y of the demanded band, `half_px` off its middle at least."""
        top = self.top if demand.high is None else self.y(demand.high)
        bottom = self.bottom if demand.low is None else self.y(demand.low)
        middle = (top + bottom) / 2
        return min(top, middle - half_px), max(bottom, middle + half_px)

    def band(
        self, demand: Demand, spans: Iterable[tuple[float, float]], *, half_px: float, name: str = "demanded"
    ) -> None:
        """Tint what is demanded in spans of log time, between its edges; `half_px` thick at least on either side."""
        if demand.low is None and demand.high is None:
            return
        top, bottom = self._band_px(demand, half_px)
        for from_s, to_s in spans:
            left, right = self.px(from_s), self.px(to_s)
            self._drawing.box(left, top, right, bottom, self._inside, class_=name, **_TINT)
            for edge, at in ((demand.high, top), (demand.low, bottom)):
                if edge is not None:
                    self._drawing.line(left, at, right, at, self._inside, stroke_width=1.5)

    def gate(self, t_s: float, demand: Demand, *, half_px: float) -> None:
        """Draw the posts through which a course must go at a moment: all of it but the band, or the band alone."""
        x = self.px(t_s)
        self._posts.append(x)
        top, bottom = self._band_px(demand, half_px)
        posts = [(top, bottom)] if demand.leave else [(self.top, top), (bottom, self.bottom)]
        for upper, lower in posts:
            self._drawing.line(x, upper, x, lower, self._inside, class_="gate", stroke_width=4)
        if not demand.leave:
            left, right = x - _SLOT_PX, x + _SLOT_PX
            self._drawing.box(
                left, top, right, bottom, self._inside, class_="slot", stroke="currentColor", **_TINT
            )

    def barred(self, from_s: float, to_s: float, demand: Demand, *, half_px: float) -> None:
        """Bar the band in a span of log time, in which the signal must not be in it."""
        top, bottom = self._band_px(demand, half_px)
        left, right = self.px(from_s), self.px(to_s)
        self._drawing.box(
            left, top, right, bottom, self._inside, class_="barred", fill="currentColor", fill_opacity="0.4"
        )

    def levels(self, levels: Iterable[tuple[float, str]], *, lined: bool) -> None:
        """Name values at the right; lined: with a line across the axes."""
        shown = [(value, said) for value, said in levels if self.y.low <= value <= self.y.high]
        places = spread([self.y(value) for value, _ in shown], _LEVEL_APART_PX, self.top + 6, self.bottom - 2)
        left, right = self.x.start_px, self.x.end_px
        for (value, said), place in zip(shown, places, strict=True):
            at = self.y(value)
            if lined:
                self._drawing.line(
                    left, at, right, at, self._inside, stroke_dasharray="1 4", stroke_width=1.5
                )
            self._drawing.line(right, at, right + 8, place)
            self._drawing.text(right + 11, place + 4, _cut(said), class_="level", font_size=SMALL)

    def names(self, names: Iterable[tuple[float, str]], stroke: str = BLUE) -> None:
        """Name courses beside the axes, where they end."""
        self.labels((self.y(value), said, stroke) for value, said in names)

    def labels(self, labels: Iterable[tuple[float, str, str]]) -> None:
        """Write beside the axes what ends at places: y, words, and the colour of the line between the two."""
        shown = list(labels)
        places = spread([at for at, _, _ in shown], _LEVEL_APART_PX, self.top + 6, self.bottom - 2)
        right = self.x.end_px
        for (at, said, stroke), place in zip(shown, places, strict=True):
            self._drawing.line(right, at, right + 8, place, stroke=stroke)
            self._drawing.text(right + 11, place + 4, _cut(said), class_="course", font_size=SMALL)

    def line(self, points: Iterable[tuple[float, float]], **stroke: str | float) -> None:
        """Draw a line through log times and values; `stroke` as for `Drawing.mark`."""
        corners = outline(self._places(points))
        if corners:
            d = "M" + "L".join(f"{x:.1f},{y:.1f}" for x, y in corners)
            stroke.setdefault("stroke", "currentColor")
            self._drawing.mark("path", self._inside, d=d, fill="none", stroke_linejoin="round", **stroke)

    def bar(self, from_s: float, to_s: float, y: float, *, thick_px: float, name: str) -> None:
        """Draw a bar along a span of log time around a y."""
        left, right = self.px(from_s), self.px(to_s)
        top, bottom = y - thick_px / 2, y + thick_px / 2
        right = max(right, left + _NARROWEST_PX)
        self._drawing.box(left, top, right, bottom, self._inside, class_=name, fill="currentColor")

    def uncertain(self, from_s: float, to_s: float, top: float, bottom: float, *, known: bool) -> None:
        """Hatch a span of log time in a row below the axes; known: one of two neighbouring values."""
        paint = self._drawing.hatch("either" if known else "gap")
        left = max(self.x.start_px, self.px(from_s))
        self._drawing.box(
            left, top, max(left + _NARROWEST_PX, self.px(to_s)), bottom, class_="uncertain", fill=paint
        )

    def hatched(self, from_s: float, to_s: float, name: str) -> None:
        """Hatch a span of log time over the whole height; `gap`: nothing is known of it."""
        self._drawing.box(
            self.px(from_s),
            self.top,
            self.px(to_s),
            self.bottom,
            self._inside,
            class_=name,
            fill=self._drawing.hatch("gap"),
        )  # fmt: skip - one line more would hide the paint

    def course(
        self, course: Course, *, discrete: bool, dash: str = "", dots: bool = True, colour: str = BLUE
    ) -> None:
        """Draw everything that the readings leave possible, and the readings."""
        for piece in _unknown(course.pieces):
            self.hatched(piece[0], piece[1], "unknown")
        levels = [*_levels(course.pieces)] if discrete else []
        if discrete and len(levels) <= _MOST_STEPS:
            self._steps(levels)
        else:
            self._areas(course.pieces, dash, colour)
        if dots:
            self._dots(course)

    def around(self, pieces: Iterable[Piece], spans: Iterable[tuple[float, float]]) -> None:
        """Tint what is demanded in spans of log time, where that moves; as `band` does."""
        shown = [part for piece in pieces for span in spans if (part := clip(piece, *span))]
        self._filled(shown, class_="demanded", stroke="currentColor", **_TINT)

    def seen(self, pieces: Iterable[Piece]) -> None:
        """Tint between which values the readings of several runs lie."""
        self._filled(pieces, class_="seen", fill="currentColor", fill_opacity="0.15")

    def perhaps(self, pieces: Iterable[Piece]) -> None:
        """Hatch values outside of what is demanded that no reading rules out."""
        shown = list(pieces)
        if shown:
            self._filled(shown, class_="perhaps", fill=self._drawing.hatch("either"), stroke=BLUE)

    def _filled(self, pieces: Iterable[Piece], **paint: str) -> None:
        for run in _runs(pieces):
            upper = self._places(place for p in run for place in ((p.t0, p.u0), (p.t1, p.u1)))
            lower = self._places(place for p in run for place in ((p.t0, p.l0), (p.t1, p.l1)))
            points = corners_text((*outline(upper), *reversed(outline(lower))))
            self._drawing.mark("polygon", self._inside, points=points, **paint)

    def _areas(self, pieces: Iterable[Piece], dash: str, colour: str) -> None:
        for run in _runs(pieces):
            upper, lower = self._edge(run, up=True), self._edge(run, up=False)
            drawn = [*upper, *reversed(lower)]
            points = corners_text(drawn)
            self._drawing.mark(
                "polygon",
                self._inside,
                class_="envelope",
                points=points,
                fill=colour,
                fill_opacity="0.3",
                stroke=colour,
                stroke_width=0.9,
                stroke_linejoin="round",
                stroke_dasharray=dash or "none",
            )  # fmt: skip - as above

    def _edge(self, run: Sequence[Piece], *, up: bool) -> list[tuple[float, float]]:
        """Return the upper or lower bound of pieces as a line in px that never runs inside of them.

        Where there are more pieces than columns of pixels, each column counts with the outermost of its neighbours.
        """
        ends = [(p.t0, p.u0, p.t1, p.u1) if up else (p.t0, p.l0, p.t1, p.l1) for p in run]
        places = self._places(corner for t0, v0, t1, v1 in ends for corner in ((t0, v0), (t1, v1)))
        if all(p.l0 == p.u0 and p.l1 == p.u1 for p in run):
            return outline(places)
        outward = -OFF_PX if up else OFF_PX
        return [(x, y + outward) for x, y in outline(columns(places, up=up))]

    def _steps(self, spans: Iterable[tuple[float, float, float, float]]) -> None:
        """Draw levels as one line, and boxes where it may have been either of two."""
        levels: list[str] = []
        for from_s, to_s, low, high in spans:
            left, right = self.px(from_s), self.px(to_s)
            if low == high:
                levels.append(f"M{left:.1f},{self.y(low):.1f}H{right:.1f}")
            else:
                self._drawing.box(
                    left,
                    self.y(high),
                    max(right, left + _NARROWEST_PX),
                    self.y(low),
                    self._inside,
                    class_="either",
                    fill=self._drawing.hatch("either"),
                    stroke=BLUE,
                    stroke_width=1,
                )  # fmt: skip - as above
        if levels:
            self._drawing.mark(
                "path", self._inside, class_="level-kept", d="".join(levels), stroke=BLUE, stroke_width=3
            )

    def _dots(self, course: Course) -> None:
        places = self._places((moment(a), a.sample.value) for a in course.arrived)
        cells = {(round(x), round(y)): (x, y) for x, y in places if self.top - 3 <= y <= self.bottom + 3}
        spacing = (places[-1][0] - places[0][0]) / len(places) if places else 0.0
        if spacing >= _APART_PX or len(cells) == 1:
            self._drawing.mark(
                "path",
                self._inside,
                class_="readings",
                fill="none",
                stroke="currentColor",
                stroke_linecap="round",
                stroke_width=4.5,
                d="".join(f"M{x:.1f},{y:.1f}h0" for x, y in cells.values()),
            )  # fmt: skip - as above

    def along(  # noqa: PLR0917 - a place, its words and its looks
        self, from_s: float, to_s: float, value: float, said: str, colour: str, name: str
    ) -> None:
        """Draw an arrow along a span of log time at a value, with how long it is."""
        left, right, y = self.px(from_s), self.px(to_s), self.y(value)
        self._arrow((left, y), (right, y), colour, name)
        self._posts += [left, right]
        self._write(left + 4, y, said)

    def margin(self, ring: Ring, colour: str, beside_px: float) -> None:
        """Draw an arrow from where a margin is smallest to the limit, `beside_px` off, with how long it is."""
        x, y, end = self.px(ring.t_s) + beside_px, self.y(ring.value), self.y(ring.edge)
        x = min(max(x, self.x.start_px + 6), self.x.end_px - 6)
        self._arrow((x, y), (x, end), colour, "margin")
        self._posts.append(x)
        self._write(x + 8, (y + end) / 2, said=ring.said, aside=abs(y - end) > _SHORTEST_ARROW_PX)

    def _write(self, x: float, y: float, said: str, *, aside: bool = False) -> None:
        """Write into the axes near a place: beside it, or else off it towards the middle; clear of other words."""
        away = 1.0 if y < (self.top + self.bottom) / 2 else -1.0
        at = y + SMALL / 3 if aside else y + away * (SMALL + 6) + SMALL / 3
        width = text_width(said, SMALL)
        room = self.x.end_px - 4 - width
        places = [x, *(post + 8 for post in self._posts), *(post - 8 - width for post in self._posts), room]
        inside = [left for left in places if self.x.start_px < left <= room]
        free = (
            left for left in inside if not any(left - 4 < post < left + width + 4 for post in self._posts)
        )
        left = next(free, room)
        while any(
            abs(at - other) < SMALL + 3 and left < to_x and from_x < left + width
            for from_x, to_x, other in self._words
        ):
            at += away * (SMALL + 3)
        self._words.append((left, left + width, at))
        self._drawing.text(left, at, said, class_="said", font_size=SMALL, font_weight="600")

    def _arrow(self, start: tuple[float, float], end: tuple[float, float], colour: str, name: str) -> None:
        """Draw an arrow with a head at both ends; one too short for that is a line with bars."""
        (x0, y0), (x1, y1) = start, end
        length = abs(x1 - x0) + abs(y1 - y0)
        along = (math.copysign(1.0, x1 - x0), 0.0) if y0 == y1 else (0.0, math.copysign(1.0, y1 - y0))
        head = 6.0 if length > _SHORTEST_ARROW_PX else 0.0
        ends = ((start, 1.0), (end, -1.0))
        across = (along[1], along[0])
        parts = [f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"]
        for (x, y), turn in ends:
            tips = [
                (x + head * turn * along[0] + side * across[0], y + head * turn * along[1] + side * across[1])
                for side in (-4.0, 4.0)
            ]
            parts.append(
                f"M{tips[0][0]:.1f} {tips[0][1]:.1f}L{x:.1f} {y:.1f}L{tips[1][0]:.1f} {tips[1][1]:.1f}"
            )
        self._drawing.mark(
            "path", self._inside, class_=name, d="".join(parts), fill="none", stroke=colour, stroke_width=2
        )

    def _places(self, points: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
        """Return the pixels of log times and values; what is far outside only needs to stay there."""
        x, y = self.x, self.y
        t_px, v_px = 1 / x.per_px, (y.end_px - y.start_px) / (y.high - y.low)
        left, bottom = x.start_px - (x.low + self._origin_s) * t_px, y.start_px - y.low * v_px
        places = [(left + t * t_px, bottom + v * v_px) for t, v in points]
        ys = [y_px for _, y_px in places]
        if not ys or (min(ys) > -_FAR_PX and max(ys) < _FAR_PX):
            return places
        return [(x_px, min(_FAR_PX, max(-_FAR_PX, y_px))) for x_px, y_px in places]


def _cut(said: str) -> str:
    """Return a label as far as the margin has room for it."""
    return said if len(said) <= _LONGEST_LABEL else said[: _LONGEST_LABEL - 1] + "…"


def _runs(pieces: Iterable[Piece]) -> Iterable[list[Piece]]:
    """Yield neighbouring pieces that are bounded."""
    run: list[Piece] = []
    for piece in pieces:
        bounded = piece.l0 > -INF and piece.u0 < INF
        if run and (not bounded or abs(piece.t0 - run[-1].t1) > _MEET_S):
            yield run
            run = []
        if bounded:
            run.append(piece)
    if run:
        yield run


def _unknown(pieces: Iterable[Piece]) -> list[tuple[float, float]]:
    """Return the spans in which nothing bounds the value."""
    spans: list[tuple[float, float]] = []
    for piece in pieces:
        if piece.l0 == -INF or piece.u0 == INF:
            joined = spans and spans[-1][1] >= piece.t0
            spans[-1:] = [(spans[-1][0], piece.t1)] if joined else [*spans[-1:], (piece.t0, piece.t1)]
    return spans


def _levels(pieces: Iterable[Piece]) -> Iterable[tuple[float, float, float, float]]:
    """Yield (from, to, low, high) for bounded spans in which the bounds stay the same."""
    last: tuple[float, float, float, float] | None = None
    for piece in pieces:
        if piece.l0 == -INF or piece.u0 == INF:
            continue
        if last and last[1] == piece.t0 and last[2:] == (piece.l0, piece.u0):
            last = (last[0], piece.t1, *last[2:])
            continue
        if last:
            yield last
        last = (piece.t0, piece.t1, piece.l0, piece.u0)
    if last:
        yield last
