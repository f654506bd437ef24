"""By how much a demand was missed is true of the course, and adds up with what the reason of the verdict says."""

from __future__ import annotations

import re

import judge_campaign as campaign
import pytest
from judge_cases import play

from ventproof.deciders import formulas as f
from ventproof.judge.misses import wrong_of
from ventproof.verdict.finding import Bounds, Cause, Miss, Verdict, Witness
from ventproof.verdict.text import miss_text
from ventproof_bench.base.evidence import SignalTraits

SEEDS = range(200)
NUMBER = r"-?\d+(?:\.\d+)?"


@pytest.mark.parametrize("name", campaign.GENERATORS)
def test_a_stranger_can_check_the_subtraction(name: str) -> None:
    """What was observed and the limit stand in the reason, and their difference is by how much it was missed."""
    told = 0
    for seed in SEEDS:
        found = play(campaign.GENERATORS[name](seed))
        if found.miss is None:
            continue
        assert found.verdict is Verdict.FAIL
        numbers = [float(n) for n in re.findall(NUMBER, found.why)]
        pairs = {round(abs(one - other), found.miss.decimals) for one in numbers for other in numbers}
        assert round(found.miss.by, found.miss.decimals) in pairs, (name, seed, found)
        told += 1
    assert told > len(SEEDS) / 20


@pytest.mark.parametrize("name", campaign.GENERATORS)
def test_nothing_is_said_to_be_missed_by_more_than_it_was(name: str) -> None:
    """Of a band the near end of what was possible counts, and lies outside of it on the side that is said.

    What came too early came by then for certain.
    """
    for seed in SEEDS:
        one = campaign.GENERATORS[name](seed)
        found = play(one)
        if found.miss is None or not isinstance(one.formula, f.ReachesFormula | f.ReturnsFormula):
            continue
        assert found.witness is not None
        if found.miss.words == "too early":
            assert isinstance(one.formula, f.ReturnsFormula)
            assert found.miss.near < found.miss.limit == one.formula.not_before_s
            continue
        assert found.miss.observed == found.witness.value
        beyond = found.miss.near - found.miss.limit
        assert (beyond > 0) is (found.miss.words == "too high")
        assert abs(found.miss.limit - one.formula.target) == pytest.approx(one.formula.tolerance)


@pytest.mark.parametrize(
    ("miss", "text"),
    [
        (Miss(Bounds(25.58, 26.87), 10, " %", "too high"), "at least 15.58 % too high"),
        (Miss(Bounds(22.351, 22.849), 23, " %", "too low"), "at least 0.15 % too low"),
        (Miss(Bounds(10.0004, 12), 10, " %", "too high"), "less than 0.01 % too high"),
        (Miss(Bounds(2, 2), 0, "", "too many", 0), "2 too many"),
        (Miss(Bounds(0, 0.3), 1, " %", "too little"), "at least 0.7 % too little"),
    ],
)
def test_the_difference_is_that_of_the_numbers_as_they_are_shown(miss: Miss, text: str) -> None:
    """Both are rounded first, so that nothing is left over; what rounds to nothing is still a miss."""
    assert miss_text(miss) == text


VENT = SignalTraits(name="vent", unit="%", error=0.25, rate_per_s=3.6)
FLAG = SignalTraits(name="rain_override", unit="flag")


@pytest.mark.parametrize(
    ("formula", "witness", "traits", "words"),
    [
        (f.ReachesFormula(8, 2, 32, 5), Witness(Cause.NEVER_THERE), VENT, ""),
        (
            f.ReachesFormula(8, 2, 32, 5),
            Witness(Cause.LEFT_AGAIN),
            VENT,
            "did not stay at the required value",
        ),
        (f.ReturnsFormula(92, 2, 50, 65), Witness(Cause.CAME_EARLY), VENT, "returned too early"),
        (f.EqualsFormula(1, 3), None, FLAG, "did not come on in time"),
        (f.EqualsFormula(0, 3), None, FLAG, "did not go off in time"),
        (f.StaysFormula(0, 0, 10), None, FLAG, "did not stay off"),
        (f.StaysFormula(None, 11, 10), None, VENT, "rose above its limit"),
        (f.StaysFormula(5, None, 10), None, VENT, "fell below its limit"),
        (
            f.StaysFormula(5, 11, 10),
            Witness(Cause.OUT_OF_LIMITS, Bounds(2, 3)),
            VENT,
            "fell below its limit",
        ),
        (f.StaysFormula(5, 11, 10), None, VENT, ""),
    ],
)
def test_what_went_wrong_is_the_same_in_every_profile(formula, witness, traits, words) -> None:
    """Which way it went, without a value or a time; nothing where its kind says as much."""
    assert wrong_of(formula, witness, traits) == words
