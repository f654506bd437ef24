"""The envelope of a register that jumps to its reference: it holds the register's value, and is no wider than due."""

from __future__ import annotations

import random
from bisect import bisect_right
from dataclasses import replace
from itertools import pairwise

import pytest
from judge_jumps import jumps_case

from ventproof.envelope.spans import Piece, clip
from ventproof.judge.trace import SignalTrace
from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.evidence import Sample, SignalTraits

TOLD = SignalTraits(
    name="told",
    unit="%",
    error=0.05,
    step=0.1,
    rate_per_s=100 / 54,
    jumps_to=(0.0, 100.0),
    jumps_by=5.0,
)


def pieces_of(traits: SignalTraits, samples: list[Sample], until_s: float) -> list[Piece]:
    """Return the whole envelope."""
    trace = SignalTrace(traits)
    trace.remember_from(-1e9)
    for sample in samples:
        trace.observe(sample)
    return trace.pieces(until_s)


def at(pieces: list[Piece], t_s: float) -> tuple[float, float]:
    """Return the bounds at an instant."""
    piece = clip(pieces[bisect_right(pieces, t_s, key=lambda p: p.t0) - 1], t_s, t_s)
    assert piece is not None
    return piece.l0, piece.u0


def closing(stops_at: float) -> list[Sample]:
    """Read a vent that closes from 20 %, stops in the unit's belief, and is set to 0 % at 15 s; then it stands."""
    rows = [(i * 0.1, max(stops_at, 20.0 - 1.8 * i * 0.1)) for i in range(150)]
    rows += [(i * 0.1, 0.0) for i in range(150, 600)]
    return [Sample(round(x, 1), t, t + 0.02) for t, x in rows]


@pytest.mark.parametrize("first", range(0, 300, 100))
def test_the_envelope_holds_the_register_however_it_jumps(first: int) -> None:
    """Polls with windows, refresh, lost and late replies, jumps one after the other: never outside, never a hole."""
    for seed in range(first, first + 100):
        one = jumps_case(seed)
        samples = [item for item in one.evidence if isinstance(item, Sample)]
        pieces = pieces_of(one.traits, samples, samples[-1].replied_s + 3.0)
        assert all(a.t1 == b.t0 for a, b in pairwise(pieces)), seed
        r = random.Random(seed)
        for t_s in (r.uniform(pieces[0].t0, pieces[-1].t1) for _ in range(100)):
            low, high = at(pieces, t_s)
            assert low - 1e-6 <= one.truth.at(t_s) <= high + 1e-6, (seed, t_s)


def test_what_was_before_the_first_reading_may_have_jumped_too() -> None:
    """Before a reading near an end the register may have been as far from it as it jumps."""
    trace = SignalTrace(TOLD)
    trace.remember_from(-10.0)
    for i in range(20):
        trace.observe(Sample(0.0, i * 0.1, i * 0.1))
    piece = trace.pieces(1.0)[0]
    envelope = trace._envelope
    assert envelope.before(piece, -1.0).u0 >= 5.0


def test_a_jump_to_an_end_is_no_contradiction_and_one_that_is_too_far_is() -> None:
    """From 4.9 % to 0 % within one poll: declared by 5 %; from 6 % it is not."""
    pieces = pieces_of(TOLD, closing(4.9), 59.0)
    assert at(pieces, 14.0) == pytest.approx((4.9, 4.9), abs=0.4)
    assert at(pieces, 16.0) == pytest.approx((0.0, 0.0), abs=0.4)
    with pytest.raises(EvidenceError, match=r"finds its reference at 0 %, declare jumps_by of 6 % or more"):
        pieces_of(TOLD, closing(6.0), 59.0)


def test_a_jump_that_is_not_declared_names_the_words_that_would_declare_it() -> None:
    """At an end of its range a jump has this cure; a jump elsewhere, or a far one, is none."""
    plain = replace(TOLD, jumps_to=(), jumps_by=0.0)
    cure = r"declare jumps_to: \[0 %, 100 %\] and jumps_by of 3 % or more\. If the register"
    with pytest.raises(EvidenceError, match=cure):
        pieces_of(plain, closing(3.0), 59.0)
    for values in ((99.0, 0.0), (50.0, 47.0)):
        samples = [Sample(value, t_s, t_s) for value, t_s in zip(values, (0.0, 0.1), strict=True)]
        with pytest.raises(EvidenceError) as caught:
            pieces_of(plain, samples, 1.0)
        assert "jumps" not in str(caught.value)


def test_it_is_hardly_wider_far_from_the_ends_and_less_than_twice_as_wide_at_them() -> None:
    """At 54 s travel, read every 0.1 s to 0.1 %: as the plain cones in the middle; 0.32 % becomes 0.55 % at the end."""
    widths = {}
    for name, traits in (("plain", replace(TOLD, jumps_to=(), jumps_by=0.0)), ("jumps", TOLD)):
        pieces = pieces_of(traits, closing(0.0), 58.0)
        for place, span in (("middle", (1.0, 5.0)), ("end", (30.0, 55.0))):
            inside = [p for p in pieces if span[0] < p.t0 and p.t1 < span[1]]
            widths[name, place] = max(max(p.u0 - p.l0, p.u1 - p.l1) for p in inside)
    assert widths["jumps", "middle"] == pytest.approx(widths["plain", "middle"])
    assert widths["plain", "end"] == pytest.approx(0.32, abs=0.02)
    assert widths["jumps", "end"] == pytest.approx(0.55, abs=0.02)
