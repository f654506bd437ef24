"""The one sentence that says why, of demands on drives; and what would decide what is open (pure)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from ventproof.drives import formulas
from ventproof.drives.base import FlagsDecider, Violation
from ventproof.drives.formulas import FlagsFormula
from ventproof.envelope.readings import ReadingStats
from ventproof.envelope.spans import INF
from ventproof.judge.wording import Since, nothing_read
from ventproof.verdict.finding import Bounds, Miss, Ruling, Verdict
from ventproof.verdict.text import number_text, outward
from ventproof_bench.base.evidence import SignalTraits
from ventproof_bench.base.text import number_of

_QUICKEST_S: Final = 0.01
"""Polling more often than this is nothing that a bus can do."""


def limit_s(formula: FlagsFormula) -> float | None:
    """Return the limit in a demand, s; None where it is no time."""
    match formula:
        case formulas.PausesFormula():
            return formula.at_least_s
        case formulas.StartsAtMostFormula() | formulas.StartsAtLeastFormula():
            return None
        case _:
            return formulas.at_most_s(formula) or None


def measured_s(formula: FlagsFormula, decider: FlagsDecider) -> Bounds | None:
    """Return how many seconds are left before the limit, worst and best; None where no time was bounded."""
    limit = limit_s(formula)
    by = decider.violation.by if decider.violation is not None else decider.observed
    if limit is None or by is None or decider.verdict is Verdict.INCONCLUSIVE or INF in by:
        return None
    if isinstance(formula, formulas.PausesFormula):
        return Bounds(by.low - limit, by.high - limit)
    return Bounds(limit - by.high, limit - by.low)


def missed(formula: FlagsFormula, decider: FlagsDecider) -> Miss | None:
    """Return by how much a demand failed; None where no time says it."""
    limit = limit_s(formula)
    if limit is None or decider.violation is None:
        return None
    by = decider.violation.by
    if by.low > limit:
        return Miss(by, limit, " s", "too long")
    return Miss(by, limit, " s", "too short") if 0 < by.high < limit else None


def why(  # noqa: PLR0917 - a sentence needs all of them
    found: Ruling,
    formula: FlagsFormula,
    decider: FlagsDecider,
    traits: Sequence[SignalTraits],
    stats: Sequence[ReadingStats],
    since: Since,
) -> str:
    """Return the sentence for a ruling.

    Args:
        found: the ruling, without its sentence.
        formula: what was demanded.
        decider: what decided it.
        traits: what the bench file declares of each flag.
        stats: how densely each was read.
        since: from what the sentence counts.
    """
    names = [one.name for one in traits]
    if found.verdict is Verdict.INCONCLUSIVE:
        return _undecided(formula, decider, traits, stats, since)
    if decider.violation is not None:
        after_s = decider.violation.at_s - decider.judged.s1 + since.judged_after_s
        return f"{_failed(formula, decider.violation, names)}, {after_s:.2f} s after {since.event}"
    if decider.judged.end_s < decider.judged.s1:
        return "not tested: the condition ended before the limit applied"
    return _passed(formula, decider.observed, names)


def _times(by: Bounds) -> str:
    if by.high == INF:
        return f"at least {by.low:.2f} s"
    return f"{by.low:.2f} to {by.high:.2f} s"


def _started(formula: formulas.StartsAtLeastFormula, by: Bounds) -> str:
    starts = _starts(by.low)
    if by.high > by.low:
        starts = f"at least {starts}" if by.high == INF else f"{by.low:.0f} to {_starts(by.high)}"
    return f"{starts}, required at least {formula.number}"


def _starts(number: float) -> str:
    return number_of(round(number), "start")


def _allowed(number: int) -> str:
    return f"{number} {'is' if number == 1 else 'are'} allowed"


def _limit(formula: FlagsFormula) -> str:
    return f"{number_text(limit_s(formula) or 0.0)} s"


def _passed(formula: FlagsFormula, observed: Bounds | None, names: Sequence[str]) -> str:
    low_high = _times(observed) if observed is not None else ""
    match formula:
        case formulas.NeverTogetherFormula():
            return f"{names[0]} and {names[1]} were never on together"
        case formulas.PausesFormula():
            said = f"the shortest pause was {low_high}" if low_high else "there was no reversal"
            return f"{said}, required at least {_limit(formula)}"
        case formulas.RunsAtMostFormula():
            said = f"the longest run was {low_high}" if low_high else "it never ran"
        case formulas.StartsAtMostFormula():
            starts = _starts(observed.high if observed is not None else 0)
            return f"at most {starts} in {number_text(formula.per_s)} s, {_allowed(formula.number)}"
        case formulas.StartsAtLeastFormula():
            return _started(formula, observed or Bounds(0, INF))
        case formulas.StopsAtEndFormula():
            said = f"on for {low_high} at most while {names[1]} was on" if low_high else "off at the end"
        case formulas.TogetherFormula():
            said = f"unlike {names[1]} for {low_high} at most" if low_high else f"never unlike {names[1]}"
    return f"{said}, limit {_limit(formula)}"


def _failed(  # noqa: PLR0911 - one line a kind
    formula: FlagsFormula, violation: Violation, names: Sequence[str]
) -> str:
    by = violation.by
    first, other = names[violation.first], names[-1 - violation.first]
    match formula:
        case formulas.NeverTogetherFormula():
            lasted = f" for {_times(by)}" if by.low > 0 else ""
            return f"{first} and {other} were on together{lasted}"
        case formulas.PausesFormula() if by.high <= 0:
            return f"{first} turned on while {other} was on; required a pause of at least {_limit(formula)}"
        case formulas.PausesFormula():
            said = f"{first} turned on {_times(by)} after {other} turned off"
            return f"{said}; required a pause of at least {_limit(formula)}"
        case formulas.RunsAtMostFormula():
            return f"was on for {_times(by)}, at most {_limit(formula)} is allowed"
        case formulas.StartsAtMostFormula():
            span = f"less than {number_text(formula.per_s)} s"
            return f"{_starts(by.low)} in {span}, {_allowed(formula.number)}"
        case formulas.StartsAtLeastFormula():
            return _started(formula, by)
        case formulas.StopsAtEndFormula():
            return f"was on for {_times(by)} while {other} was on, at most {_limit(formula)} is allowed"
        case formulas.TogetherFormula():
            said = f"{first} was on and {other} off for {_times(by)}"
            return f"{said}, at most {_limit(formula)} is allowed"


def hollow_why(formula: FlagsFormula, traits: Sequence[SignalTraits], since: Since) -> tuple[str, str]:
    """Return what a pass shows nothing of, and what would make it a proof."""
    names = [one.name for one in traits]
    match formula:
        case formulas.PausesFormula():
            lacking, cure = f"{names[0]} and {names[1]} took turns", "require it of a reversal"
        case formulas.StopsAtEndFormula():
            lacking, cure = f"both {names[0]} and {names[1]} were on", "require it of a travel to the end"
        case formulas.TogetherFormula():
            lacking, cure = f"{names[0]} or {names[1]} changed", "require it of a time in which they change"
        case formulas.StartsAtMostFormula():
            lacking, cure = f"{names[0]} started", "require it of a time in which it does"
        case formulas.NeverTogetherFormula():
            lacking, cure = f"{' or '.join(names)} was on", "require it of a time in which one of them is on"
        case _:
            lacking, cure = f"{names[0]} was on", "require it of a time in which it is on"
    return (
        f"nothing shows that {lacking} since {since.event}, so this shows nothing about {' and '.join(names)}",
        cure,
    )


def _undecided(
    formula: FlagsFormula,
    decider: FlagsDecider,
    traits: Sequence[SignalTraits],
    stats: Sequence[ReadingStats],
    since: Since,
) -> str:
    end_s = decider.judged.end_s
    for one, read in zip(traits, stats, strict=True):
        gap = read.longest_gap
        if not read.count:
            return nothing_read(f"nothing was read of {one.name} since {since.event}", gap)
        if gap is not None:
            return (
                f"readings of {one.name} were missing for {gap.to_s - gap.from_s:.3g} s ({gap.reason}); "
                f"repeat the step with the bus in order"
            )
        if read.last_s < end_s < INF:
            return f"the readings of {one.name} end before the time was over; run the step to its end"
        unseen_s = read.widest_s + one.refreshed_every_s + read.trip_s
        if one.keeps_for_s is None:
            return (
                f"{one.name} may change between two readings; declare keeps_for in the bench file "
                f"(more than {unseen_s:.3g} s, at this polling)"
            )
        if unseen_s >= one.keeps_for_s:
            return (
                f"{one.name} may change and change back within {one.keeps_for_s:.3g} s, and neighbouring readings "
                f"span up to {unseen_s:.3g} s; poll more often than every "
                f"{max(0.0, one.keeps_for_s - one.refreshed_every_s - read.trip_s):.3g} s"
            )
    return _too_wide(formula, decider, traits, stats)


def _too_wide(
    formula: FlagsFormula,
    decider: FlagsDecider,
    traits: Sequence[SignalTraits],
    stats: Sequence[ReadingStats],
) -> str:
    """Return which times the edges' windows leave, and how often to poll."""
    wide_s = max(one.refreshed_every_s + read.trip_s for one, read in zip(traits, stats, strict=True))
    every_s = max(read.spacing_s for read in stats)
    limit, worst = limit_s(formula), decider.open_by
    if limit is None or worst is None or worst == INF:
        names = " and ".join(one.name for one in traits)
        nearer_s = outward(max(_QUICKEST_S, every_s / 2), 3, up=False)
        if isinstance(formula, formulas.NeverTogetherFormula):
            said = f"one of {names} turned off and the other on between the same readings"
            return f"{said}; a reading every {nearer_s:g} s decides it if both were off for {nearer_s + wide_s:.3g} s"
        return f"{names} changed too close to a limit; poll more often than every {every_s:.3g} s"
    # Each of the two edges lies in a window of one poll, one reply and one refresh: so near must the polls be for the
    # middle of what is possible now to be on one side of the limit.
    needed_s = (abs(limit - worst) + 0.0) / 2
    nearer_s = needed_s - wide_s
    if not _QUICKEST_S <= nearer_s < every_s:
        nearer_s = max(_QUICKEST_S, every_s / 2)
    nearer_s = outward(nearer_s, 3, up=False)
    word = "only" if isinstance(formula, formulas.PausesFormula) else "up to"
    return (
        f"the readings leave {word} {worst:.2f} s possible, with a limit of {number_text(limit)} s; a reading every "
        f"{nearer_s:g} s would decide it, unless it really came within {nearer_s + wide_s:.2g} s of its limit"
    )
