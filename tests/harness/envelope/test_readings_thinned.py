"""Readings kept to be drawn: few of many, and nothing that they allow is left out of the picture."""

from __future__ import annotations

import random
from bisect import bisect_left

from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.envelope.spans import INF, clip
from ventproof.judge.trace import SignalTrace
from ventproof_bench.base.evidence import Sample, SignalTraits

VENT = SignalTraits(name="roof_vent", unit="%", error=0.5, step=0.1, rate_per_s=3.3)


def noisy(seed, count, *, moves):
    """Readings that stray by up to the error around a vent that stands, or travels to and fro."""
    rng = random.Random(seed)
    for number in range(count):
        t_s = number * 0.1
        true = 50 + 40 * abs((t_s / 50 + 0.5) % 2 - 1) if moves else 50.0
        yield Sample(round(true + rng.uniform(-0.4, 0.4), 1), t_s, t_s + 0.02)


def traced(samples, each):
    """Follow readings; with `each` 1 all of them are kept."""
    trace = SignalTrace(VENT)
    if each > 1:
        trace.draw(each)
    else:
        trace.remember_from(-INF)
    for sample in samples:
        trace.observe(sample)
    return trace


@given(st.integers(0, 99), st.integers(2, 40), st.booleans())
@settings(max_examples=12)
def test_thinned_pieces_contain_all_pieces_and_the_extremes_stay(seed, each, moves):
    """At each instant the band is no narrower than that of all readings; the lowest and highest reading are there."""
    samples = list(noisy(seed, 400, moves=moves))
    whole, thin = traced(samples, 1), traced(samples, each)
    bands = thin.pieces(39.0)
    for piece in whole.pieces(39.0):
        for t_s, low, high in ((piece.t0, piece.l0, piece.u0), (piece.t1, piece.l1, piece.u1)):
            at = bisect_left(bands, t_s, key=lambda band: band.t1)
            found = clip(bands[at], t_s, t_s)
            assert found.l0 <= low + 1e-9
            assert found.u0 >= high - 1e-9
    read = [one.sample for one in thin.arrived]
    assert read == sorted(read, key=lambda sample: sample.requested_s)
    values = {sample.value for sample in read}
    assert {min(s.value for s in samples), max(s.value for s in samples)} <= values


def test_what_is_kept_of_noise_does_not_grow_with_the_readings():
    """Of every forty readings two are left, and one piece, whether the vent stands or travels steadily."""
    for moves in (False, True):
        thin = traced(noisy(1, 4000, moves=moves), 40)
        assert len(thin.arrived) < 4000 / 15
        assert len(thin.pieces(400.0)) < 4000 / 10


def test_the_beginning_of_a_movement_is_kept_reading_by_reading():
    """A band over forty readings of which the first half stood would show a vent that began to move too early."""
    stood = [Sample(50.0, n * 0.1, n * 0.1 + 0.02) for n in range(20)]
    moved = [Sample(round(50 + 0.3 * n, 1), (19 + n) * 0.1, (19 + n) * 0.1 + 0.02) for n in range(1, 21)]
    assert len(traced([*stood, *moved], 40).arrived) == 40
