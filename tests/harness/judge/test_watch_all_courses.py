"""The judge against all courses on a grid, and hard evidence: never wrong, hardly ever open without need."""

from __future__ import annotations

from collections import Counter

import judge_campaign as campaign
import pytest
from judge_cases import play, wrong
from judge_courses import Courses
from judge_grid import KINDS, Traits, compared, grid_case

from ventproof.deciders import flags
from ventproof.verdict.finding import Verdict

PROVEN = (
    *("reaches", "hold", "stays", "returns", "starts", "unchanged", "overshoots", "reverses"),
    *("equals", "flag_unchanged", "flag_stays"),
)
"""Kinds that are decided wherever all courses agree; of the others a few cases stay open."""
FLAGS = PROVEN[-3:]


def test_every_generator_draws_cases_whose_courses_are_possible() -> None:
    """The true course is one of the courses that the readings allow: an outcome is never impossible."""
    for seed in range(len(KINDS)):
        assert Courses(grid_case(seed), 4).outcomes(), seed


@pytest.mark.parametrize("name", sorted(campaign.GENERATORS))
def test_no_generator_finds_a_wrong_verdict(name: str) -> None:
    """Late polling, wide windows, time-outs, plateaus on limits, turns inside windows: no false pass, no false fail."""
    # Trying all courses takes its time, and so does moving two extreme vents.
    count = {"grids": 12, "contacts": 100, "jumps": 120}.get(name, 240)
    said = [campaign.judged(name, seed) for seed in range(10_000, 10_000 + count)]
    assert not [what for _, what in said if what.startswith("wrong")]
    assert {what for _, what in said} >= {"pass", "fail"}


def test_readings_at_an_instant_leave_nothing_open() -> None:
    """Without windows the judge decides wherever all courses agree."""
    said: Counter[str] = Counter()
    for seed in range(len(PROVEN) * 20):
        one = grid_case(seed, PROVEN, Traits(wide=False))
        said[compared(one, play(one).verdict)] += 1
    assert said["open"] == 0, said
    assert said["pass"] + said["fail"] > 60


@pytest.mark.parametrize("overlap", [False, True])
def test_no_flag_is_left_open_without_need(overlap: bool) -> None:  # noqa: FBT001
    """Flags and states are decided wherever all courses agree: with windows apart, and with one over the other."""
    said: Counter[str] = Counter()
    for seed in range(len(FLAGS) * 40):
        one = grid_case(seed, FLAGS, Traits(wide=True, overlap=overlap))
        said[compared(one, play(one).verdict)] += 1
    assert said["open"] == 0, said
    assert said["pass"] + said["fail"] > 40


def test_windows_leave_little_open() -> None:
    """With wide readings and stimulus windows hardly one of a small sample stays open."""
    said: Counter[str] = Counter()
    for seed in range(len(PROVEN) * 15):
        one = grid_case(seed, PROVEN, Traits(wide=True))
        said[compared(one, play(one).verdict)] += 1
    assert said["open"] <= 1, said


def test_looks_as_slow_as_a_persons_leave_open_what_they_must() -> None:
    """Where a look takes as long as the vent needs for the width of the band, hardly one stays open without need."""
    said: Counter[str] = Counter()
    for seed in range(len(PROVEN) * 15):
        one = grid_case(seed, PROVEN, Traits(wide=True, overlap=True, trips=(2, 4, 6)))
        said[compared(one, play(one).verdict)] += 1
    assert not [what for what in said if what.startswith("wrong")]
    assert said["open"] <= 1, said
    assert said["pass"] + said["fail"] > 20, said


@pytest.mark.parametrize("most", [0, 3])
def test_courses_of_a_state_that_go_on_together_open_verdicts_and_turn_none(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However few are followed one by one, what is decided is what all of them say."""
    words = [grid_case(seed, FLAGS, Traits(wide=True, overlap=True)) for seed in range(300)]
    exact = [play(one).verdict for one in words]
    monkeypatch.setattr(flags, "_MOST_COURSES", most)
    joined = [play(one).verdict for one in words]
    pairs = {(one, other) for one, other in zip(exact, joined, strict=True) if one is not other}
    assert all(other is Verdict.INCONCLUSIVE for _, other in pairs)
    assert most or pairs, "nothing was joined"


@pytest.mark.parametrize("seed", [20_202_372, 20_226_454])
def test_a_stay_outside_may_begin_behind_a_deep_reading_while_another_goes_on(seed: int) -> None:
    """Found by 250,000 cases: a stimulus seconds wide, and a reading so deep in the band that it ends earlier stays.

    The stay that begins behind the reading was forgotten where an earlier one went on across it: a false pass.
    """
    one = campaign.GENERATORS["hard"](seed)
    assert wrong(one, play(one)) is None


def test_a_travel_that_all_readings_put_at_one_instant_has_a_rate() -> None:
    """Found by 10,000 cases by contacts: 10 % and 90 % of the way at the same instant, and a division by zero."""
    assert not campaign.judged("contacts", 20_009_159)[1].startswith("wrong")
