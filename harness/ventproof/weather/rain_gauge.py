"""A tipping-bucket rain gauge: from rain to the instants of its tips, and to the edges of its contact (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor
from random import Random
from typing import TYPE_CHECKING, Final, final

from ventproof.weather.exact import Number, exact, more_than_zero, not_negative, shown
from ventproof.weather.hyetograph import Hyetograph, MassCurve
from ventproof_bench.base.edges import MOST_EDGES, Edge
from ventproof_bench.base.errors import Refusal

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


MOST_TIPS: Final = MOST_EDGES // 2
"""More tips than this are a slip of the pen: 0.1 mm each, they are 100 m of rain."""

_LONG_BITS: Final = 256
_SHORT_BITS: Final = 96
_MOST_JITTER: Final = Fraction(1, 2)


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class TippingBucket:
    """A gauge as its data sheet states it.

    Attributes:
        tip_mm: rain of one tip, more than 0; gauges have 0.1, 0.2, 0.254 (0.01 in) or 0.5 mm (common practice,
            no source).
        phase: how full the bucket is at 0 s, in buckets, 0 up to but not including 1.
        dead_time_s: after the beginning of a tip, the time during which rain falls past the buckets, 0 or more.
    """

    tip_mm: Number
    phase: Number = 0
    dead_time_s: Number = 0

    def __post_init__(self) -> None:
        more_than_zero("tip_mm", self.tip_mm)
        not_negative("dead_time_s", self.dead_time_s)
        if not 0 <= exact(self.phase) < 1:
            raise ValueError(
                f"phase={shown(exact(self.phase))} must be 0 (an empty bucket) up to but not including 1 (a full one)"
            )


@final
@dataclass(frozen=True, slots=True)
class Left:
    """What a rain leaves in a bucket, and the next one finds there.

    Attributes:
        fill: how full it is, in buckets: below 0 after a tip that strayed ahead of its time, 1 or more if it is due.
        blind_s: how long rain still falls past the buckets, since one tipped before.
    """

    fill: Fraction = Fraction()
    blind_s: Fraction = Fraction()


def tip_instants_s(rain: Hyetograph, bucket: TippingBucket, found: Left | None = None) -> tuple[float, ...]:
    """Return the instants of all tips, seconds from the rain's beginning, in order.

    Tip k falls where the depth reaches (k - phase) * tip; a tip that is due exactly at the end falls. Without
    dead time each instant is the float next to the exact one, so nothing drifts however long the train. With a
    dead time, the rain of that time is lost, and the next tip falls a whole bucket after it.

    Args:
        rain: the rain.
        bucket: the gauge.
        found: what an earlier rain left in it; the bucket's own phase unless stated.

    Raises:
        ValueError: more than `MOST_TIPS`.
    """
    return tuple(float(at_s) for at_s in _tips(rain, bucket, found or _of_phase(bucket)))


def left_by(rain: Hyetograph, bucket: TippingBucket, found: Left, *, at_s: Fraction, tipped: int) -> Left:
    """Return what is in the bucket at an instant: no rain is lost but that of dead times, and none is made.

    Args:
        rain: the rain, which may be over by then.
        bucket: the gauge; its own phase has no say.
        found: what was in it at 0 s.
        at_s: the instant, from 0 s on.
        tipped: tips that fell before it; jitter lets more or fewer fall than the rain alone would.
    """
    tip_mm, dead_s = exact(bucket.tip_mm), exact(bucket.dead_time_s)
    curve = MassCurve(rain)
    fallen_mm = curve.depth_mm_by(at_s)
    if not dead_s:
        return Left(found.fill + fallen_mm / tip_mm - tipped)
    fill, blind_s, due = found.fill, found.blind_s, 0
    for tip_s in _tips(rain, bucket, found):
        if tip_s > at_s:
            break
        fill, blind_s, due = Fraction(), _shortened(tip_s) + dead_s, due + 1
    caught_mm = max(Fraction(), fallen_mm - curve.depth_mm_by(blind_s))
    return Left(fill + caught_mm / tip_mm + due - tipped, max(Fraction(), blind_s - at_s))


def jittered(
    instants_s: Sequence[float], *, jitter: float, seed: int, until_s: Number, dead_time_s: Number = 0
) -> tuple[float, ...]:
    """Return the tips as a real gauge scatters them; their number and order, and so the volume, are kept.

    Each instant strays evenly, towards either neighbour by at most `jitter` of the time to it, less the dead time.

    Args:
        instants_s: the instants in order.
        jitter: 0 up to but not including 0.5.
        seed: the same seed gives the same instants.
        until_s: end of the rain; no tip strays beyond it, nor before 0 s.
        dead_time_s: two tips stay at least this far apart where they were.

    Raises:
        ValueError: a number is out of its range, or an instant lies outside the rain.
    """
    if not 0 <= exact(jitter) < _MOST_JITTER:
        raise ValueError(f"jitter={jitter!r} must be 0 up to but not including 0.5: tips would change places")
    end_s, dead_s = float(exact(until_s)), float(not_negative("dead_time_s", dead_time_s))
    if instants_s and not 0 <= instants_s[0] <= instants_s[-1] <= end_s:
        raise ValueError(f"until_s={end_s:.6g} must not be before the last tip at {instants_s[-1]:.6g} s")
    gaps_s = [max(b - a - dead_s, 0.0) for a, b in pairwise(instants_s)]
    room_s = [instants_s[0], *gaps_s, end_s - instants_s[-1]] if instants_s else []
    draw = Random(seed)  # noqa: S311 - a reproducible scatter, no secret
    strayed: list[float] = []
    # Less than half of the gap from either side, so that neighbours never meet. One draw a tip, whichever way it
    # strays.
    for at_s, (before_s, after_s) in zip(instants_s, pairwise(room_s), strict=True):
        share = draw.uniform(-jitter, jitter)
        strayed.append(min(max(at_s + share * (before_s if share < 0 else after_s), 0.0), end_s))
    return tuple(strayed)


def contact_plan(instants_s: Sequence[float], *, width_s: Number) -> tuple[Edge, ...]:
    """Return the edges of the gauge's contact: closed at each tip, open again after the pulse.

    Args:
        instants_s: the tips, in order, from 0 s on.
        width_s: how long a pulse lasts, more than 0 s.

    Raises:
        ValueError: the width is out of range, a pulse would not be over when the next tip falls, the instants are
            not in order, or the plan has more edges than the bench takes.
    """
    width = float(more_than_zero("width_s", width_s))
    if 2 * len(instants_s) > MOST_EDGES:
        raise Refusal(
            f"{len(instants_s)} tips are more than the {MOST_EDGES // 2} that one plan may hold",
            "play a shorter span of the rain",
        )
    if instants_s and instants_s[0] < 0:
        raise ValueError(f"the first tip at {instants_s[0]:.6g} s must not be before 0 s")
    for number, (at_s, next_s) in enumerate(pairwise(instants_s), start=1):
        if next_s <= at_s:
            raise ValueError(
                f"tip {number + 1} at {next_s:.6g} s does not come after tip {number} at {at_s:.6g} s"
            )
        if at_s + width >= next_s:
            raise Refusal(
                (
                    f"a pulse of {width:.6g} s is too long: tip {number + 1} comes "
                    f"{next_s - at_s:.6g} s after tip {number}"
                ),
                "use a shorter pulse, a larger tip or less rain",
            )
    return tuple(
        edge for at_s in instants_s for edge in (Edge(at_s, closed=True), Edge(at_s + width, closed=False))
    )


def _ideal_count(rain: Hyetograph, bucket: TippingBucket) -> int:
    count = floor(rain.depth_mm / exact(bucket.tip_mm) + exact(bucket.phase))
    if count > MOST_TIPS:
        raise Refusal(
            (
                f"{shown(rain.depth_mm)} mm of rain are more than {MOST_TIPS} tips of "
                f"{shown(exact(bucket.tip_mm))} mm"
            ),
            "check the units of both",
        )
    return count


def _of_phase(bucket: TippingBucket) -> Left:
    return Left(exact(bucket.phase))


def _tips(rain: Hyetograph, bucket: TippingBucket, found: Left) -> Iterator[Fraction]:
    _ideal_count(rain, bucket)
    tip_mm, dead_s = exact(bucket.tip_mm), exact(bucket.dead_time_s)
    curve = MassCurve(rain)
    due_mm = (1 - found.fill) * tip_mm + curve.depth_mm_by(found.blind_s)
    while due_mm <= curve.depth_mm:
        at_s = curve.instant_s_of(max(due_mm, Fraction()))
        yield at_s
        # Invariant: without dead time no instant enters what is due, so the count never depends on a root.
        due_mm = tip_mm + (curve.depth_mm_by(_shortened(at_s) + dead_s) if dead_s else due_mm)


def _shortened(at_s: Fraction) -> Fraction:
    """Return an instant that later sums can bear: roots and changes of intensity make fractions grow without end.

    Short fractions, as constant intensities give, stay exact; others move later by less than 2^-96 s.
    """
    if at_s.denominator.bit_length() <= _LONG_BITS:
        return at_s
    return Fraction(ceil(at_s * 2**_SHORT_BITS), 2**_SHORT_BITS)
