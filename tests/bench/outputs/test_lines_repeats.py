"""A command whose reply alone was lost is read back and given again: once, with a wide window, not in safety's way."""

import asyncio
from contextlib import asynccontextmanager, suppress

import pytest
from plain_unit import PlainBank

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.edges import pulse_plan
from ventproof_bench.base.errors import BenchError, DriverError
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.mock.wires.modbus_server import Responder, Trouble
from ventproof_bench.mock.wires.relay_boards import CoilBoard
from ventproof_bench.mock.wires.stand import serve_tcp
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.outputs import LocalOutputs

RELAY = {"operate": "0 s", "release": "0 s", "bounce": "0 s"}
LOST, REFUSED, BUSY, GATEWAY = (
    Trouble(silent=True),
    Trouble(exception=2),
    Trouble(exception=6),
    Trouble(exception=11),
)
FIRST = 5
"""Requests with which such a bench opens: a look at the coil, two at the setting, safe, read back."""


def file_of(bus):
    rain = {"driver": "coil", "wired": {"bus": "io", "unit_id": 2, "coil": 0}, **RELAY}
    wired = {"bus": "io", "table": "holding", "address": 0, "type": "s16", "scale": 0.1}
    house = {"kind": "register", "driver": "register", "unit": "°C", "wired": wired}
    vent = {"bus": "io", "table": "holding", "address": 0, "unit": "%"}
    times = {"timeout": "200 ms", "quiet_after_fault": "100 ms"}
    return BenchFile.model_validate(
        {
            "bench": "repeats",
            "buses": {"io": {**bus, **times}},
            "outputs": {"rain": rain, "house": house},
            "signals": {"vent": vent},
        }
    )


class Stand:
    """A coil board and a unit whose replies go wrong from a request on; knows each move and what was asked."""

    def __init__(self):
        self.edges = []
        self.bank = PlainBank({"holding": [300]})
        self.script = {}
        self.asked = 0

    def responder(self, _=None):
        """Return what answers."""
        board = CoilBoard({0: lambda closed: self.edges.append((now_s(), closed))})
        return Responder("tcp", {1: self.bank, 2: board}, trouble=self._trouble)

    def _trouble(self, _):
        self.asked += 1
        return self.script.get(self.asked - 1)

    def next(self, *troubles):
        """Have the next replies go wrong so; None leaves one right."""
        self.script = {self.asked + n: one for n, one in enumerate(troubles) if one is not None}


@asynccontextmanager
async def opened(stand):
    file = file_of({"link": "in-process"})
    bus = ModbusBus("io", file.buses["io"], peer=stand.responder())
    await bus.open()
    outputs = LocalOutputs(file.outputs, buses={"io": bus}, specs=file.buses)
    try:
        await outputs.open()
        yield outputs
    finally:
        with suppress(BenchError):
            await outputs.close()
        await bus.close()


def worked(work, *, before=()):
    """Open outputs on a stand, and work with them."""
    stand = Stand()
    stand.next(*before)

    async def main():
        async with opened(stand) as outputs:
            return await work(stand, outputs)

    return run(main(), virtual=True)


@pytest.mark.parametrize("trouble", [LOST, BUSY, GATEWAY], ids=["lost", "busy", "gateway"])
@pytest.mark.parametrize("place", [0, 1], ids=["write", "read back"])
def test_one_reply_lost_to_a_write_loses_nothing(trouble, place):
    """The window holds the true edge, however wide, and the record says why it is."""

    async def work(stand, outputs):
        for closed in (True, False):
            stand.next(*[None] * place, trouble)
            window = await outputs.contact("rain", closed=closed)
            assert window.again
            assert stand.edges[-1][1] is closed
            assert window.earliest_s <= stand.edges[-1][0] <= window.latest_s
            assert "it was read back, and was done within" in outputs.notes[-1]
        stand.next(*[None] * place, trouble)
        assert (await outputs.level("house", 21.0)).again
        assert stand.bank.tables["holding"] == [210]
        assert not (await outputs.contact("rain", closed=True)).again

    worked(work)


def test_a_command_that_was_carried_out_is_not_given_again():
    """The relay is read first: it moves once, and the board is written to once."""

    async def work(stand, outputs):
        stand.next(LOST)
        before = stand.asked
        await outputs.contact("rain", closed=True)
        assert stand.asked - before == 3  # the write, and two readings that agree
        assert [closed for _, closed in stand.edges[-1:]] == [True]

    worked(work)


@pytest.mark.parametrize(
    ("troubles", "said"),
    [
        ([REFUSED], "refused with exception 2"),
        ([LOST, LOST], "no reply within 0.2 s"),
        ([BUSY, None, None, LOST], "exception 6"),
    ],
    ids=["a plain refusal", "two in a row", "and again"],
)
def test_what_is_more_than_one_lost_reply_is_an_error(troubles, said):
    """It is told as it was found first, and nothing is tried for ever."""

    async def work(stand, outputs):
        stand.next(*troubles)
        with pytest.raises(DriverError, match=said):
            await outputs.contact("rain", closed=True)

    worked(work)


def test_nothing_is_given_again_once_outputs_are_to_be_made_safe():
    """A closure whose reply was lost is not repeated behind the back of an emergency: the contact ends open."""

    async def work(stand, outputs):
        stand.next(Trouble(exception=6, late_s=0.1), Trouble(late_s=0.05))
        closing = asyncio.ensure_future(outputs.contact("rain", closed=True))
        await asyncio.sleep(0.02)
        await outputs.make_safe()
        with pytest.raises(DriverError):
            await closing
        assert True not in [closed for _, closed in stand.edges]

    worked(work)


@pytest.mark.parametrize("place", range(FIRST))
def test_one_reply_lost_as_the_bench_opens_keeps_it_from_nothing(place):
    """Whatever it asks for first; the contact is open, and the setting was read so that it can be put back."""

    async def work(stand, outputs):
        await outputs.level("house", 25.0)
        await outputs.make_safe()
        assert stand.bank.tables["holding"] == [300]

    worked(work, before=[*[None] * place, LOST])


def test_an_edge_of_a_train_that_was_given_again_says_so():
    """Each pulse is played once; whoever judges sees which of them may have been another than asked for."""

    async def work(stand, outputs):
        stand.next(None, None, LOST)
        reports = await outputs.train(
            "rain", pulse_plan(2, closed_for_s=0.5, open_for_s=0.5), start_s=now_s()
        )
        assert [report.window.again for report in reports] == [False, True, False, False]
        assert [closed for _, closed in stand.edges] == [True, False, True, False]

    worked(work)


@pytest.mark.wire
@pytest.mark.parametrize("place", [0, 2, 4, FIRST, FIRST + 1])
def test_one_reply_lost_on_a_real_wire_saves_the_contact_and_its_window(place):
    """Through the line process, which sends the wide window on and notes why."""

    async def main():
        stand = Stand()
        stand.script = {place: LOST}
        async with serve_tcp(stand.responder) as port:
            outputs = LineOutputs(file_of({"link": "tcp", "host": "127.0.0.1", "tcp_port": port}))
            try:
                await outputs.open()
                window = await outputs.contact("rain", closed=True)
                (moved_s,) = [at_s for at_s, closed in stand.edges if closed]
                assert window.earliest_s <= moved_s <= window.latest_s
                assert window.again is (place >= FIRST)
                assert any("it was read back" in note for note in outputs.notes) is window.again
                await outputs.make_safe()
            finally:
                await outputs.close()
        assert not stand.edges[-1][1]

    run(main(), virtual=False)
