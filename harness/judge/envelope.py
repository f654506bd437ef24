"""From readings to an envelope: between which bounds the truth was, at every moment (pure).

Three kinds. `Cones`: a declared rate bounds how far the truth moved since and until each reading. `Pairs`:
a flag or state that keeps its values, or a counter that only counts up, has one of two values between
neighbouring readings. `Polyline`: the readings as they stand, joined by straight lines. All emit the same
pieces, in order and without holes.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from typing import Final, Protocol, final

from bench.errors import EvidenceError
from bench.samples import Sample, SignalTraits
from harness.judge.spans import EPS, INF, Piece

_MOST_OPEN_NODES: Final = 8
"""Readings later than this sharpen no node any more: a bound on cost and delay, not on soundness."""


class Envelope(Protocol):
    """Turns readings into pieces."""

    continuous: bool
    """Whether the truth cannot jump: it passes every value between two of its values."""

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Take one reading; return the pieces that no later reading will sharpen.

        Args:
            sample: the reading.
            fresh: something happened since the reading before that only a rate may bridge.

        Raises:
            EvidenceError: the readings contradict what was declared of the signal.
        """
        ...

    def provisional(self, until_s: float) -> list[Piece]:
        """Return the pieces after the last final one, up to `until_s`, as they stand now."""
        ...

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return what `piece` says of the time between `from_s` and its own begin."""
        ...


@final
class _Node:
    """One reading's middle instant, the bounds there, and which readings gave them."""

    __slots__ = ("high", "high_of", "low", "low_of", "m")

    def __init__(self, m: float, low: float, high: float, sample: Sample) -> None:
        self.m = m
        self.low = low
        self.high = high
        self.low_of = sample
        self.high_of = sample


@final
class Cones:
    """The intersection of the cones of all readings of a signal whose rate is bounded.

    A reading v that the unit took at an unknown instant of [a, b], refresh age included, says of any moment
    t that the truth is within v ± (error + rate * max(|t - a|, |t - b|)). With m the middle and h half the
    length of [a, b] that is v ± (error + rate * h + rate * |t - m|), so bounds at the middles say
    everything, and all slopes are ± rate.
    """

    continuous = True

    def __init__(self, traits: SignalTraits, rate_per_s: float) -> None:
        self._traits = traits
        self._rate = rate_per_s
        self._open: deque[_Node] = deque()

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:  # noqa: ARG002 - cones bridge everything
        """Intersect with one more cone; a node is final when no later cone can reach it."""
        rate, nodes = self._rate, self._open
        a, b = sample.requested_s - self._traits.refreshed_every_s, sample.replied_s
        m, reach = (a + b) / 2, self._traits.error + rate * (b - a) / 2
        node = _Node(m, sample.value - reach, sample.value + reach, sample)
        if nodes:
            self._carry_forward(nodes[-1], node)
        self._carry_back(node)
        nodes.append(node)
        pieces: list[Piece] = []
        while len(nodes) > 1:
            oldest, second = nodes[0], nodes[1]
            carried = rate * (m - second.m)
            # What sharpens a node later comes through the one after it: the second being final is enough.
            settled = node.high - carried <= second.low and node.low + carried >= second.high
            if not settled and len(nodes) <= _MOST_OPEN_NODES:
                break
            self._between(oldest, second, pieces)
            nodes.popleft()
        return pieces

    def provisional(self, until_s: float) -> list[Piece]:
        """Return the pieces between the open nodes, and the open cone after the last one."""
        pieces: list[Piece] = []
        nodes = list(self._open)
        for left, right in pairwise(nodes):
            self._between(left, right, pieces)
        if nodes and until_s > nodes[-1].m:
            last, grown = nodes[-1], self._rate * (until_s - nodes[-1].m)
            pieces.append(Piece(last.m, last.low, last.high, until_s, last.low - grown, last.high + grown))
        return pieces

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return the open cone back from a piece's begin."""
        t0, l0, u0, *_ = piece
        grown = self._rate * (t0 - from_s)
        return Piece(from_s, l0 - grown, u0 + grown, t0, l0, u0)

    def alone(self, t_s: float) -> Piece | None:
        """Return what the open nodes say of a moment before all of them."""
        if not self._open:
            return None
        node, grown = self._open[0], self._rate * abs(self._open[0].m - t_s)
        return Piece(t_s, node.low - grown, node.high + grown, t_s, node.low - grown, node.high + grown)

    def _carry_forward(self, last: _Node, node: _Node) -> None:
        carried = self._rate * (node.m - last.m)
        if last.low - carried > node.low:
            node.low, node.low_of = last.low - carried, last.low_of
        if last.high + carried < node.high:
            node.high, node.high_of = last.high + carried, last.high_of
        if node.low > node.high + EPS:
            raise self._contradiction(node)

    def _carry_back(self, node: _Node) -> None:
        for old in reversed(self._open):
            carried = self._rate * (node.m - old.m)
            low, high = node.low - carried, node.high + carried
            if low <= old.low and high >= old.high:
                break
            if low > old.low:
                old.low, old.low_of = low, node.low_of
            if high < old.high:
                old.high, old.high_of = high, node.high_of

    def _between(self, left: _Node, right: _Node, pieces: list[Piece]) -> None:
        t0, l0, u0, t1, l1, u1 = left.m, left.low, left.high, right.m, right.low, right.high
        if t1 <= t0:
            return
        rate = self._rate
        swing = rate * (t1 - t0)
        if swing <= EPS:
            pieces.append(Piece(t0, l0, u0, t1, l1, u1))
            return
        middle, slope = (t0 + t1) / 2, 2 * rate
        dip = min(t1, max(t0, middle + (l0 - l1) / slope))
        peak = min(t1, max(t0, middle + (u1 - u0) / slope))
        first, second = (dip, peak) if dip <= peak else (peak, dip)
        t, low, high = t0, l0, u0
        for at in (first, second):
            if at - t > 1e-12 and t1 - at > 1e-12:  # noqa: PLR2004 - shorter than the float grid of loop time
                next_low = max(l0 - rate * (at - t0), l1 - rate * (t1 - at))
                next_high = min(u0 + rate * (at - t0), u1 + rate * (t1 - at))
                pieces.append(Piece(t, low, high, at, next_low, next_high))
                t, low, high = at, next_low, next_high
        pieces.append(Piece(t, low, high, t1, l1, u1))

    def _contradiction(self, node: _Node) -> EvidenceError:
        first, second = sorted((node.low_of, node.high_of), key=lambda sample: sample.replied_s)
        traits = self._traits
        apart = abs(second.value - first.value) - 2 * traits.error
        most_s = second.replied_s - first.requested_s + traits.refreshed_every_s
        needed = apart / most_s if most_s > 0 else INF
        travel = f"full_travel of {100 / needed:.3g} s or less" if traits.unit == "%" and needed < INF else ""
        return EvidenceError(
            f"{traits.name} read {_read(first, traits)} and then {_read(second, traits)}: faster than the "
            f"declared {self._rate:.4g} {traits.unit}/s; "
            f"declare {travel or f'a rate of at least {needed:.4g}'}, "
            f"or a larger error if the readings are that coarse"
        )


def _read(sample: Sample, traits: SignalTraits) -> str:
    value = f"{sample.value:.10g}" + (
        f" {traits.unit}" if traits.unit not in {"flag", "state", "count"} else ""
    )
    return f"{value} (bench clock {sample.requested_s:.3f} to {sample.replied_s:.3f} s)"


@final
class Pairs:
    """What neighbouring readings say of the time between them.

    Between two readings whose windows together span less than the time for which a value is kept there was
    at most one change, so the truth was one of the two readings; of a counter, which only counts up, it was
    between them. Otherwise nothing is known.
    """

    continuous = False

    def __init__(
        self, traits: SignalTraits, *, always_known: bool, instants: bool, check: bool = True
    ) -> None:
        self._traits = traits
        self._keeps_s = INF if always_known else traits.keeps_for_s or 0.0
        self._check = traits.keeps_for_s if check and not (always_known or instants) else None
        self._instants = instants
        self._last: tuple[float, float, float] | None = None  # value, a, b
        self._pairs: deque[tuple[float, float, float]] = deque()  # until b, low, high
        self._run_from: Sample | None = None  # the reading before the present run of equal values
        self._last_sample: Sample | None = None

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Close the span before the new reading's earliest instant."""
        a, b = sample.requested_s - self._traits.refreshed_every_s, sample.replied_s
        if self._instants:
            a = b = (sample.requested_s + sample.replied_s) / 2
        self._check_kept(sample, fresh=fresh)
        pieces: list[Piece] = []
        if self._last is not None:
            value, last_a, _ = self._last
            known = b - last_a < self._keeps_s and not fresh
            low, high = (min(value, sample.value), max(value, sample.value)) if known else (-INF, INF)
            while self._pairs and self._pairs[0][0] <= last_a:
                self._pairs.popleft()
            self._pairs.append((b, low, high))
            pieces = self._pieces(last_a, a)
        self._last = (sample.value, a, b)
        return pieces

    def provisional(self, until_s: float) -> list[Piece]:
        """Return what is known after the last final piece: nothing."""
        if self._last is None or until_s <= self._last[1]:
            return []
        return [Piece(self._last[1], -INF, INF, until_s, -INF, INF)]

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return what is known before a piece: nothing."""
        return Piece(from_s, -INF, INF, piece.t0, -INF, INF)

    def _pieces(self, t0: float, t1: float) -> list[Piece]:
        """Return the bounds over [t0, t1]: at t every pair counts whose windows contain t."""
        pairs = self._pairs
        low, high = min(pair[1] for pair in pairs), max(pair[2] for pair in pairs)
        if t1 <= t0:
            return []
        pieces: list[Piece] = []
        if any(pair[1] != low or pair[2] != high for pair in pairs):
            waiting = sorted(pairs)
            while waiting and waiting[0][0] < t1:
                low, high = min(pair[1] for pair in waiting), max(pair[2] for pair in waiting)
                end = waiting.pop(0)[0]
                if end > t0:
                    pieces.append(Piece(t0, low, high, end, low, high))
                    t0 = end
            low, high = min(pair[1] for pair in waiting), max(pair[2] for pair in waiting)
        if t1 > t0:
            pieces.append(Piece(t0, low, high, t1, low, high))
        return pieces

    def _check_kept(self, sample: Sample, *, fresh: bool) -> None:
        last, self._last_sample = self._last_sample, sample
        if fresh:
            self._run_from = None
        elif last is not None and last.value != sample.value:
            before, self._run_from = self._run_from, last
            if before is None or self._check is None:
                return
            traits = self._traits
            most_s = sample.replied_s - before.requested_s + traits.refreshed_every_s
            if most_s < self._check:
                raise EvidenceError(
                    f"{traits.name} read {_read(last, traits)} between {_read(before, traits)} and "
                    f"{_read(sample, traits)}: kept for less than {most_s:.3g} s where keeps_for declares "
                    f"{self._check:.3g} s; declare a shorter keeps_for"
                )


@final
class Polyline:
    """Readings as they stand, at the middle of their polls, joined by lines; a gap is not bridged."""

    continuous = True

    def __init__(self) -> None:
        self._last: tuple[float, float] | None = None

    def observe(self, sample: Sample, *, fresh: bool) -> list[Piece]:
        """Join the new reading to the one before."""
        t1, value = (sample.requested_s + sample.replied_s) / 2, sample.value
        last, self._last = self._last, (t1, value)
        if last is None or t1 <= last[0]:
            return []
        if fresh:
            return [Piece(last[0], -INF, INF, t1, -INF, INF)]
        return [Piece(last[0], last[1], last[1], t1, value, value)]

    def provisional(self, until_s: float) -> list[Piece]:
        """Return what is known after the last reading: nothing."""
        if self._last is None or until_s <= self._last[0]:
            return []
        return [Piece(self._last[0], -INF, INF, until_s, -INF, INF)]

    def before(self, piece: Piece, from_s: float) -> Piece:
        """Return what is known before the first reading: nothing."""
        return Piece(from_s, -INF, INF, piece.t0, -INF, INF)
