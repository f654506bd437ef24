"""One signal agrees with another that it may lag behind: decided over the envelopes of both (pure)."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from itertools import combinations
from typing import NamedTuple, final

from ventproof.drives.base import JudgedTime
from ventproof.drives.formulas import AgreesFormula
from ventproof.envelope.spans import EPS, EPS_S, INF, Piece
from ventproof.verdict.finding import Bounds, Verdict
from ventproof_bench.base.evidence import Window


class _Line(NamedTuple):
    """Straight over a span: its value at the begin, and at the end."""

    begin: float
    end: float


def _on(piece: Piece, from_s: float, to_s: float) -> tuple[_Line, _Line]:
    """Return the lower and the upper bound of a piece over a part of it."""
    t0, l0, u0, t1, l1, u1 = piece
    if -INF in {l0, l1} or INF in {u0, u1} or t0 == -INF:
        return _Line(-INF, -INF), _Line(INF, INF)
    if t1 <= t0:
        return _Line(l0, l1), _Line(u0, u1)
    x, y = (from_s - t0) / (t1 - t0), (to_s - t0) / (t1 - t0)
    low = _Line(l0 + (l1 - l0) * x, l0 + (l1 - l0) * y)
    return low, _Line(u0 + (u1 - u0) * x, u0 + (u1 - u0) * y)


def _least(line: _Line, below: Iterable[_Line]) -> tuple[float, float]:
    """Return the least of max(below) - line over a span, and where it is, from 0 to 1."""
    tops = [top for top in below if top.begin > -INF]
    if not tops or line.end == INF:
        return -INF, 0.0
    if any(top.begin == INF for top in tops) or line.end == -INF:
        return INF, 0.0
    places = [0.0, 1.0]
    for one, other in combinations(tops, 2):
        at_begin, at_end = one.begin - other.begin, one.end - other.end
        if at_begin * at_end < 0:
            places.append(at_begin / (at_begin - at_end))
    # The greatest of lines less a line is convex: it is least at an end, or where two of the lines meet.
    return min((max(_at(top, place) for top in tops) - _at(line, place), place) for place in places)


def _at(line: _Line, place: float) -> float:
    return line.begin + (line.end - line.begin) * place


@final
class AgreementDecider:
    """G m - tolerance <= x <= M + tolerance, over the last `lag_s` of y.

    M is at least the greatest lower bound of y in that time and at most the greatest upper bound; m alike. Between two
    corners of what bounds x, y and y so long ago, these are the greatest of straight lines, so all is exact.

    Attributes:
        judged: the time that is judged.
        verdict: None while undecided.
        low, high: the margin at its worst, wherever it may be judged, and at its best, wherever it is.
        worst_s: where it is at its worst at best: when it failed.
    """

    __slots__ = (
        *("_lag_s", "_tolerance", "_xs", "_ys", "at_s", "formula", "high", "judged", "low", "verdict"),
        *("worst_s", "y_high", "y_low"),
    )

    def __init__(self, formula: AgreesFormula, stimulus: Window) -> None:
        self.formula = formula
        self.judged = JudgedTime.of(stimulus, formula.for_s)
        self.verdict: Verdict | None = None
        self._tolerance, self._lag_s = formula.tolerance, formula.lag_s
        self._xs: deque[Piece] = deque()
        self._ys: deque[Piece] = deque()
        self.at_s = self.judged.s1  # up to here it is judged
        self.low, self.high, self.worst_s = INF, INF, self.judged.s1
        self.y_low, self.y_high = INF, -INF  # the least upper and the greatest lower bound of y

    def take(self, x: Iterable[Piece], y: Iterable[Piece]) -> None:
        """Take the next pieces of either envelope; those of each come in order and, but for withdrawn ones, on end."""
        for known, pieces in ((self._xs, x), (self._ys, y)):
            for piece in pieces:
                last_s = known[-1].t1 if known else -INF
                if piece.t0 > last_s + EPS_S:
                    known.append(Piece(last_s, -INF, INF, piece.t0, -INF, INF))
                known.append(piece)
        if self.verdict is None:
            self._go_on()

    def finish(self) -> None:
        """Nothing more will come."""
        if self.verdict is None:
            unknown = Piece(-INF, -INF, INF, INF, -INF, INF)
            for known in (self._xs, self._ys):
                known.append(unknown._replace(t0=known[-1].t1 if known else -INF))
            self._go_on()
        if self.verdict is None:
            never = self.judged.end_s < self.judged.s1
            kept = self.low >= -EPS and self.at_s >= self.judged.end_s
            self.verdict = Verdict.PASS if kept or never else Verdict.INCONCLUSIVE

    @property
    def margin(self) -> Bounds | None:
        """The margin at its worst and at its best, in the signals' unit; None where nothing bounds it."""
        bounded = -INF < self.low < INF and self.high < INF
        return Bounds(min(self.low, self.high), self.high) if bounded else None

    @property
    def moved(self) -> bool:
        """Whether y came so far that no value of x that stands agreed with it all the time."""
        return self.y_high - self.y_low > 2 * self._tolerance + EPS

    def _go_on(self) -> None:
        """Judge up to where both are known."""
        if not self._xs or not self._ys:
            return
        to_s = min(self._xs[-1].t1, self._ys[-1].t1, self.judged.end_s)
        while self.at_s < to_s and self.verdict is None:
            end_s = min(to_s, self._corner_s())
            self._span(self.at_s, end_s)
            self.at_s = end_s
            while len(self._xs) > 1 and self._xs[0].t1 <= end_s:
                self._xs.popleft()
            while len(self._ys) > 1 and self._ys[0].t1 < end_s - self._lag_s - EPS_S:
                self._ys.popleft()
        if self.verdict is None and self.at_s >= self.judged.end_s:
            self.verdict = Verdict.PASS if self.low >= -EPS else Verdict.INCONCLUSIVE

    def _corner_s(self) -> float:
        """Return the next instant at which anything changes its course."""
        judged, at_s = self.judged, self.at_s
        corners = [judged.s2, judged.last_s, judged.end_s]
        corners += [next((piece.t1 for piece in self._xs if piece.t1 > at_s), INF)]
        for later_s in {0.0, self._lag_s}:
            corners += [next((p.t1 + later_s for p in self._ys if p.t1 + later_s > at_s), INF)]
        return min(corner for corner in corners if corner > at_s)

    def _span(self, from_s: float, to_s: float) -> None:
        """Judge a span in which all bounds are straight."""
        x_low, x_high = _on(next(p for p in self._xs if p.t1 > from_s), from_s, to_s)
        lines, lows, highs = self._window(from_s, to_s)
        low_lines, high_lines = [low for low, _ in lines], [high for _, high in lines]
        least_low, greatest_low = _level(min(lows, default=INF)), _level(max(lows, default=-INF))
        least_high, greatest_high = _level(min(highs, default=INF)), _level(max(highs, default=-INF))
        above, _ = _least(x_high, [*low_lines, greatest_low])
        below, _ = _least(*_turned(x_low, [*high_lines, least_high]))
        self.low = min(self.low, above + self._tolerance, below + self._tolerance)
        if self.judged.surely_has(from_s, to_s):
            above, place = _least(x_low, [*high_lines, greatest_high])
            below, other_place = _least(*_turned(x_high, [*low_lines, least_low]))
            best, place = min((above, place), (below, other_place))
            if best + self._tolerance < self.high:
                self.high, self.worst_s = best + self._tolerance, from_s + (to_s - from_s) * place
            low, high = lines[-1]
            self.y_low = min(self.y_low, high.begin, high.end)
            self.y_high = max(self.y_high, low.begin, low.end)
            if self.high < -EPS:
                self.verdict = Verdict.FAIL

    def _window(
        self, from_s: float, to_s: float
    ) -> tuple[list[tuple[_Line, _Line]], list[float], list[float]]:
        """Return the bounds of y in the last `lag_s` before each instant of a span.

        Those at the begin and at the end of that time go with it, as lines, the end's last; all in between that belong
        to the whole span are levels, the lower and the upper ones.
        """
        lines: list[tuple[_Line, _Line]] = []
        lows: list[float] = []
        highs: list[float] = []
        lag_s = self._lag_s
        for piece in self._ys:
            t0, l0, u0, t1, l1, u1 = piece
            if t0 > from_s or t1 < from_s - lag_s:
                continue
            if t0 >= to_s - lag_s and t1 <= from_s:
                lows += (l0, l1)
                highs += (u0, u1)
                continue
            if lag_s and t0 <= from_s - lag_s < t1:
                lines.append(_on(piece, from_s - lag_s, to_s - lag_s))
            begin_s, end_s = max(t0, to_s - lag_s), min(t1, from_s)
            if begin_s <= end_s:
                low, high = _on(piece, begin_s, end_s)
                lows += low
                highs += high
            if t0 <= from_s < t1:
                lines.append(_on(piece, from_s, to_s))
        return lines, lows, highs


def _level(value: float) -> _Line:
    return _Line(value, value)


def _turned(line: _Line, lines: Iterable[_Line]) -> tuple[_Line, list[_Line]]:
    """Return what makes of the least of line - min(lines) the least of max(lines) - line."""
    turned = [_Line(-one.begin, -one.end) for one in (line, *lines)]
    return turned[0], turned[1:]
