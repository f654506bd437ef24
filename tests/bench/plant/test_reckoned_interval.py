"""The reckoned interval: it holds every vent that could be, is as narrow as it may be, and collapses at an end."""

from itertools import pairwise
from random import Random

import pytest
from hypothesis import given
from hypothesis import settings as drawing
from hypothesis import strategies as st

from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.evidence import Window
from ventproof_bench.plant.reckoned import ReckonedVent, TravelRange
from ventproof_bench.plant.vent import Vent, VentTravel

EXACT = TravelRange(open_s=(50.0, 50.0), close_s=(40.0, 40.0))


def instantly(name, travel, readings, until_s, *, keeps_for_s=10.0, known_at=()):
    """Return the bounds from readings that were taken in no time: (instant, opens, closes, flags)."""
    vent = ReckonedVent(name, travel, keeps_for_s=keeps_for_s, known_at=known_at)
    bounds = []
    for at_s, opens, closes, *known in readings:
        bounds += vent.observe(Window(at_s, at_s), opens=bool(opens), closes=bool(closes), known=known)
    return bounds + vent.provisional(until_s)


def at(bounds, t_s):
    """Return the interval at an instant that lies inside the bounds."""
    piece = next(piece for piece in bounds if piece.t0_s <= t_s <= piece.t1_s)
    part = (t_s - piece.t0_s) / (piece.t1_s - piece.t0_s)
    return (
        piece.low0 + (piece.low1 - piece.low0) * part,
        piece.high0 + (piece.high1 - piece.high0) * part,
    )


def every(from_s, to_s, opens, closes, *, step_s=1.0):
    """Return readings of contacts that stay, from an instant to before another."""
    return [(from_s + i * step_s, opens, closes) for i in range(round((to_s - from_s) / step_s))]


def test_nothing_is_known_until_a_full_run():
    """Anywhere at first; a closing run takes the highest down with it, and once it is home the vent is shut."""
    bounds = instantly("roof", EXACT, every(0, 60, 0, 1), 60.0)
    assert at(bounds, 0.0) == (0.0, 100.0)
    assert at(bounds, 20.0) == pytest.approx((0.0, 50.0))
    assert at(bounds, 40.0) == at(bounds, 50.0) == pytest.approx((0.0, 0.0))


def test_a_vent_may_be_on_its_way_when_it_is_read_first():
    """It may have been opening until then: its run-on and its dead time come before it closes."""
    travel = TravelRange(open_s=(50, 50), close_s=(40, 40), dead_time_s=(0.5, 0.5), coast_s=(1, 1))
    bounds = instantly("roof", travel, every(0, 60, 0, 1), 60.0)
    assert at(bounds, 1.5) == (0.0, 100.0)
    assert at(bounds, 21.5) == pytest.approx((0.0, 50.0))


def test_an_edge_between_two_readings_opens_the_interval_by_its_travel():
    """Told to open between two readings a second apart, it is 2 % apart; stopped likewise, 4 %."""
    readings = [*every(0, 60, 0, 1), *every(60, 70, 0, 0), *every(70, 80, 1, 0), *every(80, 100, 0, 0)]
    bounds = instantly("roof", EXACT, readings, 99.0)
    assert at(bounds, 65.0) == pytest.approx((0.0, 0.0))
    assert at(bounds, 75.0) == pytest.approx((10.0, 12.0))
    assert at(bounds, 90.0) == pytest.approx((18.0, 22.0))


def test_what_the_times_leave_open_opens_the_interval():
    """Dead time, rate, run-on and play by hand: an opening run of 10 s, then a closing run of 5 s, seen at once."""
    travel = TravelRange(
        open_s=(40.0, 50.0),
        close_s=(40.0, 50.0),
        dead_time_s=(0.2, 0.4),
        coast_s=(0.1, 0.3),
        play_percent=(1.0, 2.0),
    )
    step_s = 0.05
    readings = [*every(0, 100, 0, 1, step_s=step_s), *every(100, 110, 1, 0, step_s=step_s)]
    readings += [*every(110, 115, 0, 1, step_s=step_s), *every(115, 120, 0, 0, step_s=step_s)]
    bounds = instantly("roof", travel, readings, 120.0)
    edge = 0.1251  # the travel in 50 ms, and rounding
    low, high = (10 - 0.3 - 0.4 + 0.1) * 2 - 2, (10 - 0.1 - 0.2 + 0.3) * 2.5 - 1
    assert at(bounds, 110.3) == (pytest.approx(low, abs=2 * edge), pytest.approx(high, abs=2 * edge))
    low, high = low - (5 - 0.1 - 0.2 + 0.3) * 2.5 + 1, high - (5 - 0.3 - 0.4 + 0.1) * 2 + 1
    assert at(bounds, 116.0) == (pytest.approx(low, abs=4 * edge), pytest.approx(high, abs=4 * edge))


def test_a_full_run_closes_the_interval_at_either_end():
    """However wide what is known of times and play, after a full run of the slowest the vent is home."""
    travel = TravelRange(open_s=(30, 60), close_s=(30, 60), coast_s=(0, 1), play_percent=(0, 4))
    bounds = instantly("roof", travel, [*every(0, 70, 0, 1), *every(70, 140, 1, 0)], 139.0)
    assert at(bounds, 69.0) == (0.0, 0.0)
    assert at(bounds, 138.0) == (100.0, 100.0)


def test_it_opens_at_full_rate_where_contacts_could_do_anything():
    """Over a time without readings that is longer than a contact keeps its value both ways are possible."""
    readings = [*every(0, 60, 0, 1), *every(60, 80, 1, 0), *every(80, 85, 0, 0), *every(95, 99, 0, 0)]
    bounds = instantly("roof", EXACT, readings, 100.0, keeps_for_s=5.0)
    low, high = at(bounds, 84.0)
    assert at(bounds, 88.0) == pytest.approx((low - 10.0, high + 8.0))
    assert at(bounds, 95.0) == pytest.approx((low - 27.5, high + 22.0))
    assert at(bounds, 98.0) == pytest.approx(at(bounds, 95.0))
    assert at(bounds, 99.0) == pytest.approx((low - 30.0, high + 24.0))


def test_contacts_that_keep_nothing_leave_everything_open():
    """Without a time that a contact keeps its value nothing is ever known."""
    bounds = instantly("roof", EXACT, every(0, 60, 0, 1), 60.0, keeps_for_s=0.0)
    assert {(p.low0, p.high0, p.low1, p.high1) for p in bounds} == {(0.0, 100.0, 0.0, 100.0)}


def test_a_flag_says_where_the_vent_is():
    """A flag that is on at 40 % takes both ends of the interval there, but for what it may have moved since."""
    vent = ReckonedVent("roof", EXACT, keeps_for_s=10.0, known_at=(40.0,))
    bounds = vent.observe(Window(0.0, 0.1), opens=True, closes=False, known=[False])
    bounds += vent.observe(Window(1.0, 1.1), opens=True, closes=False, known=[True])
    bounds += vent.observe(Window(2.0, 2.1), opens=True, closes=False, known=[False])
    bounds += vent.observe(Window(3.0, 3.1), opens=True, closes=False, known=[False])
    assert at(bounds, 1.05) == (pytest.approx(2 * 0.95), 100.0)  # it may have begun to open at 0.1 s only
    assert at(bounds, 2.1) == pytest.approx((42.0, 42.2))


def test_a_flag_that_contradicts_the_contacts_is_no_evidence():
    """Fully closed by its contacts and at its open end by its flag: one of both is wrong."""
    vent = ReckonedVent("roof", EXACT, keeps_for_s=10.0, known_at=(100.0,))
    for second in range(60):
        vent.observe(Window(second, second), opens=False, closes=True, known=[False])
    vent.observe(Window(60.0, 60.1), opens=False, closes=True, known=[True])
    with pytest.raises(EvidenceError, match=r"roof: a flag puts the vent at 100 % at 60\.100 s"):
        vent.observe(Window(61.0, 61.1), opens=False, closes=True, known=[False])


@pytest.mark.parametrize("seed", range(20))
def test_the_interval_grows_by_no_more_than_its_causes(seed):
    """Each run: the travel in two windows, run time by the spread of rates, spreads of dead time, run-on and play.

    These causes are not set too high: after nine runs more than a quarter of what they allow is there.
    """
    random = Random(seed)
    slow_s = random.uniform(30, 180)
    fast_s = slow_s / random.choice((1.0, 1.05))
    dead_s, coast_s, play = (random.choice(((0.0, 0.0), (0.1, 0.3))) for _ in range(3))
    travel = TravelRange(
        open_s=(fast_s, slow_s),
        close_s=(fast_s, slow_s),
        dead_time_s=dead_s,
        coast_s=coast_s,
        play_percent=play,
    )
    reckoned, period_s, now_s, allowed = ReckonedVent("roof", travel, keeps_for_s=1.0), 0.1, 0.0, 0.0
    rate, slowest = 100 / fast_s, 100 / slow_s
    plan = [(1.2 * slow_s, False, True), (0.5 * fast_s, True, False)]
    plan += [(random.uniform(1, 6), *way) for way in ((False, True), (True, False)) * 4]
    bounds, width = [], 0.0
    for run_s, opens, closes in plan:
        for way in ((opens, closes), (False, False)):
            until_s = now_s + (run_s if any(way) else random.uniform(1, 2))
            while now_s < until_s:
                window = Window(now_s, now_s + 0.02)
                bounds += reckoned.observe(window, opens=way[0], closes=way[1])
                now_s += period_s
        before, width = width, bounds[-1].high1 - bounds[-1].low1
        grown = 2 * rate * (period_s + 0.02) + (run_s + 1) * (rate - slowest)
        grown += rate * (3 * (dead_s[1] - dead_s[0] + coast_s[1] - coast_s[0])) + play[1] - play[0]
        assert width - before <= grown + 1e-9
        allowed += grown
    assert width > 0.25 * allowed


# the truth


def within(random, ranges):
    """Return a vent with each of its times somewhere in its range, often at an end of it."""
    return random.choice((*ranges, random.uniform(*ranges)))


def a_range(random, least, most, spread):
    """Return a range of one of a vent's numbers: none, nothing but one value, or up to so many times the lowest."""
    low = random.uniform(least, most)
    return random.choice(((least, least), (low, low), (low, low * random.uniform(1, spread))))


def a_truth(random):
    """Return what is known of a vent, and one of those that it may be."""
    travel = TravelRange(
        open_s=a_range(random, 3, 20, 1.15),
        close_s=a_range(random, 3, 20, 1.15),
        dead_time_s=a_range(random, 0, 1, 2),
        coast_s=a_range(random, 0, 1, 2),
        play_percent=a_range(random, 0, 6, 2),
        both=random.choice(("stands", "opens", "closes")),
    )
    names = ("open_s", "close_s", "dead_time_s", "coast_s", "play_percent")
    truth = VentTravel(**{name: within(random, getattr(travel, name)) for name in names}, both=travel.both)
    return travel, truth


def contact_courses(random, keeps_s, until_s, full_s):
    """Return the instants at which the contact that opens changes, and the one that closes; off at first.

    Each value is kept for its time. The two know nothing of each other, or are a unit's: one full closing run, then
    runs of one after the other.
    """
    toggles, courses = random.random() < 0.4, ([], [])
    if not toggles:
        closes = [keeps_s, keeps_s + 1.5 * full_s + 4]
        courses, at_s = ([], closes), closes[-1]
        while at_s < until_s:
            course = random.choice(courses)
            at_s = max(at_s, course[-1] + keeps_s if course else at_s)
            runs_s = keeps_s + random.choice((random.expovariate(1), random.uniform(0, full_s / 2)))
            course += [at_s, at_s + runs_s]
            at_s += runs_s + random.choice((0.0, 0.0, random.uniform(0, 0.1), random.expovariate(0.5)))
    for course in courses if toggles else ():
        at_s = random.uniform(0, full_s / 2)
        while at_s < until_s:
            course.append(at_s)
            at_s += keeps_s + random.choice((0.0, random.expovariate(1.0), random.uniform(0, full_s)))
    return courses


def is_on(instants, t_s):
    return sum(at_s <= t_s for at_s in instants) % 2 == 1


def polls(random, until_s, period_s, age_s):
    """Return the windows of readings and when each was taken; some replies are late, some never come."""
    at_s, lost = random.uniform(0, 1), random.choice((0.0, 0.0, 0.05))
    while at_s < until_s:
        reply_s = at_s + random.choice((0.0, random.uniform(0, period_s), random.uniform(0, period_s / 5)))
        window = Window(at_s - age_s, reply_s)
        if random.random() > lost:
            yield window, random.choice((window.earliest_s, window.latest_s, random.uniform(*_ends(window))))
        at_s = max(at_s + period_s, reply_s)
        if random.random() < lost / 2:
            at_s += random.uniform(0, 5)


def _ends(window):
    return window.earliest_s, window.latest_s


def outside(seed):
    """Return by how much a true vent leaves the interval at most, in a random course, and the interval's bounds."""
    random = Random(seed)
    travel, truth = a_truth(random)
    period_s, age_s = (
        random.choice((0.1, random.uniform(0.1, 0.6))),
        random.choice((0.0, random.uniform(0, 0.2))),
    )
    keeps_s = random.choice((1.0, 2.2, 2.2)) * period_s + age_s + random.uniform(0, 1)
    full_s = max(truth.open_s, truth.close_s)
    until_s = 3 * full_s
    opens, closes = contact_courses(random, keeps_s, until_s, full_s)
    vent = Vent(truth, -1.0, percent=random.choice((0.0, 100.0, random.uniform(0, 100))))
    for at_s in sorted({*opens, *closes}):
        vent.switch(at_s, opens=is_on(opens, at_s), closes=is_on(closes, at_s))
    known_at = random.choice(((), (0.0,), (0.0, 100.0), (random.uniform(0, 100),)))
    reckoned = ReckonedVent("roof", travel, keeps_for_s=keeps_s, known_at=known_at)
    worst, bounds = 0.0, []
    for window, taken_s in polls(random, until_s, period_s, age_s):
        if taken_s < 0:
            continue
        new = reckoned.observe(
            window,
            opens=is_on(opens, taken_s),
            closes=is_on(closes, taken_s),
            known=[vent.position_at(taken_s) == place for place in known_at],
        )
        bounds += new
        later = reckoned.provisional(window.latest_s + random.uniform(0, 3)) if random.random() < 0.2 else []
        worst = max(worst, *(_beyond(vent, piece) for piece in (*new, *later)), 0.0)
    return worst, bounds


def _beyond(vent, piece):
    """Return by how much the vent is outside a piece at its corners, its middle and the vent's own corners."""
    instants = [piece.t0_s, (piece.t0_s + piece.t1_s) / 2, piece.t1_s]
    worst = 0.0
    for t_s in instants:
        if t_s < 0:
            continue
        low, high = at([piece], t_s)
        worst = max(worst, low - vent.position_at(t_s), vent.position_at(t_s) - high)
    return worst


@drawing(max_examples=120)
@given(st.integers(0, 10**9))
def test_no_vent_that_could_be_leaves_the_interval(seed):
    """Any vent within the ranges, edges anywhere in their windows, late and lost replies: it is inside all along."""
    worst, bounds = outside(seed)
    assert worst < 1e-7
    assert all(one.t1_s == other.t0_s for one, other in pairwise(bounds))
    assert all(p.low0 <= p.high0 + 1e-9 and p.low1 <= p.high1 + 1e-9 for p in bounds)
