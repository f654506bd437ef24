"""What the explorer plays of limits, of sides and of a supervised loop, and that it decides."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from ventproof.challenge.trial import attempt
from ventproof.cli.options import with_faults
from ventproof.explore.emit import writer_of
from ventproof.explore.search import Explorer, Played
from ventproof.explore.sequence import Action, gaps_s
from ventproof.table.load import load_table
from ventproof.verdict.finding import Verdict
from ventproof_bench.benchcheck.load import load_bench

FILES = Path(__file__).parents[3] / "bench" / "files"
TABLE = load_table(FILES / "snow-house-overrides.yaml")
BENCH = load_bench(FILES / "snow-house.yaml")
WRITER = writer_of(TABLE, BENCH)
MOVES = WRITER.moves

BREEZE = (
    (5.0, "wind of 6.5 m/s"),
    (60.0, "wind of 7.45 m/s"),
    (120.0, "wind of 5.45 m/s"),
    (170.0, "wind of 4.55 m/s"),
)
WAVERS = (
    (5.0, "the wind comes from 70 °"),
    (35.0, "wind of 19 m/s"),
    (90.0, "the wind comes from 332.5 °"),
    (130.0, "wind of 15.6 m/s"),
)
NEARLY_BEHIND = ((5.0, "the wind comes from 347.5 °"), (60.0, "wind of 19 m/s"))
TURNS = (*WAVERS[:2], (90.0, "the wind comes from 250 °"), (100.0, "the wind comes from 70 °"))
LIMITED = ((0.0, "wind of 6.5 m/s"),)
WAVERS_LAST = ((22.0, WAVERS[0][1]), (60.0, WAVERS[1][1]), (130.0, WAVERS[2][1]))
CUT = ((5.0, "the wires of rain_monitor break"), (60.0, "the wires of rain_monitor work again"))


@cache
def trial(moments, *faults):
    """Play moves at these instants to the mock of the snow house."""
    by_words = {move.planned.about: move for move in MOVES.moves}
    sequence = tuple(Action(at_s, by_words[words]) for at_s, words in moments)
    profile = WRITER.profile("drawn.yaml", WRITER.planned(sequence), name="drawn", about="drawn")
    return attempt(profile, with_faults(BENCH, list(faults)), seed=0)


def test_both_sides_of_what_changes_are_played():
    """Values that move limits, both sides within a dead band, and the time that a side settles."""
    words = {move.planned.about for move in MOVES.moves}
    assert words >= {
        *(f"wind of {speed} m/s" for speed in (6.5, 9.5)),
        *(f"the wind comes from {degrees} °" for degrees in (70, 250, 332.5, 347.5)),
        "the wires of rain_monitor break",
    }
    assert MOVES.left_out == ()
    assert 20 / 2 in gaps_s(TABLE.model)


@pytest.mark.parametrize(
    ("fault", "moments"),
    [
        ("limits_ignored", BREEZE),
        ("limit_ignores_strength", BREEZE),
        ("limit_too_open", BREEZE),
        ("limit_falls_late", BREEZE),
        ("limit_never_rises", BREEZE),
        ("no_dead_band", WAVERS),
        ("no_dead_band_into_the_lee", NEARLY_BEHIND),
        ("no_dead_band_out_of_the_lee", WAVERS),
        ("sides_change_at_once", TURNS),
        ("cut_taken_for_rain", CUT),
        ("limit_falls_late", LIMITED),
        ("no_dead_band_out_of_the_lee", WAVERS_LAST),
    ],
)
def test_what_is_required_of_it_tells_a_faulty_unit(fault, moments):
    """A healthy unit meets all that follows from the table, a faulty one does not."""
    healthy = trial(moments)
    assert healthy.passed, healthy.why
    assert trial(moments, fault).failed


def test_nothing_is_done_before_a_contact_has_stopped_chattering():
    """The chatter of the snow detector lasts two seconds; whatever the search draws after it is a right profile."""
    texts = []

    def play(profile):
        texts.append(profile.text)
        return Played(Verdict.PASS, [])

    Explorer(WRITER, play, examples=45).run()
    assert any("pulse: snow_detector" in text for text in texts)
