"""Sequential claims: the promised error rates hold exactly, and every answer is final."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from outlook import outlook_of

from ventproof.statistics.repeats import success_run_repeats
from ventproof.statistics.sequential import Claim, WaldTest

PASSED, FAILED, UNDECIDED = True, False, None
CLAIMS = [(0.95, 0.95, 1.0), (0.95, 0.95, 0.99), (0.9, 0.9, 0.97), (0.5, 0.8, 0.7), (0.8, 0.99, 0.9)]


@pytest.mark.parametrize(("reliability", "confidence", "expected"), CLAIMS)
def test_error_rates_hold_exactly(reliability, confidence, expected):
    """No unit below the claim is proved, and none at or above it refuted, more often than 1 - C."""
    claim = Claim(reliability, confidence, expected)
    for p in (0.0, 0.3, 0.7, reliability - 0.01, reliability, reliability + 0.01, 0.999, 1.0):
        outlook = outlook_of(claim, p, 400)
        assert outlook.proved + outlook.refuted + outlook.undecided == pytest.approx(1.0)
        if p <= reliability:
            assert outlook.proved <= 1 - confidence + 1e-12
        if p >= reliability:
            assert outlook.refuted <= 1 - confidence + 1e-12


@pytest.mark.parametrize("inconclusive_share", [0.02, 0.3])
def test_inconclusive_repeats_break_no_promise(inconclusive_share):
    """Summed over every path of passes, fails and undecided repeats, both risks stay below 1 - C.

    The worst hidden truth is assumed: all the undecided were fails (proof), or all were passes (refutation).
    """
    for hidden, wrong in (("fail", "proved"), ("pass", "refuted")):
        fail = 0.2 if hidden == "pass" else max(0.0, 0.2 - inconclusive_share)
        odds = {None: inconclusive_share, False: fail, True: 1 - fail - inconclusive_share}
        paths = {(0, 0, 0): 1.0}
        total = 0.0
        for _ in range(40):
            following = {}
            for (passes, fails, lost), weight in paths.items():
                for passed, share in odds.items():
                    claim = Claim(0.8, 0.9, 0.9)
                    claim.passes, claim.fails, claim.inconclusive = passes, fails, lost
                    answer = claim.add(passed)
                    key = (claim.passes, claim.fails, claim.inconclusive)
                    if answer == "undecided":
                        following[key] = following.get(key, 0.0) + weight * share
                    elif answer == wrong:
                        total += weight * share
            paths = following
        assert total <= 0.1


@settings(max_examples=60, deadline=None)
@given(st.floats(0.05, 0.99), st.floats(0.05, 0.99))
def test_the_default_claim_is_the_success_run(reliability, confidence):
    """Clean repeats prove it after just the success-run number."""
    claim = Claim(reliability, confidence)
    n = success_run_repeats(reliability, confidence)
    assert claim.passes_needed == n
    assert [claim.add(PASSED) for _ in range(n)] == ["undecided"] * (n - 1) + ["proved"]
    assert claim.passes_needed == 0


def test_one_fail_ends_a_success_run_but_not_a_forgiving_claim():
    """With `expected` at 1 nothing more can prove the claim; below 1 a fail costs extra passes."""
    strict, forgiving = Claim(0.95, 0.95), Claim(0.95, 0.95, expected=0.99)
    assert (strict.add(FAILED), strict.passes_needed) == ("undecided", None)
    assert forgiving.passes_needed == 73
    assert (forgiving.add(FAILED), forgiving.passes_needed) == ("undecided", 112)
    assert [forgiving.add(PASSED) for _ in range(112)] == ["undecided"] * 111 + ["proved"]


def test_inconclusive_repeats_only_delay():
    """They count as fails for the proof and as passes for the refutation, and never decide alone."""
    claim = Claim(0.95, 0.95, expected=0.99)
    assert claim.add(UNDECIDED) == "undecided"
    assert claim.passes_needed == 112
    endless = Claim(0.95, 0.95)
    assert {endless.add(UNDECIDED) for _ in range(200)} == {"undecided"}


def test_fails_refute():
    """A unit that always fails is refuted soon; by whatever suspicion, never by the first fail at 95 %."""
    for suspected in (None, 0.01, 0.5, 0.9):
        claim = Claim(0.95, 0.96, suspected=suspected)
        answers = []
        while claim.standing == "undecided":
            answers.append(claim.add(FAILED))
        assert answers[-1] == "refuted"
        assert 2 <= len(answers) <= 6


@pytest.mark.parametrize(("reliability", "confidence", "expected"), CLAIMS)
def test_no_count_is_both_proved_and_refuted(reliability, confidence, expected):
    """The two boundaries never cross."""
    claim = Claim(reliability, confidence, expected)
    for passes, fails in product(range(60), range(60)):
        both = claim._proof.accepts(passes, fails) and claim._refutation.rejects(passes, fails)
        assert not both


def ends_of(test, p):
    """Return the exact probability of every (passes, fails) at which the test stops, up to 1500 repeats."""
    paths, ends = {0: 1.0}, {}
    for done in range(1, 1500):
        moved = {}
        for fails, weight in paths.items():
            moved[fails] = moved.get(fails, 0.0) + weight * p
            moved[fails + 1] = moved.get(fails + 1, 0.0) + weight * (1 - p)
        stops = {f for f in moved if test.accepts(done - f, f) or test.rejects(done - f, f)}
        ends |= {(done - f, f): moved[f] for f in stops}
        paths = {f: weight for f, weight in moved.items() if f not in stops}
    assert sum(paths.values()) < 1e-9
    return ends


def test_two_boundaries_keep_the_errors_that_wald_states():
    """Summed exactly, both errors add up to no more than asked, and each keeps its own stated bound."""
    test = WaldTest(good=0.99, poor=0.9, false_reject=0.05, false_accept=0.1)
    false_reject = sum(w for counts, w in ends_of(test, test.good).items() if test.rejects(*counts))
    false_accept = sum(w for counts, w in ends_of(test, test.poor).items() if test.accepts(*counts))
    assert false_reject + false_accept <= 0.05 + 0.1
    assert false_reject <= 0.05 / (1 - 0.1)
    assert false_accept <= 0.1 / (1 - 0.05)


def test_an_outlook_leaves_the_claim_alone():
    """Looking ahead counts nothing, and matches what a certain unit really does."""
    claim = Claim(0.95, 0.95)
    sure = outlook_of(claim, 1.0, 100)
    assert (sure.proved, sure.refuted, sure.undecided, sure.mean_repeats) == (1.0, 0.0, 0.0, 59.0)
    assert outlook_of(claim, 1.0, 58).undecided == 1.0
    assert claim.passes == 0


def test_the_answer_is_put_into_words():
    """The sentence names the claim, the answer, the counts and what is missing."""
    claim = Claim(0.95, 0.95)
    head = "The claim that at least 95 % of such repeats pass, at 95 % confidence, is "
    claim.add(PASSED)
    assert claim.sentence == (
        f"{head}undecided: 1 passed, 0 failed, 0 could not be decided; 58 more without a fail would prove it."
    )
    claim.add(UNDECIDED)
    assert claim.sentence == (
        f"{head}undecided: 1 passed, 0 failed, 1 could not be decided; this series can no longer prove it."
    )
    while claim.standing == "undecided":
        claim.add(FAILED)
    assert claim.sentence.startswith(f"{head}refuted: 1 passed, ")


def test_a_decided_claim_takes_no_more():
    """What comes after the answer is a new series."""
    claim = Claim(0.1, 0.9)
    assert claim.add(PASSED) == "proved"
    with pytest.raises(
        ValueError, match=r"^the claim is proved after 1 repeats; start a new claim for more repeats$"
    ):
        claim.add(FAILED)


def test_a_verdicts_name_is_no_pass():
    """The word `fail`, true as any text is, is refused rather than counted."""
    claim = Claim(0.95, 0.95)
    with pytest.raises(ValueError, match=r"^passed='fail' must be True, False or None$"):
        claim.add("fail")
    assert claim.passes == 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Claim(1.0, 0.95), r"^reliability=1\.0 must be more than 0 and less than 1"),
        (lambda: Claim(0.95, 95), r"^confidence=95 must be more than 0 and less than 1, such as 0\.95"),
        (
            lambda: Claim(0.95, 0.95, expected=0.9),
            r"^expected=0\.9 must be more than reliability=0\.95 and at most 1$",
        ),
        (
            lambda: Claim(0.95, 0.95, suspected=0.99),
            r"^suspected=0\.99 must be more than 0 and less than reliability=0\.95$",
        ),
        (
            lambda: WaldTest(good=0.5, poor=0.9, false_reject=0.1, false_accept=0.1),
            r"^poor=0\.9 and good=0\.5 must keep 0 < poor < good <= 1$",
        ),
        (
            lambda: WaldTest(good=0.9, poor=0.5, false_reject=-0.1, false_accept=0.1),
            r"^false_reject=-0\.1 must be at least 0 and less than 1$",
        ),
        (
            lambda: WaldTest(good=0.9, poor=0.5, false_reject=0.6, false_accept=0.6),
            r"must add up to more than 0 and less than 1$",
        ),
    ],
)
def test_impossible_claims_are_refused(call, message):
    """Each refusal names the value and what would be right."""
    with pytest.raises(ValueError, match=message):
        call()
