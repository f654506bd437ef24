"""Whether a bench can decide what a profile demands of drives: the judge is asked, with ideal flags (pure).

As in `decidable`: answers at once, polls without jitter, flags of one bus in one request.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final, final

from ventproof.case.demand import formula_of, invariant_formula
from ventproof.drives import formulas
from ventproof.drives.formulas import FlagsFormula
from ventproof.judge.flags import FlagsTrace
from ventproof.profile.check_responses import DRIVE_KINDS, kind_of, responses
from ventproof.verdict.finding import Rule, Verdict
from ventproof_bench.base.evidence import SignalTraits, Window
from ventproof_bench.benchfile.signals import SignalSpec

if TYPE_CHECKING:
    from ventproof.profile.bind import Bound
    from ventproof.profile.model import Invariant, ResponseCommon
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.tree import Path

Changes = tuple[float, ...]
"""When a flag that was off changes, shares of the judged time after the stimulus or seconds."""

_POLLS: Final = 40
"""More polls than this, and the time that they take, make no difference to what can be decided."""
_PHASES: Final = (0.5, 0.02, 0.98)
_TIMES: Final = (1.5, 2.0, 3.0, 5.0, 10.0, 20.0)
_QUICKEST_S: Final = 0.01


@final
@dataclass(frozen=True, slots=True)
class FlagsEvidence:
    """What a bench sees of flags at its best.

    Attributes:
        traits: what is declared of each.
        every_s: from one poll of each to the next.
        at_once: whether one request reads them.
        rule: how readings are judged.
    """

    traits: tuple[SignalTraits, ...]
    every_s: tuple[float, ...]
    at_once: bool
    rule: Rule


def right(formula: FlagsFormula, for_s: float) -> tuple[Changes, ...]:  # noqa: PLR0911 - one line a kind
    """Return when the flags of a drive that meets a demand by a wide margin change, s after the stimulus."""
    match formula:
        case formulas.NeverTogetherFormula():
            return (0.1 * for_s, 0.3 * for_s), (0.6 * for_s, 0.8 * for_s)
        case formulas.PausesFormula(at_least_s=at_least_s):
            pause_s = max(min(2 * at_least_s, 0.5 * for_s), at_least_s)
            return (0.1 * for_s, 0.3 * for_s), (0.3 * for_s + pause_s, 2 * for_s)
        case formulas.RunsAtMostFormula(at_most_s=most_s):
            begin_s = 0.1 * for_s
            return ((begin_s, begin_s + min(most_s / 2, for_s)),)
        case formulas.StartsAtMostFormula():
            return ((0.3 * for_s, 0.7 * for_s) if formula.number else (),)
        case formulas.StartsAtLeastFormula(number=number):
            return (_starts(number + 1, for_s),)
        case formulas.StopsAtEndFormula(within_s=within_s):
            end_s = 0.5 * for_s
            return (0.1 * for_s, end_s + min(within_s, for_s) / 4), (end_s, 2 * for_s)
        case formulas.TogetherFormula():
            return (0.3 * for_s, 0.7 * for_s), (0.3 * for_s, 0.7 * for_s)


def _starts(number: int, for_s: float) -> Changes:
    """Return when a flag changes that turns on so often in a time, evenly."""
    every_s = for_s / number
    starts = (0.05 * every_s + k * every_s for k in range(number))
    return tuple(x for begin_s in starts for x in (begin_s, begin_s + every_s / 2))


def wrong(formula: FlagsFormula, for_s: float) -> tuple[Changes, ...] | None:  # noqa: PLR0911 - one line a kind
    """Return when the flags of a drive that plainly misses a demand change; None: the time is too short for that."""
    match formula:
        case formulas.NeverTogetherFormula():
            return (0.1 * for_s, 0.8 * for_s), (0.3 * for_s, 0.6 * for_s)
        case formulas.PausesFormula():
            return (0.1 * for_s, 0.5 * for_s), (0.5 * for_s, 0.9 * for_s)
        case formulas.RunsAtMostFormula(at_most_s=most_s):
            return None if most_s >= for_s else ((0.0, 2 * for_s),)
        case formulas.StartsAtMostFormula(number=number, per_s=per_s):
            return (_starts(number + 1, 0.8 * min(per_s, for_s)),)
        case formulas.StartsAtLeastFormula():
            return ((),)
        case formulas.StopsAtEndFormula(within_s=within_s):
            return None if within_s >= for_s else ((0.0, 2 * for_s), (0.02 * for_s, 2 * for_s))
        case formulas.TogetherFormula(within_s=within_s):
            return None if within_s >= for_s else ((0.02 * for_s, 2 * for_s), ())


@lru_cache(maxsize=1024)
def flags_decide(formula: FlagsFormula, evidence: FlagsEvidence, verdict: Verdict) -> bool:
    """Return whether the verdict comes of an ideal drive that deserves it; not so where none deserves it."""
    slowest_s = max(
        every_s + one.refreshed_every_s + (one.keeps_for_s or 0.0)
        for every_s, one in zip(evidence.every_s, evidence.traits, strict=True)
    )
    limits = [getattr(formula, name, 0.0) for name in ("at_least_s", "at_most_s", "within_s", "per_s")]
    most_s = _POLLS * slowest_s * (1 + getattr(formula, "number", 0)) + 4 * max(limits)
    for_s = min(formula.for_s or most_s, most_s)
    courses = (right if verdict is Verdict.PASS else wrong)(formula, for_s)
    if courses is None:
        return False
    asked = replace(formula, for_s=for_s)
    return any(_judged(asked, courses, evidence, for_s, phase) is verdict for phase in _PHASES)


def _judged(
    formula: FlagsFormula, courses: Sequence[Changes], evidence: FlagsEvidence, for_s: float, phase: float
) -> Verdict:
    trace = FlagsTrace(evidence.traits, evidence.rule)
    watch = trace.watch(formula, Window(0.0, 0.0), evidence.rule)
    settles_s = 4 * max(evidence.every_s) + 2 * max(one.refreshed_every_s for one in evidence.traits)
    for t_s, flags in _polls(evidence, -settles_s, for_s + settles_s, phase):
        values = [float(sum(c <= t_s for c in changes) % 2) for changes in courses]
        trace.observe([v if k in flags else None for k, v in enumerate(values)], t_s, t_s)
    return watch.close(for_s + settles_s).verdict


def _polls(
    evidence: FlagsEvidence, from_s: float, to_s: float, phase: float
) -> Iterator[tuple[float, Sequence[int]]]:
    """Yield when which flags are read, in order of time."""
    groups: list[tuple[float, Sequence[int]]] = [(e, (k,)) for k, e in enumerate(evidence.every_s)]
    if evidence.at_once:
        groups = [(max(evidence.every_s), range(len(evidence.every_s)))]
    polls = [
        ((k + phase) * every_s, flags)
        for every_s, flags in groups
        for k in range(int(from_s / every_s) - 1, int(to_s / every_s) + 1)
    ]
    yield from sorted(polls, key=lambda poll: poll[0])


def flag_problems(bound: Bound) -> tuple[list[Problem], list[Problem]]:
    """Return what no drive can pass on a bench, and what none can fail."""
    errors: list[Problem] = []
    warnings: list[Problem] = []
    for path, part, kind, formula in _demands(bound):
        evidence = _evidence(bound, part.signals)
        said = "; ".join(
            f"{one.name!r} is read every {every_s:g} s"
            + (f", up to {one.refreshed_every_s:g} s late" if one.refreshed_every_s else "")
            for one, every_s in zip(evidence.traits, evidence.every_s, strict=True)
        )
        for verdict, able, found in ((Verdict.PASS, "right", errors), (Verdict.FAIL, "wrong", warnings)):
            if not flags_decide(formula, evidence, verdict):
                reason = f"no unit can {verdict} this on this bench, however {able}: {said}"
                hint = _cure(bound, formula, evidence, verdict)
                found.append(bound.profile.problem((*path, kind), reason, hint, at_key=True))
                break
    return errors, warnings


def _demands(bound: Bound) -> Iterator[tuple[Path, ResponseCommon | Invariant, str, FlagsFormula]]:
    profile = bound.profile.model
    for path, response in responses(profile):
        if kind_of(response) in DRIVE_KINDS:
            formula = formula_of(response, {})
            assert isinstance(formula, FlagsFormula)
            yield path, response, kind_of(response), formula
    for index, invariant in enumerate(profile.always):
        formula = invariant_formula(invariant)
        if isinstance(formula, FlagsFormula):
            kind = next(key for key in DRIVE_KINDS if getattr(invariant, key, None) is not None)
            yield ("always", index), invariant, kind, formula


def _evidence(bound: Bound, names: Sequence[str]) -> FlagsEvidence:
    bench = bound.bench.model
    ats = [bound.signals[name] for name in names]
    specs = [spec for at in ats if isinstance(spec := bench.signals[at], SignalSpec)]
    return FlagsEvidence(
        tuple(map(bench.traits, ats)),
        tuple(bench.every_s(at) for at in ats),
        len({(spec.bus, spec.unit_id, spec.table) for spec in specs}) == 1,
        Rule(bound.profile.model.decision),
    )


def _cure(bound: Bound, formula: FlagsFormula, evidence: FlagsEvidence, verdict: Verdict) -> str:
    """Return the least that would let the bench decide it."""
    for one, every_s in zip(evidence.traits, evidence.every_s, strict=True):
        for times in _TIMES if evidence.rule is Rule.GUARDED else ():
            keeps_s = float(f"{times * (every_s + one.refreshed_every_s):.2g}")
            if keeps_s <= (one.keeps_for_s or 0.0):
                continue
            kept = tuple(
                replace(flag, keeps_for_s=max(keeps_s, flag.keeps_for_s or 0.0)) for flag in evidence.traits
            )
            if flags_decide(formula, replace(evidence, traits=kept), verdict):
                line, _ = bound.bench.locate(("signals", one.name))
                names = " and ".join(repr(flag.name) for flag in evidence.traits)
                return (
                    f"declare `keeps_for: {keeps_s:g} s` or more of {names}, if the unit keeps to it "
                    f"({bound.bench.path} line {line})"
                )
    for times in _TIMES:
        quicker = tuple(float(f"{every_s / times:.1g}") for every_s in evidence.every_s)
        if min(quicker) >= _QUICKEST_S and flags_decide(formula, replace(evidence, every_s=quicker), verdict):
            buses = {
                bound.bench.model.bus_of(one.name): x for one, x in zip(evidence.traits, quicker, strict=True)
            }
            return ", ".join(f"read it every {x:g} s (`poll_every` of {bus!r})" for bus, x in buses.items())
    if verdict is Verdict.FAIL and wrong(formula, formula.for_s or float("inf")) is None:
        return "write a longer `for`, longer than the limit"
    return "no value of the bench file alone would suffice: require something else"
