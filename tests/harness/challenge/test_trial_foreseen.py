"""A trial comes out the same, whether the mock's answers are foreseen or each is asked for."""

from __future__ import annotations

import pytest
from shipped_profiles import shipped_path

from ventproof.challenge.trial import attempt
from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.profile.load import load_profile
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock import unit


@pytest.mark.parametrize(
    ("fault", "profile"),
    [
        (None, "rain-closes-holds-releases"),
        ("replies_busy", "rain-contact-bounce-ignored"),
        ("flag_drops_out", "rain-while-partly-open"),
        ("creeps_open", "bus-falls-silent"),
        ("passes_bad_value", "cups-ice-up-in-a-gale"),
        ("words_swapped", "sensor-outside-drifts"),
    ],
)
def test_a_trial_is_that_of_a_unit_that_is_asked_each_time(monkeypatch, fault, profile):
    """Verdict, registers, gaps and the true course of every vent are the same, and so is how often it was read."""
    bench = load_bench(SHIPPED_BENCH)
    bench = with_faults(bench, [fault]) if fault else bench
    loaded = load_profile(shipped_path(profile))
    foreseen = attempt(loaded, bench, seed=3)
    monkeypatch.setattr(unit, "_FORESEEN_S", 0.0)
    assert attempt(loaded, bench, seed=3) == foreseen
    assert foreseen.polls > 100
