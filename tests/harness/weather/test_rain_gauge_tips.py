"""The tipping bucket: which tips, when, and the edges of its contact."""

from fractions import Fraction
from itertools import pairwise
from math import floor, inf, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pulses_and_tips import steady_rain, tip_count

from ventproof.weather.exact import exact, exact_as, root
from ventproof.weather.hyetograph import (
    Hyetograph,
    MassCurve,
    RainPiece,
    blocks,
    from_intensities,
    ramp,
)
from ventproof.weather.rain_gauge import TippingBucket, contact_plan, jittered, tip_instants_s
from ventproof_bench.base.edges import Edge, check_plan
from ventproof_bench.base.quantities import Dimension

FEW = settings(max_examples=60, deadline=None)
tenths = st.integers(0, 2000).map(lambda n: Fraction(n, 10))
spans = st.integers(1, 6000).map(lambda n: Fraction(n, 10))
hyetographs = st.lists(st.builds(RainPiece, spans, tenths, tenths), min_size=1, max_size=6).map(
    lambda pieces: Hyetograph(tuple(pieces))
)
tips = st.sampled_from([0.1, 0.2, 0.254, 0.5, Fraction(1, 3), 1])
phases = st.integers(0, 99).map(lambda n: Fraction(n, 100))
buckets = st.builds(lambda tip, phase: TippingBucket(tip_mm=tip, phase=phase), tips, phases)


@FEW
@given(hyetographs, buckets)
def test_count_is_the_floor_of_depth_and_phase(rain, bucket):
    """There are as many instants as whole buckets in the depth and the start phase, and all lie in the rain."""
    instants_s = tip_instants_s(rain, bucket)
    wanted = floor(rain.depth_mm / exact(bucket.tip_mm) + exact(bucket.phase))
    assert len(instants_s) == wanted
    assert all(0 < at_s <= float(rain.duration_s) for at_s in instants_s)
    assert all(a < b for a, b in pairwise(instants_s))


@FEW
@given(hyetographs, buckets)
def test_each_tip_falls_where_its_depth_is_reached(rain, bucket):
    """The depth by tip k is (k - phase) tips, and just before it less."""
    curve = MassCurve(rain)
    for number, at_s in enumerate(tip_instants_s(rain, bucket), start=1):
        due_mm = (number - exact(bucket.phase)) * exact(bucket.tip_mm)
        assert float(curve.depth_mm_by(Fraction(at_s))) == pytest.approx(float(due_mm), rel=1e-12, abs=1e-12)
        assert curve.depth_mm_by(Fraction(at_s) - Fraction(1, 10**6)) < due_mm


@FEW
@given(hyetographs, buckets, st.sampled_from([0.1, Fraction(1, 3), 7, 60]))
def test_replaying_keeps_depth_and_tips(rain, bucket, speed):
    """Faster or slower, exactly as much falls, in as many tips, each earlier or later by the speed."""
    replayed = rain.replayed(speed)
    assert replayed.depth_mm == rain.depth_mm
    scaled_s = [at_s / float(speed) for at_s in tip_instants_s(rain, bucket)]
    assert tip_instants_s(replayed, bucket) == pytest.approx(scaled_s, rel=1e-14)


@FEW
@given(hyetographs, buckets, st.sampled_from([0.05, 0.3, 2, 40]))
def test_dead_time_only_loses(rain, bucket, dead_time_s):
    """With a dead time no tip comes earlier, there are no more of them, and they keep their distance."""
    slow = TippingBucket(tip_mm=bucket.tip_mm, phase=bucket.phase, dead_time_s=dead_time_s)
    ideal_s, slow_s = tip_instants_s(rain, bucket), tip_instants_s(rain, slow)
    assert len(slow_s) <= len(ideal_s)
    assert all(late >= early for early, late in zip(ideal_s, slow_s, strict=False))
    assert all(b - a > dead_time_s - 1e-9 for a, b in pairwise(slow_s))


@FEW
@given(hyetographs, buckets, st.sampled_from([0.3, 2]))
def test_dead_time_loses_what_falls_in_it(rain, bucket, dead_time_s):
    """Between two tips falls one bucket and what fell in the first one's dead time."""
    curve = MassCurve(rain)
    slow_s = tip_instants_s(rain, TippingBucket(tip_mm=bucket.tip_mm, dead_time_s=dead_time_s))
    for at_s, next_s in pairwise(slow_s):
        over_mm = curve.depth_mm_by(Fraction(at_s) + exact(dead_time_s))
        caught_mm = curve.depth_mm_by(Fraction(next_s)) - over_mm
        assert float(caught_mm) == pytest.approx(float(exact(bucket.tip_mm)), abs=1e-10)


@FEW
@given(hyetographs, st.floats(0, 0.49), st.integers(0, 5))
def test_jitter_keeps_number_order_and_span(rain, jitter, seed):
    """Scattered tips are as many, in order, and inside the rain."""
    instants_s = tip_instants_s(rain, TippingBucket(tip_mm=0.2))
    strayed_s = jittered(instants_s, jitter=jitter, seed=seed, until_s=rain.duration_s)
    assert len(strayed_s) == len(instants_s)
    assert all(a < b for a, b in pairwise(strayed_s))
    assert all(0 <= at_s <= float(rain.duration_s) for at_s in strayed_s)


def test_jitter_is_the_seeds_and_spares_the_dead_time():
    """The same seed scatters alike, another one otherwise, and no two tips come closer than the dead time."""
    rain = steady_rain(100, duration_s=720)
    instants_s = tip_instants_s(rain, TippingBucket(tip_mm=0.2, dead_time_s=5))

    def strayed(seed):
        return jittered(instants_s, jitter=0.49, seed=seed, until_s=720, dead_time_s=5)

    assert strayed(1) == strayed(1) != strayed(2)
    assert min(b - a for a, b in pairwise(strayed(1))) >= 5
    assert jittered((), jitter=0.3, seed=1, until_s=10) == ()


def test_a_long_train_does_not_drift():
    """Each of 100,000 tips is the float next to its exact instant, and the last falls on the last second."""
    instants_s = tip_instants_s(steady_rain(100, duration_s=720_000), TippingBucket(tip_mm=0.2))
    assert len(instants_s) == 100_000
    assert all(at_s == k * 72 / 10 for k, at_s in enumerate(instants_s, start=1))


def test_a_long_train_with_dead_time_does_not_drift():
    """Constant rain with a dead time tips on exact multiples too: 7.2 s to fill and 0.3 s to turn."""
    bucket = TippingBucket(tip_mm=0.2, dead_time_s=0.3)
    instants_s = tip_instants_s(steady_rain(100, duration_s=75_000), bucket)
    assert len(instants_s) == 10_000
    assert all(at_s == (72 + 75 * k) / 10 for k, at_s in enumerate(instants_s))
    assert (
        tip_count(steady_rain(100, duration_s=7499.7), bucket) == 1000
    )  # the last is due exactly at the end


def test_ties_at_the_end_of_each_block_are_tips():
    """Ten thousand readings of 0.1 mm give one tip each, at the end of its interval: nothing is lost to rounding."""
    rain = blocks([(600, 0.6)] * 10_000)
    assert tip_instants_s(rain, TippingBucket(tip_mm=0.1)) == tuple(600.0 * k for k in range(1, 10_001))


def test_dry_spells_hold_the_bucket():
    """A tip that is due when the rain stops falls at once, and what is left waits through the dry spell."""
    rain = blocks([(3600, 0.5), (3600, 0), (3600, 0.3)])
    assert tip_instants_s(rain, TippingBucket(tip_mm=0.5)) == (3600.0,)
    assert tip_instants_s(rain, TippingBucket(tip_mm=0.4)) == (2880.0, 10800.0)
    assert tip_instants_s(steady_rain(0, duration_s=60), TippingBucket(tip_mm=0.2)) == ()


def test_a_tip_across_a_dead_time_past_the_end_is_none():
    """When the dead time outlasts the rain there is no further tip."""
    bucket = TippingBucket(tip_mm=0.2, dead_time_s=100)
    assert tip_instants_s(steady_rain(100, duration_s=20), bucket) == (7.2,)


def test_a_ramp_tips_at_the_roots():
    """Rain that grows evenly from nothing has depth t²/2 of its rise: tip k falls at the root of k."""
    rain = ramp(0, 72, duration_s=100)  # 1 mm in 100 s
    assert tip_instants_s(rain, TippingBucket(tip_mm=0.25)) == pytest.approx(
        [50.0, 100 * 0.5**0.5, 100 * 0.75**0.5, 100.0], rel=1e-15
    )


def test_rain_that_dies_away_tips_last_at_its_end():
    """The last tip of a falling ramp is due where the intensity is zero, and still falls there."""
    instants_s = tip_instants_s(ramp(72, 0, duration_s=100), TippingBucket(tip_mm=0.5))
    assert instants_s == pytest.approx([100 * (1 - 0.5**0.5), 100.0], rel=1e-15)


def test_the_start_phase_brings_the_first_tip_forward():
    """A bucket that is three quarters full tips after a quarter of its depth."""
    rain = steady_rain(100, duration_s=20)
    assert tip_instants_s(rain, TippingBucket(tip_mm=0.2, phase=0.75)) == (1.8, 9.0, 16.2)


def test_contact_plan_closes_at_tips():
    """The contact closes at each tip and opens after the width; the bench takes the plan."""
    edges = contact_plan((1.0, 2.0), width_s=0.25)
    assert edges == (Edge(1.0, True), Edge(1.25, False), Edge(2.0, True), Edge(2.25, False))  # noqa: FBT003 - the edge's own words
    check_plan(edges, fastest_edge_s=0.25)
    assert contact_plan((), width_s=0.1) == ()


@pytest.mark.parametrize(
    ("instants_s", "width_s", "message"),
    [
        (
            (1.0, 1.1),
            0.1,
            r"^a pulse of 0\.1 s is too long: tip 2 comes 0\.1 s after tip 1; use a shorter pulse",
        ),
        ((1.0, 1.0), 0.1, r"^tip 2 at 1 s does not come after tip 1 at 1 s$"),
        ((-1.0,), 0.1, r"^the first tip at -1 s must not be before 0 s$"),
        ((1.0,), 0, r"^width_s=0 must be more than 0$"),
        (range(100_001), 0.1, r"^100001 tips are more than the 100000 that one plan may hold"),
    ],
)
def test_contact_plan_refuses(instants_s, width_s, message):
    """A plan that no contact could play is refused with the tips at fault."""
    with pytest.raises(ValueError, match=message):
        contact_plan(instants_s, width_s=width_s)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"tip_mm": 0}, r"^tip_mm=0 must be more than 0$"),
        ({"tip_mm": nan}, r"^nan is not a number that can be measured"),
        ({"tip_mm": 0.2, "phase": 1}, r"^phase=1 must be 0 \(an empty bucket\) up to but not including 1"),
        ({"tip_mm": 0.2, "phase": -0.1}, r"^phase=-0\.1 must be 0 \(an empty bucket\)"),
        ({"tip_mm": 0.2, "dead_time_s": -1}, r"^dead_time_s=-1 must not be negative$"),
    ],
)
def test_a_bucket_refuses_what_no_gauge_has(wrong, message):
    """Each parameter out of its range is named with its value."""
    with pytest.raises(ValueError, match=message):
        TippingBucket(**wrong)


def test_a_flood_is_a_slip_of_the_pen():
    """Millions of tips are refused at once instead of being counted."""
    with pytest.raises(ValueError, match=r"are more than 100000 tips of 0\.2 mm; check the units of both$"):
        tip_count(steady_rain(1e9, duration_s=3600), TippingBucket(tip_mm=0.2))


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"jitter": 0.5}, r"^jitter=0\.5 must be 0 up to but not including 0\.5"),
        ({"jitter": 0.1, "until_s": 5}, r"^until_s=5 must not be before the last tip at 9 s$"),
        ({"jitter": 0.1, "dead_time_s": -1}, r"^dead_time_s=-1 must not be negative$"),
    ],
)
def test_jitter_refuses(wrong, message):
    """Scatter that would change places, or rain that ends before its tips, is refused."""
    with pytest.raises(ValueError, match=message):
        jittered((1.0, 9.0), **{"seed": 1, "until_s": 10, **wrong})


def test_instant_of_more_than_falls_is_refused():
    """The mass curve has no instant for a depth that is never reached."""
    with pytest.raises(ValueError, match=r"^depth_mm=2 must be 0 to the 1 mm that fall$"):
        MassCurve(steady_rain(1, duration_s=3600)).instant_s_of(Fraction(2))


def test_numbers_are_read_as_they_are_written():
    """A float means its shortest decimal, and inches are exact: thirty tips of 0.254 mm are 0.3 in."""
    assert exact(0.2) == Fraction(1, 5)
    assert exact_as("0.3 in/h", Dimension.RAIN_INTENSITY) == Fraction(762, 100)
    assert exact_as("1e-2 in", Dimension.DEPTH) == Fraction(254, 1000)
    assert exact_as(" 10ms", Dimension.TIME) == Fraction(1, 100)
    hour = steady_rain(exact_as("0.3 in/h", Dimension.RAIN_INTENSITY), duration_s=3600)
    assert tip_count(hour, TippingBucket(tip_mm=0.254)) == 30
    assert tip_count(steady_rain(0.3 * 25.4, duration_s=3600), TippingBucket(tip_mm=0.254)) == 29  # the trap
    with pytest.raises(ValueError, match=r"^inf is not a number that can be measured; check it$"):
        exact(inf)
    with pytest.raises(ValueError, match=r"^10{19} is not a number that can be measured; check it$"):
        exact(10**400)
    with pytest.raises(ValueError, match=r"^'1e300 in' is too large"):
        exact_as("1e300 in", Dimension.DEPTH)
    with pytest.raises(ValueError, match=r"expected a rain intensity, found .*, a time; use mm/h, in/h$"):
        exact_as("3 s", Dimension.RAIN_INTENSITY)


@FEW
@given(st.fractions(0, 10**6))
def test_root_is_right_to_far_below_a_float(number):
    """The root's square misses the number by less than one part in 2^90, and perfect squares not at all."""
    assert root(number * number) == number
    assert abs(root(number) ** 2 - number) <= number / 2**90


def test_points_meet_pieces():
    """Points joined by lines are the ramps between them."""
    joined = from_intensities([(10, 0), (20, 36), (40, 0)], shape="linear")
    assert joined.pieces == ramp(0, 36, duration_s=10).pieces + ramp(36, 0, duration_s=20).pieces
    assert (joined.depth_mm, joined.duration_s) == (Fraction(15, 100), 30)
