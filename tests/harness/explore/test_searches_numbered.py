"""The search as numbered searches: whoever does them, and in whatever order, the same is played, found and counted."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest
from findings import found_of

from ventproof.explore.emit import writer_of
from ventproof.explore.search import Played, Tally
from ventproof.explore.searches import SEQUENCES, Brought, Searched, Searches
from ventproof.profile.check_responses import kind_of
from ventproof.table.load import load_table
from ventproof.verdict.finding import Status, Verdict
from ventproof_bench.benchcheck.load import load_bench

FILES = Path(__file__).parents[3] / "bench" / "files"
WRITER = writer_of(load_table(FILES / "mock-overrides.yaml"), load_bench(FILES / "mock.yaml"))


class _Backwards:
    """Does the last job first."""

    def finished(self, work, jobs):
        for number in reversed(range(len(jobs))):
            yield number, work(jobs[number])


class _Forwards:
    """Does one job after the other."""

    def finished(self, work, jobs):
        yield from enumerate(map(work, jobs))


def failing_in_both(profile):
    """Return how a unit ends that fails whatever is demanded first, if it rains and the thermometer breaks."""
    if not all(part in profile.text for part in ("fail: outside_temperature", "close: rain")):
        return Played(Verdict.PASS, [], 50.0)
    first = profile.model.steps[0].expect[0]
    failed = found_of(1, 0, first.signal, kind_of(first), Status.FAIL)
    return Played(Verdict.FAIL, [failed], 50.0)


def passing(_):
    return Played(Verdict.PASS, [], 50.0)


def explored(executor, play, *, sequences=80, seed=2, left_s=lambda: 60.0):
    """Return what was counted and found, and the profiles that were played after the searches."""
    searches = Searches(writer=WRITER, play=play, seed=seed, sequences=sequences)
    tally, repeated = Tally(), []

    def noted(profile):
        repeated.append(profile.digest)
        return play(profile)

    def done(number):
        return searches.do(number, left_s)

    found = Brought(tally, lambda _: None).look(executor.finished(done, range(searches.count)))
    if found is not None:
        own = Searches(writer=WRITER, play=noted, seed=seed, sequences=sequences)
        own.again(*found, left_s, before=tally, told=lambda _: None).run()
    return tally, found, repeated


def test_what_is_found_depends_on_nobody_who_looked():
    """The last search first, or the first: the same sequences are counted, and the same find is made as short."""
    forwards, backwards = (explored(executor(), failing_in_both) for executor in (_Forwards, _Backwards))
    assert forwards == backwards
    tally, (number, searched), repeated = forwards
    assert number > 0
    searches = Searches(writer=WRITER, play=failing_in_both, seed=2, sequences=80)
    before = [searches.do(below, lambda: 60.0) for below in range(number)]
    assert not any(one.found for one in before)
    assert tally.until_found == sum(len(one.played) for one in (*before, searched))
    assert tally.best is not None
    assert tally.finished
    assert len(tally.best.written.sequence) == 2 < tally.first_actions
    assert not {*repeated} & {*searched.played}


def test_each_search_has_sequences_of_its_own_and_another_seed_has_others():
    """No two searches play the same, nor do two seeds; and no more is played than was asked for."""
    played = []
    for seed in (1, 2):
        searches = Searches(writer=WRITER, play=passing, seed=seed, sequences=2 * SEQUENCES + 1)
        assert searches.count == 3
        brought = [searches.do(number, lambda: 60.0) for number in range(searches.count)]
        most = (SEQUENCES, SEQUENCES, 1)
        assert all(len(one.played) <= its for one, its in zip(brought, most, strict=True))
        played += [frozenset(one.played) for one in brought]
    assert len({*played}) == len(played)
    assert all(played)


def test_time_that_is_over_ends_the_search_and_what_was_played_counts():
    """A search that has begun tells what it played; the first that could not begin is the end."""
    left = iter([60.0] * (SEQUENCES + 3))
    tally, found, _ = explored(_Forwards(), passing, left_s=lambda: next(left, 0.0))
    assert (found, tally.best) == (None, None)
    assert tally.played == SEQUENCES + 1
    assert tally.greenhouse_s == 50.0 * tally.played
    assert Searches(writer=WRITER, play=passing, seed=2, sequences=8).do(0, lambda: 0.0) is None


def test_a_find_is_told_although_no_time_is_left_to_make_it_shorter():
    """It is not played again, and it does not count as made as short as it goes."""
    searches = Searches(writer=WRITER, play=failing_in_both, seed=2, sequences=80)
    tally = Tally()
    ended = ((number, searches.do(number, lambda: 60.0)) for number in range(searches.count))
    number, searched = Brought(tally, lambda _: None).look(ended)
    searches.again(number, searched, lambda: 0.0, before=tally, told=lambda _: None).run()
    assert tally.best is not None
    assert (tally.played, tally.finished) == (tally.until_found, False)


FOUND = Searched({"found": Played(Verdict.FAIL, [], 50.0)}, found=True)
NOTHING = Searched({"nothing": Played(Verdict.PASS, [], 50.0)}, found=False)


@pytest.mark.parametrize(
    ("ended", "counted"),
    [
        ([(0, NOTHING), (1, None), (2, FOUND)], 1),
        ([(3, NOTHING), (2, FOUND), (1, NOTHING)], 1),
        ([(2, FOUND), (4, FOUND), (3, NOTHING)], 0),
    ],
    ids=["never began", "never ended", "two finds"],
)
def test_a_find_behind_a_search_that_brings_nothing_is_told(ended, counted):
    """Whether the search below it never began or never ended; and what was played below it counts, nothing else."""
    tally = Tally()
    assert Brought(tally, lambda _: None).look(ended) == (2, FOUND)
    assert tally.played == counted


def test_what_was_found_before_the_search_is_broken_off_is_known():
    """The find waited for a search below it, which no longer ends."""

    def broken_off():
        yield 1, FOUND
        raise KeyboardInterrupt

    brought = Brought(Tally(), lambda _: None)
    with pytest.raises(KeyboardInterrupt):
        brought.look(broken_off())
    assert brought.first() == (1, FOUND)


def test_searches_that_wait_for_one_that_never_ends_count_in_the_end():
    """Otherwise what they could not decide would be no part of the exit code."""
    tally = Tally()
    undecided = Searched({"undecided": Played(Verdict.INCONCLUSIVE, [], 50.0)}, found=False)
    assert Brought(tally, lambda _: None).look([(0, NOTHING), (2, undecided)]) is None
    assert (tally.played, tally.undecided, tally.code) == (2, 1, 2)


def test_searches_and_what_they_bring_can_be_sent():
    """They are plain data: another process does the same search, and brings the same."""
    searches = Searches(writer=WRITER, play=failing_in_both, seed=3, sequences=8)
    sent = pickle.loads(pickle.dumps(searches))
    brought = searches.do(0, lambda: 60.0)
    assert pickle.loads(pickle.dumps(sent.do(0, lambda: 60.0))) == brought
    assert isinstance(brought, Searched)
