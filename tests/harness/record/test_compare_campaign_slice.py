"""A slice of the campaign that compares like firmware with itself, and with slower drives."""

from __future__ import annotations

import importlib.util
from pathlib import Path

PATH = Path(__file__).parents[2] / "performance" / "compare_campaign.py"


def campaign():
    spec = importlib.util.spec_from_file_location("compare_campaign", PATH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_healthy_runs_of_the_mock_are_the_same():
    """Healthy runs, each on a seed of its own: nothing is worse, and nothing open."""
    assert list(campaign().outcomes(1, spread=0.0)) == ["same"]


def test_drives_that_scatter_alike_are_not_called_worse():
    """Drives that differ by a percent from run to run, alike on both sides, may be open but are never worse here."""
    assert "worse" not in set(campaign().outcomes(1, spread=0.01))


def test_slower_drives_are_called_worse():
    """Drives that take half as long again are found through the same scatter."""
    assert list(campaign().outcomes(1, slower=0.5, spread=0.01)) == ["worse"]
