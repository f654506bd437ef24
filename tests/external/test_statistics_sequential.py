"""Sequential tests against the NIST/SEMATECH e-Handbook 6.2.6 and Wald 1947."""

from __future__ import annotations

import math

import pytest

from ventproof.statistics.sequential import WaldTest

# NIST/SEMATECH 6.2.6: p1 0.01, p2 0.10 of defects, alpha 0.05, beta 0.10 (its table seen in public data).
PLAN = WaldTest(good=0.99, poor=0.90, false_reject=0.05, false_accept=0.10)
ACCEPT_FROM = {24: 0, 49: 1, 74: 2, 100: 3}
REJECT_FROM = {2: 2, 20: 3, 46: 4, 71: 5, 96: 6}


def step(table, n):
    """Return the number that holds after n items, or None before the first."""
    reached = [value for start, value in table.items() if start <= n]
    return reached[-1] if reached else None


@pytest.mark.parametrize("n", range(1, 101))
def test_every_row_of_the_handbooks_table(n):
    """Acceptance and rejection numbers after each of the 100 items."""
    accepted = [fails for fails in range(n + 1) if PLAN.accepts(n - fails, fails)]
    rejected = [fails for fails in range(n + 1) if PLAN.rejects(n - fails, fails)]
    assert max(accepted, default=None) == step(ACCEPT_FROM, n)
    assert min(rejected, default=None) == step(REJECT_FROM, n)


def test_the_handbooks_lines():
    """Slope and intercepts: k 1.04139, h1 0.93886, h2 1.20538 (base 10), s 0.039747 (seen)."""
    k = PLAN.step_pass - PLAN.step_fail
    assert k / math.log(10) == pytest.approx(1.04139, abs=6e-6)
    assert PLAN.accept_at / k == pytest.approx(0.93886, abs=6e-6)
    assert -PLAN.reject_at / k == pytest.approx(1.20538, abs=6e-6)
    assert PLAN.step_pass / k == pytest.approx(0.039747, abs=6e-7)


def test_walds_boundaries():
    """Wald 1947, the same risks: A 18 and B 0.105263 of poor over good; logarithms 2.89037 and -2.25129."""
    assert -PLAN.reject_at == pytest.approx(math.log(18), abs=1e-12)
    assert -PLAN.reject_at == pytest.approx(2.89037, abs=6e-6)
    assert -PLAN.accept_at == pytest.approx(math.log(0.105263), abs=6e-6)
    assert -PLAN.accept_at == pytest.approx(-2.25129, abs=6e-6)
