"""A claim counts as far as what was played and decided tells a unit apart that has the line a little otherwise."""

from __future__ import annotations

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.oracle.deviations import deviations
from ventproof.oracle.played import as_stated
from ventproof.oracle.proofs import shown, together
from ventproof.profile.load import load_profile, read_profile
from ventproof.table.lines import lines
from ventproof.table.load import load_table

TABLE = load_table(SHIPPED_BENCH.parent / "mock-overrides.yaml")
CLAIMING = [path for path in sorted(SHIPPED.rglob("*.yaml")) if load_profile(path).model.proves]


def shown_of(profile, *names):
    model = profile.model
    return {its.line: its for its in shown(TABLE.model, as_stated(model, TABLE.model), names or model.proves)}


def changed(name, old, new):
    path = shipped_path(name)
    text = path.read_text(encoding="utf-8")
    assert old in text
    return read_profile(path, text.replace(old, new))


def test_every_line_has_units_beside_it():
    """Nothing that a table demands could be called proved unchecked."""
    assert {deviation.line for deviation in deviations(TABLE.model)} == {line.name for line in lines(TABLE)}


@pytest.mark.parametrize("path", CLAIMING, ids=lambda path: path.stem)
def test_every_shipped_claim_is_true(path):
    """Each line that a shipped profile claims is shown by what it plays and demands."""
    profile = load_profile(path)
    found = shown_of(profile)
    assert [line for line in profile.model.proves if not found[line].told] == []


def test_the_shipped_suite_proves_what_it_claims():
    """Together the claims of a line leave no unit beside it that would pass."""
    parts = [its for path in CLAIMING for its in shown_of(load_profile(path)).values()]
    assert [its for its in together(parts).values() if not its.proved] == []


@pytest.mark.parametrize(
    ("name", "old", "new", "line", "left"),
    [
        (
            "wind-below-threshold-ignored",
            "11.4 m/s",
            "11 m/s",
            "gale.cups",
            "gale begins above 11.2 m/s of cups",
        ),
        (
            "wind-rises-slowly",
            "within: 43.5 s",
            "within: 48 s",
            "gale.cups",
            "gale begins above 12.8 m/s of cups",
        ),
        (
            "wind-closes-holds-releases",
            "8.5 m/s",
            "5 m/s",
            "gale.cups.ends_at",
            "gale lasts to 8.2 m/s of cups",
        ),
        (
            "frost-closes-and-releases",
            "2.7 °C",
            "2.5 °C",
            "frost.outside_temperature.ends_at",
            "frost lasts to 2.6 °C of outside_temperature",
        ),
        (
            "rain-contact-chatters",
            "open_for: 25 ms",
            "open_for: 60 ms",
            "rain.rain.debounce",
            "rain counts at once",
        ),
        (
            "rain-closes-holds-releases",
            "equals: on, within: 3 s",
            "equals: on, within: 10 s",
            "rain.entry_delay",
            "rain begins after 5.4 s",
        ),
        (
            "rain-while-partly-open",
            "for: 30 s, tolerance: 2 %",
            "for: 30 s, tolerance: 12 %",
            "rain.only_close",
            "rain opens vents",
        ),
    ],
)
def test_what_stops_short_of_an_edge_does_not_show_it(name, old, new, line, left):
    """The unit beside the line is told apart by the shipped profile, and not by one that plays or demands less."""
    assert left not in shown_of(load_profile(shipped_path(name)), line)[line].left
    assert left in shown_of(changed(name, old, new), line)[line].left
