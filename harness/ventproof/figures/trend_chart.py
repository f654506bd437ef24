"""Draws how one response went over runs and firmware: its response time, and its margin (pure)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Final, final

from ventproof.figures.drawing import BLUE, GREEN, RED, AxisScale, Drawing, padded, text_width
from ventproof.verdict.finding import Verdict

if TYPE_CHECKING:
    from ventproof.verdict.finding import Bounds
    from ventproof_bench.base.evidence import Window


_WIDTH: Final = 720.0
_LEFT: Final = 72.0
_RIGHT: Final = 704.0
_TOP: Final = 24.0
_HEIGHT: Final = 120.0
_LANE: Final = 20.0
"""Height of the lane for runs that have no value."""
_APART: Final = 34.0
_SMALL: Final = 12.0
_MARK: Final = 4.0
_THINNEST_PX: Final = 3.0

_Pair = Callable[["Point"], tuple[float, float] | None]


@final
@dataclass(frozen=True, slots=True)
class Point:
    """One response in one run.

    Attributes:
        firmware: the unit's firmware then.
        verdict: of the response.
        response_s: the window that holds the response time; None when it did not surely respond.
        limit_s: the latest response time that would have passed; None where no time was bounded, or no run tells it.
        margin: worst and best margin in the signal's unit; None where it has none.
    """

    firmware: str
    verdict: Verdict
    response_s: Window | None
    limit_s: float | None
    margin: Bounds | None


@final
@dataclass(frozen=True, slots=True)
class Version:
    """All runs of one response with one firmware.

    Attributes:
        firmware: the version.
        counts: how often each verdict was found.
        response_s: between which bounds all response times lay; None when there was none.
        margin: worst and best margin of all; None when there was none.
    """

    firmware: str
    counts: Mapping[str, int]
    response_s: tuple[float, float] | None
    margin: tuple[float, float] | None


@final
@dataclass(frozen=True, slots=True)
class Trend:
    """One response over the runs.

    Attributes:
        profile: its profile's name.
        step: its step's name.
        response: the signal and what is demanded of it, as last demanded.
        unit: the signal's unit; empty where it has none.
        points: in the order of firmware, then of time.
        cause: what was wrong the last time that it did not pass, in a few words; empty where it always passed.
    """

    profile: str
    step: str
    response: str
    unit: str
    points: tuple[Point, ...]
    cause: str = ""

    @property
    def versions(self) -> list[Version]:
        """What was found with each firmware, the oldest first."""
        groups = groupby(self.points, key=lambda point: point.firmware)
        return [_version(firmware, list(points)) for firmware, points in groups]


def trend_chart(trend: Trend, ident: str) -> str:
    """Return a figure as SVG; empty when neither times nor margins of its runs differ more than readings leave open.

    Args:
        trend: the response over the runs.
        ident: begins every id in the figure.
    """
    panels = [(title, pair) for title, pair in _panels(trend) if _differs([pair(p) for p in trend.points])]
    if not panels:
        return ""
    title = f"{trend.response}: {len(trend.points)} runs"
    drawing = Drawing(_WIDTH, ident, title=title, description=described(trend), log="")
    chart = _Chart(drawing, trend.points)
    top = _TOP
    for name, pair in panels:
        chart.panel(top, name, pair, limits=pair is _response)
        top += _HEIGHT + _APART
    return drawing.render(top + 2)


def described(trend: Trend) -> str:
    """Return in a few sentences what the figure shows."""
    return " ".join(
        f"Firmware {version.firmware or 'not stated'}: "
        + ", ".join(f"{number} {verdict}" for verdict, number in version.counts.items())
        + (f"; took {_span(version.response_s, 's')}" if version.response_s else "")
        + (f"; margin {_span(version.margin, trend.unit)}" if version.margin else "")
        + "."
        for version in trend.versions
    )


def _span(pair: tuple[float, float], unit: str) -> str:
    return f"{pair[0]:.1f} to {pair[1]:.1f} {unit}".rstrip()


def _panels(trend: Trend) -> list[tuple[str, _Pair]]:
    return [("response time, s", _response), (f"margin, {trend.unit}", _margin)]


def _differs(pairs: Sequence[tuple[float, float] | None]) -> bool:
    """Return whether two runs surely differ: their values lie apart, or only one of them has a value."""
    known = [pair for pair in pairs if pair is not None]
    if len(known) < len(pairs):
        return bool(known)
    return max(low for low, _ in known) > min(high for _, high in known)


def _response(point: Point) -> tuple[float, float] | None:
    return None if point.response_s is None else (point.response_s.earliest_s, point.response_s.latest_s)


def _margin(point: Point) -> tuple[float, float] | None:
    return point.margin


@final
class _Chart:
    """Panels over the same runs, side by side in their order."""

    def __init__(self, drawing: Drawing, points: Sequence[Point]) -> None:
        self._drawing = drawing
        self._points = points
        self._slot = (_RIGHT - _LEFT) / len(points)

    def _x(self, index: float) -> float:
        return _LEFT + (index + 0.5) * self._slot

    def panel(self, top: float, title: str, pair: _Pair, *, limits: bool) -> None:
        """Draw one quantity.

        Args:
            top: px.
            title: what it is, with its unit.
            pair: between which bounds it lay in a run.
            limits: whether each run's limit is drawn, rather than zero.
        """
        bottom = top + _HEIGHT
        pairs = [pair(point) for point in self._points]
        values = [value for found in pairs if found for value in found]
        values += [p.limit_s for p in self._points if p.limit_s is not None] if limits else [0.0]
        lane = _LANE if None in pairs else 0.0
        y = AxisScale(*padded(min(values), max(values)), bottom - lane, top)
        self._frame(y, top, bottom, title)
        self._firmware(top, bottom)
        self._limits(y, limits=limits)
        for index, (point, found) in enumerate(zip(self._points, pairs, strict=True)):
            self._run(self._x(index), y, point, found, none=bottom - _LANE / 2)

    def _frame(self, y: AxisScale, top: float, bottom: float, title: str) -> None:
        drawing = self._drawing
        for value, said in y.ticks(4):
            drawing.line(_LEFT, y(value), _RIGHT, y(value), stroke_opacity="0.15")
            drawing.text(_LEFT - 6, y(value) + 4, said, text_anchor="end", font_size=_SMALL)
        drawing.box(_LEFT, top, _RIGHT, bottom, fill="none", stroke="currentColor")
        if y.start_px < bottom:
            drawing.line(_LEFT, y.start_px, _RIGHT, y.start_px, stroke_dasharray="1 3")
            drawing.text(_LEFT - 6, bottom - _LANE / 2 + 4, "none", text_anchor="end", font_size=_SMALL)
        turned = f"translate(16 {(top + bottom) / 2:g}) rotate(-90)"
        drawing.text(0, 0, title, font_size=_SMALL, text_anchor="middle", transform=turned)

    def _firmware(self, top: float, bottom: float) -> None:
        """Tint every other firmware and name each below the axis, as long as there is room."""
        first = 0
        for number, (firmware, points) in enumerate(groupby(self._points, key=lambda point: point.firmware)):
            last = first + len(list(points)) - 1
            left, right = self._x(first - 0.5), self._x(last + 0.5)
            if number % 2:
                self._drawing.box(left, top, right, bottom, class_="firmware", fill_opacity="0.07")
            most = int((right - left) / text_width("m", _SMALL))
            name = firmware or "–"
            if most > 1:
                shown = name if len(name) <= most else f"{name[: most - 1]}…"
                self._drawing.text(
                    (left + right) / 2, bottom + 15, shown, text_anchor="middle", font_size=_SMALL
                )
            first = last + 1

    def _limits(self, y: AxisScale, *, limits: bool) -> None:
        if not limits:
            self._limit(_LEFT, _RIGHT, y(0.0))
            return
        for limit_s, group in groupby(enumerate(self._points), key=lambda item: _rounded(item[1].limit_s)):
            places = [index for index, _ in group]
            if limit_s is not None:
                self._limit(self._x(places[0] - 0.5), self._x(places[-1] + 0.5), y(limit_s))

    def _limit(self, left: float, right: float, y: float) -> None:
        look = {"class_": "limit", "stroke": GREEN, "stroke_width": "1.5", "stroke_dasharray": "7 3"}
        self._drawing.line(left, y, right, y, **look)

    def _run(
        self, x: float, y: AxisScale, point: Point, pair: tuple[float, float] | None, *, none: float
    ) -> None:
        """Draw a run: a bar over what is possible, and its verdict; without a value the verdict stands in the lane."""
        drawing = self._drawing
        if pair is None:
            self._verdict(x, none, point)
            return
        high, low = y(pair[1]), y(pair[0])
        middle, half = (high + low) / 2, max(_THINNEST_PX, low - high) / 2
        width = max(1.5, min(3.0, self._slot / 3))
        drawing.box(
            x - width, middle - half, x + width, middle + half, class_="run", fill=BLUE, fill_opacity="0.7"
        )
        self._verdict(x, middle, point)

    def _verdict(self, x: float, y: float, point: Point) -> None:
        """Mark a verdict by a shape: a dot, a cross or an open square."""
        drawing, mark = self._drawing, max(2.0, min(_MARK, self._slot / 3))
        match point.verdict:
            case Verdict.PASS:
                drawing.mark("circle", None, cx=x, cy=y, r=mark * 0.6, class_="pass")
            case Verdict.FAIL:
                left, right, top, bottom = x - mark, x + mark, y - mark, y + mark
                path = f"M{left:.1f} {top:.1f}L{right:.1f} {bottom:.1f}M{right:.1f} {top:.1f}L{left:.1f} {bottom:.1f}"
                drawing.mark("path", None, d=path, stroke=RED, stroke_width=2.2, fill="none", class_="fail")
            case Verdict.INCONCLUSIVE:
                drawing.box(
                    x - mark, y - mark, x + mark, y + mark, fill="none", stroke="currentColor", class_="open"
                )


def _version(firmware: str, points: list[Point]) -> Version:
    times = [point.response_s for point in points if point.response_s is not None]
    margins = [point.margin for point in points if point.margin is not None]
    return Version(
        firmware,
        Counter(str(point.verdict) for point in points),
        (min(t.earliest_s for t in times), max(t.latest_s for t in times)) if times else None,
        (min(m.low for m in margins), max(m.high for m in margins)) if margins else None,
    )


def _rounded(limit_s: float | None) -> float | None:
    return None if limit_s is None else round(limit_s, 3)
