"""The shipped suite of the snow house: green on a healthy unit, red on a faulty one."""

from __future__ import annotations

import pytest

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.draft.traceability import claims_of, traced
from ventproof.profile.load import load_profile
from ventproof.table.load import load_table

PROFILES = sorted((SHIPPED.parent / "snow-house").glob("*.yaml"))
BENCH = SHIPPED_BENCH.with_name("snow-house.yaml")
TABLE = SHIPPED_BENCH.with_name("snow-house-overrides.yaml")


@pytest.fixture
def snow_house(run):
    """Run a profile on the bench of the snow house, with a fault of the mock or without."""

    def run_it(path, *faults):
        return run(path, bench=BENCH.read_text(encoding="utf-8"), faults=dict.fromkeys(faults, 1.0))

    return run_it


@pytest.mark.parametrize("path", PROFILES, ids=lambda p: p.stem)
def test_a_healthy_unit_passes(path, snow_house):
    """Every profile of the suite passes on the healthy mock."""
    result = snow_house(path)
    assert result.outcome.verdict == "pass", [f for f in result.findings if f.verdict != "pass"]


@pytest.mark.parametrize(
    ("fault", "profile"),
    [
        ("last_override_wins", "hand-switch-turned-in-the-rain"),
        ("release_drops_others", "rain-turns-to-snow"),
        ("wrong_roof_position", "rain-loop-cut"),
        ("joined_by_or", "snow-needs-wet-and-cold"),
        ("alarm_relay_inverted", "alarm-relay-drops-out"),
        ("mean_wind_ignored", "gale-by-gust-or-mean"),
        ("loop_taken_for_open", "rain-loop-cut"),
    ],
)
def test_a_faulty_unit_fails(fault, profile, snow_house):
    """The profile that is there to find it does."""
    assert snow_house(SHIPPED.parent / "snow-house" / f"{profile}.yaml", fault).outcome.verdict == "fail"


def test_each_line_that_the_suite_claims_is_shown():
    """A profile that claims a line plays both sides of its edge."""
    table = load_table(TABLE)
    rows = traced(table, claims_of(table.model, ((path.stem, load_profile(path).model) for path in PROFILES)))
    assert {row.line.name: row.shown.left for row in rows if row.claims and row.standing != "proved"} == {}
