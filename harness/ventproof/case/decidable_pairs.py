"""Whether a bench can decide that one signal agrees with another: the judge is asked, with ideal units (pure).

The other signal travels once over what it can show. A right unit tells it at once, a wrong one tells the far end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final, final

from ventproof.case.demand import formula_of, invariant_formula
from ventproof.case.ideal_contacts import IdealContacts
from ventproof.drives.formulas import AgreesFormula
from ventproof.judge.agreement import SignalPair
from ventproof.judge.trace import SignalTrace
from ventproof.profile.check_responses import responses
from ventproof.profile.model import AgreesWith
from ventproof.verdict.finding import Rule, Verdict
from ventproof_bench.base.evidence import Sample, SignalTraits, Window
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof.case.ideal import Course
    from ventproof.profile.bind import Bound
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.tree import Path

_POLLS: Final = 30
_STILL: Final = 1.0
"""How fast what nothing bounds travels here, per second."""


@final
@dataclass(frozen=True, slots=True)
class PairEvidence:
    """What a bench sees of two signals at its best: what is declared of each, how often each is read, and the rule."""

    traits: tuple[SignalTraits, ...]
    every_s: tuple[float, ...]
    rule: Rule


@final
class _Shown:
    """What is read of a signal that goes straight from one corner to another: itself, or its contacts."""

    def __init__(self, course: Course, traits: SignalTraits) -> None:
        self._course = course
        self._contacts = IdealContacts(course, traits) if isinstance(traits, ReckonedTraits) else None
        self.traits = traits if self._contacts is None else self._contacts.traits

    def read(self, at_s: float) -> float:
        """Return what is read at an instant."""
        if self._contacts is not None:
            return self._contacts.read(at_s)
        (begin_s, begin), (end_s, end) = self._course
        return begin + (end - begin) * min(1.0, max(0.0, (at_s - begin_s) / (end_s - begin_s)))


@lru_cache(maxsize=1024)
def pair_decides(formula: AgreesFormula, evidence: PairEvidence, verdict: Verdict) -> bool:
    """Return whether the verdict comes of an ideal unit that deserves it."""
    rate = min(one.rate_per_s or _STILL for one in evidence.traits)
    way = (
        2.5 * formula.tolerance + 4 * max(one.error for one in evidence.traits) + rate * max(evidence.every_s)
    )
    for_s = _POLLS * max(evidence.every_s) + 2 * formula.lag_s + 2 * way / rate
    asked = replace(formula, for_s=for_s)
    begin_s = 0.3 * for_s
    courses = [
        ((begin_s, low), (begin_s + way / rate, low + way))
        for low in (4 * way * (verdict is Verdict.FAIL), 0.0)
    ]
    shown = [_Shown(course, one) for course, one in zip(courses, evidence.traits, strict=True)]
    traces = [SignalTrace(one.traits) for one in shown]
    watch = SignalPair(*traces).watch(asked, Window(0.0, 0.0), evidence.rule)
    reads = sorted(
        (k * every_s, number)
        for number, every_s in enumerate(evidence.every_s)
        for k in range(-4, int((for_s + watch.horizon_s) / every_s) + 4)
    )
    for t_s, number in reads:
        traces[number].observe(Sample(shown[number].read(t_s), t_s, t_s))
    found = watch.close(reads[-1][0])
    return found.verdict is verdict


def _seen(traits: SignalTraits, every_s: float) -> str:
    if isinstance(traits, ReckonedTraits):
        return f"{traits.name!r} is reckoned from its drive contacts, read every {every_s:g} s"
    return f"{traits.name!r} is read every {every_s:g} s to ± {traits.error:g} {traits.unit}"


def unlike_problems(bound: Bound, errors: list[Problem]) -> Iterator[Problem]:
    """Yield a warning for what no unit can fail; add what none can pass to the errors."""
    for path, signals, formula in _demands(bound):
        evidence = _evidence(bound, signals)
        said = "; ".join(map(_seen, evidence.traits, evidence.every_s))
        lacking = next((one.name for one in evidence.traits if one.rate_per_s is None), None)
        hint = f"declare `full_travel` of {lacking!r}" if lacking else "write a larger `tolerance` or `lag`"
        if not pair_decides(formula, evidence, Verdict.PASS):
            reason = f"no unit can pass this on this bench, however right: {said}"
            errors.append(bound.profile.problem((*path, "agrees_with"), reason, hint, at_key=True))
        elif not pair_decides(formula, evidence, Verdict.FAIL):
            reason = f"no unit can fail this on this bench, however wrong: {said}"
            yield bound.profile.problem((*path, "agrees_with"), reason, hint, at_key=True)


def _demands(bound: Bound) -> Iterator[tuple[Path, Sequence[str], AgreesFormula]]:
    profile = bound.profile.model
    for path, response in responses(profile):
        formula = formula_of(response, {}) if isinstance(response, AgreesWith) else None
        if isinstance(formula, AgreesFormula):
            yield path, response.signals, formula
    for index, invariant in enumerate(profile.always):
        always = invariant_formula(invariant)
        if isinstance(always, AgreesFormula):
            yield ("always", index), invariant.signals, always


def _evidence(bound: Bound, names: Sequence[str]) -> PairEvidence:
    bench = bound.bench.model
    ats = [bound.signals[name] for name in names]
    return PairEvidence(
        tuple(map(bench.traits, ats)),
        tuple(bench.every_s(at) for at in ats),
        Rule(bound.profile.model.decision),
    )
