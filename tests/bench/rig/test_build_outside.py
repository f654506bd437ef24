"""A bench whose mock drives a vent outside it: the module at the unit's terminals answers on the bench's own bus."""

import pytest
import yaml
from outside import settings

from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import BusFault
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.mock.io_module import MODULE_ID
from ventproof_bench.rig.build import assemble

BENCH = {
    "bench": "a vent outside",
    "buses": {"unit": {"link": "in-process", "timeout": "100 ms", "quiet_after_fault": "100 ms"}},
    "outputs": {"rain": {"driver": "mock", "wired": {"input": "rain"}}},
    "signals": {
        "opens": {
            "bus": "unit",
            "unit_id": MODULE_ID,
            "table": "discrete",
            "address": 0,
            "type": "bit",
            "unit": "flag",
        }
    },
}


def asked(mock):
    """Return what the module's discrete inputs say one second after the house grew hot."""
    file = read_bench("bench.yaml", yaml.safe_dump({**BENCH, "mock": mock}, allow_unicode=True)).model

    async def main():
        rig = assemble(file, seed=0)
        await rig.open()
        try:
            await rig.buses[0].write(1, "holding", 0, [300])
            return (await rig.buses[0].read(ReadRequest(MODULE_ID, "discrete", 0, 4))).words
        finally:
            await rig.close()

    return run(main(), virtual=True)


def test_the_module_answers_beside_the_mock():
    """The contact that opens is on, and at its end-switch inputs the bench's relays rest."""
    assert asked(settings("none")) == (1, 0, 1, 1)


def test_a_mock_that_moves_its_vents_itself_has_no_module():
    """Whoever asks for one gets no answer, as from any address where nobody is."""
    plain = settings("none")
    del plain["vents"]["roof"]["drive"]
    with pytest.raises(BusFault):
        asked(plain)
