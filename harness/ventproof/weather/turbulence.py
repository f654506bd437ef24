"""Turbulence: a seeded wind with a given mean, intensity and spectrum."""

from __future__ import annotations

from math import isfinite, pi
from random import Random
from typing import TYPE_CHECKING, Final, Literal, assert_never

from ventproof.weather.course import MOST_POINTS, Trace
from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


Spectrum = Literal["surface-layer", "isotropic"]


_DECIMALS: Final = 6  # speeds in whole micrometres a second: the same trace to the byte on every machine


def spectral_density(
    spectrum: Spectrum, frequency_hz: float, *, mean_m_per_s: float, length_m: float
) -> float:
    """Return the one-sided spectral density of the along-wind speed over its variance, 1/Hz (that is, s).

    With x = f L / U: Kaimal f S / s^2 = 4 x / (1 + 6 x)^(5/3); von Karman f S / s^2 = 4 x / (1 + 70.8 x^2)^(5/6).
    Source: T. Burton et al., Wind Energy Handbook (2001), equations 2.23 and 2.24; the first is also the
    model of IEC 61400-1. Each has an area of 1 over all frequencies.

    Args:
        spectrum: which of the two.
        frequency_hz: 0 or more.
        mean_m_per_s: mean speed U, more than 0.
        length_m: the spectrum's own length scale L, m. Kaimal's is 2.329 times von Karman's.
    """
    scale_s = length_m / mean_m_per_s
    x = frequency_hz * scale_s
    match spectrum:
        case "surface-layer":
            return float(4 * scale_s / (1 + 6 * x) ** (5 / 3))
        case "isotropic":
            return float(4 * scale_s / (1 + 70.8 * x**2) ** (5 / 6))
        case _:
            assert_never(spectrum)


def turbulent_wind(
    *,
    mean_m_per_s: float,
    intensity: float,
    for_s: float,
    seed: int,
    spectrum: Spectrum = "surface-layer",
    length_m: float = 8.1 * 0.7 * 10.0,
    every_s: float = 0.25,
) -> Trace:
    """Return a wind made of sine waves with the spectrum's amplitudes and seeded random phases.

    The frequencies are the multiples of 1 / `for_s` below half the sampling rate. Their amplitudes are scaled
    together, so that the points have exactly the standard deviation `intensity * mean`, though slower and
    faster waves are left out; the trace ends on the value that it began with. A strong turbulence goes
    below 0 m/s, which no cup shows: those points are put at 0 and all others scaled down by one factor,
    so that the mean over the trace stays what was asked (to 1e-6 m/s). The intensity then is less than
    asked.

    Args:
        mean_m_per_s: mean speed over the trace, more than 0.
        intensity: standard deviation over mean, more than 0 to 1 (0.1 to 0.3 is usual near the ground; common
            practice, no source).
        for_s: length, s; at least 8 points, at most 1,000,000.
        seed: the same seed makes the same wind.
        spectrum: `surface-layer` or `isotropic`.
        length_m: the spectrum's length scale, more than 0 m; by default Kaimal's at 10 m above ground, after
            IEC 61400-1 (from memory; public code has the same 8.1 and 0.7).
        every_s: time between points, more than 0 s.

    Raises:
        ValueError: a number is out of its range.
    """
    count = _checked_count(mean_m_per_s, intensity, for_s, length_m, every_s)
    # Below half the sampling rate: at that frequency itself the points show one phase only.
    densities = [
        spectral_density(spectrum, k / for_s, mean_m_per_s=mean_m_per_s, length_m=length_m)
        for k in range(1, (count - 1) // 2 + 1)
    ]
    raw = mean_m_per_s + intensity * mean_m_per_s * _unit_waves(densities, count, seed)
    clipped = raw.clip(min=0.0)
    points = (clipped * (mean_m_per_s / clipped.mean())).round(_DECIMALS)
    speeds = [float(v) for v in points]
    # Multiplied, not added up: no instant drifts, and the last is the end itself.
    times_s = (*(for_s * (k / count) for k in range(count)), float(for_s))
    return Trace(times_s, (*speeds, speeds[0]))


def _unit_waves(densities: list[float], count: int, seed: int) -> NDArray[np.float64]:
    """Return the sum of one wave a density, with random phases, at `count` points; its standard deviation is 1."""
    import numpy as np  # noqa: PLC0415 - heavy, and no other part of the weather needs it

    # A wave of amplitude a has the variance a * a / 2: together these have 1.
    amplitudes = np.sqrt(2 * np.array(densities) / sum(densities))
    dice = Random(seed)  # noqa: S311 - weather, not secrets; its stream is fixed by Python's documentation
    angles = np.array([2 * pi * dice.random() for _ in densities])
    bins = np.zeros(count // 2 + 1, dtype=complex)
    # The inverse transform divides by the count, and takes every bin twice, for its mirror image.
    bins[1 : len(densities) + 1] = amplitudes * np.exp(1j * angles) * (count / 2)
    return np.fft.irfft(bins, count)


def _checked_count(
    mean_m_per_s: float, intensity: float, for_s: float, length_m: float, every_s: float
) -> int:
    for name, number in (
        ("mean_m_per_s", mean_m_per_s),
        ("length_m", length_m),
        ("every_s", every_s),
        ("for_s", for_s),
    ):
        if not (number > 0 and isfinite(number)):
            raise ValueError(f"{name}={number!r} must be a finite number above 0")
    if not 0 < intensity <= 1:
        raise Refusal(f"intensity={intensity!r} must be more than 0 and at most 1", "0.2 means 20 %")
    least = 8
    if not least <= for_s / every_s <= MOST_POINTS:
        raise Refusal(
            f"for_s={for_s!r} s at every_s={every_s!r} s makes {for_s / every_s:.6g} points",
            f"{least} to {MOST_POINTS} are possible",
        )
    return round(for_s / every_s)
