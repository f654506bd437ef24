"""Limits that fall with the wind, and sides with a dead band: what they say, and what of it is hardly meant."""

from __future__ import annotations

import pytest

from ventproof.table.lines import lines
from ventproof.table.load import read_table

TABLE = """
table: limits and sides
opened_by: {house_temperature: 30 °C}
vents:
  roof: {signal: roof_vent, open: 90 %, starts_within: 1 s, full_travel: [28 s, 32 s], tolerance: 1 %, faces: 180}
overrides:
  gale:
    when: [{wind: cups, above: 15 m/s, ends_at: 9 m/s, accuracy: 0.4 m/s, averaged_over: 3 s}]
    entry_delay: 2 s
    release_delay: 60 s
    positions: {roof: 10 %}
    leeward: {roof: 20 %}
  breeze:
    when: [{wind: cups, above: 6 m/s, ends_at: 5 m/s, accuracy: 0.4 m/s, averaged_over: 10 s}]
    entry_delay: 2 s
    release_delay: 60 s
    fall_between: [6 m/s, 11 m/s]
    limits: {roof: [80 %, 20 %]}
precedence: [gale]
direction: wind_direction
sides: {dead_band: 10 °, settles_after: 5 s, accuracy: 2 °}
"""


@pytest.mark.parametrize(("value", "limit"), [(0, 80), (6, 80), (7, 68), (8.5, 50), (11, 20), (40, 20)])
def test_a_limit_falls_evenly_between_two_values(value, limit):
    """It is level below and above; what limits only needs no place in the order."""
    table = read_table("table.yaml", TABLE)
    assert table.notes == ()
    assert table.model.overrides["breeze"].limit("roof", value) == pytest.approx(limit)


def test_each_limit_and_each_word_of_the_sides_is_a_rule():
    """Profiles can claim them."""
    names = {line.name for line in lines(read_table("table.yaml", TABLE))}
    assert names >= {"breeze.limits.roof", "breeze.fall_between", "sides.dead_band", "sides.settles_after"}
    assert not names & {"breeze.only_close", "precedence.gale.breeze"}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("open: 90 %", "open: 15 %", "'breeze' never limits vent 'roof': it normally stands at 15 %;"),
        (
            "[6 m/s, 11 m/s]",
            "[3 m/s, 6 m/s]",
            "the limits of 'breeze' have fallen at 6 m/s, before",
        ),
        (
            "direction: wind_direction\n",
            "",
            "no output plays where the wind comes from: no test can show a side;",
        ),
        ("leeward: {roof: 20 %}", "leeward: {roof: 10 %}", "vent 'roof' stands at 10 % on either side:"),
        ("accuracy: 2 °", "accuracy: 10 °", "a dead band of 10 ° ± 10 ° can be none at all;"),
    ],
)
def test_what_limits_nothing_is_noted(old, new, says):
    """A limit that never decides, one that has fallen already, and a band that the vane's accuracy uses up."""
    notes = read_table("table.yaml", TABLE.replace(old, new)).notes
    assert any(says in str(note) for note in notes), [str(note) for note in notes]
