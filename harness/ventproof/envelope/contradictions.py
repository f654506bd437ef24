"""What readings contradict of what a bench file declares, and what would be right (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.envelope.spans import EPS, INF
from ventproof.verdict.text import number_text, outward
from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.quantities import is_discrete

if TYPE_CHECKING:
    from ventproof_bench.base.evidence import Sample, SignalTraits

_ENDS_PERCENT: Final = (0.0, 100.0)
"""Where a unit that reckons a position finds its reference, unless the bench file says otherwise."""
_MOST_PERCENT: Final = 20.0
"""A jump over more than this corrects no reckoning: the register holds something else."""


def told(sample: Sample, traits: SignalTraits) -> str:
    """Return a reading as messages tell of it."""
    value = number_text(sample.value) + ("" if is_discrete(traits.unit) else f" {traits.unit}")
    return f"{value} (bench clock {sample.requested_s:.3f} to {sample.replied_s:.3f} s)"


def flickers(before: Sample, last: Sample, sample: Sample, traits: SignalTraits) -> EvidenceError:
    """Return what is wrong where a value was kept for less than declared.

    Args:
        before: the last reading of the value before.
        last: the last reading of the value that was kept for too short a time.
        sample: the reading after it.
        traits: what is declared of the signal.
    """
    most_s = sample.replied_s - before.requested_s + traits.refreshed_every_s
    return EvidenceError(
        f"{traits.name} read {told(last, traits)} between {told(before, traits)} and "
        f"{told(sample, traits)}: kept for less than {most_s:.3g} s where keeps_for declares "
        f"{traits.keeps_for_s:.3g} s. The unit may really flicker, or the register be a neighbour's (see "
        f"`ventproof explain off-by-one`); find out first. Only if it may change that quickly when in "
        f"order, declare keeps_for of {most_s:.3g} s or less"
    )


def too_fast(first: Sample, second: Sample, traits: SignalTraits, rate_per_s: float) -> EvidenceError:
    """Return what is wrong where two readings lie further apart than the rate allows.

    Args:
        first: the earlier reading.
        second: the later one.
        traits: what is declared of the signal.
        rate_per_s: its greatest rate, in its unit.
    """
    apart = abs(second.value - first.value) - 2 * traits.error
    between_s = second.replied_s - first.requested_s
    most_s = between_s + traits.refreshed_every_s
    needed = apart / most_s if most_s > 0 else INF
    stale_s = outward(apart / rate_per_s - between_s, 2, up=True)
    quick = needed < INF and traits.unit == "%"
    travel = f"full_travel of {100 / needed:.3g} s" if quick else f"a rate of at least {needed:.4g}"
    return EvidenceError(
        f"{traits.name} read {told(first, traits)} and then {told(second, traits)}: faster than the "
        f"declared {rate_per_s:.4g} {traits.unit}/s. No drive should: the register may hold a target, be "
        f"stale, or be a neighbour's (see `ventproof explain off-by-one`); find out first. "
        f"{_jump(first, second, traits, rate_per_s * most_s)}If the register "
        f"lags behind, declare refreshed_every of {stale_s:g} s or more; only if the drive really is that "
        f"quick, declare {travel}{' or less' if quick else ''}"
    )


def _jump(first: Sample, second: Sample, traits: SignalTraits, reach: float) -> str:
    """Return the sentence for a jump to where a unit finds its reference; nothing where it can be none.

    Args:
        first: the reading before.
        second: the reading after.
        traits: what is declared of the signal.
        reach: how far the rate goes between both.
    """
    places = traits.jumps_to or (_ENDS_PERCENT if traits.unit == "%" else ())
    near = (place for place in places if abs(second.value - place) <= traits.error + reach + EPS)
    place = next(near, None)
    if place is None or (traits.unit == "%" and abs(first.value - place) > _MOST_PERCENT):
        return ""
    by = f"{outward(abs(first.value - place), 2, up=True):g} {traits.unit} or more"
    reckons = f"If the unit reckons its position and finds its reference at {place:g} {traits.unit}, declare"
    if traits.jumps_to:
        return f"{reckons} jumps_by of {by}. "
    ends = ", ".join(f"{end:g} {traits.unit}" for end in places)
    return f"{reckons} jumps_to: [{ends}] and jumps_by of {by}. "
