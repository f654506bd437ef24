"""Which profiles add nothing: known without letting every profile meet every fault, and the same as if they had."""

from hypothesis import given
from hypothesis import strategies as st

from ventproof.challenge.challenge import Challenged, Result
from ventproof.challenge.search import enough_of, until
from ventproof.challenge.trial import Trial, UnitDigests
from ventproof.verdict.finding import Verdict
from ventproof_bench.mock.faults.catalogue import CATALOGUE

FAULTS = tuple(CATALOGUE.values())
PROFILES = 5
ENDS = st.lists(st.sampled_from(list(Verdict)), min_size=PROFILES, max_size=PROFILES)


def challenged(rows, order, finds):
    """Return what a challenge makes of faults, each given by how every profile ends that meets it."""
    met = [
        until((Trial(row[number], "", UnitDigests("", "", ""), 1) for number in order), finds) for row in rows
    ]
    faults = (
        Challenged(fault, dict(zip(order, trials, strict=False)))
        for fault, trials in zip(FAULTS, met, strict=False)
    )
    return Result(suite=None, healthy=(), faults=tuple(faults), full=True)


@given(st.lists(ENDS, max_size=8), st.permutations(range(PROFILES)))
def test_two_finds_tell_the_same_as_all(rows, order):
    """What each profile alone finds, and what is caught, open and missed, is as if every pair had been tried."""
    some, every = challenged(rows, order, 2), challenged(rows, order, PROFILES + 1)
    assert [some.only_by(n) for n in range(PROFILES)] == [every.only_by(n) for n in range(PROFILES)]
    assert [c.found for c in some.faults] == [c.found for c in every.faults]
    assert all(not set(some.enough).isdisjoint(c.caught_by) for c in every.faults if c.caught_by)


@given(st.lists(st.frozensets(st.integers(0, 9), min_size=1), max_size=20))
def test_enough_is_enough(finders):
    """Each fault is found by a chosen profile; whoever alone finds one is chosen; no more are chosen than needed."""
    chosen = set(enough_of(finders))
    assert all(not numbers.isdisjoint(chosen) for numbers in finders)
    assert {number for numbers in finders if len(numbers) == 1 for number in numbers} <= chosen
    assert len(chosen) <= len(set(finders))
