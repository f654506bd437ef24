"""The shipped mock unit, healthy or with faults."""

from pathlib import Path

import pytest
import yaml

import bench
from bench.mock.settings import MockSettings
from bench.mock.unit import build

START_S = 1000.0


@pytest.fixture
def settings():
    """The mock settings of the shipped bench, as plain data to change."""
    path = Path(bench.__file__).parent / "files" / "mock.yaml"
    return yaml.safe_load(path.read_text(encoding="utf-8"))["mock"]


@pytest.fixture
def make(settings):
    """Build the shipped unit with faults (name to severity) and changed settings, powered up at 1000 s."""

    def make(faults=None, *, seed=0, **rain):
        settings["rain"].update(rain)
        return build(MockSettings.model_validate(settings | {"faults": faults or {}}), START_S, seed)

    return make
