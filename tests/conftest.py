"""What the whole suite shares: tests on real wires keep to one worker, so that they do not disturb each other."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give every test that runs in real time to the same worker, when there are several."""
    for item in items:
        if item.get_closest_marker("wire"):
            item.add_marker(pytest.mark.xdist_group("wire"))
