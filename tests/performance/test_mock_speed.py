"""How fast the mock unit is, as a ratio within one run of this file; `make benchmark` prints it."""

import time
from pathlib import Path

import pytest
import yaml

import bench
from bench.mock.frames import Frame, encode
from bench.mock.registers import PlainBank
from bench.mock.server import Responder
from bench.mock.settings import MockSettings
from bench.mock.unit import build

pytestmark = pytest.mark.performance

READS = 2000
REQUEST = encode("tcp", Frame(1, bytes.fromhex("04 0000 000F")))
START_S = 1000.0


def read_s(bank):
    """Seconds that one read of the whole map takes, ten a second in the unit's time."""
    responder = Responder("tcp", {1: bank})
    began = time.perf_counter()
    for k in range(READS):
        responder.exchange(REQUEST, START_S + k * 0.1)
    return (time.perf_counter() - began) / READS


def all_weather():
    """Build the unit with all weather in a wind of 10 Hz."""
    path = Path(bench.__file__).parent / "files" / "mock.yaml"
    settings = yaml.safe_load(path.read_text(encoding="utf-8"))["mock"]
    unit = build(MockSettings.model_validate(settings), START_S, 0)
    for k in range(READS):
        unit.set_contact("cups", START_S + k * 0.1, closed=True)
        unit.set_contact("cups", START_S + k * 0.1 + 0.05, closed=False)
    return unit


def test_reading_all_weather_costs_little_more_than_reading_memory():
    """The whole map of the unit with all weather, in wind, takes less than 12 times a read of plain memory."""
    plain = min(read_s(PlainBank({"input": [0] * 15})) for _ in range(5))
    unit = min(read_s(all_weather()) for _ in range(5))
    print(f"\na read of the whole map: {unit * 1e6:.0f} µs, {unit / plain:.1f} times plain memory")
    assert unit < 12 * plain
