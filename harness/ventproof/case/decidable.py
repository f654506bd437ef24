"""Whether a bench can decide what a profile demands: the judge is asked, with readings of ideal units (pure).

The evidence is better than the bench can give: answers at once, polls without jitter, and no window but those that
the bench file declares. What a right unit does not pass then, it never passes; what a wrong one does not fail, nobody
fails.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import ceil, floor, log10
from typing import TYPE_CHECKING, Final, final

from ventproof.case.counting import unplayed
from ventproof.case.decidable_flags import flag_problems
from ventproof.case.decidable_pairs import unlike_problems
from ventproof.case.demand import anchor_of, formula_of, invariant_formula
from ventproof.case.ideal import Course, Sight, early, right, wrong
from ventproof.case.ideal_contacts import IdealContacts, uncertain_percent
from ventproof.deciders import formulas
from ventproof.deciders.formulas import Formula
from ventproof.drives.formulas import AgreesFormula, FlagsFormula
from ventproof.envelope.spans import Block
from ventproof.judge.advice import limit_of, with_limit
from ventproof.judge.reckoning import believed_place, unproved
from ventproof.judge.trace import SignalTrace
from ventproof.profile.check_responses import kind_of
from ventproof.profile.model import Step
from ventproof.verdict.finding import Rule, Verdict
from ventproof_bench.base.evidence import SignalTraits, Window
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.benchfile.model import PERSON, ContactOutput
from ventproof_bench.benchfile.people import PersonSignal
from ventproof_bench.plant.contacts import ReckonedTraits
from ventproof_bench.yamlfile.fields import FLAG_UNIT, STATE_UNIT
from ventproof_bench.yamlfile.load import in_file_order

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats
    from ventproof.profile.bind import Bound
    from ventproof.profile.model import ResponseCommon
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.signals import Signal
    from ventproof_bench.yamlfile.tree import Path

_PHASES: Final = (0.5, 0.02, 0.98)
"""Where in the interval between two polls the stimulus falls."""
_POLLS: Final = 12
"""Spans of more polls and refreshes, and the travel that belongs to them, make no difference to what can be decided."""
_LIMITS: Final[dict[type[Formula], str]] = {
    formulas.StartsMovingFormula: "by",
    formulas.NeverReversesFormula: "by",
    formulas.OvershootsAtMostFormula: "overshoots_at_most",
}
"""Key of the limit, where it is no tolerance."""
_TIMES: Final = (1.1, 1.25, 1.5, 2.0, 3.0, 5.0, 10.0, 20.0)
"""By so much something is made better, or easier, before it is given up."""
_TRAVEL_S: Final = 60.0
_QUICKEST_S: Final = 0.01
_BRISKEST_S: Final = 2.0
"""Nobody reads and answers quicker than this again and again (our own judgement, no source)."""
_ROUNDING: Final = 1e-9
_JUMP: Final = 1e9
"""How fast what nothing bounds can change, per second."""
_WIDEST: Final = 1e4
"""Nothing that is measured here is larger, where the bench file gives no range."""


@final
@dataclass(frozen=True, slots=True)
class Evidence:
    """What a bench sees of a signal at its best.

    Attributes:
        traits: what is declared of the signal.
        every_s: from one poll to the next.
        window_s: length of the stimulus' window.
        rule: how readings are judged.
        person: who reads it; empty where it is polled.
        takes_s: length of a reading's window: how long that person takes.
    """

    traits: SignalTraits
    every_s: float
    window_s: float
    rule: Rule
    person: str = ""
    takes_s: float = 0.0


@lru_cache(maxsize=4096)
def decides(
    formula: Formula, sight: Sight, evidence: Evidence, verdict: Verdict, *, surely: bool = False
) -> bool:
    """Return whether the verdict comes of an ideal unit that deserves it; not so where no course deserves it.

    Args:
        formula: what is demanded.
        sight: what the signal can show.
        evidence: what is seen of it.
        verdict: which verdict.
        surely: whenever it is read, and whenever in its window the stimulus was; not only if both are favourable.
    """
    formula = _shortened(formula, sight, evidence)
    courses = (right if verdict is Verdict.PASS else wrong)(formula, sight)
    every, acts_s = (all, (0.0, evidence.window_s)) if surely else (any, (0.0,))
    return any(
        every(
            _judged(formula, tuple((t + act_s, x) for t, x in course), evidence, phase) is verdict
            for act_s in acts_s
            for phase in _PHASES
        )
        for course in courses
    )


@lru_cache(maxsize=1024)
def _comes_early(formula: formulas.ReturnsFormula, sight: Sight, evidence: Evidence) -> bool:
    """Return whether a unit that does not wait fails for it, as far as is known where it would start from."""
    courses = tuple(early(formula, sight))
    failed = (_judged(formula, course, evidence, phase) for course in courses for phase in _PHASES)
    return not courses or Verdict.FAIL in failed


def _shortened(formula: Formula, sight: Sight, evidence: Evidence) -> Formula:
    """Return the formula over shorter spans where longer ones only make the same evidence longer."""
    traits = evidence.traits
    most_s = _POLLS * (evidence.every_s + traits.refreshed_every_s) + evidence.window_s
    most_s += 4 * (traits.keeps_for_s or 0.0) + 4 * ((limit_of(formula) or 0.0) + sight.clear) / sight.rate
    match formula:
        case formulas.ReachesFormula(within_s=within_s, holds_s=holds_s):
            return replace(formula, within_s=min(within_s, most_s), holds_s=min(holds_s, most_s))
        case formulas.ReturnsFormula(not_before_s=begin_s, within_s=within_s):
            first_s, then_s = min(begin_s, most_s), min(within_s - begin_s, most_s)
            return replace(formula, not_before_s=first_s, within_s=first_s + then_s)
        case formulas.EqualsFormula() | formulas.CountsFormula() | formulas.StartsMovingFormula():
            return replace(formula, within_s=min(formula.within_s, most_s))
        case formulas.StaysFormula() | formulas.UnchangedFormula() | formulas.NeverReversesFormula():
            return replace(formula, for_s=min(formula.for_s or most_s, most_s))
        case formulas.OvershootsAtMostFormula() | formulas.MovesAtFormula():
            return formula  # they need room to travel


def _judged(formula: Formula, course: Course, evidence: Evidence, phase: float) -> Verdict:
    traits, every_s = evidence.traits, evidence.every_s
    contacts = IdealContacts(course, traits) if isinstance(traits, ReckonedTraits) else None
    trace = SignalTrace(contacts.traits if contacts is not None else traits)
    settles_s = 4 * every_s + 2 * traits.refreshed_every_s + (traits.keeps_for_s or 0.0)

    def read(from_s: float, to_s: float) -> Block:
        t = _polls(every_s, from_s, to_s, phase)
        takes_s = evidence.takes_s  # whoever reads it looks in the middle of that
        if contacts is None:
            return Block.of(_shown(course, traits, t + takes_s / 2), t, t + takes_s)
        return Block.of(map(contacts.read, t.tolist()), t, t)

    trace.observe_block(read(-settles_s, 0.0))
    trace.remember_from(-settles_s)
    watch = trace.watch(formula, Window(0.0, evidence.window_s), evidence.rule, worded=False)
    trace.observe_block(read(0.0, watch.horizon_s + settles_s))
    return watch.close(watch.horizon_s + settles_s).verdict


def _polls(every_s: float, from_s: float, to_s: float, phase: float) -> Floats:
    import numpy as np  # noqa: PLC0415 - slow to import, and commands that check nothing need it not

    first, last = ceil(from_s / every_s - phase), ceil(to_s / every_s - phase)
    return np.asarray((np.arange(first, last) + phase) * every_s, np.float64)


def _shown(course: Course, traits: SignalTraits, t: Floats) -> Floats:
    import numpy as np  # noqa: PLC0415 - as above

    at, values = np.array(course).T
    if is_discrete(traits.unit):
        stepped: Floats = values[np.maximum(0, at.searchsorted(t, "right") - 1)]
        return stepped
    between: Floats = np.interp(t, at, values)
    return between


@final
@dataclass(frozen=True, slots=True)
class _Demand:
    """A response or an `always` on a bench: where it stands, what it says, and what is seen of its signal."""

    path: Path
    kind: str
    formula: Formula
    evidence: Evidence
    spec: Signal
    bus: str
    stood: float | None
    surely: bool = False

    @property
    def seen(self) -> str:
        """How well its signal is seen."""
        evidence, traits = self.evidence, self.evidence.traits
        if isinstance(traits, ReckonedTraits):
            return f"{traits.name!r} is reckoned from its drive contacts, read every {evidence.every_s:g} s"
        error = "" if is_discrete(traits.unit) else f" to ± {traits.error:g} {self.spec.unit}"
        if evidence.person:
            said = f"{traits.name!r} is read by {evidence.person} every {evidence.every_s:g} s{error}"
            return f"{said}, each time at some moment of {evidence.takes_s:g} s"
        late = f", up to {traits.refreshed_every_s:g} s late" if traits.refreshed_every_s else ""
        return f"{traits.name!r} is read every {evidence.every_s:g} s{error}{late}"

    def decides(self, verdict: Verdict, evidence: Evidence, formula: Formula) -> bool:
        """Return whether a verdict would come of it with some evidence and formula."""
        sight = _sight(self.spec, evidence, self.stood)
        # What is alike but for its name is decided once.
        nameless = replace(evidence, traits=replace(evidence.traits, name=""))
        return decides(formula, sight, nameless, verdict, surely=self.surely)


def checked(bound: Bound) -> Bound:
    """Return a profile on a bench with all that no unit can pass there, and a warning for what none can fail."""
    errors, warnings = flag_problems(bound)
    warnings += unlike_problems(bound, errors)
    warnings += unplayed(bound)
    for demand in _demands(bound):
        place = believed_place(demand.formula, demand.evidence.traits)
        if place is not None and demand.path[0] == "steps":
            reason, hint = unproved(place, demand.evidence.traits)
            errors.append(bound.profile.problem((*demand.path, demand.kind), reason, hint, at_key=True))
        elif not demand.decides(Verdict.PASS, demand.evidence, demand.formula):
            reason = f"no unit can pass this on this bench, however right: {demand.seen}"
            errors.append(_problem(bound, demand, Verdict.PASS, reason))
        elif not demand.decides(Verdict.FAIL, demand.evidence, demand.formula):
            reason = f"no unit can fail this on this bench, however wrong: {demand.seen}"
            warnings.append(_problem(bound, demand, Verdict.FAIL, reason))
        else:
            warnings += _never_early(bound, demand)
            warnings += _by_luck(bound, demand)
    return replace(bound, undecidable=tuple(in_file_order(errors)), warnings=tuple(in_file_order(warnings)))


def _by_luck(bound: Bound, demand: _Demand) -> Iterator[Problem]:
    """Yield a warning for what a right unit passes only if people act and look at the right moments."""
    surely = replace(demand, surely=True)
    if demand.evidence.person and not surely.decides(Verdict.PASS, demand.evidence, demand.formula):
        reason = f"a right unit passes this only by luck: {demand.seen}"
        yield _problem(bound, surely, Verdict.PASS, reason)


def _never_early(bound: Bound, demand: _Demand) -> Iterator[Problem]:
    formula, evidence, stood = demand.formula, demand.evidence, demand.stood
    if not isinstance(formula, formulas.ReturnsFormula) or stood is None:
        return
    sight = _sight(demand.spec, evidence, stood)
    if not _comes_early(formula, sight, evidence):
        takes_s = (abs(formula.target - stood) - formula.tolerance) / sight.rate
        reason = (
            f"no unit can come back too early: from {stood:g} {demand.spec.unit} it takes {takes_s:.3g} s at its "
            f"fastest, and `not_before` is {formula.not_before_s:g} s"
        )
        hint = "write a longer `not_before`: up to the required delay plus the travel"
        yield bound.profile.problem((*demand.path, "not_before"), reason, hint)


def _demands(bound: Bound) -> Iterator[_Demand]:
    profile, signals = bound.profile.model, bound.bench.model.signals
    stood: dict[str, float] = {}
    start = Step.model_construct(step="start", do=[], expect=profile.start.until)
    for number, step in enumerate((start, *profile.steps)):
        place: Path = ("steps", number - 1, "expect") if number else ("start", "until")
        comes_to: dict[str, float] = {}
        for index, response in enumerate(step.expect):
            spec = signals[bound.signals[response.signal]]
            formula = formula_of(response, spec.states or {})
            if isinstance(formula, FlagsFormula | AgreesFormula):
                continue
            evidence = _evidence(bound, response.signal, _window_s(bound, step, response))
            before = stood.get(response.signal)
            bus = bound.bench.model.bus_of(bound.signals[response.signal])
            yield _Demand((*place, index), kind_of(response), formula, evidence, spec, bus, before)
            if isinstance(
                formula, formulas.ReachesFormula | formulas.ReturnsFormula | formulas.MovesAtFormula
            ):
                comes_to[response.signal] = formula.target
        stood |= comes_to
    for index, invariant in enumerate(profile.always):
        always = invariant_formula(invariant)
        if isinstance(always, FlagsFormula | AgreesFormula):
            continue
        spec = signals[bound.signals[invariant.signal]]
        kind = next(
            key for key in ("stays", "stays_at_least", "stays_at_most") if getattr(invariant, key) is not None
        )
        evidence = _evidence(bound, invariant.signal, 0.0)
        bus = bound.bench.model.bus_of(bound.signals[invariant.signal])
        yield _Demand(("always", index), kind, always, evidence, spec, bus, None)


def _evidence(bound: Bound, name: str, window_s: float) -> Evidence:
    at, bench = bound.signals[name], bound.bench.model
    rule, spec = Rule(bound.profile.model.decision), bench.signals[at]
    if not isinstance(spec, PersonSignal):
        return Evidence(bench.traits(at), bench.every_s(at), window_s, rule)
    takes_s = bench.every_s(at) + bench.people[spec.read_by].reaction
    return Evidence(bench.traits(at), bench.every_s(at), window_s, rule, spec.read_by, takes_s)


def _window_s(bound: Bound, step: Step, response: ResponseCommon) -> float:
    """Return the shortest window that the stimulus of a response can have."""
    _, number = anchor_of(response, step)
    names = step.do[number].outputs if number is not None else ()
    for name in names if bound.outputs.keys() >= set(names) else ():
        bench = bound.bench.model
        output = bench.outputs[bound.outputs[name]]
        if output.driver == PERSON:
            person = bench.people[output.wired["who"]]
            return person.answers_in + person.reaction
        if isinstance(output, ContactOutput):
            return min(output.operate, output.release) + output.bounce
    return 0.0


def _sight(spec: Signal, evidence: Evidence, stood: float | None) -> Sight:
    traits = evidence.traits
    low, high = (0.0, 100.0) if spec.unit == "%" else (-_WIDEST, _WIDEST)
    if spec.range is not None:
        low, high = sorted(end.value for end in spec.range)
    blind = (traits.rate_per_s or 0.0) * (evidence.every_s + traits.refreshed_every_s)
    if isinstance(traits, ReckonedTraits):
        blind += uncertain_percent(traits)
    return Sight(low, high, traits.rate_per_s or _JUMP, 3 * (2 * traits.error + blind) or 1.0, stood)


def _problem(bound: Bound, demand: _Demand, verdict: Verdict, reason: str) -> Problem:
    bench = _cure(demand, verdict, _better(demand))
    # What no unit can fail is not mended by a weaker demand.
    profile = _cure(demand, verdict, _easier(demand)) if verdict is Verdict.PASS else ""
    line, _ = bound.bench.locate(("signals", demand.evidence.traits.name))
    ways = [f"{bench} ({bound.bench.path} line {line})" if bench else "", profile]
    hint = (
        "; or ".join(filter(None, ways))
        or "no value of the bench file alone would suffice: require something else"
    )
    return bound.profile.problem((*demand.path, demand.kind), reason, hint, at_key=True)


_Change = tuple[str, Evidence, Formula]
"""What would be written, and the evidence and the formula that would come of it."""


def _cure(demand: _Demand, verdict: Verdict, kinds: Iterable[Sequence[_Change]]) -> str:
    """Return the first kind of change that does, and the least of it; each kind goes from the least to the most."""
    for changes in kinds:
        if changes and demand.decides(verdict, changes[-1][1], changes[-1][2]):
            least = bisect_left(changes, x=True, key=lambda change: demand.decides(verdict, *change[1:]))
            return changes[least][0]
    return ""


def _better(demand: _Demand) -> Iterator[Sequence[_Change]]:
    """Yield what would make the evidence better: what is not declared first."""
    evidence, traits, spec = demand.evidence, demand.evidence.traits, demand.spec
    if traits.unit in {FLAG_UNIT, STATE_UNIT}:
        spans = [_up(times * (evidence.every_s + traits.refreshed_every_s)) for times in _TIMES]
        yield [
            (
                f"declare `keeps_for: {span_s:g} s` or more, if the unit keeps to it",
                replace(evidence, traits=replace(traits, keeps_for_s=span_s)),
                demand.formula,
            )
            for span_s in spans
            if span_s > (traits.keeps_for_s or 0.0)
        ]
    elif traits.rate_per_s is None and not is_discrete(traits.unit):
        keys = "`full_travel`" if spec.unit == "%" or spec.range else "`range` and `full_travel`"
        sight = _sight(spec, evidence, None)
        known = replace(traits, rate_per_s=min(100.0, sight.high - sight.low) / _TRAVEL_S)
        yield [
            (
                f"declare {keys} for it, the fastest that it can change",
                replace(evidence, traits=known),
                demand.formula,
            )
        ]
    polls = (float(f"{evidence.every_s / times:.1g}") for times in _TIMES)
    yield [
        (_oftener(demand, every_s), _read_every(evidence, every_s), demand.formula)
        for every_s in polls
        if (_BRISKEST_S if evidence.person else _QUICKEST_S) <= every_s < evidence.every_s
    ]
    errors = [float(f"{traits.error / times:.1g}") for times in _TIMES] if traits.error else []
    yield [
        (
            f"read it to ± {error:g} {spec.unit} (`resolution`, `accuracy`)",
            replace(evidence, traits=replace(traits, error=error)),
            demand.formula,
        )
        for error in errors
    ]


def _oftener(demand: _Demand, every_s: float) -> str:
    if demand.evidence.person:
        return f"have it read within {every_s:g} s (`answers_in` of {demand.bus!r})"
    return f"read it every {every_s:g} s (`poll_every` of {demand.bus!r})"


def _read_every(evidence: Evidence, every_s: float) -> Evidence:
    takes_s = evidence.takes_s and evidence.takes_s - evidence.every_s + every_s
    return replace(evidence, every_s=every_s, takes_s=takes_s)


def _easier(demand: _Demand) -> Iterator[Sequence[_Change]]:
    """Yield demands that ask for less."""
    formula, limit = demand.formula, limit_of(demand.formula)
    one_sided = isinstance(formula, formulas.StaysFormula) and None in {formula.low, formula.high}
    if limit and not one_sided:
        key = _LIMITS.get(type(formula), "tolerance")
        unit = demand.spec.unit + ("/s" if isinstance(formula, formulas.MovesAtFormula) else "")
        moved = [_up(limit * times) for times in _TIMES]
        yield [
            (f"write `{key}: {most:g} {unit}`", demand.evidence, with_limit(formula, most)) for most in moved
        ]
    span = next((key for key in ("within_s", "for_s") if getattr(formula, key, None)), "")
    if span:
        spans = [_up(getattr(formula, span) * times) for times in _TIMES]
        yield [
            (f"write `{span[:-2]}: {span_s:g} s`", demand.evidence, _lasting(formula, span_s))
            for span_s in spans
        ]


def _lasting(formula: Formula, span_s: float) -> Formula:
    """Return the formula with another `within` or `for`."""
    match formula:
        case (
            formulas.StaysFormula()
            | formulas.UnchangedFormula()
            | formulas.OvershootsAtMostFormula()
            | formulas.NeverReversesFormula()
        ):
            return replace(formula, for_s=span_s)
        case _:
            return replace(formula, within_s=span_s)


def _up(value: float) -> float:
    """Return the next number of two digits."""
    scale = 10.0 ** (floor(log10(value)) - 1)
    return float(f"{ceil(value / scale - _ROUNDING) * scale:.2g}")
