"""Drive contacts, end switches and feedback that are crossed: no such bench is fine, and no right one is accused."""

from __future__ import annotations

from random import Random

import pytest
from crossed import bench_of, crossings

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.session.selfcheck import selfcheck
from ventproof_bench.benchcheck.load import load_bench

LOOPS = ("loop-switches", "loop-potentiometer", "loop-reckoned")
CROSSED = {f"{name}: {what}": raw for name in LOOPS for what, raw in crossings(name)}
SLICE = [
    crossing
    for name in LOOPS
    for crossing in Random(14).sample([one for one in CROSSED if one.startswith(name)], 2)
]


def is_named(crossing, tmp_path):
    """Assert that a crossing is not fine, and that each sentence names a line to look at."""
    check = selfcheck(bench_of(CROSSED[crossing]), tmp_path, kind="unit")
    assert check.result == "worse"
    assert all("of the bench file)" in sentence for sentence in check.sentences)
    return check.sentences


@pytest.mark.parametrize("crossing", SLICE)
def test_what_is_crossed_at_a_vent_is_named(crossing, tmp_path):
    """A seeded slice of all crossings: hooked up wrong, with the line of the bench file."""
    is_named(crossing, tmp_path)


@pytest.mark.performance
@pytest.mark.parametrize("crossing", [one for one in CROSSED if one not in SLICE])
def test_whatever_is_crossed_at_a_vent_is_named(crossing, tmp_path):
    """All others."""
    is_named(crossing, tmp_path)


def test_exchanged_directions_are_told_by_the_contact_that_was_on(tmp_path):
    """The unit goes on as if all were right: the vent alone tells, and its line is that of the contacts."""
    crossing = "loop-potentiometer: directions of ('roof_opens', 'roof_closes')"
    sentence = next(one for one in is_named(crossing, tmp_path) if one.startswith("vent 'roof'"))
    assert "as the bench plays it, was at 0 %" in sentence
    assert "'roof_closes' was on for" in sentence
    assert "where it should have opened: `opens_on` and `closes_on` are exchanged" in sentence


@pytest.mark.parametrize("name", LOOPS)
def test_a_right_loop_bench_is_fine(name, tmp_path):
    """Every shipped one, with its contacts, switches and positions judged."""
    check = selfcheck(load_bench(SHIPPED_BENCH.with_name(f"{name}.yaml")), tmp_path, kind="unit")
    assert (check.result, check.sentences) == ("fine", ())
    assert not {"roof_vent", "side_vent", "roof_told", "side_told"} & {one.name for one in check.unjudged}
