"""Exploring: what is tried, what is demanded of it, and how a find is made short; against units of a line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from findings import found_of
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.explore.emit import writer_of
from ventproof.explore.moves import wires_of
from ventproof.explore.search import Explorer, Played
from ventproof.explore.sequence import SHORTEST_S, Action, foreseen, gaps_s
from ventproof.oracle.oracle import expected
from ventproof.oracle.targets import Range
from ventproof.oracle.timeline import WeatherChange
from ventproof.profile.check_responses import kind_of
from ventproof.profile.model import Stays
from ventproof.profile.stimulus import Restore
from ventproof.table.load import load_table
from ventproof.verdict.finding import Status, Verdict
from ventproof_bench.benchcheck.load import load_bench

FILES = Path(__file__).parents[3] / "bench" / "files"
TABLE = load_table(FILES / "mock-overrides.yaml")
BENCH = load_bench(FILES / "mock.yaml")
WRITER = writer_of(TABLE, BENCH)
MOVES = WRITER.moves


def ending(profile, wanted):
    """Return how a unit of a line ends: it fails the first response whose signal and kind are these."""
    findings = []
    for step, its in enumerate(profile.model.steps, start=1):
        for number, response in enumerate(its.expect):
            kind = kind_of(response)
            if (response.signal, kind) == wanted and not findings:
                findings.append(found_of(step, number, response.signal, kind, Status.FAIL))
    return Played(Verdict.FAIL if findings else Verdict.PASS, findings, 100.0)


def unit_that_fails(*needed, wanted):
    """Return a unit that fails a response in every profile whose text has these parts, in this order."""
    pattern = re.compile(".*".join(re.escape(part) for part in needed), re.DOTALL)

    def play(profile):
        steps = profile.text[profile.text.index("steps:") :]
        return ending(profile, wanted) if pattern.search(steps) else Played(Verdict.PASS, [], 100.0)

    return play


def explorer(play, **given_):
    return Explorer(WRITER, play, **{"examples": 400, **given_})


def done_in(find):
    return [action.move.planned.about for action in find.written.sequence]


def doing(about):
    """Return the move that people read these words for."""
    return next(move for move in MOVES.moves if move.planned.about == about)


def start_of(written):
    """Return what the profile of a sequence writes at its start."""
    return WRITER.profile("drawn.yaml", written, name="drawn", about="drawn").model.start.write


def test_a_find_is_made_as_short_as_it_goes():
    """Of a sequence that fails only what the fault needs is left, and of what is demanded the response that fails."""
    play = unit_that_fails("close: rain", "open: rain", wanted=("rain_override", "equals"))
    find = explorer(play).run()
    assert done_in(find) == ["rain closes", "rain opens"]
    assert all(len(demands) == 1 for demands in find.written.steps)
    demand = find.written.steps[find.failure.step - 1][0]
    assert (demand.signal, demand.kind) == ("rain_override", "equals")


def test_the_same_seed_finds_the_same():
    """Two explorations with one seed try the same sequences; another seed tries others."""
    tried = []
    for seed in (3, 3, 4):
        texts = []

        def play(profile, texts=texts):
            texts.append(profile.text)
            return Played(Verdict.PASS, [])

        explorer(play, examples=15, seed=seed).run()
        tried.append(texts)
    assert tried[0] == tried[1] != tried[2]


def test_making_it_shorter_keeps_to_the_fault_that_was_found():
    """A simpler sequence that fails for another reason does not take the place of the one that was found."""
    frost = unit_that_fails("fail: outside_temperature", wanted=("frost_override", "equals"))
    rain = unit_that_fails("close: rain", wanted=("rain_override", "equals"))
    first = []

    def play(profile):
        played = next((p for p in (frost(profile), rain(profile)) if p.findings), Played(Verdict.PASS, []))
        first.extend(f.signal for f in played.findings)
        return played

    find = explorer(play, seed=1).run()
    assert find.failure.signal == first[0]


def test_what_cannot_be_decided_is_no_find():
    """Sequences that are inconclusive or that the bench broke off are counted, and nothing is found."""
    verdicts = iter([Verdict.INCONCLUSIVE, None] * 20)
    start = found_of(0, 0, "roof_vent", "reaches", Status.INCONCLUSIVE)

    def play(_):
        return Played(next(verdicts), [start], 10.0)

    exploring = explorer(play, examples=10)
    assert exploring.run() is None
    tally = exploring.tally
    assert tally.played == tally.undecided + tally.broken_off > 0
    assert tally.not_begun == tally.undecided
    assert tally.greenhouse_s == 10 * tally.played


def test_the_best_so_far_is_kept_when_the_time_is_over():
    """Time that runs out while a find is made shorter leaves the shortest one yet."""
    play = unit_that_fails("close: rain", wanted=("rain_override", "equals"))
    exploring = explorer(play, left_s=lambda: 0.0 if exploring.tally.best else 60.0)
    find = exploring.run()
    assert exploring.tally.played == exploring.tally.until_found
    assert not exploring.tally.finished
    assert "rain closes" in done_in(find)


def test_on_real_wires_only_what_fits_is_played():
    """Where playing takes time, a sequence that could take longer than what is left is not begun."""
    played = []

    def play(profile):
        played.append(profile)
        return Played(Verdict.PASS, [])

    exploring = explorer(play, left_s=lambda: 100.0, real=True, examples=20)
    exploring.run()
    assert not played
    assert exploring.tally.unfit


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_every_sequence_makes_a_profile_that_is_right(data):
    """Whatever is drawn from the moves becomes a profile without a fault, and nothing lasts longer than foreseen."""
    states, actions, at_s = {}, [], 0.0
    for _ in range(data.draw(st.integers(1, 5))):
        move = data.draw(st.sampled_from([m for m in MOVES.moves if m.possible(states)]))
        states[move.thing] = move.state
        actions.append(Action(round(at_s, 1), move))
        at_s += data.draw(st.sampled_from(gaps_s(TABLE.model)))
    written = WRITER.planned(tuple(actions))
    if written is None:
        return
    profile = WRITER.profile("drawn.yaml", written, name="drawn", about="drawn")
    assert [note.reason for note in profile.notes if "signal" not in note.reason] == []
    until_s = foreseen(TABLE.model, tuple(actions)).until_s
    watched = [r.for_ for step in profile.model.steps for r in step.expect if isinstance(r, Stays)]
    assert all(for_s <= until_s for for_s in watched)


def test_a_sequence_ends_when_everything_has_come_to_rest():
    """It is followed to the last thing that comes of it, and not to what would come by itself in half a day."""
    rain = doing("rain closes")
    # Entry by 2.5 s and 50 ms; 0.6 s to start; 43 % of 41 s and 84 % of 31 s to travel; 5 s of rest.
    assert foreseen(TABLE.model, (Action(0.0, rain),)).until_s == pytest.approx(34.3, abs=0.5)


def test_a_sequence_goes_on_until_a_wrong_unit_would_have_acted():
    """What changes nothing is watched for the delay that a wrong unit has: to begin, or to end what is active."""
    nearly, gale = doing("wind of 11.4 m/s"), doing("wind of 27 m/s")
    its = TABLE.model.overrides["gale"]
    assert foreseen(TABLE.model, (Action(0.0, nearly),)).until_s >= its.entry_delay + 5
    abates = (Action(0.0, gale), Action(58.5, nearly))
    assert foreseen(TABLE.model, abates).until_s >= 58.5 + its.release_delay + 5


def test_moves_lie_clear_of_thresholds_and_of_what_takes_half_a_day():
    """Values are beyond, between and short of the thresholds by more than the accuracy; slow failures stay out."""
    winds = [m.planned.changes[0].value for m in MOVES.moves if m.thing == "cups"]
    assert winds == pytest.approx([27, 12.6, 11.4, 9.6, 8.4, 0])
    assert all(abs(wind - at) > 0.4 for wind in winds for at in (9, 12))
    assert not any(m.thing == wires_of("cups") for m in MOVES.moves)
    assert min(gaps_s(TABLE.model)) == SHORTEST_S


def test_the_wind_turns_where_a_vent_has_a_lee_side():
    """It comes from ahead at first, which a profile with wind writes; it can be turned to the back and ahead again."""
    turns = {m.state: m for m in MOVES.moves if m.thing == "wind_direction"}
    assert set(turns) == {"180 °", "0 °"}
    gale = doing("wind of 27 m/s")
    for actions, roof in (((gale,), 0), ((gale, turns["0 °"]), 20)):
        sequence = tuple(Action(float(at_s), move) for at_s, move in enumerate(actions))
        known = foreseen(TABLE.model, sequence)
        assert known.vents["roof"].within(known.until_s) == Range(roof, roof)
        written = WRITER.planned(sequence)
        assert start_of(written)["wind_direction"].value == 180
    rain = doing("rain closes")
    written = WRITER.planned((Action(0.0, rain),))
    assert "wind_direction" not in start_of(written)


def test_a_wind_from_nobody_knows_where_accuses_no_vent():
    """Where a table has no output for the direction, a vent with a lee side may stand as either side has it."""
    known = expected(TABLE.model, [WeatherChange(10.0, "wind", "cups", 20.0)], 100.0)
    assert known.vents["roof"].within(100.0) == Range(0, 20)


def test_nothing_is_done_to_a_value_behind_broken_wires():
    """While the wires of a sensor are broken its value is not changed, and they are broken once only."""
    broken = {wires_of("outside_temperature"): "open"}
    acting = [m for m in MOVES.moves if m.planned.output == "outside_temperature" and m.possible(broken)]
    assert [move.planned.stimulus for move in acting] == [Restore(restore="outside_temperature")]
