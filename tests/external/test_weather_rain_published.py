"""Rain against published values, worked examples, an open measured series and independent numerics.

Sources stand beside each check. "Memory" marks what was not seen in print.
"""

from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from pulses_and_tips import steady_rain, tip_count
from scipy.integrate import quad
from scipy.optimize import brentq

from ventproof.weather.csv_series import read_series
from ventproof.weather.hyetograph import MassCurve, blocks, from_intensities
from ventproof.weather.rain_gauge import TippingBucket, contact_plan, tip_instants_s
from ventproof.weather.storms import (
    OffsetIdf,
    PowerIdf,
    alternating_blocks,
    chicago_storm,
    depth_mm,
    scs_curve,
    scs_storm,
)
from ventproof_bench.base.edges import check_plan

DATA = Path(__file__).parent / "data" / "measured_rain.csv"
INCH_MM = 25.4  # exactly: the international yard and pound agreement, 1959


def peak_mm_per_h(storm):
    """Return the highest intensity of a storm."""
    return max(max(piece.begins_mm_per_h, piece.ends_mm_per_h) for piece in storm.pieces)


@pytest.mark.parametrize(
    ("tip_mm", "mm_per_h", "apart_s"),
    [
        (0.2, 100, 7.2),  # published: Water 2024, 16(7), 998, abstract
        (0.2, 12, 60),  # these and below: arithmetic, 3600 * tip / intensity
        (0.254, 25.4, 36),
        (0.5, 30, 60),
        (0.1, 6, 60),
        (0.2, 2.5, 288),
        (0.2, 7.6, 94.7368421),
        (0.2, 10, 72),
        (0.2, 50, 14.4),
    ],
)
def test_time_between_tips(tip_mm, mm_per_h, apart_s):
    """Steady rain tips the bucket at the published or plainly computed interval."""
    instants_s = tip_instants_s(steady_rain(mm_per_h, duration_s=1000), TippingBucket(tip_mm=tip_mm))
    assert np.diff([0, *instants_s]) == pytest.approx(apart_s, rel=1e-8)


@pytest.mark.parametrize(
    ("dead_time_s", "true", "measured"),
    [(0.3, 100, 96.0), (0.3, 50, 48.98), (0.5, 100, 93.51), (0.5, 200, 175.61)],
)
def test_dead_time_formula(dead_time_s, true, measured):
    """A day's tips of the model show the formula's worked intensity: true / (1 + true * dead time / (3600 * tip)).

    Worked apart from this project. The correction y = x / (1 - x t) of pulse counters, its inverse, is printed in
    the HSP data handbook of the Space Telescope Science Institute.
    """
    bucket = TippingBucket(tip_mm=0.2, dead_time_s=dead_time_s)
    tips = tip_count(steady_rain(true, duration_s=86_400), bucket)
    assert tips == pytest.approx(measured * 24 / 0.2, abs=1.6)
    counted_per_s = true / (1 + true * dead_time_s / (3600 * 0.2)) / 3600 / 0.2
    assert tips == int(counted_per_s * 86_400)
    assert counted_per_s / (1 - counted_per_s * dead_time_s) == pytest.approx(true / 3600 / 0.2)


# Chow, Maidment and Mays 1988, example 14.4.1 (constants and layout from memory, figures worked apart from this
# project): Denver, 10 years, i = 96.6 / (Td^0.97 + 13.90) in in/h and min.
DENVER = PowerIdf(c=96.6 * INCH_MM, e=0.97, f=13.90)


def test_alternating_block_example():
    """Intensities, order of the blocks, total and peak of the Denver storm."""
    published = [4.158, 3.002, 2.357, 1.943, 1.655, 1.443, 1.279, 1.149, 1.044, 0.956, 0.883, 0.820]
    for k, inches_per_h in enumerate(published, start=1):
        assert DENVER.mean_mm_per_h(10 * k) / INCH_MM == pytest.approx(inches_per_h, abs=0.0005)
    storm = alternating_blocks(DENVER, duration_min=120, block_min=10)
    inches = [0.024, 0.033, 0.050, 0.084, 0.178, 0.693, 0.308, 0.117, 0.063, 0.040, 0.028, 0.021]
    # The example takes differences of rounded depths: a unit in the third place.
    assert [float(p.depth_mm) / INCH_MM for p in storm.pieces] == pytest.approx(inches, abs=0.001)
    assert float(storm.depth_mm) == pytest.approx(41.64, abs=0.005)
    assert float(peak_mm_per_h(storm)) == pytest.approx(105.6, abs=0.05)
    peak_s = [t for t in tip_instants_s(storm, TippingBucket(tip_mm=0.2)) if 3000 < t <= 3600]
    assert np.diff(peak_s) == pytest.approx(6.82, abs=0.005)


@pytest.mark.parametrize(
    ("idf", "peak_at", "minutes", "volume_mm", "highest_mm_per_h"),
    [
        (DENVER, 0.5, 120, 1.63943 * INCH_MM, 6.9496 * INCH_MM),
        (OffsetIdf(a=1000, b=10, n=0.8), 0.4, 60, 33.41347, 158.4893),
    ],
)
def test_chicago_storm_values(idf, peak_at, minutes, volume_mm, highest_mm_per_h):
    """Volume and peak of both forms of the formula, worked apart from this project (Keifer and Chu 1957, memory)."""
    storm = chicago_storm(idf, duration_min=minutes, peak_at=peak_at, block_min=1)
    assert float(storm.depth_mm) == pytest.approx(volume_mm, rel=1e-5)
    assert float(storm.depth_mm) == pytest.approx(depth_mm(idf, minutes), rel=1e-12)
    assert idf.mean_mm_per_h(0.0) == pytest.approx(highest_mm_per_h, rel=1e-5)
    assert peak_mm_per_h(storm) < highest_mm_per_h


def test_chicago_inner_windows():
    """The inner 10, 30 and 60 minutes of the Denver storm hold the formula's depths."""
    curve = MassCurve(chicago_storm(DENVER, duration_min=120, peak_at=0.5, block_min=1))
    for minutes, inches in ((10, 0.69299), (30, 1.17834), (60, 1.44255)):
        ends_s = Fraction(3600 - 30 * minutes), Fraction(3600 + 30 * minutes)
        inside_mm = float(curve.depth_mm_by(ends_s[1]) - curve.depth_mm_by(ends_s[0]))
        assert inside_mm / INCH_MM == pytest.approx(inches, abs=5e-6)


def test_chicago_blocks_against_quadrature():
    """Each block holds the integral of the instantaneous form, which this project's code never uses.

    a[(1-n)x + b] / (x+b)^(1+n), x the time to the peak over r, or from it over 1-r (derivation from memory);
    integrated by SciPy's quadrature.
    """
    a, b, n, r, minutes = 1000, 10, 0.8, 0.4, 60

    def mm_per_min(at_min):
        x = (24 - at_min) / r if at_min <= 24 else (at_min - 24) / (1 - r)
        return a * ((1 - n) * x + b) / (x + b) ** (1 + n) / 60

    storm = chicago_storm(OffsetIdf(a=a, b=b, n=n), duration_min=minutes, peak_at=r, block_min=2)
    for k, piece in enumerate(storm.pieces):
        integral_mm, _ = quad(mm_per_min, 2 * k, 2 * k + 2)
        assert float(piece.depth_mm) == pytest.approx(integral_mm, rel=1e-9)


@pytest.mark.parametrize(
    ("kind", "points"),
    [
        ("II", {2: 0.022, 8: 0.120, 11.75: 0.357, 12: 0.663, 12.5: 0.735, 13: 0.772, 13.5: 0.799, 20: 0.952}),
        ("III", {2: 0.020, 8: 0.115, 11.75: 0.339, 12: 0.500, 12.5: 0.702, 13: 0.751, 20: 0.957}),
        ("IA", {2: 0.050, 7: 0.268, 8: 0.425, 10: 0.577, 12: 0.664, 16: 0.800, 20: 0.906}),
    ],
)
def test_scs_curves(kind, points):
    """The 24-hour curves are those of SCS TP-149 (1973) and TR-55 (1986) appendix B.

    The points at 12, 12.5 and 13 h of type II tell the right table from the wrong copies that go about. All three
    tables of 23 points were compared with public code.
    """
    curve = {float(hours): float(fraction) for hours, fraction in scs_curve(kind)}
    assert {hours: curve[hours] for hours in points} == points
    assert (curve[0], curve[24], len(curve)) == (0, 1, 23)
    assert all(a < b for a, b in pairwise(curve.values()))


def test_scs_type_two_storm_at_the_gauge():
    """100 mm of type II: the derived peak, and the tips of the heaviest quarter of an hour."""
    storm = scs_storm("II", depth_mm=100)
    assert storm.depth_mm == 100
    assert float(peak_mm_per_h(storm)) == pytest.approx(122.4)
    instants_s = tip_instants_s(storm, TippingBucket(tip_mm=0.2))
    assert len(instants_s) == 500
    heaviest_s = [t for t in instants_s if 11.75 * 3600 < t <= 12 * 3600]
    assert len(heaviest_s) == 153
    assert float(np.mean(np.diff(heaviest_s))) == pytest.approx(5.882, abs=0.001)


@pytest.mark.parametrize("seed", range(5))
def test_tips_against_interpolation(seed):
    """Tips of random blocks fall where NumPy's interpolation of the mass curve puts them."""
    draw = np.random.default_rng(seed)
    spans_s, rates = draw.integers(1, 900, 40), draw.integers(1, 120, 40)
    times_s = np.concatenate([[0], np.cumsum(spans_s)])
    depths_mm = np.concatenate([[0], np.cumsum(spans_s * rates / 3600)])
    rain = blocks((int(s), int(r)) for s, r in zip(spans_s, rates, strict=True))
    instants_s = np.array(tip_instants_s(rain, TippingBucket(tip_mm=0.254, phase=0.3)))
    due_mm = (np.arange(len(instants_s)) + 0.7) * 0.254
    assert instants_s == pytest.approx(np.interp(due_mm, depths_mm, times_s), abs=1e-6)
    assert len(instants_s) == int(depths_mm[-1] / 0.254 + 0.3)


def test_tips_of_ramps_against_root_finding():
    """Tips of evenly changing rain are roots of SciPy's integral of the intensity."""
    points = [(0, 0), (300, 80), (500, 5), (900, 60), (1200, 0)]
    instants_s = tip_instants_s(from_intensities(points, shape="linear"), TippingBucket(tip_mm=0.5))
    times_s, rates = zip(*points, strict=True)

    def fallen_mm(at_s):
        inner = [t for t in times_s[1:-1] if t < at_s]
        return quad(lambda t: np.interp(t, times_s, rates) / 3600, 0, at_s, points=inner or None)[0]

    for k, at_s in enumerate(instants_s, start=1):
        assert at_s == pytest.approx(
            brentq(lambda t, due=0.5 * k: fallen_mm(t) - due, 0, 1200, xtol=1e-9), abs=1e-5
        )


def measured_rows():
    lines = [line for line in DATA.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    header = lines[0].split(",")
    when, rain = header.index("Timestamp"), header.index("PrcpTot")
    return [(cells[when], cells[rain]) for cells in (line.split(",") for line in lines[1:])]


@pytest.mark.parametrize("speed", [1, 60, Fraction(1, 3)])
def test_measured_series_keeps_its_total(speed):
    """A measured series, replayed faster or slower, gives a tip for each 0.1 mm that was recorded.

    Data: brightwind 2.7.0 (PyPI, MIT), an excerpt of its demo series, rows unchanged, 10 minutes and 0.1 mm; its
    wettest hour, to 2017-10-30 13:40, has 12.4 mm.
    """
    rows = measured_rows()
    text = "\n".join(["time,depth [mm]", *(f"{when},{mm}" for when, mm in rows)])
    recorded_mm = sum(Fraction(mm) for _, mm in rows)
    rain = read_series(text, name=DATA.name).replayed(speed)
    assert rain.depth_mm == recorded_mm
    instants_s = tip_instants_s(rain, TippingBucket(tip_mm=0.1))
    assert len(instants_s) == recorded_mm * 10
    ends = [when for when, _ in rows]
    hour_end_s = Fraction(600 * ends.index("2017-10-30 13:40:00")) / Fraction(speed)
    hour_s = Fraction(3600) / Fraction(speed)
    inside = [t for t in instants_s if float(hour_end_s - hour_s) < t <= float(hour_end_s)]
    assert len(inside) == 124
    check_plan(contact_plan(instants_s, width_s=0.05), fastest_edge_s=0.05)
