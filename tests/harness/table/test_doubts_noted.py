"""What a table can say and hardly means is noted, all at once, and hinders nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from ventproof.table.load import load_table, read_table
from ventproof_bench.base.errors import FileError

FILES = Path(__file__).parents[3] / "bench" / "files"
TABLES = [load_table(FILES / f"{name}-overrides.yaml") for name in ("mock", "snow-house", "wind-house")]

DOUBTFUL = """
table: much that is hardly meant
opened_by: {house_temperature: 30 °C}
vents:
  roof: {signal: roof_vent, open: 40 %, starts_within: 1 s, full_travel: [28 s, 32 s], tolerance: 1 %, faces: 180}
overrides:
  rain:
    when: [{contact: rain}, {all: [{contact: rain}, {contact: snow}]}]
    entry_delay: 20 min
    release_delay: 30 s
    positions: {roof: 45 %}
  gale:
    when:
      - {wind: cups, above: 12 m/s, ends_at: 9 m/s, accuracy: 0.4 m/s, averaged_over: 3 s}
      - {wind: cups, above: 13 m/s, ends_at: 10 m/s, accuracy: 0.4 m/s, averaged_over: 10 min}
    entry_delay: 400 ms
    release_delay: 60 s
    positions: {roof: 10 %}
    leeward: {roof: 5 %}
direction: wind_direction
"""


def test_the_shipped_tables_leave_no_doubt():
    """All of them load without a note."""
    assert [table.notes for table in TABLES] == [()] * len(TABLES)


@pytest.mark.parametrize(
    "says",
    [
        ":8:29: these conditions never decide: one of them calls for 'rain' by itself;",
        ":9:18: the vents stay open for the first 20 min of 'rain';",
        ":10:20: 'rain' ends after 30 s and begins after 20 min:",
        ":11:23: 'rain' only closes, and never moves vent 'roof': it normally stands at 40 %;",
        ":15:9: the mean over 10 min never decides: that over 3 s is beyond 12 m/s before;",
        ":16:18: 400 ms ± 500 ms can be no delay at all;",
        ":19:21: vent 'roof' stands at 5 % away from the wind and at 10 % facing it;",
    ],
)
def test_a_doubt_is_noted_where_it_stands(says):
    """Each has its line, and what would be right; none keeps the others from being told."""
    notes = read_table("doubtful.yaml", DOUBTFUL).notes
    assert len(notes) == 7
    assert any(f"doubtful.yaml{says}" in str(note) for note in notes), [str(note) for note in notes]


def test_what_nothing_shows_is_refused():
    """An override without positions is an alarm, and needs its flag; it needs no place in the order."""
    alarm = "  alarm: {when: [{contact: rain}], entry_delay: 20 min, release_delay: 0 s%s}\n"
    text = DOUBTFUL.replace("direction:", "precedence: [gale, rain]\ndirection:")
    with pytest.raises(
        FileError, match="nothing shows 'alarm': it moves no vent and has no flag; name vents"
    ):
        read_table("alarm.yaml", text.replace("  gale:\n", f"{alarm % ''}  gale:\n"))
    noted = read_table("alarm.yaml", text.replace("  gale:\n", f"{alarm % ', flag: lamp'}  gale:\n")).notes
    assert not any("'alarm'" in str(note) for note in noted)


def test_a_gust_in_calm_air_can_be():
    """Means over different times are two values: one can be high while the other is low."""
    gust = "all: [{wind: cups, above: 13 m/s, ends_at: 10 m/s, accuracy: 0.4 m/s, averaged_over: 3 s}, "
    calm = "{wind: cups, below: 5 m/s, ends_at: 6 m/s, accuracy: 0.4 m/s, averaged_over: 10 min}]"
    begin = DOUBTFUL.index("{wind: cups, above: 13")
    text = DOUBTFUL[:begin] + gust + calm + DOUBTFUL[DOUBTFUL.index("\n", begin) :]
    assert len(read_table("calm.yaml", text).model.overrides["gale"].conditions) == 3
    with pytest.raises(FileError, match="cups is never above 10 m/s and below 6 m/s at once"):
        read_table("calm.yaml", text.replace("10 min}]", "3 s}]"))


def test_a_mean_that_begins_lower_decides():
    """A gust or a lower mean is what is meant."""
    text = DOUBTFUL.replace("above: 13 m/s, ends_at: 10 m/s", "above: 8 m/s, ends_at: 7 m/s")
    assert not any("never decides: that" in str(note) for note in read_table("doubtful.yaml", text).notes)
