"""A computer that sleeps: its clock stands still, and what happened meanwhile nobody saw."""

import asyncio
import time

import pytest

from ventproof_bench.base.clock import Awake, run
from ventproof_bench.base.errors import BenchError
from ventproof_bench.base.protocols import Reply
from ventproof_bench.benchfile.model import InProcessBus, TcpBus
from ventproof_bench.benchfile.signals import SignalSpec
from ventproof_bench.modbus.polling import poll
from ventproof_bench.modbus.register_map import plan_reads

REAL = TcpBus.model_validate({"link": "tcp", "host": "127.0.0.1", "tcp_port": 502})
VIRTUAL = InProcessBus.model_validate({"link": "in-process"})

needs_two_clocks = pytest.mark.skipif(
    not hasattr(time, "CLOCK_BOOTTIME"), reason="this system does not tell how long it slept"
)


class Sleepy:
    """A bus that answers at once; before its third answer the computer sleeps."""

    def __init__(self, nap_s, monkeypatch):
        self.slept_s = 0.0
        self._nap_s = nap_s
        self._answers = 0
        real = time.clock_gettime
        monkeypatch.setattr(time, "clock_gettime", lambda clock: real(clock) + self.slept_s)

    async def read(self, request):
        """Answer."""
        asked_s = asyncio.get_running_loop().time()
        await asyncio.sleep(0.01)
        self._answers += 1
        if self._answers == 3:
            self.slept_s = self._nap_s
        return Reply((0,) * request.count, asked_s, asyncio.get_running_loop().time())


def polled(bus, spec):
    """Poll five times; return what was handed on, and what ended it."""
    seen = []
    signal = SignalSpec.model_validate({"bus": "unit", "table": "input", "address": 0, "unit": "count"})

    async def main():
        plan = plan_reads({"a": signal}, spec)
        task = asyncio.create_task(poll(bus, plan, every_s=0.1, bus_spec=spec, sink=seen.append))
        await asyncio.sleep(0.45)
        task.cancel()
        (ended,) = await asyncio.gather(task, return_exceptions=True)
        return ended

    return seen, run(main(), virtual=True)


@needs_two_clocks
def test_a_sleep_ends_the_polling_before_anything_is_made_of_it(monkeypatch):
    """The reply that came after the sleep is not handed on: its window leaves the sleep out."""
    seen, ended = polled(Sleepy(61.5, monkeypatch), REAL)
    assert len(seen) == 2
    assert isinstance(ended, BenchError)
    with pytest.raises(BenchError, match=r"^this computer slept for 61\.5 s and the unit was not watched"):
        raise ended


@pytest.mark.parametrize(("nap_s", "spec"), [(0.9, REAL), (61.5, VIRTUAL)], ids=["a correction", "virtual"])
def test_small_corrections_and_virtual_time_do_not_matter(nap_s, spec, monkeypatch):
    """Clocks are corrected by fractions of a second, and virtual time stands still with the computer."""
    seen, ended = polled(Sleepy(nap_s, monkeypatch), spec)
    assert len(seen) == 5
    assert isinstance(ended, asyncio.CancelledError)


def test_a_computer_that_is_awake_slept_no_time():
    """The two clocks are read so close together that they do not seem to part by themselves."""
    awake = Awake()
    assert max(awake.slept_s() for _ in range(2000)) < 0.1
