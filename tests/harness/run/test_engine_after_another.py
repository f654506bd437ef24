"""A profile of the shipped suite passes whatever ran on the unit before it: real units are not started for each run."""

import pytest

from ventproof.cli.options import SHIPPED
from ventproof_bench.mock import unit as mock_unit
from ventproof_bench.rig import build as rig_build

PROFILES = sorted(SHIPPED.rglob("*.yaml"))
LASTED_S = 240.0
ENDED_S = 1.0
PULSE_S = 1 / 14


def bad_weather(unit, begin_s, end_s):
    """Warm the house, so that every vent stands open, and have rain, a gale and frost until the end."""
    unit.write("holding", 0, [300], begin_s)
    unit.write("holding", 3, [0x10000 - 50], begin_s)
    unit.set_contact("rain", begin_s + 60, closed=True)
    for pulse in range(int((end_s - begin_s) / PULSE_S)):
        for closed in (True, False):
            unit.set_contact("cups", begin_s + (pulse + (not closed) / 2) * PULSE_S, closed=closed)
    unit.read("input", 0, 1, end_s - 5)
    unit.set_contact("rain", end_s, closed=False)
    unit.write("holding", 3, [100], end_s)


@pytest.mark.parametrize("path", PROFILES, ids=lambda p: p.stem)
def test_a_healthy_unit_passes_after_bad_weather(path, run, monkeypatch):
    """The start state of each profile waits until the last weather's overrides and delays are over."""

    def aged(settings, start_s, seed):
        unit = mock_unit.build(settings, start_s - LASTED_S, seed)
        bad_weather(unit, start_s - LASTED_S, start_s - ENDED_S)
        unit.advance(start_s)
        return unit

    monkeypatch.setattr(rig_build, "build", aged)
    result = run(path)
    assert result.outcome.verdict == "pass", [
        (f.demand, f.why) for f in result.findings if f.verdict != "pass"
    ]
