"""Cup anemometers: pulses are the integral of the wind, to the pulse."""

from fractions import Fraction
from itertools import pairwise
from math import floor

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pulses_and_tips import pulse_count, pulse_instants

from ventproof.weather.anemometer import CupAnemometer
from ventproof.weather.course import Trace, constant, ramp

FAST = 1000.0


def winds():
    """Draw winds on a grid of tenths."""
    points = st.lists(st.tuples(st.integers(1, 60), st.integers(0, 300)), min_size=2, max_size=8)
    return points.map(
        lambda ps: Trace(
            tuple(sum(gap for gap, _ in ps[1 : k + 1]) / 10 for k in range(len(ps))),
            tuple(v / 10 for _, v in ps),
        )
    )


def cups_of(slope, offset, above, pulses):
    starts = max(0, offset) + above
    return CupAnemometer(
        slope_m=slope / 100,
        offset_m_per_s=offset / 10,
        pulses_per_turn=pulses,
        starts_at_m_per_s=starts / 10,
        fastest_hz=10 * FAST,
    )


instruments = st.builds(
    cups_of, st.integers(20, 300), st.integers(-5, 8), st.integers(1, 10), st.integers(1, 4)
)
phases = st.integers(0, 99).map(lambda n: n / 100)


def fraction(number):
    return Fraction(repr(number))


def turned_exactly(cups, wind, to_s, phase):
    """Integrate the transfer function piece by piece in fractions, as a person with a pencil would."""
    threshold, offset = fraction(cups.starts_at_m_per_s), fraction(cups.offset_m_per_s)
    area = Fraction(0)
    points = [(fraction(t), fraction(v)) for t, v in zip(wind.times_s, wind.values, strict=True)]
    for (a, u), (b, v) in pairwise(points):
        end = min(b, Fraction(to_s))
        if end <= a:
            continue
        rate = (v - u) / (b - a)
        cuts = {a, end}
        if rate and a < (start := a + (threshold - u) / rate) < end:
            cuts.add(start)
        for c, d in pairwise(sorted(cuts)):
            middle = u + rate * ((c + d) / 2 - a)
            if middle >= threshold:
                area += (d - c) * (middle - offset)
    return fraction(phase) + area * cups.pulses_per_turn / fraction(cups.slope_m)


@settings(max_examples=40, deadline=None)
@given(instruments, winds(), phases)
def test_count_is_the_integral(cups, wind, phase):
    """The number of pulses is the whole part of the integral, unless that is a whole number to within rounding."""
    turned = turned_exactly(cups, wind, wind.end_s, phase)
    count = pulse_count(cups, wind, phase=phase)
    if abs(turned - round(turned)) > 1e-9:
        assert count == floor(turned)
    assert len(pulse_instants(cups, wind, phase=phase)) == count


@settings(max_examples=40, deadline=None)
@given(instruments, winds(), phases)
def test_each_instant_is_where_the_integral_reaches_its_number(cups, wind, phase):
    """Up to the k-th instant the cups have turned k pulse distances; instants rise and lie in the wind."""
    instants = pulse_instants(cups, wind, phase=phase)
    assert all(a < b for a, b in pairwise(instants))
    assert all(wind.start_s <= t <= wind.end_s for t in instants)
    for k in {0, len(instants) // 2, len(instants) - 1} if instants else ():
        assert float(turned_exactly(cups, wind, instants[k], phase)) == pytest.approx(k + 1, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(instruments, winds(), st.integers(2, 5))
def test_cutting_a_wind_changes_no_pulse(cups, wind, pieces):
    """More points on the same lines make the same pulses."""
    marks = {wind.start_s + wind.duration_s * k / pieces / 7 for k in range(1, 7 * pieces)} - set(
        wind.times_s
    )
    points = [*zip(wind.times_s, wind.values, strict=True), *((mark, wind.at(mark)) for mark in marks)]
    fine = Trace.through(sorted(points, key=lambda point: point[0]))
    assert abs(pulse_count(cups, fine) - pulse_count(cups, wind)) <= 1
    for a, b in zip(pulse_instants(cups, fine), pulse_instants(cups, wind), strict=False):
        assert a == pytest.approx(b, abs=1e-6)


def test_a_hundred_thousand_pulses_end_on_the_right_one():
    """10 Hz from 6.3 m/s at 0.63 m a turn (no binary fraction) makes 100,000 pulses in 10,000 s, none late."""
    cups = CupAnemometer(slope_m=0.63, fastest_hz=10.0)
    instants = pulse_instants(cups, constant(6.3, for_s=10_000.0))
    assert len(instants) == 100_000
    assert max(abs(t - (k + 1) / 10) for k, t in enumerate(instants)) < 1e-9


def test_many_pieces_lose_no_pulse():
    """A wind in 20,000 pieces of a tenth of a second each has the count of the wind in one piece."""
    cups = CupAnemometer(slope_m=0.63, fastest_hz=10.0)
    wind = Trace(tuple(k / 10 for k in range(20_001)), (6.3,) * 20_001)
    assert pulse_count(cups, wind) == 20_000


def test_a_ramp_from_calm_is_solved_exactly():
    """From 0 m/s at 1 m/s^2 the k-th pulse of cups with 1 m a turn falls at the root of 2 k."""
    instants = pulse_instants(CupAnemometer(slope_m=1.0, fastest_hz=FAST), ramp(0.0, 20.0, for_s=20.0))
    assert instants == pytest.approx([(2 * k) ** 0.5 for k in range(1, 201)], abs=1e-12)


def test_a_dying_wind_reaches_its_last_pulse_as_it_stops():
    """A pulse that falls on the last instant counts, though the cups stand still there."""
    instants = pulse_instants(CupAnemometer(slope_m=1.0, fastest_hz=FAST), ramp(4.0, 0.0, for_s=5.0))
    assert len(instants) == 10
    assert instants[-1] == 5.0


def test_nothing_turns_below_the_threshold():
    """Below the starting speed there are no pulses at all; at it they come at the line's rate."""
    cups = CupAnemometer(slope_m=0.5, offset_m_per_s=0.2, starts_at_m_per_s=0.7, fastest_hz=FAST)
    assert pulse_count(cups, constant(0.69, for_s=1e6)) == 0
    assert pulse_count(cups, constant(0.7, for_s=100.0)) == 100
    assert cups.frequency_hz(0.69) == 0.0
    assert cups.frequency_hz(0.7) == pytest.approx(1.0)


def test_pulses_a_turn_multiply_the_rate():
    """Two pulses a turn are twice the pulses."""
    wind = constant(10.0, for_s=60.0)
    one, two = (CupAnemometer(slope_m=1.25, pulses_per_turn=n, fastest_hz=FAST) for n in (1, 2))
    assert (pulse_count(one, wind), pulse_count(two, wind)) == (480, 960)


@settings(max_examples=40, deadline=None)
@given(instruments, st.floats(0, 60))
def test_the_frequency_lies_on_the_certificates_line(cups, speed):
    """From the starting speed on, slope times turns a second plus offset is the speed; below it nothing turns."""
    hz = cups.frequency_hz(speed)
    if speed < cups.starts_at_m_per_s:
        assert hz == 0.0
    else:
        read = hz / cups.pulses_per_turn * cups.slope_m + cups.offset_m_per_s
        assert read == pytest.approx(speed, abs=1e-9)


GOOD = {"slope_m": 1.0, "fastest_hz": 10.0}
CUPS = CupAnemometer(**GOOD)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: CupAnemometer(**GOOD | {"slope_m": 0.0}), r"^slope_m=0.0 must be more than 0 m a turn$"),
        (
            lambda: CupAnemometer(**GOOD, offset_m_per_s=float("inf")),
            r"^offset_m_per_s=inf must be a finite speed$",
        ),
        (
            lambda: CupAnemometer(**GOOD, pulses_per_turn=0),
            r"^pulses_per_turn=0 must be a whole number from 1 up$",
        ),
        (
            lambda: CupAnemometer(**GOOD, offset_m_per_s=0.5, starts_at_m_per_s=0.2),
            r"^starts_at_m_per_s=0.2 must be at least 0.5 m/s with offset_m_per_s=0.5$",
        ),
        (
            lambda: CupAnemometer(**GOOD, offset_m_per_s=-0.1),
            r"^starts_at_m_per_s=0.0 must be more than 0 m/s with offset_m_per_s=-0.1$",
        ),
        (lambda: CupAnemometer(**GOOD, duty=1.0), r"^duty=1.0 must lie between 0 and 1$"),
        (lambda: CupAnemometer(slope_m=1.0, fastest_hz=0.0), r"^fastest_hz=0.0 must be more than 0 Hz$"),
        (
            lambda: pulse_count(CUPS, constant(12.0, for_s=1.0)),
            r"^12 m/s makes 12 pulses a second, faster than the limit of 10 Hz; stay below 10 m/s or declare a faster",
        ),
        (lambda: pulse_count(CUPS, constant(-1.0, for_s=1.0)), r"^a wind speed of -1.0 m/s is impossible"),
        (lambda: pulse_count(CUPS, ramp(5.0, -0.5, for_s=1.0)), r"^a wind speed of -0.5 m/s is impossible"),
        (lambda: pulse_count(CUPS, ramp(5.0, 10.5, for_s=1.0)), r"^10.5 m/s makes 10.5 pulses a second"),
        (
            lambda: pulse_instants(CUPS, constant(1.0, for_s=1.0), phase=1.0),
            r"^phase=1.0 must be from 0 to less than 1$",
        ),
    ],
)
def test_wrong_cups_and_winds_are_refused(make, message):
    """What cannot be, or is too fast for what is declared, is refused with what would be right."""
    with pytest.raises(ValueError, match=message):
        make()
