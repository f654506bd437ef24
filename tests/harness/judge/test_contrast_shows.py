"""Whether a pass shows anything: the readings must prove that what is demanded did not hold all the way."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import judge_campaign as campaign
import pytest
from judge_cases import Case, runs_in

from ventproof.deciders import formulas as f
from ventproof.judge.contrast import Role
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Rule, Ruling, Verdict
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window

FLAG = SignalTraits(name="rain_override", unit="flag", keeps_for_s=0.5)
VENT = SignalTraits(name="roof_vent", unit="%", error=0.25, rate_per_s=10.0)
ON = f.EqualsFormula(1.0, 3.0)
AT_5 = f.ReachesFormula(5.0, 2.0, 30.0, 2.0)
STIMULUS = Window(10.0, 10.1)


def ruled(
    formula: Any,
    readings: Any,
    *,
    traits: SignalTraits = FLAG,
    role: Role = Role.PROOF,
    rule: Rule = Rule.GUARDED,
    gaps: tuple[Gap, ...] = (),
) -> Ruling:
    """Feed values at instants, and gaps in between, to a watch that is opened right after the stimulus."""
    trace = SignalTrace(traits)
    evidence = [Sample(float(value), t - 0.02, t) for t, value in readings]
    watch = None
    for item in sorted([*evidence, *gaps], key=lambda x: x.to_s if isinstance(x, Gap) else x.replied_s):
        if watch is None and (item.to_s if isinstance(item, Gap) else item.replied_s) > STIMULUS.latest_s:
            watch = trace.watch(formula, STIMULUS, rule, role=role)
        (trace.gap if isinstance(item, Gap) else trace.observe)(item)
    assert watch is not None
    return watch.close(100.0)


def every(from_s: float, to_s: float, value: float, step_s: float = 0.2) -> list[tuple[float, float]]:
    """Return the same value again and again."""
    return [(round(from_s + i * step_s, 3), value) for i in range(int((to_s - from_s) / step_s))]


OFF_THEN_ON = [*every(8, 10, 0), *every(10.3, 15, 1)]
SILENT = Gap("unit", 7.0, 9.9, "timeout")
LATER = Gap("unit", 9.8, 11.0, "timeout")


@pytest.mark.parametrize("rule", list(Rule))
@pytest.mark.parametrize(
    ("formula", "readings", "traits", "gaps", "shows"),
    [
        pytest.param(ON, OFF_THEN_ON, FLAG, (), "", id="it came"),
        pytest.param(ON, every(8, 15, 1), FLAG, (), "already as required before", id="it was there"),
        pytest.param(ON, every(10.3, 15, 1), FLAG, (), "not known", id="nothing was read before"),
        pytest.param(
            ON, [*every(6, 7, 0), *every(10.3, 15, 1)], FLAG, (SILENT,), "not known", id="silence before"
        ),
        pytest.param(
            ON, [*every(8, 10, 0), *every(11, 15, 1)], FLAG, (LATER,), "", id="a poll was lost at it"
        ),
        pytest.param(
            ON,
            [*every(8, 10, 1), *every(10.2, 12, 0), *every(12, 15, 1)],
            FLAG,
            (),
            "",
            id="left, and came again",
        ),
        pytest.param(AT_5, [*every(8, 10, 99), *every(20.2, 30, 5)], VENT, (), "", id="a vent came"),
        pytest.param(AT_5, every(8, 30, 5), VENT, (), "already as required before", id="a vent was there"),
        pytest.param(
            AT_5,
            [*every(8, 10.2, 3.1), *every(10.3, 30, 5)],
            VENT,
            (),
            "perhaps already as required",
            id="at the band's edge",
        ),
        pytest.param(
            f.ReturnsFormula(5.0, 2.0, 0.0, 30.0),
            every(8, 42, 5),
            VENT,
            (),
            "already as required",
            id="never left",
        ),
        pytest.param(
            f.OvershootsAtMostFormula(2.0, 5.0, 9.0), every(8, 30, 50), VENT, (), "moved", id="stood"
        ),
        pytest.param(f.NeverReversesFormula(4.0, 9.0), every(8, 30, 50), VENT, (), "moved", id="went no way"),
        pytest.param(
            f.NeverReversesFormula(4.0, 9.0),
            [(t, 50 - (t - 8)) for t, _ in every(8, 30, 0)],
            VENT,
            (),
            "",
            id="went one way",
        ),
    ],
)
def test_a_pass_needs_a_reading_that_differs_from_what_is_demanded(
    *, rule: Rule, formula: Any, readings: Any, traits: SignalTraits, gaps: tuple[Gap, ...], shows: str
) -> None:
    """Without one it is inconclusive and says why and what would cure it; by the profile's own word it is a pass."""
    if rule is Rule.SIMPLE and shows.startswith("perhaps"):
        shows = "already as required before"  # a reading as it stands has no edge of its own
    found = ruled(formula, readings, traits=traits, rule=rule, gaps=gaps)
    enough = ruled(formula, readings, traits=traits, rule=rule, gaps=gaps, role=Role.STATE)
    plain = ruled(formula, readings, traits=traits, rule=rule, gaps=gaps, role=Role.CONDITION)
    assert plain.verdict is enough.verdict is Verdict.PASS
    assert not plain.hollow
    assert found.hollow is enough.hollow is bool(shows)
    if shows:
        assert found.verdict is Verdict.INCONCLUSIVE
        assert found.response_s is enough.response_s is None
        assert shows in found.why
        assert "; " in found.why
        assert "the profile states that this is enough" in enough.why
    else:
        assert found == enough == plain


def _differed(one: Case, found: Ruling) -> bool:
    """Return whether the true course was ever other than demanded, from the last reading before on."""
    samples = [item for item in one.evidence if isinstance(item, Sample)]
    before = [x for x in samples if x.replied_s <= one.stimulus.earliest_s + 1e-5]
    from_s = before[-1].requested_s - one.traits.refreshed_every_s if before else one.stimulus.earliest_s - 2
    to_s = one.s + (found.response_s.high if found.response_s else getattr(one.formula, "for_s", 0.0)) + 3
    values = [value for _, value in one.truth.between(from_s, to_s)]
    match one.formula:
        case f.EqualsFormula(value=value):
            return any(x != value for x in values)
        case f.ReachesFormula(target=target, tolerance=tolerance):
            inside = runs_in(one.truth, from_s, to_s, target - tolerance, target + tolerance)
            return sum(b - a for a, b in inside) < to_s - from_s - 1e-9
    return any(a != b for a, b in pairwise(values))


def test_no_pass_shows_what_the_true_course_did_not_do() -> None:
    """Whatever the polling: what holds all the way in truth never passes, and nothing else of the verdict changes."""
    shown = hollow = 0
    for seed in range(300):
        one = campaign.case(seed)
        found, plain = (_played(one, role) for role in (Role.PROOF, Role.CONDITION))
        if plain.verdict is not Verdict.PASS or not found.hollow:
            assert found == plain, seed
        if found.hollow:
            hollow += 1
            assert found.verdict is Verdict.INCONCLUSIVE, seed
        elif found.verdict is Verdict.PASS and isinstance(
            one.formula,
            f.EqualsFormula | f.ReachesFormula | f.OvershootsAtMostFormula | f.NeverReversesFormula,
        ):
            shown += 1
            assert _differed(one, found), (seed, one.formula, found)
    assert min(shown, hollow) > 10


def _played(one: Case, role: Role) -> Ruling:
    trace = SignalTrace(one.traits)
    trace.remember_from(one.stimulus.earliest_s)
    watch = None
    for item in one.evidence:
        if watch is None and (item.to_s if isinstance(item, Gap) else item.replied_s) > one.stimulus.latest_s:
            watch = trace.watch(one.formula, one.stimulus, role=role)
        (trace.gap if isinstance(item, Gap) else trace.observe)(item)
        if watch is not None and watch.ruling is not None:
            return watch.ruling
    assert watch is not None
    return watch.close(one.stimulus.latest_s + 80)
