"""A register that the unit sets to 0 % when it believes the vent there never proves that it is."""

from __future__ import annotations

import pytest

from ventproof.deciders import formulas as f
from ventproof.judge.contrast import Role
from ventproof.judge.trace import SignalTrace
from ventproof.verdict.finding import Rule, Ruling, Verdict
from ventproof_bench.base.evidence import Sample, SignalTraits, Window

TOLD = SignalTraits(name="told", unit="%", error=0.05, rate_per_s=2.0, jumps_to=(0.0, 100.0), jumps_by=5.0)
RAIN = Window(5.0, 5.02)


def ruled(formula: f.Formula, role: Role = Role.PROOF, rule: Rule = Rule.GUARDED) -> Ruling:
    """Close from 40 % at 2 %/s until the unit says 3 %, and jump to 0 %; ask something of it."""
    trace, watch = SignalTrace(TOLD), None
    for i in range(600):
        t_s = i * 0.1
        if watch is None and t_s > 5.2:
            watch = trace.watch(formula, RAIN, rule, role=role)
        value = min(40.0, 40.0 - 2.0 * (t_s - 6.0))
        trace.observe(Sample(value if value > 3.0 else 0.0, t_s, t_s + 0.01))
    assert watch is not None
    return watch.close(60.0)


@pytest.mark.parametrize("rule", list(Rule))
@pytest.mark.parametrize("formula", [f.ReachesFormula(0.0, 2.0, 30.0), f.ReturnsFormula(0.0, 2.0, 0.0, 30.0)])
def test_reading_0_is_no_proof_that_it_is_shut(formula: f.Formula, rule: Rule) -> None:
    """What makes it jump is the unit's belief; the drive contacts and end switches show more."""
    found = ruled(formula, rule=rule)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.why == (
        "told is reckoned by the unit, which sets it to 0 % when it believes that the vent is there: that it reads "
        "0 % does not show it; require it of the vent's position by its drive contacts (`position_of`), or of an end "
        "switch"
    )


def test_what_it_reads_elsewhere_proves_and_what_it_does_not_reach_fails() -> None:
    """A band that no jump leads into is reached or not; so is one at the end that is not reached in time."""
    assert ruled(f.ReachesFormula(20.0, 2.0, 30.0)).verdict is Verdict.PASS
    assert ruled(f.ReachesFormula(0.0, 2.0, 10.0)).verdict is Verdict.FAIL
    assert ruled(f.StaysFormula(None, 41.0, 30.0)).verdict is Verdict.PASS


def test_a_condition_has_nothing_to_prove() -> None:
    """A run may begin where the unit says that its vent is shut."""
    assert ruled(f.ReachesFormula(0.0, 2.0, 30.0), Role.CONDITION).verdict is Verdict.PASS
