"""A slice of the campaign that compares like firmware with itself, and with slower drives."""

from __future__ import annotations

from compare_campaign import outcomes


def test_healthy_runs_of_the_mock_are_the_same():
    """Healthy runs, each on a seed of its own: nothing is worse, and nothing open."""
    assert list(outcomes(1, spread=0.0)) == ["same"]


def test_drives_that_scatter_alike_are_not_called_worse():
    """Drives that differ by a percent from run to run, alike on both sides, may be open but are never worse here."""
    assert "worse" not in set(outcomes(1, spread=0.01))


def test_slower_drives_are_called_worse():
    """Drives that take half as long again are found through the same scatter."""
    assert list(outcomes(1, slower=0.5, spread=0.01)) == ["worse"]
