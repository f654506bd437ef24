"""Drafts for a unit whose wind sensor has a level: what they prove, and that they tell a faulty unit."""

from __future__ import annotations

from pathlib import Path

import pytest

from ventproof.challenge.trial import attempt
from ventproof.cli.options import with_faults
from ventproof.draft.draft import drafts
from ventproof.profile.load import read_profile
from ventproof.table.load import load_table
from ventproof_bench.benchcheck.load import load_bench

FILES = Path(__file__).parents[3] / "bench" / "files"
BENCH = load_bench(FILES / "wind-house.yaml")
TABLE = load_table(FILES / "wind-house-overrides.yaml")


@pytest.fixture(scope="module")
def drafted():
    """The profiles drafted from the table of the house with a wind sensor, by file."""
    return {draft.file: draft for draft in drafts(TABLE, BENCH, strength=2, source="table.yaml")}


def test_the_drafts_prove_the_wind_and_its_sensor(drafted):
    """Limits, mean and delays, and each failure with its times; no override here could open a vent."""
    proved = {its.line for draft in drafted.values() for its in draft.shown if its.proved}
    assert proved >= {
        "gale.wind_sensor",
        "gale.wind_sensor.ends_at",
        "gale.wind_sensor.averaged_over",
        "gale.wind_sensor.failed",
        "gale.entry_delay",
        "gale.release_delay",
        "sensors.wind_sensor.open",
        "sensors.wind_sensor.short",
        "sensors.wind_sensor.fails_after",
        "sensors.wind_sensor.recovers_after",
    }


@pytest.mark.parametrize(
    ("file", "fault"),
    [("gale-edges-of-wind_sensor", "gale_threshold_low"), ("gale-wind_sensor-fails-open", "no_sensor_check")],
)
def test_a_draft_passes_a_healthy_unit_and_fails_a_faulty_one(drafted, file, fault):
    """The edges of the hysteresis find a limit that is 5 % too low, a cut wire a failure that nobody sees."""
    (draft,) = (its for name, its in drafted.items() if name.startswith(file))
    profile = read_profile(draft.file, draft.text)
    assert attempt(profile, with_faults(BENCH, []), seed=0).verdict == "pass"
    assert attempt(profile, with_faults(BENCH, [fault]), seed=0).verdict == "fail"
