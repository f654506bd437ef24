"""The envelope of a position that is reckoned from contacts: its pieces hold every vent that could be."""

from __future__ import annotations

import random
from bisect import bisect_right
from itertools import pairwise

import pytest
from judge_contacts import contacts_case

from ventproof.envelope.spans import clip
from ventproof.judge.trace import SignalTrace
from ventproof_bench.base.evidence import Gap, Sample
from ventproof_bench.plant.contacts import ReckonedTraits, packed
from ventproof_bench.plant.reckoned import TravelRange

TRAVEL = TravelRange(open_s=(50.0, 52.0), close_s=(40.0, 41.0))


def traits(known_at: tuple[float, ...] = (), travel: TravelRange = TRAVEL) -> ReckonedTraits:
    """Return what is declared of a vent with such flags."""
    return ReckonedTraits(
        name="roof_vent",
        unit="%",
        rate_per_s=2.5,
        keeps_for_s=0.3,
        travel=travel,
        flags=("opens", "closes", "shut", "wide")[: 2 + len(known_at)],
        known_at=known_at,
    )


def read(trace: SignalTrace, from_s: float, to_s: float, *bits: int) -> None:
    """Read the same contacts and flags every 0.1 s."""
    for i in range(round((to_s - from_s) / 0.1)):
        trace.observe(Sample(packed([bool(bit) for bit in bits]), from_s + i * 0.1, from_s + i * 0.1 + 0.01))


def remembering(*args: object) -> SignalTrace:
    """Return a trace that keeps everything."""
    trace = SignalTrace(traits(*args))  # type: ignore[arg-type]
    trace.remember_from(-1e9)
    return trace


@pytest.mark.parametrize("first", range(0, 120, 40))
def test_the_true_vent_is_never_outside(first: int) -> None:
    """Ranges, windows, refresh, lost and late replies, connections lost: always inside, and never a hole."""
    for seed in range(first, first + 40):
        one = contacts_case(seed)
        trace = SignalTrace(one.traits)
        trace.remember_from(-1e9)
        for item in one.evidence:
            (trace.observe if isinstance(item, Sample) else trace.gap)(item)  # type: ignore[operator]
        pieces = trace.pieces(one.truth.ts[-1])
        assert all(a.t1 == b.t0 for a, b in pairwise(pieces)), seed
        r = random.Random(seed)
        for t_s in (r.uniform(pieces[0].t0, pieces[-1].t1) for _ in range(100)):
            part = clip(pieces[bisect_right(pieces, t_s, key=lambda p: p.t0) - 1], t_s, t_s)
            assert part is not None
            assert part.l0 - 1e-6 <= one.truth.at(t_s) <= part.u0 + 1e-6, (seed, t_s)


def test_a_full_run_tells_where_it_is_and_a_run_from_there_how_far() -> None:
    """Closed for 41 s it is shut; opened for 10 s it is where the fastest and the slowest come to."""
    trace = remembering()
    read(trace, 0.0, 42.0, 0, 1)
    read(trace, 42.0, 43.0, 0, 0)
    assert trace.bounds_at(42.5) == (0.0, 0.0)
    read(trace, 43.0, 53.0, 1, 0)
    read(trace, 53.0, 60.0, 0, 0)
    low, high = trace.bounds_at(58.0)
    # Two edges, each seen within 0.11 s: the window of both polls.
    assert low == pytest.approx((10.0 - 0.11) / 52 * 100, abs=0.25)
    assert high == pytest.approx((10.0 + 0.11) / 50 * 100, abs=0.25)


def test_lost_replies_open_it_both_ways_and_short_ones_do_not() -> None:
    """Within the time that a contact keeps its state nothing is lost; beyond, it may have gone at full rate."""
    trace = remembering((0.0,))
    read(trace, 0.0, 1.0, 0, 0, 1)
    trace.gap(Gap("io", 0.91, 1.1, "timeout"))
    read(trace, 1.1, 2.0, 0, 0, 1)
    assert trace.bounds_at(1.0) == (0.0, 0.0)
    trace.gap(Gap("io", 2.0, 5.0, "timeout"))
    read(trace, 5.0, 6.0, 0, 0, 0)
    assert trace.bounds_at(4.0)[1] == pytest.approx(2.0 * (4.0 - 1.91), abs=0.3)


def test_a_lost_connection_opens_it_however_short() -> None:
    """Whatever ended the connection may have let a contact go for less than it keeps its state otherwise."""
    trace = remembering((0.0,))
    read(trace, 0.0, 1.0, 0, 0, 1)
    trace.gap(Gap("io", 0.91, 1.0, "disconnected"))
    read(trace, 1.0, 2.0, 0, 0, 0)
    assert 0.0 < trace.bounds_at(1.5)[1] < 0.6


def test_withdrawn_readings_leave_it_unknown_until_it_is_found_again() -> None:
    """What was read meanwhile may be older than it seems; a flag tells where it is afterwards."""
    trace = remembering((0.0,))
    read(trace, 0.0, 2.0, 0, 0, 1)
    trace.withdraw(Gap("io", 1.5, 2.1, "withdrawn"))
    read(trace, 2.2, 3.0, 0, 0, 0)
    assert trace.bounds_at(2.8) == (0.0, 100.0)
    read(trace, 3.0, 4.0, 0, 0, 1)
    assert trace.bounds_at(3.8) == (0.0, 0.0)


def test_end_switches_alone_tell_what_they_tell() -> None:
    """With run times that are next to unknown both ends are known, and between them nothing is."""
    wide = TravelRange(open_s=(10.0, 500.0), close_s=(10.0, 500.0))
    trace = remembering((0.0, 100.0), wide)
    read(trace, 0.0, 5.0, 0, 0, 1, 0)
    assert trace.bounds_at(4.0) == (0.0, 0.0)
    read(trace, 5.0, 30.0, 1, 0, 0, 0)
    low, high = trace.bounds_at(25.0)
    assert (low < 5.0, high) == (True, 100.0)
    read(trace, 30.0, 35.0, 0, 0, 0, 1)
    assert trace.bounds_at(34.0) == (100.0, 100.0)
