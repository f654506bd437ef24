"""One transaction at a time, stimuli ahead of polls, and an orderly beginning and end."""

import asyncio
from contextlib import suppress

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import BusFault, LinkError
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import InProcessBus
from ventproof_bench.mock.wires.modbus_server import crc16
from ventproof_bench.modbus.bus import ModbusBus


class Slow:
    """A unit that takes 50 ms unless stated, notes what it is asked, and answers reads with zeros."""

    def __init__(self, framing="rtu", takes_s=0.05):
        self._takes_s = takes_s
        self.functions = []
        self.overlapped = False
        self._busy_until_s = 0.0
        self._tcp = framing == "tcp"

    def exchange(self, data, now_s):
        """Answer one request."""
        head, data = (data[:4], data[6:]) if self._tcp else (b"", data)
        self.functions.append(data[1])
        self.overlapped |= now_s < self._busy_until_s - 1e-6
        self._busy_until_s = now_s + self._takes_s
        if data[1] in (1, 2):
            body = bytes([data[0], data[1], 1, 0b101])
        elif data[1] in (3, 4):
            body = bytes([data[0], data[1], 2 * data[5]]) + bytes(2 * data[5])
        else:
            body = data[:6]
        return [
            (self._takes_s, head + len(body).to_bytes(2, "big") + body if self._tcp else body + crc16(body))
        ]


@pytest.fixture(params=["rtu", "tcp"])
def framing(request):
    """Each framing: over TCP a bus that rests sends at once, on a serial line its worker does."""
    return request.param


def spec_of(**fields):
    """Return an in-process bus, RTU unless stated."""
    return InProcessBus.model_validate({"link": "in-process", "framing": "rtu", **fields})


def on_bus(body, framing="rtu", takes_s=0.05, **fields):
    """Run `body(bus, slave)` on an open bus in virtual time."""
    slave = Slow(framing, takes_s)

    async def main():
        bus = ModbusBus("line", spec_of(framing=framing, **fields), peer=slave)
        await bus.open()
        try:
            return await body(bus, slave)
        finally:
            await bus.close()

    return run(main(), virtual=True)


def test_writes_go_ahead_of_waiting_reads(framing):
    """A stimulus waits for the transaction under way and for no poll besides."""

    async def body(bus, slave):
        reads = [asyncio.create_task(bus.read(ReadRequest(1, "input", n, 1))) for n in range(3)]
        await asyncio.sleep(0.01)
        coil = asyncio.create_task(bus.write(1, "coil", 3, [1]))
        register = asyncio.create_task(bus.write(1, "holding", 3, [1, 2]))
        await asyncio.gather(*reads, coil, register)
        return slave.functions, slave.overlapped, (await coil).requested_s - (await reads[0]).replied_s

    functions, overlapped, waited_s = on_bus(body, framing)
    assert functions == [4, 5, 16, 4, 4]
    assert not overlapped
    assert waited_s == pytest.approx(0.0, abs=1e-6)


def test_window_holds_the_moment_of_the_read(framing):
    """A reply's window begins before the unit was asked and ends when the last byte was heard."""

    async def body(bus, _):
        return await bus.read(ReadRequest(1, "input", 0, 2))

    reply = on_bus(body, framing)
    assert reply.words == (0, 0)
    assert (reply.requested_s, reply.replied_s) == pytest.approx((100_000.0, 100_000.05))


@pytest.mark.parametrize("table", ["coil", "discrete"])
def test_bits_come_as_many_as_were_asked_for(table):
    """The bits that fill up the last byte of a reply are not handed on."""

    async def body(bus, _):
        return await bus.read(ReadRequest(1, table, 0, 3))

    assert on_bus(body).words == (1, 0, 1)


def test_write_returns_its_window_and_no_words(framing):
    """A write's reply says when it was acknowledged."""

    async def body(bus, _):
        return await bus.write(1, "coil", 0, [1, 0, 1])

    reply = on_bus(body, framing)
    assert reply.words == ()
    assert reply.replied_s - reply.requested_s == pytest.approx(0.05)


@pytest.mark.parametrize("act", ["read", "write"])
def test_broadcast_is_refused(act):
    """Unit 0 of a serial line is every unit: nothing is sent."""

    async def body(bus, slave):
        with pytest.raises(
            LinkError, match=r"^bus line: unit_id 0 is every unit at once, and none answers; use 1 to 247$"
        ):
            await (bus.read(ReadRequest(0, "coil", 0, 1)) if act == "read" else bus.write(0, "coil", 0, [1]))
        return slave.functions

    assert on_bus(body) == []


def test_closing_refuses_what_waits_and_ends_twice(framing):
    """On closing, the transaction under way is given its time; those waiting are refused."""

    async def body(bus, slave):
        tasks = [asyncio.create_task(bus.read(ReadRequest(1, "input", n, 1))) for n in range(3)]
        await asyncio.sleep(0.01)
        await bus.close()
        await bus.close()
        outcomes = await asyncio.gather(*tasks, return_exceptions=True)
        with pytest.raises(
            BusFault, match=r"^bus line: the in-process line is not connected: it was closed$"
        ):
            await bus.read(ReadRequest(1, "input", 0, 1))
        return outcomes, slave.functions

    outcomes, functions = on_bus(body, framing)
    assert outcomes[0].words == (0,)
    assert [str(o) for o in outcomes[1:]] == [
        "bus line: the in-process line is not connected: it is being closed"
    ] * 2
    assert functions == [4]


@pytest.mark.parametrize("count", [0, 126])
def test_request_that_cannot_be_sent_leaves_the_bus_at_work(count, framing):
    """A count outside the protocol's limits is the caller's error; the next request is carried out."""

    async def body(bus, _):
        with pytest.raises(ValueError, match=rf"count {count}\b"):
            await bus.read(ReadRequest(1, "input", 0, count))
        return (await bus.read(ReadRequest(1, "input", 0, 1))).words

    assert on_bus(body, framing) == (0,)


def test_unopened_bus_says_so():
    """A bus that was never opened refuses rather than waits."""

    async def main():
        bus = ModbusBus("line", spec_of(), peer=Slow())
        with pytest.raises(
            BusFault, match=r"^bus line: the in-process line is not connected: it was never opened$"
        ):
            await bus.read(ReadRequest(1, "input", 0, 1))

    run(main(), virtual=True)


def test_bus_opens_again_after_closing(framing):
    """Opening an open bus changes nothing; a closed one can be opened again."""

    async def body(bus, _):
        await bus.open()
        await bus.close()
        await bus.open()
        return (await bus.read(ReadRequest(1, "input", 0, 1))).words

    assert on_bus(body, framing) == (0,)


def test_in_process_bus_needs_its_mock():
    """Without a unit at the far end the bus does not open."""

    async def main():
        message = r"^bus line: the in-process line cannot be opened: there is no mock unit at the far end$"
        with pytest.raises(LinkError, match=message):
            await ModbusBus("line", spec_of()).open()

    run(main(), virtual=True)


def test_two_buses_that_ask_the_same_at_the_same_time_are_both_answered():
    """The second bus's request carries another number than the first one's, and changes nothing of it."""

    async def main():
        buses = [ModbusBus(name, spec_of(framing="tcp"), peer=Slow("tcp")) for name in ("one", "two")]
        for bus in buses:
            await bus.open()
        request = ReadRequest(1, "input", 0, 2)
        await buses[0].read(request)
        replies = await asyncio.gather(*(bus.read(request) for bus in buses))
        for bus in buses:
            await bus.close()
        return [reply.words for reply in replies]

    assert run(main(), virtual=True) == [(0, 0), (0, 0)]


def test_who_gives_up_leaves_the_request_to_end_in_order(framing):
    """The reply to a request whose caller was cancelled answers no other one, and nothing is sent before it came."""

    async def body(bus, slave):
        given_up = asyncio.create_task(bus.read(ReadRequest(1, "input", 0, 3)))
        await asyncio.sleep(0.01)
        given_up.cancel()
        reply = await bus.read(ReadRequest(1, "input", 0, 1))
        return reply.words, slave.overlapped, slave.functions

    assert on_bus(body, framing) == ((0,), False, [4, 4])


def test_nothing_is_sent_while_the_silence_is_held(framing):
    """Whoever holds it waits for the transaction under way, and has the line to himself then."""

    async def body(bus, slave):
        first = asyncio.create_task(bus.read(ReadRequest(1, "input", 0, 1)))
        await asyncio.sleep(0.01)
        async with bus.silence:
            ended = first.done() or (await asyncio.sleep(0), first.done())[1]
            second = asyncio.create_task(bus.read(ReadRequest(1, "input", 0, 1)))
            await asyncio.sleep(0.2)
            sent = len(slave.functions)
        await second
        return ended, sent, len(slave.functions)

    assert on_bus(body, framing) == (True, 1, 2)


STEP_S = 1 / 64  # a reply takes four, so that others ask at its very instant, before it and after it
ACTS = st.tuples(st.sampled_from(["read", "write", "hold", "give up"]), st.integers(0, 16), st.integers(0, 8))


@pytest.mark.parametrize("framing", ["rtu", "tcp"])
@example(acts=[("read", 0, 0), ("hold", 1, 64), ("read", 4, 0), ("read", 40, 0)])
@given(acts=st.lists(ACTS, min_size=2, max_size=8))
def test_whoever_asks_or_holds_the_silence_is_served_in_the_end(framing, acts):
    """However reads, writes and holds come together, at the instant of a reply too: none waits for ever."""

    async def act(bus, what, at, steps):
        for _ in range(at):
            await asyncio.sleep(STEP_S)
        if what == "hold":
            async with bus.silence:
                await asyncio.sleep(steps * STEP_S)
        elif what == "write":
            await bus.write(1, "coil", 0, [1])
        elif what == "read":
            await bus.read(ReadRequest(1, "input", 0, 1))
        else:
            with suppress(TimeoutError):
                await asyncio.wait_for(bus.read(ReadRequest(1, "input", 0, 1)), steps * STEP_S)

    async def body(bus, slave):
        await asyncio.wait_for(asyncio.gather(*(act(bus, *one) for one in acts)), 60)
        return slave.overlapped

    assert on_bus(body, framing, 4 * STEP_S) is False


def test_a_read_over_tcp_needs_no_turn_of_the_loop():
    """Where the bus rests it is sent at once, and in virtual time answered, too, if nothing else happens meanwhile."""

    async def body(bus, slave):
        await bus.read(ReadRequest(1, "input", 0, 1))
        with pytest.raises(StopIteration) as done:
            bus.read(ReadRequest(1, "input", 0, 2)).send(None)
        return slave.functions, done.value.value.words

    assert on_bus(body, "tcp") == ([4, 4], (0, 0))
