"""A wind on a level that an output cannot follow: told, and no other weather taken for the one asked for."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest

from ventproof.log.clockwork import Clockwork
from ventproof.log.events import LevelWandered, StimulusEnd, StimulusId
from ventproof.profile.stimulus import Wind
from ventproof.run.sensor_failures import Failing
from ventproof.run.wind_levels import WindLevels
from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.evidence import Window
from ventproof_bench.benchfile.model import LevelOutput

OF = StimulusId(1, 0, None)
OUTPUT = LevelOutput.model_validate(
    {
        "kind": "level",
        "driver": "mock-level",
        "wired": {"input": "wind"},
        "signal": "2-10 V",
        "range": ["0 m/s", "50 m/s"],
        "updated_every": "200 ms",
    }
)


class _Outputs:
    """Puts a level after a while; from the third on its reply is lost, where that is asked for."""

    def __init__(self, takes_s: float, *, lost: bool) -> None:
        self.levels: list[float] = []
        self._takes_s, self._lost = takes_s, lost

    async def level(self, _name: str, value: float) -> Window:
        await asyncio.sleep(self._takes_s)
        self.levels.append(value)
        return Window(now_s(), now_s(), again=self._lost and len(self.levels) > 2)


def blown(takes_s, *, lost=False, for_s=10.0):
    """Let a wind rise for 4 s on an output, and return its levels, the events and what broke."""
    outputs, told, broken = _Outputs(takes_s, lost=lost), [], []
    rig: Any = SimpleNamespace(file=SimpleNamespace(outputs={"wind": OUTPUT}), outputs=outputs)

    def tell(kind, *args, **_):
        told.append((kind, args))

    async def main() -> None:
        said: Any = (rig, {"wind": "wind"}, tell, Clockwork(now_s()), broken.append)
        winds = WindLevels(*said, Failing(*said, set()))
        await winds.play(OF, Wind(wind="wind", speed="0 m/s", to="40 m/s", over="4 s"))
        await asyncio.sleep(for_s)
        await winds.stop()

    run(main(), virtual=True)
    return outputs.levels, told, broken


def test_a_level_follows_a_wind_and_stays():
    """Twenty means of 200 ms on 2-10 V, and 8.4 V at the end; nothing after that."""
    levels, told, broken = blown(0.01)
    assert levels == pytest.approx([*(2 + 8 * (2 * k + 1) / 50 for k in range(20)), 8.4])
    assert broken == []
    assert sum(kind is LevelWandered for kind, _ in told) == 20
    assert told[-1][0] is StimulusEnd


def test_an_output_that_falls_behind_plays_another_weather():
    """Each level takes twice as long as it lasts: after a quarter of a second the wind is told to be another."""
    _, _, (error,) = blown(0.4)
    assert "s behind: the weather was not the one asked for" in str(error)


def test_a_level_that_nobody_confirmed_is_told():
    """A lost reply leaves open when the level changed."""
    levels, _, (error,) = blown(0.01, lost=True)
    assert "wind is not confirmed to have changed in time" in str(error)
    assert len(levels) == 3


def test_a_wind_that_is_stopped_puts_no_further_level():
    """After a second five means are out, and no more come."""
    levels, _, broken = blown(0.01, for_s=0.9)
    assert len(levels) == 5
    assert broken == []
