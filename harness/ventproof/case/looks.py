"""When a person must look again, so that as few looks as possible decide what is watched (pure).

A look brings nothing that matters as long as what was read before says enough: a vent that is far from its band cannot
be in it before its drive could have taken it there; one that is well inside cannot leave the band and be back before
the time for that is over; a flag that keeps its values cannot change and change back. A look must come, whatever was
read before, in time to be answered before a deadline, and once what is demanded is over.

This only says when to look. What the looks prove is the judge's business alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.deciders import formulas
from ventproof.envelope.spans import INF
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.yamlfile.fields import COUNT_UNIT

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ventproof.case.case import Case
    from ventproof.case.items import Item
    from ventproof.judge.flags import AnyWatch
    from ventproof_bench.base.evidence import Sample, SignalTraits

_EASILY: Final = 0.9
"""So much of a time that two looks may be apart is used: people take longer at times."""
_IN_TIME: Final = 1.5
"""A look begins so many times before a deadline as it takes."""


def looks_due(case: Case, takes_s: Mapping[str, float]) -> dict[str, float]:
    """Return the signals whose readings matter to the current step, with the log time of the next look at each.

    Args:
        case: the run so far.
        takes_s: how long a look and its answer take, by the profile's names of the signals that people read.
    """
    due: dict[str, float] = {}
    for signals, watch in _watches(case):
        for name in signals:
            if name in takes_s:
                trace = case.traces[name]
                at_s = _next_s(watch, trace.traits, trace.last, takes_s[name])
                due[name] = min(at_s, due.get(name, INF))
    return {name: at_s for name, at_s in due.items() if at_s < INF}


def looks_over(case: Case, takes_s: Mapping[str, float]) -> bool:
    """Return whether all that is still undecided in the current step was looked at when it was over: it stays open."""
    items = [] if case.step is None else [item for item in case.of_step(case.step) if item.ruling is None]
    return bool(items) and all(
        item.watch is not None
        and name in takes_s
        and _over(item.watch, case.traces[name].traits, case.traces[name].last)
        for item in items
        for name in item.signals
    )


def _over(watch: AnyWatch, traits: SignalTraits, last: Sample | None) -> bool:
    """Whether a look was taken after all that a demand speaks of; a counter must be seen to stand still then."""
    return last is not None and traits.unit != COUNT_UNIT and last.requested_s >= watch.judged_to_s


def _watches(case: Case) -> Iterator[tuple[tuple[str, ...], AnyWatch | None]]:
    """Yield what is watched, and what will be: a flag that is not to change must be seen not to while that is done."""
    items: list[Item] = [] if case.step is None else case.of_step(case.step)
    for item in items:
        comes = item.kind == "unchanged" and is_discrete(item.unit)
        if item.ruling is None and (item.watch is not None or comes):
            yield item.signals, item.watch
    for invariant in case.invariants:
        if invariant.ruling is None and invariant.watch is not None and invariant.watch.ruling is None:
            yield invariant.signals, invariant.watch


def _next_s(watch: AnyWatch | None, traits: SignalTraits, last: Sample | None, takes_s: float) -> float:
    """Return the log time from which on the next look at a signal is worth while."""
    if last is None:
        return -INF
    if watch is None:
        return last.requested_s + _kept_s(traits, takes_s)
    if _over(watch, traits, last):
        return INF
    at_s = last.requested_s + _rests_s(watch.formula, traits, last.value, takes_s)
    deadline_s = watch.stimulus.earliest_s + getattr(watch.formula, "within_s", INF)
    for must_s in (deadline_s - _IN_TIME * takes_s, watch.judged_to_s):
        if last.requested_s < must_s:
            at_s = min(at_s, must_s)
    return at_s


def _rests_s(formula: object, traits: SignalTraits, value: float, takes_s: float) -> float:
    """Return how long after a reading the next look can wait."""
    if is_discrete(traits.unit):
        if isinstance(formula, formulas.EqualsFormula) and value == formula.value:
            return 0.0  # read before the stimulus, or it would be decided: the next look decides it
        return _kept_s(traits, takes_s)
    if traits.rate_per_s is None:
        return 0.0
    band = _band(formula, value)
    if band is None:
        return 0.0
    low, high = band
    outside = max(low - value, value - high) - traits.error
    if outside > 0 and isinstance(formula, formulas.ReachesFormula):
        return outside / traits.rate_per_s
    inside = min(value - low, high - value) - traits.error
    # On its way to the band it comes back from nowhere. In the band it may, and the next reading may be a step nearer
    # to the edge.
    way = outside if outside > 0 else 2 * inside - traits.step
    return max(0.0, _EASILY * way / traits.rate_per_s - takes_s)


def _kept_s(traits: SignalTraits, takes_s: float) -> float:
    return max(0.0, _EASILY * (traits.keeps_for_s or 0.0) - takes_s)


def _band(formula: object, value: float) -> tuple[float, float] | None:
    """Return the band that a demand is about, if it is about one; round a reading, where that may not change."""
    match formula:
        case formulas.ReachesFormula() | formulas.ReturnsFormula():
            return formula.target - formula.tolerance, formula.target + formula.tolerance
        case formulas.StaysFormula(low=low, high=high):
            return -INF if low is None else low, INF if high is None else high
        case formulas.UnchangedFormula(tolerance=float(tolerance)):
            return value - tolerance, value + tolerance
        case _:
            return None
