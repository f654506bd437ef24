"""How many cases a costly property draws: few every day, more when `make hunt` looks for new ones."""

from __future__ import annotations

from hypothesis import settings


def cases(everyday: int, hunting: int) -> settings:
    """Return the settings of a property that need not draw as many cases every day as a hunt does."""
    hunts = settings.get_current_profile_name() == "new"
    return settings(max_examples=hunting if hunts else everyday, deadline=None)
