"""The shipped suite of the snow house: green on a healthy unit, red on a faulty one."""

from __future__ import annotations

import pytest

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH

PROFILES = sorted((SHIPPED.parent / "snow-house").glob("*.yaml"))
BENCH = SHIPPED_BENCH.with_name("snow-house.yaml")


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
    ],
)
def test_a_faulty_unit_fails(fault, profile, snow_house):
    """The profile that is there to find it does."""
    assert snow_house(SHIPPED.parent / "snow-house" / f"{profile}.yaml", fault).outcome.verdict == "fail"
