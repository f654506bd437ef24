"""What the whole suite shares: how properties draw their cases, and one worker for tests on real wires."""

from __future__ import annotations

import pytest
from hypothesis import settings

# The same commit is tested with the same cases everywhere; `make hunt` draws new ones each time.
settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("new", deadline=None)
settings.load_profile("same")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give every test that runs in real time to the same worker, so that they do not disturb each other."""
    for item in items:
        if item.get_closest_marker("wire"):
            item.add_marker(pytest.mark.xdist_group("wire"))
