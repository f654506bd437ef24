"""The shipped mock unit, healthy or with faults."""

from pathlib import Path

import pytest
import yaml

import ventproof_bench
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build

START_S = 1000.0
RAIN_ONLY = {"vents", "house", "rain", "refresh_every"}


def _shipped(name):
    path = Path(ventproof_bench.__file__).parents[1] / "files" / name
    return yaml.safe_load(path.read_text(encoding="utf-8"))["mock"]


@pytest.fixture
def settings():
    """The mock settings of the shipped bench without more weather than rain, as plain data to change."""
    shipped = {name: part for name, part in _shipped("mock.yaml").items() if name in RAIN_ONLY}
    del shipped["rain"]["counted"]
    return shipped


@pytest.fixture
def all_weather():
    """The mock settings of the shipped bench with all its weather, as plain data to change."""
    return _shipped("mock.yaml")


@pytest.fixture
def make_weather(all_weather):
    """Build the unit with all weather, with faults and changed sections, powered up at 1000 s."""

    def make(faults=None, *, seed=0, **sections):
        for name, change in sections.items():
            all_weather[name] = all_weather.get(name, {}) | change if isinstance(change, dict) else change
        return build(MockSettings.model_validate(all_weather | {"faults": faults or {}}), START_S, seed)

    return make


@pytest.fixture
def make_rules():
    """Build the unit of the snow house with faults, powered up at 1000 s."""

    def make(faults=None, *, seed=0):
        shipped = _shipped("snow-house.yaml")
        return build(MockSettings.model_validate(shipped | {"faults": faults or {}}), START_S, seed)

    return make


@pytest.fixture
def make_wind():
    """Build the unit whose wind sensor has a level, with faults, powered up at 1000 s."""

    def make(faults=None):
        return build(
            MockSettings.model_validate(_shipped("wind-house.yaml") | {"faults": faults or {}}), START_S, 0
        )

    return make


@pytest.fixture
def make(settings):
    """Build the shipped unit with faults (name to severity) and changed settings, powered up at 1000 s."""

    def make(faults=None, *, seed=0, **rain):
        settings["rain"].update(rain)
        return build(MockSettings.model_validate(settings | {"faults": faults or {}}), START_S, seed)

    return make
