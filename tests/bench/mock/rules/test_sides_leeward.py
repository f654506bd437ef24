"""Which vents of the mock unit lie in the lee: past the dead band, and once the wind has settled there."""

from __future__ import annotations

import pytest

from ventproof_bench.mock.faults.catalogue import behaviour_with
from ventproof_bench.mock.rules.sides import Sides

HEALTHY = behaviour_with({})


@pytest.mark.parametrize(
    ("first", "then", "lee"),
    [
        (250, 355, False),
        (250, 356, True),
        (70, 326, True),
        (70, 325, False),
        (70, 175, False),
        (70, 174, True),
    ],
)
def test_a_vent_changes_its_side_past_the_dead_band(first, then, lee):
    """It faces 250 degrees; the band is 15 degrees on either side of straight across, its end exclusive to leeward."""
    sides = Sides({"roof": 250.0}, 15.0, 0.0, HEALTHY)
    sides.leeward(first, 0.0)
    assert ("roof" in sides.leeward(then, 1.0)) == lee


@pytest.mark.parametrize(
    ("fault", "into_the_lee", "out_of_it"),
    [
        ("no_dead_band", True, False),
        ("no_dead_band_into_the_lee", True, True),
        ("no_dead_band_out_of_the_lee", False, False),
    ],
)
def test_a_dead_band_may_be_missing_on_either_side(fault, into_the_lee, out_of_it):
    """The wind turns to 10 degrees past straight across: from ahead, and from behind."""
    sides = Sides({"roof": 250.0}, 15.0, 0.0, behaviour_with({fault: 1.0}))
    sides.leeward(250, 0.0)
    assert ("roof" in sides.leeward(350, 1.0)) == into_the_lee
    sides.leeward(70, 2.0)
    assert ("roof" in sides.leeward(330, 3.0)) == out_of_it


def test_a_side_settles_first():
    """The wind must be there for 20 s; a turn back in between begins anew."""
    sides = Sides({"roof": 250.0}, 0.0, 20.0, HEALTHY)
    (settling,) = sides.settling
    assert not sides.leeward(70, 10.0)
    assert settling.due_s == 30.0
    assert not sides.leeward(250, 25.0)
    assert not sides.leeward(70, 26.0)
    assert settling.due_s == 46.0
    assert sides.leeward(70, 46.0) == {"roof"}
