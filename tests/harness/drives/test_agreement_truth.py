"""Whether one signal agrees with another, against known truth: courses, read as a bus reads them, by brute force."""

from __future__ import annotations

from collections import Counter

from agreement_cases import draw, margin, play

from ventproof.verdict.finding import Verdict

NEAR = 0.12  # the brute force looks every 10 ms, in which two signals come 0.1 % nearer


def test_no_verdict_contradicts_the_true_courses():
    """Whatever the polling, refresh and noise: a pass is true, a fail false, and the margin holds the true one."""
    found = Counter()
    for seed in range(150):
        case = draw(seed)
        ruling, true = play(case), margin(case)
        found[ruling.verdict] += 1
        assert not (ruling.verdict is Verdict.PASS and true < -NEAR), (seed, true, ruling)
        assert not (ruling.verdict is Verdict.FAIL and true > NEAR), (seed, true, ruling)
        if ruling.verdict is not Verdict.FAIL and ruling.margin is not None:
            assert ruling.margin.low - NEAR <= true <= ruling.margin.high + NEAR, (seed, true, ruling)
    assert min(found[Verdict.PASS], found[Verdict.FAIL]) > 20, found
    assert found[Verdict.INCONCLUSIVE] < 60, found


def test_far_from_the_limit_it_is_always_decided():
    """Only what lies within what the readings leave is open."""
    decided = 0
    for seed in range(100):
        case = draw(seed)
        true = margin(case)
        rate = case.traits[1].rate_per_s
        room = sum(2 * one.error + rate * (one.refreshed_every_s + 0.9) for one in case.traits)
        if abs(true) > room + rate * (case.stimulus.latest_s - case.stimulus.earliest_s):
            decided += 1
            assert play(case).verdict is (Verdict.PASS if true > 0 else Verdict.FAIL), (seed, true)
    assert decided > 2


def test_readings_at_once_say_the_same_to_the_bit():
    """As when a log is judged again: each signal's readings come as one block."""
    for seed in range(40):
        case = draw(seed)
        assert play(case) == play(case, block=True), seed
