"""What margins say: how far beyond its limit a failed signal was, and no more of a hold than is true."""

from __future__ import annotations

import random

import numpy as np
import pytest

from ventproof.deciders import formulas as f
from ventproof.deciders import robustness
from ventproof.envelope.spans import INF, Corners, Piece, Track
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.evidence import Sample, SignalTraits, Window

VENT = SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=4.0)


@pytest.mark.parametrize("width_s", [0.0, 0.4])
def test_an_invariant_that_fails_at_its_first_reading_says_by_how_much(width_s: float) -> None:
    """A vent at 20 % that must stay below 8 % is 12 % beyond, give or take the error and what it moves."""
    trace = SignalTrace(VENT)
    watch = trace.watch(f.StaysFormula(None, 8.0, None), Window(1.0, 1.0 + width_s))
    for i in range(50):
        trace.observe(Sample(20.0, i * 0.1, i * 0.1 + 0.01))
    assert watch.ruling is not None
    assert watch.ruling.verdict is Verdict.FAIL
    margin = watch.ruling.margin
    assert margin is not None
    assert -12.25 - 4.0 * 0.2 <= margin.low <= -12.0 <= margin.high <= -11.75 + 1e-9


def test_readings_before_the_stimulus_do_not_deepen_a_failure() -> None:
    """A vent that came down from 99 % before it was held to 8 % fails by where it stood then."""
    trace = SignalTrace(VENT)
    trace.remember_from(0.0)
    for i in range(300):
        trace.observe(Sample(max(20.0, 99.0 - 0.38 * i), i * 0.1, i * 0.1 + 0.01))
    watch = trace.watch(f.StaysFormula(None, 8.0, None), Window(25.0, 25.0))
    assert watch.ruling is not None
    assert watch.ruling.margin is not None
    assert watch.ruling.margin.low >= -13.0


def test_readings_before_the_stimulus_do_not_deepen_an_arrival() -> None:
    """A vent that crossed the band before the stimulus and comes to its edge afterwards passes by that edge."""
    trace = SignalTrace(VENT)
    trace.remember_from(0.0)
    values = [50.0] * 20 + [50.0 - 0.3 * i for i in range(40)] + [38.0 + 0.3 * i for i in range(40)]
    for i, value in enumerate(values):
        trace.observe(Sample(value, i * 0.1, i * 0.1 + 0.01))
    watch = trace.watch(f.ReachesFormula(50.0, 2.0, 20.0), Window(5.0, 5.0))
    assert watch.ruling is not None
    assert watch.ruling.verdict is Verdict.PASS
    assert watch.ruling.margin is not None
    assert watch.ruling.margin.low < 0.5


def _tracks(r: random.Random) -> tuple[Track, list[float], list[float], list[float]]:
    """Return a random envelope without jumps, and its corners: instants, lower and upper bounds."""
    t = [0.0]
    while len(t) < r.randrange(2, 12):
        t.append(t[-1] + r.choice([0.1, 1.0, r.random() + 0.01]))
    bounds = [sorted((r.uniform(0, 10), r.uniform(0, 10))) for _ in t]
    low, high = [b[0] for b in bounds], [b[1] for b in bounds]
    corners = Corners(np.array(t), np.array(low), np.array(high))
    track = Track()
    if r.random() < 0.5:
        track.extend(corners)
    else:
        for piece in corners:
            track.append(piece)
    return track, t, low, high


def test_the_margin_of_a_hold_is_what_trying_many_starts_finds() -> None:
    """Worst and best over a fine grid of starts and of instants inside the hold, dips inside it included.

    The definition itself is evaluated: least over the hold of the distance from the band's edge, greatest over the
    starts (Donzé and Maler, FORMATS 2010).
    """
    for seed in range(150):
        r = random.Random(seed)
        track, t, low, high = _tracks(r)
        within, hold, tolerance = r.uniform(0, t[-1]), r.uniform(0.1, 3), r.uniform(0.5, 4)
        margin = robustness.reaches(track, 5.0, tolerance, (0.0, 0.0), within_s=within, hold_s=hold)
        last = min(within, t[-1] - hold)
        if margin is None:
            assert last < 0
            continue
        starts, inside = np.linspace(0, last, 500), np.linspace(0, hold, 200)
        at = starts[:, None] + inside[None, :]
        lower, upper = np.interp(at, t, low), np.interp(at, t, high)
        edge_low, edge_high = 5.0 - tolerance, 5.0 + tolerance
        worst = np.minimum(lower - edge_low, edge_high - upper).min(axis=1).max()
        best = np.minimum(np.minimum(upper - edge_low, edge_high - lower), tolerance).min(axis=1).max()
        # What a bound changes by between two points of the grids.
        slope = max(abs(np.diff(bound) / np.diff(t)).max() for bound in (low, high))
        coarse = slope * (hold / 199 + last / 499) + 1e-9
        assert margin.low == pytest.approx(worst, abs=coarse), seed
        assert margin.high == pytest.approx(best, abs=coarse), seed


def _with_holes(r: random.Random) -> list[Piece]:
    """Return pieces that jump where nothing was known for a while."""
    pieces, t, before = [], 0.0, (5.0, 5.0)
    while len(pieces) < 20:
        end = t + r.choice([0.1, 1.0, r.random() + 0.01])
        if r.random() < 0.15:
            pieces.append(Piece(t, -INF, INF, end, -INF, INF))
            before = (r.uniform(2, 5), r.uniform(5, 8))
        else:
            after = r.choice([before, (r.uniform(2, 5), r.uniform(5, 8))])
            pieces.append(Piece(t, *before, end, *after))
            before = after
        t = end
    return pieces


def test_the_margin_of_a_hold_between_holes_is_what_samples_say() -> None:
    """Of samples, none at a jump: a little longer hold is no better than the margin, a little shorter one no worse.

    The definition itself is evaluated (Donzé and Maler, FORMATS 2010).
    """
    step = 1e-3
    for seed in range(60):
        r = random.Random(seed)
        pieces = _with_holes(r)
        t = np.arange(0.37 * step, pieces[-1].t1, step)
        at = np.searchsorted([piece.t1 for piece in pieces], t)
        t0, l0, u0, t1, l1, u1 = np.array(pieces)[at].T
        x = (t - t0) / (t1 - t0)
        low, high = (1 - x) * l0 + x * l1, (1 - x) * u0 + x * u1
        within, hold, tolerance = r.uniform(0.5, t[-1] / 2), r.choice([0.1, 1.0, r.uniform(0.05, 3)]), 3.5
        margin = robustness.reaches(Track(pieces), 5.0, tolerance, (0.0, 0.0), within_s=within, hold_s=hold)
        worst = np.minimum(low - 1.5, 8.5 - high)
        best = np.minimum(np.minimum(high - 1.5, 8.5 - low), tolerance)
        slope = max(abs(p.l1 - p.l0) + abs(p.u1 - p.u0) for p in pieces if p.l0 > -INF) / 0.01

        def held(y: np.ndarray, more: int, hold: float = hold, within: float = within) -> float:
            windows = np.lib.stride_tricks.sliding_window_view(y, max(1, round(hold / step) + more))
            return float(windows[: round(within / step) - more].min(axis=1).max())

        assert margin is not None or held(worst, 3) == -INF, seed
        for y, found in zip((worst, best), margin or (), strict=False):
            assert held(y, 3) - slope * step <= found <= held(y, -3) + slope * step, seed


def test_a_margin_holds_what_comes_before_the_greatest_rate_could_leave_the_tolerance() -> None:
    """A vent that got 0.8 % away in 0.2 s, and came back, failed to move by 1 % by 0.2 %, not by more."""
    trace = SignalTrace(SignalTraits(name="roof_vent", unit="%", rate_per_s=4.0))
    watch = trace.watch(f.StartsMovingFormula(1.0, 2.0), Window(0.0, 0.0))
    for i in range(-4, 60):
        t = i * 0.05
        trace.observe(Sample(50.0 - 4.0 * max(0.0, min(t, 0.4 - t)), t, t))
    assert watch.ruling is not None
    assert watch.ruling.verdict is Verdict.FAIL
    assert watch.ruling.margin is not None
    assert watch.ruling.margin.high == pytest.approx(-0.2)
