"""How fast the mock unit is, as a ratio within one run of this file; `make benchmark` prints it."""

import time
from pathlib import Path

import pytest
import yaml
from plain_unit import PlainBank

import ventproof_bench
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build
from ventproof_bench.mock.wires.modbus_server import Frame, Responder, encode

pytestmark = pytest.mark.performance

REQUEST = encode("tcp", Frame(1, bytes.fromhex("04 0000 000F")))
START_S = 1000.0


def read_s(bank, reads):
    """Seconds that one of so many reads of the whole map takes, ten a second in the unit's time."""
    responder = Responder("tcp", {1: bank})
    began = time.process_time()
    for k in range(reads):
        responder.exchange(REQUEST, START_S + k * 0.1)
    return (time.process_time() - began) / reads


def all_weather(reads):
    """Build the unit with all weather in a wind of 10 Hz that lasts for so many reads."""
    path = Path(ventproof_bench.__file__).parents[1] / "files" / "mock.yaml"
    settings = yaml.safe_load(path.read_text(encoding="utf-8"))["mock"]
    unit = build(MockSettings.model_validate(settings), START_S, 0)
    for k in range(reads):
        unit.set_contact("cups", START_S + k * 0.1, closed=True)
        unit.set_contact("cups", START_S + k * 0.1 + 0.05, closed=False)
    return unit


def costs(rounds, reads):
    """Return how often longer a read of the unit with all weather takes than one of plain memory, each round."""
    return [
        read_s(all_weather(reads), reads) / read_s(PlainBank({"input": [0] * 15}), reads)
        for _ in range(rounds)
    ]


def test_reading_all_weather_costs_little_more_than_reading_memory(figure):
    """The whole map of the unit with all weather, in wind, takes less than 12 times a read of plain memory."""
    figure("a read of the mock in wind, times plain memory", costs(7, 2000), limit=12)
