"""Design storms, showers."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, pairwise
from math import log
from random import Random
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.weather.exact import Number, exact, more_than_zero, not_negative, shown
from ventproof.weather.hyetograph import SECONDS_PER_HOUR, Hyetograph, blocks, from_totals
from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable


SECONDS_PER_MINUTE: Final = 60
MOST_BLOCKS: Final = 10_000
"""More blocks than this are a slip of the pen: they are a week in minutes."""


@final
@dataclass(frozen=True, slots=True)
class OffsetIdf:
    """Mean intensity a / (t + b)^n in mm/h, with the duration t in minutes.

    Attributes:
        a: more than 0; for a formula in in/h, multiply it by 25.4.
        b: 0 or more, minutes.
        n: more than 0, at most 1: beyond that, depth would fall as duration grows.
    """

    a: float
    b: float
    n: float

    def __post_init__(self) -> None:
        _check_formula(("a", self.a), ("b", self.b), ("n", self.n))

    def mean_mm_per_h(self, minutes: float) -> float:
        """Return the mean intensity over a duration of more than 0 min."""
        return float(self.a / (minutes + self.b) ** self.n)


@final
@dataclass(frozen=True, slots=True)
class PowerIdf:
    """Mean intensity c / (t^e + f) in mm/h, with the duration t in minutes.

    Attributes:
        c: more than 0; for a formula in in/h, multiply it by 25.4.
        e: more than 0, at most 1: beyond that, depth would fall as duration grows.
        f: 0 or more.
    """

    c: float
    e: float
    f: float

    def __post_init__(self) -> None:
        _check_formula(("c", self.c), ("f", self.f), ("e", self.e))

    def mean_mm_per_h(self, minutes: float) -> float:
        """Return the mean intensity over a duration of more than 0 min."""
        return float(self.c / (minutes**self.e + self.f))


Idf = OffsetIdf | PowerIdf
"""The two usual forms of an intensity-duration-frequency formula, for one return period."""


def depth_mm(idf: Idf, minutes: float) -> float:
    """Return the depth that the formula gives for a duration, mm; 0 for one of 0 min."""
    return idf.mean_mm_per_h(minutes) * minutes / 60 if minutes > 0 else 0.0


def alternating_blocks(idf: Idf, *, duration_min: Number, block_min: Number) -> Hyetograph:
    """Return the alternating block storm: the heaviest block in the middle, the others right and left by turns.

    Source: Chow, Maidment and Mays 1988, Applied Hydrology, 14.4 (layout from memory). With an even number of
    blocks the heaviest is the one before the middle.

    Args:
        idf: the formula.
        duration_min: length of the storm, minutes.
        block_min: length of one block, minutes; the storm holds a whole number of them.

    Raises:
        ValueError: a number is out of its range, or the blocks do not fill the storm.
    """
    span_min, count = _block_grid(duration_min, block_min)
    heaviest_first = sorted(
        _increments(depth_mm(idf, float(span_min * k)) for k in range(count + 1)), reverse=True
    )
    right, left = heaviest_first[1::2], heaviest_first[2::2]
    return _from_blocks(span_min, [*reversed(left), heaviest_first[0], *right])


def chicago_storm(idf: Idf, *, duration_min: Number, peak_at: float, block_min: Number) -> Hyetograph:
    """Return the Chicago storm: every span around its peak holds what the formula gives for that duration.

    Source: Keifer and Chu 1957 (from memory). A span of d minutes lies `peak_at` * d before the peak and the
    rest after it, and holds d minutes' depth; so the mass curve is known in closed form, and each block holds
    its exact share. The spans' depths are kept where their ends are borders of blocks.

    Args:
        idf: the formula.
        duration_min: length of the storm, minutes.
        peak_at: where in the storm the peak lies, 0 to 1 (0.3 to 0.5 is usual; common practice, no source).
        block_min: length of one block, minutes; the storm holds a whole number of them.

    Raises:
        ValueError: a number is out of its range, or the blocks do not fill the storm.
    """
    span_min, count = _block_grid(duration_min, block_min)
    if not 0 <= peak_at <= 1:
        raise ValueError(f"peak_at={peak_at!r} must be 0 to 1, the share of the storm before its peak")
    curve = _chicago_mass(idf, exact(peak_at), span_min * count)
    return _from_blocks(span_min, _increments(curve(span_min * k) for k in range(count + 1)))


ScsType = Literal["II", "III", "IA"]

# Cumulative fractions. Source: SCS TP-149 (1973) and TR-55 (1986) appendix B, as tabulated in Chow, Maidment and
# Mays 1988 (the table with 23 points; from memory, public code has the same numbers). A half-hour variant differs by
# up to 0.002.
SCS_HOURS: Final = "0 2 4 6 7 8 8.5 9 9.5 9.75 10 10.5 11 11.5 11.75 12 12.5 13 13.5 14 16 20 24"
SCS_FRACTIONS: Final[dict[ScsType, str]] = {
    "II": "0 .022 .048 .080 .098 .120 .133 .147 .163 .172 .181 .204"
    " .235 .283 .357 .663 .735 .772 .799 .820 .880 .952 1",
    "III": "0 .020 .043 .072 .089 .115 .130 .148 .167 .178 .189 .216"
    " .250 .298 .339 .500 .702 .751 .785 .811 .886 .957 1",
    "IA": "0 .050 .116 .206 .268 .425 .480 .520 .550 .564 .577 .601"
    " .624 .645 .655 .664 .683 .701 .719 .736 .800 .906 1",
}


def scs_curve(kind: ScsType) -> tuple[tuple[Fraction, Fraction], ...]:
    """Return the 24-hour mass curve as points of hours and fraction of the storm's depth.

    Raises:
        ValueError: no such type.
    """
    if kind not in SCS_FRACTIONS:
        raise Refusal(f"{kind!r} is not a type of 24-hour storm", f"write one of {', '.join(SCS_FRACTIONS)}")
    fractions = SCS_FRACTIONS[kind].split()
    return tuple((Fraction(h), Fraction(f)) for h, f in zip(SCS_HOURS.split(), fractions, strict=True))


def scs_storm(kind: ScsType, *, depth_mm: Number) -> Hyetograph:
    """Return the 24-hour storm of a type, even between the points of its table.

    Args:
        kind: `II`, `III` or `IA`.
        depth_mm: depth of the whole storm, more than 0 mm.

    Raises:
        ValueError: no such type, or a depth out of range.
    """
    depth = more_than_zero("depth_mm", depth_mm)
    return from_totals([(hours * SECONDS_PER_HOUR, fraction * depth) for hours, fraction in scs_curve(kind)])


def _check_formula(factor: tuple[str, float], offset: tuple[str, float], power: tuple[str, float]) -> None:
    more_than_zero(*factor)
    if exact(offset[1]) < 0:
        raise ValueError(f"{offset[0]}={offset[1]!r} must not be negative")
    if not 0 < exact(power[1]) <= 1:
        raise ValueError(f"{power[0]}={power[1]!r} must be more than 0 and at most 1")


def _block_grid(duration_min: Number, block_min: Number) -> tuple[Fraction, int]:
    duration, block = more_than_zero("duration_min", duration_min), more_than_zero("block_min", block_min)
    count = duration / block
    if count.denominator != 1:
        raise Refusal(
            f"block_min={shown(block)} does not divide duration_min={shown(duration)}",
            "use blocks that fill the storm",
        )
    if count > MOST_BLOCKS:
        raise Refusal(f"{count} blocks are more than {MOST_BLOCKS}", "use longer blocks")
    return block, int(count)


def _increments(depths_mm: Iterable[float]) -> list[Fraction]:
    """Return what falls from one depth to the next; they add up to the last depth exactly.

    A formula's depth never falls with duration, but in floats it may, in the last place, where it hardly grows.
    """
    growing = accumulate((exact(depth) for depth in depths_mm), max)
    return [after - before for before, after in pairwise(growing)]


def _from_blocks(span_min: Fraction, depths_mm: list[Fraction]) -> Hyetograph:
    span_s = span_min * SECONDS_PER_MINUTE
    return blocks((span_s, depth * SECONDS_PER_HOUR / span_s) for depth in depths_mm)


def _chicago_mass(idf: Idf, peak_at: Fraction, duration_min: Fraction) -> Callable[[Fraction], float]:
    """Return depth by minutes: before the peak what is left of its share, after it what was added to it."""
    peak_min = peak_at * duration_min
    before_mm = float(peak_at) * depth_mm(idf, float(duration_min))

    def fallen_mm(at_min: Fraction) -> float:
        # With the peak at 0 nothing lies before it to be divided; with the peak at 1 no instant comes after it.
        if at_min <= peak_min:
            to_peak = (peak_min - at_min) / peak_at if peak_at else Fraction()
            return before_mm - float(peak_at) * depth_mm(idf, float(to_peak))
        return before_mm + float(1 - peak_at) * depth_mm(idf, float((at_min - peak_min) / (1 - peak_at)))

    return fallen_mm


MOST_SHOWERS: Final = 10_000
"""More showers than this are a slip of the pen: they are one a minute for a week."""


def random_showers(
    *,
    duration_s: Number,
    showers_per_h: Number,
    mean_shower_s: Number,
    mean_mm_per_h: Number,
    seed: int,
) -> Hyetograph:
    """Return showers that begin as a Poisson process, with exponential durations and intensities.

    Where showers overlap their intensities add; the last ones end with the span. It is dry at 0 s. Times are
    rounded to 1 ms and intensities to 0.001 mm/h. In the long run the mean intensity is
    showers_per_h * mean_shower_s / 3600 * mean_mm_per_h, the product of the three means (Campbell's theorem).

    Args:
        duration_s: span to fill, more than 0 s.
        showers_per_h: how many begin in an hour on average, 0 or more.
        mean_shower_s: mean duration of a shower, more than 0 s.
        mean_mm_per_h: mean intensity of a shower, more than 0 mm/h.
        seed: the same seed gives the same rain.

    Raises:
        ValueError: a number is out of its range, or more than `MOST_SHOWERS` are to be expected.
    """
    end_s, rate = more_than_zero("duration_s", duration_s), not_negative("showers_per_h", showers_per_h)
    shower_s = float(more_than_zero("mean_shower_s", mean_shower_s))
    intensity = float(more_than_zero("mean_mm_per_h", mean_mm_per_h))
    expected = rate * end_s / SECONDS_PER_HOUR
    if expected > MOST_SHOWERS:
        raise Refusal(
            (
                f"{shown(rate)} showers an hour over {shown(end_s)} s are some "
                f"{float(expected):.0f} showers, more than {MOST_SHOWERS}"
            ),
            "use fewer or a shorter span",
        )
    draw = Random(seed)  # noqa: S311 - reproducible weather, no secret
    # Both ends stand even without a shower: the rain fills its span. In fractions, so that what is added is taken
    # away again to exactly nothing.
    changes: dict[Fraction, Fraction] = {Fraction(): Fraction(), end_s: Fraction()}
    at_s = Fraction()
    while rate and (at_s := at_s + _thousandths(_exponential(draw, SECONDS_PER_HOUR / float(rate)))) < end_s:
        # The draws keep this order: another one would be another rain for the same seed.
        over_s = min(at_s + _thousandths(_exponential(draw, shower_s)), end_s)
        adds = _thousandths(_exponential(draw, intensity))
        changes[at_s] = changes.get(at_s, Fraction()) + adds
        changes[over_s] = changes.get(over_s, Fraction()) - adds
    return _summed(changes)


def _summed(changes: dict[Fraction, Fraction]) -> Hyetograph:
    spans, now = [], Fraction()
    for start_s, next_s in pairwise(sorted(changes)):
        now += changes[start_s]
        spans.append((next_s - start_s, now))
    return blocks(spans)


def _exponential(draw: Random, mean: float) -> float:
    """Return a draw by inversion: Python promises the same uniform draws for a seed, and no others."""
    return -mean * log(1 - draw.random())


def _thousandths(value: float) -> Fraction:
    return Fraction(round(value * 1000), 1000)
