"""Demands on drives against known truth: courses of flags, read as a bus reads them, and judged by brute force."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from flag_cases import Course, FlagCase, draw, holds, play

from ventproof.drives.formulas import NeverTogetherFormula, PausesFormula
from ventproof.verdict.finding import Verdict

D = 1e-6  # log times have a grid of this, s
SEEDS = range(400)


def truth(case: FlagCase, d: float) -> bool:
    """Return whether the demand holds of the true courses, eased by d."""
    return holds(case.formula, [*case.courses], case.s, case.s + case.formula.for_s, d)


@pytest.fixture(scope="module")
def played() -> list[tuple[int, FlagCase, Verdict]]:
    """Play the cases once for all that is claimed of them."""
    cases = [(seed, draw(seed)) for seed in SEEDS]
    return [(seed, case, play(case).verdict) for seed, case in cases]


def test_no_verdict_contradicts_the_true_courses(played):
    """Whatever the polling, refresh and lost replies, in one request or two: a pass is true, a fail false."""
    wrong = [
        (seed, case.formula)
        for seed, case, verdict in played
        if (verdict is Verdict.PASS and not truth(case, D)) or (verdict is Verdict.FAIL and truth(case, -D))
    ]
    assert wrong == []


def test_every_kind_comes_to_every_verdict(played):
    """The cases are hard enough to be left open, and easy enough to be decided either way, more often than not."""
    found = Counter((type(case.formula).__name__, verdict) for _, case, verdict in played)
    kinds = {kind for kind, _ in found}
    assert len(kinds) == 7
    for kind in kinds:
        passed, failed, undecided = (found[kind, verdict] for verdict in Verdict)
        assert min(passed, failed) > 3, found
        assert passed + failed > undecided, found


def test_an_early_fail_is_the_final_one():
    """What is failed or passed on the first part of the evidence is so on all of it."""
    for seed in range(60):
        case = draw(seed)
        final = play(case).verdict
        for share in (0.3, 0.5, 0.7):
            early = play(case, until=int(share * len(case.evidence))).verdict
            assert early in {Verdict.INCONCLUSIVE, final}, (seed, share)


def test_a_watch_that_is_opened_late_says_the_same():
    """The readings since the stimulus count, whenever the watch is opened; more of them may only decide more."""
    for seed in range(60):
        case = draw(seed)
        live, late = play(case).verdict, play(case, opened_at=1e9).verdict
        assert live in {Verdict.INCONCLUSIVE, late}, seed


def test_close_readings_leave_open_only_what_lies_at_its_limit():
    """Read every 20 ms, at once and without loss, a demand is decided that is met or missed by more than 60 ms."""
    decided = 0
    for seed in range(150):
        case = draw(seed, close=True)
        sure, never = truth(case, -0.06), not truth(case, 0.06)
        if isinstance(case.formula, NeverTogetherFormula):
            sure = truth(case, D) and holds(PausesFormula(0.06, case.formula.for_s), *_span(case))
        if sure or never:
            decided += 1
            assert play(case).verdict is (Verdict.PASS if sure else Verdict.FAIL), seed
    assert decided > 80


def _span(case: FlagCase) -> tuple[list[Course], float, float, float]:
    return [*case.courses], case.s, case.s + case.formula.for_s, 0.0


def test_the_random_courses_are_drawn_alike_every_time():
    """A seed names a case."""
    seed = random.Random(7).randrange(1000)
    assert draw(seed) == draw(seed)
