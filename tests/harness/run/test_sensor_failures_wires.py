"""Wires that break: by a relay in series where the bench has one, else by the level that stands for it."""

import asyncio
from types import SimpleNamespace
from typing import Any

import pytest

from ventproof.log.clockwork import Clockwork
from ventproof.log.events import StimulusId
from ventproof.profile.stimulus import Fail, WriteValue
from ventproof.run.sensor_failures import Failing
from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.evidence import Window
from ventproof_bench.benchfile.model import BenchFile

OF = StimulusId(1, 0, None)


class _Outputs:
    """Keeps what it was asked for."""

    def __init__(self) -> None:
        self.did: list[tuple[str, float | bool]] = []

    async def contact(self, name: str, *, closed: bool) -> Window:
        self.did.append((name, closed))
        await asyncio.sleep(0.1)
        return Window(now_s() - 0.1, now_s())

    async def level(self, name: str, value: float) -> Window:
        self.did.append((name, value))
        return Window(now_s(), now_s())


def _file(**more: Any) -> BenchFile:
    wired = {"bus": "io", "unit_id": 2}
    return BenchFile.model_validate(
        {
            "bench": "wires",
            "buses": {"io": {"link": "tcp", "host": "192.0.2.7"}},
            "outputs": {
                "wire": {
                    "driver": "coil",
                    "wired": {**wired, "coil": 0},
                    "at_rest": "closed",
                    "safe": "closed",
                },
                "outside": {
                    "kind": "level",
                    "driver": "register",
                    "wired": {**wired, "table": "holding", "address": 0},
                    "signal": "4-20 mA",
                    "range": ["-30 °C", "50 °C"],
                    **more,
                },
            },
            "signals": {"shut": {"bus": "io", "table": "coil", "address": 0, "type": "bit", "unit": "flag"}},
        }
    )


@pytest.mark.parametrize(
    ("more", "broken", "mended"),
    [
        ({"breaks_with": "wire"}, [("wire", False)], [("outside", 12.0), ("wire", True)]),
        ({}, [("outside", 0.0)], [("outside", 12.0)]),
    ],
    ids=["relay", "level"],
)
def test_a_wire_breaks_and_is_whole_again(more, broken, mended):
    """The relay opens, and closes once the level is right again; its window is the stimulus's."""
    outputs, told = _Outputs(), []
    rig: Any = SimpleNamespace(file=_file(**more), outputs=outputs)

    async def main() -> None:
        failing = Failing(
            rig,
            {"outside": "outside"},
            lambda *_, window, **__: told.append(window),
            Clockwork(now_s()),
            print,
            set(),
        )
        await failing.write(OF, WriteValue(write="outside", value="10 °C"))
        outputs.did.clear()
        await failing.fail(OF, Fail(fail="outside", mode="open"))
        assert outputs.did == broken
        outputs.did.clear()
        await failing.restore(OF, "outside")
        assert outputs.did == mended

    run(main(), virtual=True)
    wide = [window.latest_s - window.earliest_s > 0.05 for window in told]
    assert wide == [False, bool(more), bool(more)]
