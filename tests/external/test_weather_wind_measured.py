"""Wind and temperature on a measured series: ten-minute means, deviations and maxima of a real mast.

Data: `data/measured_rain.csv`, an excerpt of brightwind 2.7.0 (PyPI, MIT; its licence stands in the file). Speeds are
ten-minute means in m/s at 40 m, `Std` their standard deviation, `Max` the largest reading, `T2m` °C at 2 m.
"""

import csv
import statistics
from pathlib import Path

import pytest
from pulses_and_tips import pulse_count
from wind_averages import gust, mean_wind

from ventproof.weather.anemometer import CupAnemometer
from ventproof.weather.csv_series import trace_from_csv
from ventproof.weather.turbulence import turbulent_wind
from ventproof_bench.base.quantities import Dimension

TEXT = (Path(__file__).parent / "data" / "measured_rain.csv").read_text(encoding="utf-8")
HEADED = (
    TEXT.replace("Timestamp,", "time,").replace(",Spd40mN,", ",Spd40mN m/s,").replace(",T2m,", ",T2m °C,")
)
ROWS = list(csv.DictReader(line for line in TEXT.splitlines() if not line.startswith("#")))
MEANS = [float(row["Spd40mN"]) for row in ROWS]


def measured(dimension=Dimension.SPEED, **more):
    return trace_from_csv(HEADED, file="measured_rain.csv", dimension=dimension, **more)


def test_every_row_is_read():
    """The trace holds every row's speed and temperature, as the csv module reads them, ten minutes apart."""
    assert measured().values == tuple(MEANS)
    assert measured(Dimension.TEMPERATURE).values == tuple(float(row["T2m"]) for row in ROWS)
    assert measured().times_s[:3] == (0.0, 600.0, 1200.0)


def test_held_ten_minute_means_are_read_back():
    """Played as steps, the ten-minute mean at the end of each row's span is that row's speed."""
    wind = measured(between="steps")
    for k, speed in enumerate(MEANS[:-1], start=1):
        assert mean_wind(wind, 600.0 * k) == pytest.approx(speed)


@pytest.mark.parametrize("faster", [1.0, 60.0, 0.5])
def test_the_run_of_the_wind_is_kept(faster):
    """Cups with 1 m a turn count the metres that the wind ran, however fast the series is played."""
    wind = measured(between="steps", faster=faster)
    metres = sum(600.0 / faster * speed for speed in MEANS[:-1])
    assert pulse_count(CupAnemometer(slope_m=1.0, fastest_hz=50.0), wind) == pytest.approx(metres, abs=1)


def test_made_turbulence_gusts_as_the_measured_wind_did():
    """With each row's mean and deviation the made gust is the row's maximum, within a tenth in the median."""
    ratios = []
    for seed, row in enumerate(ROWS):
        mean, deviation = float(row["Spd40mN"]), float(row["Spd40mNStd"])
        if mean < 3:  # cups near their threshold are no measure of turbulence
            continue
        made = turbulent_wind(
            mean_m_per_s=mean,
            intensity=deviation / mean,
            for_s=600.0,
            seed=seed,
            length_m=8.1
            * 0.7
            * 40.0,  # IEC 61400-1, 40 m above ground (from memory; public code has the same)
        )
        ratios.append(gust(made, 0.0, 600.0).value / float(row["Spd40mNMax"]))
    assert len(ratios) > 10
    assert statistics.median(ratios) == pytest.approx(1.0, abs=0.1)
