"""The mock's weather inputs against published figures."""

import pytest

from ventproof_bench.mock.faults.behaviour import HEALTHY
from ventproof_bench.mock.inputs import Current, PlatinumCurve
from ventproof_bench.mock.settings import TipRate
from ventproof_bench.mock.wind_and_tips import Bucket, PulseWindow

# Pt100, ohm: IEC 60751 as tabulated in the R package `thermocouple` (-50 to 100 °C) and computed from the
# standard's formula (-200 and 850 °C). The package's table prints 107.794 at 20 and 138.506 at 100 °C.
PT100_OHM = {
    -200: 18.520,
    -100: 60.256,
    -50: 80.306,
    -20: 92.160,
    0: 100.000,
    20: 107.793,
    50: 119.397,
    100: 138.505,
    200: 175.856,
    850: 390.481,
}


@pytest.mark.parametrize(("celsius", "ohm"), PT100_OHM.items())
def test_platinum_follows_the_published_table(celsius, ohm):
    """Each temperature has the table's resistance to half its last digit and a bit, both ways."""
    sensor = PlatinumCurve(100.0, -200.0, 850.0)
    assert sensor.level(celsius) == pytest.approx(ohm, abs=0.001)
    assert sensor.value(ohm) == pytest.approx(celsius, abs=0.005)


@pytest.mark.parametrize(
    ("current_ma", "plausible"),
    [(0, False), (3.6, False), (3.8, True), (4, True), (20, True), (20.5, True), (21.0, False), (24, False)],
)
def test_current_has_the_fault_levels_of_namur(current_ma, plausible):
    """NAMUR NE 43 (2003): valid from 3.8 to 20.5 mA, fault up to 3.6 mA and from 21.0 mA."""
    assert Current(0.0, 100.0).plausible(current_ma) is plausible


@pytest.mark.parametrize(("current_ma", "percent"), [(4, 0), (8, 25), (12, 50), (16, 75), (20, 100)])
def test_current_is_scaled_as_the_standard_has_it(current_ma, percent):
    """IEC 60381-1, direct current signals: quarters of the range at 4, 8, 12, 16 and 20 mA."""
    assert Current(0.0, 100.0).value(current_ma) == percent


def test_a_gust_is_a_running_mean_over_three_seconds():
    """WMO-No. 306, volume I.1, 15.5.5, three-second gusts: a spike of 20 m/s for 1 s in a calm is a gust of 6.667 m/s.

    One metre of wind a pulse: 20 pulses in the spike.
    """
    window = PulseWindow(3.0)
    for k in range(20):
        window.pulse(10 + k / 20)
    assert window.hz(11.0) == pytest.approx(6.667, abs=0.001)


@pytest.mark.parametrize(
    ("tip", "mm_per_h", "interval_s"),
    [
        ("0.2 mm", 100, 7.2),
        ("0.2 mm", 12, 60),
        ("0.254 mm", 25.4, 36),
        ("0.5 mm", 30, 60),
        ("0.2 mm", 10, 72),
    ],
)
def test_tips_stand_for_their_intensity(tip, mm_per_h, interval_s):
    """A 0.2 mm gauge at 100 mm/h tips every 7.2 s (Water 2024, 16(7), 998, abstract); the others by arithmetic."""
    bucket = Bucket(
        TipRate.model_validate({"tip": tip, "tips": 5, "wet_at": "1 mm/h", "hysteresis": "0.5 mm/h"}), HEALTHY
    )
    _, (contact, settle) = bucket.parts
    for k in range(6):
        bucket.contact(k * interval_s, closed=True)
        settle()
        bucket.contact(k * interval_s + 0.1, closed=False)
        settle()
    assert contact.due_s == float("inf")
    assert bucket.rate_mm_per_h(5 * interval_s) == pytest.approx(mm_per_h)
