"""The poller: on time, never in a bunch, and honest about what it did not see."""

import asyncio

import pytest
from plain_unit import PlainBank, trouble_at

from ventproof_bench.base.clock import ORIGIN_S, run
from ventproof_bench.base.errors import BusFault, LinkError
from ventproof_bench.base.evidence import Gap, Poll
from ventproof_bench.base.protocols import Reply
from ventproof_bench.benchfile.model import InProcessBus
from ventproof_bench.benchfile.signals import SignalSpec
from ventproof_bench.mock.wires.modbus_server import Responder, Trouble
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.modbus.polling import poll
from ventproof_bench.modbus.register_map import plan_reads


def spec_of(**fields):
    """Return an in-process bus that gives up after 0.2 s and is quiet for 0.4 s."""
    times = {"timeout": "0.2 s", "quiet_after_fault": "0.4 s"}
    return InProcessBus.model_validate({"link": "in-process", **times, **fields})


def signals(**kinds):
    """Return signals of the given types, one after another in the input registers with a gap between them."""
    raw = {"bus": "unit", "table": "input", "unit": "count"}
    return {
        name: SignalSpec.model_validate({**raw, "address": 10 * n, "type": kind})
        for n, (name, kind) in enumerate(kinds.items())
    }


class ScriptedBus:
    """A bus that answers as told: a reply's words, a kind of fault, or an error on opening."""

    def __init__(self, *, reads=(), opens=(), takes_s=0.01):
        self._reads = iter(reads)
        self._opens = iter(opens)
        self.takes_s = takes_s
        self.opened_s = []

    async def open(self):
        """Connect, or fail as told."""
        self.opened_s.append(asyncio.get_running_loop().time() - ORIGIN_S)
        if next(self._opens, True) is False:
            raise LinkError("the cable is out")

    async def close(self):
        """Nothing to close."""

    async def write(self, unit_id, table, address, words):
        """Nothing is written here."""
        raise NotImplementedError

    async def read(self, request):
        """Answer, or fail as told."""
        loop = asyncio.get_running_loop()
        asked_s = loop.time()
        step = next(self._reads, (0,) * request.count)
        if step == "disconnected":
            raise BusFault("disconnected", "gone", requested_s=asked_s, ended_s=asked_s)
        await asyncio.sleep(self.takes_s)
        if isinstance(step, str):
            raise BusFault(step, "trouble", requested_s=asked_s, ended_s=loop.time())
        return Reply(step, asked_s, loop.time())


def polled(bus, *, for_s, spec=None, every_s=0.1, **kinds):
    """Poll for a while; return what the sink saw, on a clock that begins at 0."""
    seen = []

    async def main():
        spec_ = spec or spec_of()
        await bus.open()
        plan = plan_reads(signals(**(kinds or {"a": "u16"})), spec_)
        task = asyncio.create_task(poll(bus, plan, every_s=every_s, bus_spec=spec_, sink=seen.append))
        await asyncio.sleep(for_s)
        assert not task.done()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert task.cancelled()
        await bus.close()

    run(main(), virtual=True)
    return seen


def begins(seen):
    """Return when each answered request went out."""
    return [round(s.requested_s - ORIGIN_S, 3) for s in seen if isinstance(s, Poll)]


def gaps(seen):
    """Return the gaps as (from, to, reason)."""
    return [
        (round(s.from_s - ORIGIN_S, 3), round(s.to_s - ORIGIN_S, 3), s.reason)
        for s in seen
        if isinstance(s, Gap)
    ]


def test_rounds_keep_to_their_own_clock():
    """Rounds begin at whole multiples of the interval, however long a read takes."""
    assert begins(polled(ScriptedBus(takes_s=0.03), for_s=0.45)) == [0, 0.1, 0.2, 0.3, 0.4]


def test_missed_rounds_are_left_out():
    """A bus that is slower than the interval skips rounds and never makes up for them in a bunch."""
    assert begins(polled(ScriptedBus(takes_s=0.25), for_s=1.0)) == [0, 0.3, 0.6]


def test_round_that_takes_exactly_the_interval_misses_none():
    """A read that ends just as the next round is due is followed by that round."""
    assert begins(polled(ScriptedBus(takes_s=0.1), for_s=0.45)) == [0, 0.1, 0.2, 0.3]


def test_poll_carries_values_and_words():
    """What is handed on is decoded, and the registers as they came are kept beside it."""
    seen = polled(ScriptedBus(reads=[(7,)]), for_s=0.05)
    assert [(s.bus, s.values, s.table, s.address, s.words) for s in seen] == [
        ("unit", {"a": 7.0}, "input", 0, (7,))
    ]


@pytest.mark.parametrize("kind", ["timeout", "exception", "mismatch"])
def test_fault_is_a_gap_since_the_last_good_request(kind):
    """A fault leaves a gap from the last request that was answered to the fault's end."""
    seen = polled(ScriptedBus(reads=[(1,), (2,), kind, (4,)]), for_s=0.35)
    assert gaps(seen) == [(0.1, 0.21, kind)]
    assert begins(seen) == [0, 0.1, 0.3]


def test_each_read_of_a_round_has_its_own_last_good_request():
    """When the second request of every round fails, its gap reaches back to its own last reply."""
    steps = [(1,), (1,), (2,), "timeout", (3,), "timeout", (4,), (4,)]
    seen = polled(ScriptedBus(reads=steps), for_s=0.35, a="u16", b="u16")
    assert gaps(seen) == [(0.01, 0.12, "timeout"), (0.01, 0.22, "timeout")]


def test_lost_connection_is_made_again_with_growing_waits():
    """Tries to connect come 0.5, 1, 2, 4, then 5 s apart; each failure is a gap, success a restart."""
    bus = ScriptedBus(reads=[(1,), "disconnected"], opens=[True, False, False, False, False, False])
    seen = polled(bus, for_s=19.0)
    tries = [0.6, 1.6, 3.6, 7.6, 12.6, 17.6]
    assert [round(t, 3) for t in bus.opened_s[1:]] == tries
    expected = [
        (0.0, 0.1, "disconnected"),
        *((0.0, t, "disconnected") for t in tries[:-1]),
        (0.0, 17.6, "restart"),
    ]
    assert gaps(seen) == expected
    assert begins(seen)[:3] == [0, 17.6, 17.7]


def test_waits_begin_afresh_after_each_loss():
    """A second loss is met with the shortest wait again."""
    bus = ScriptedBus(reads=[(1,), "disconnected", (2,), "disconnected"], opens=[True, False])
    polled(bus, for_s=4.0)
    assert [round(t, 3) for t in bus.opened_s[1:]] == [0.6, 1.6, 2.2]


def test_signal_that_is_no_number_is_no_value():
    """A float that is not a number is left out; a reply with nothing else in it is a gap."""
    nan = (0x7FC0, 0)
    seen = polled(ScriptedBus(reads=[nan, (0x3F80, 0)]), for_s=0.15, house="f32")
    assert gaps(seen) == [(0.0, 0.01, "mismatch")]
    assert seen[0].detail == "house: not a number (registers 7FC0 0000 as a 32-bit float)"
    assert [s.values for s in seen[1:]] == [{"house": 1.0}]


def test_cancelling_ends_the_poller_in_the_midst_of_a_reconnect():
    """Cancellation is not put off by a lost connection."""
    polled(ScriptedBus(reads=["disconnected"], opens=[True, False]), for_s=0.7)


def test_cut_connection_to_the_mock_ends_in_a_restart():
    """Over the real bus and the mock's frames: a cut is reported at once, and polling goes on after it."""
    unit = Responder("tcp", {1: PlainBank({"input": [7]})}, trouble=trouble_at({2: Trouble(cut=True)}))
    seen = polled(ModbusBus("unit", spec_of(), peer=unit), for_s=1.05)
    assert gaps(seen) == [(0.1, 0.2, "disconnected"), (0.1, 0.7, "restart")]
    assert begins(seen) == [0, 0.1, 0.7, 0.8, 0.9, 1.0]
    assert all(s.values == {"a": 7.0} for s in seen if isinstance(s, Poll))


def test_late_reply_of_the_mock_is_a_gap_that_holds_the_quiet_line():
    """Over the real bus: the gap of a late reply reaches to the end of the wait for a quiet line."""
    unit = Responder("rtu", {1: PlainBank({"input": [7]})}, trouble=trouble_at({1: Trouble(late_s=0.25)}))
    seen = polled(ModbusBus("unit", spec_of(framing="rtu"), peer=unit), for_s=0.95)
    assert gaps(seen) == [(0.0, 0.75, "timeout")]
    assert begins(seen) == [0, 0.8, 0.9]
