"""The ways in which one request's reply can pass for another's: never a wrong value, always a named fault.

The slave answers a read of register N with N, so that a value tells which request it belongs to.
"""

import asyncio
from functools import partial

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import BusFault
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import InProcessBus
from ventproof_bench.mock.wires.modbus_server import Frame, encode
from ventproof_bench.modbus.bus import ModbusBus

TIMEOUT_S = 0.2
QUIET_S = 0.4
FRAMINGS = ("tcp", "rtu", "ascii")


class Slave:
    """Answers at once and rightly, unless the script for its n-th request says otherwise."""

    def __init__(self, framing, script=None):
        self.framing = framing
        self.script = script or {}
        self.asked = []

    def frame(self, data):
        """Take a request's frame apart."""
        if self.framing == "tcp":
            return Frame(data[6], data[7:], int.from_bytes(data[:2], "big"))
        raw = bytes.fromhex(data[1:-2].decode()) if self.framing == "ascii" else data
        return Frame(raw[0], raw[1 : -1 if self.framing == "ascii" else -2], 0)

    def right(self, request):
        """Return the frame that answers a read of registers, or a write."""
        pdu = request.pdu
        if pdu[0] in (5, 6):
            return request
        if pdu[0] in (15, 16):
            return Frame(request.unit_id, pdu[:5], request.transaction)
        first, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        words = b"".join((first + n).to_bytes(2, "big") for n in range(count))
        return Frame(request.unit_id, bytes([pdu[0], 2 * count]) + words, request.transaction)

    def exchange(self, data, now_s):
        """Answer one request."""
        request = self.frame(data)
        number, right = len(self.asked), encode(self.framing, self.right(request))
        self.asked.append((now_s, request))
        script = self.script.get(number, 0.0) if isinstance(self.script, dict) else self.script
        if callable(script):
            return script(request, right)
        return [(script, right)]


def spec_of(framing, **fields):
    """Return an in-process bus with the time-outs of these tests."""
    times = {"timeout": f"{TIMEOUT_S} s", "quiet_after_fault": f"{QUIET_S} s"}
    return InProcessBus.model_validate({"link": "in-process", "framing": framing, **times, **fields})


def read_of(address, count=1):
    """Return a read of holding registers of unit 1."""
    return ReadRequest(1, "holding", address, count)


async def asked(bus, address, count=1):
    """Return the words that came, or the kind of the fault."""
    try:
        return (await bus.read(read_of(address, count))).words
    except BusFault as fault:
        return fault.kind


def seen(slave, addresses, **fields):
    """Read one register after another on a fresh bus; return what came of each."""

    async def main():
        bus = ModbusBus("line", spec_of(slave.framing, **fields), peer=slave)
        await bus.open()
        try:
            return [await asked(bus, address) for address in addresses]
        finally:
            await bus.close()

    return run(main(), virtual=True)


@pytest.mark.parametrize("framing", FRAMINGS)
def test_late_reply_answers_nothing(framing):
    """A reply that comes after its time-out is a time-out, and the next read gets its own reply."""
    assert seen(Slave(framing, {0: 0.3}), [10, 20, 30]) == ["timeout", (20,), (30,)]


@pytest.mark.parametrize("framing", FRAMINGS)
@pytest.mark.parametrize(
    "later_s", [pytest.param(0.01, id="then 10 ms"), pytest.param(0.06, id="then 60 ms")]
)
def test_one_slow_reply_shifts_nothing(framing, later_s):
    """One reply of 250 ms costs one read; every later value is its own request's."""
    slave = Slave(framing, {0: 0.25, **dict.fromkeys(range(1, 6), later_s)})
    assert seen(slave, [10, 20, 30, 40, 50]) == ["timeout", (20,), (30,), (40,), (50,)]


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_line_that_is_always_too_slow_gives_no_value(framing):
    """A unit that always answers after the time-out is reported each time and never believed."""
    slave = Slave(framing, dict.fromkeys(range(9), 0.25))
    assert seen(slave, [10, 20, 30, 40, 50]) == ["timeout"] * 5


@pytest.mark.parametrize("framing", FRAMINGS)
def test_cancelled_caller_leaves_nothing_behind(framing):
    """A caller who gives up waiting does not leave a reply that answers the next read."""

    async def main():
        bus = ModbusBus("line", spec_of(framing), peer=Slave(framing, {0: 0.15, 1: 0.15}))
        await bus.open()
        with pytest.raises(TimeoutError, match=r"^$"):
            await asyncio.wait_for(bus.read(read_of(10)), 0.05)
        found = [await asked(bus, address) for address in (20, 30)]
        await bus.close()
        return found

    assert run(main(), virtual=True) == [(20,), (30,)]


def test_cancelled_caller_in_the_queue_sends_nothing():
    """A read that is given up before its turn never goes out."""
    slave = Slave("rtu", {0: 0.1})

    async def main():
        bus = ModbusBus("line", spec_of("rtu"), peer=slave)
        await bus.open()
        first = asyncio.create_task(bus.read(read_of(10)))
        second = asyncio.create_task(bus.read(read_of(20)))
        await asyncio.sleep(0.01)
        second.cancel()
        await asyncio.sleep(0.2)
        await bus.close()
        return (await first).words

    assert run(main(), virtual=True) == (10,)
    assert len(slave.asked) == 1


def other(framing, pdu):
    """Script a reply with another PDU but the request's unit and transaction."""
    return lambda request, _: [(0.0, encode(framing, Frame(request.unit_id, pdu, request.transaction)))]


@pytest.mark.parametrize("framing", FRAMINGS)
@pytest.mark.parametrize(
    "pdu",
    [
        pytest.param(bytes([4, 2, 0, 10]), id="function 4 for 3"),
        pytest.param(bytes([3, 10, *range(10)]), id="five registers for one"),
        pytest.param(bytes([3, 3, 0, 10, 0]), id="odd number of bytes"),
        pytest.param(bytes([0x84, 2]), id="refusal of function 4"),
        pytest.param(bytes([6, 0, 10, 0, 10]), id="write acknowledged"),
    ],
)
def test_reply_of_another_shape_is_refused(framing, pdu):
    """Another function or number of registers than was asked for is a mismatch."""
    assert seen(Slave(framing, {0: other(framing, pdu)}), [10, 20]) == ["mismatch", (20,)]


@pytest.mark.parametrize("transaction", [0, 1, 99])
def test_tcp_reply_with_another_transaction_identifier_is_refused(transaction):
    """On TCP only the request's own transaction identifier counts; 0 is no exception."""

    def script(*_):
        return [(0.0, encode("tcp", Frame(1, bytes([3, 2, 0, 10]), transaction)))]

    expected = [(5,), "mismatch", (20,)]
    assert seen(Slave("tcp", {1: script}), [5, 10, 20]) == expected


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_reply_of_another_unit_is_refused(framing):
    """A reply from unit 2 does not answer a request to unit 1."""

    def script(*_):
        return [(0.0, encode(framing, Frame(2, bytes([3, 2, 0, 10]), 0)))]

    assert seen(Slave(framing, {0: script}), [10, 20]) == ["mismatch", (20,)]


@pytest.mark.parametrize("framing", FRAMINGS)
def test_two_replies_at_once_are_refused(framing):
    """When two replies come together neither is believed."""

    def script(request, right):
        stale = encode(framing, Frame(1, bytes([3, 2, 0, 99]), request.transaction))
        return [(0.01, stale + right)]

    assert seen(Slave(framing, {0: script}), [10, 20]) == ["mismatch", (20,)]


def twice(request, right, framing="rtu"):
    """Script the right reply, and 10 ms after it another that looks like it."""
    stale = encode(framing, Frame(1, bytes([3, 2, 0, 99]), request.transaction + 1))
    return [(0.01, right), (0.02, stale)]


@pytest.mark.parametrize("framing", FRAMINGS)
def test_unasked_reply_is_waited_out(framing):
    """A second reply, to nothing, answers no later request; on a serial line it costs the next one."""

    async def main():
        script = partial(twice, framing=framing)
        bus = ModbusBus("line", spec_of(framing), peer=Slave(framing, {0: script}))
        await bus.open()
        first = await asked(bus, 10)
        await asyncio.sleep(0.05)
        lost = await asked(bus, 20) if framing != "tcp" else "mismatch"
        second = await bus.read(read_of(20))
        await bus.close()
        return first, lost, second.words, second.requested_s

    first, lost, second, requested_s = run(main(), virtual=True)
    assert (first, lost, second) == ((10,), "mismatch", (20,))
    assert requested_s == pytest.approx(100_000 + 0.02 + QUIET_S + 0.04, abs=0.05)


def doubted(framing, script, addresses, **fields):
    """Read one register after another; return what came of each, and since which of them the last is in doubt."""

    async def main():
        bus = ModbusBus("line", spec_of(framing, **fields), peer=Slave(framing, script))
        await bus.open()
        found, sent_s, doubtful = [], [], None
        for address in addresses:
            try:
                reply = await bus.read(read_of(*address) if isinstance(address, tuple) else read_of(address))
            except BusFault as fault:
                found.append(fault.kind)
                doubtful = fault.doubtful_s if doubtful is None else doubtful
            else:
                found.append(reply.words)
                sent_s.append(reply.requested_s)
            await asyncio.sleep(0.03)
        await bus.close()
        return found, None if doubtful is None else sent_s.index(doubtful)

    return run(main(), virtual=True)


def late_twin(_, right):
    """Script the right reply, and its twin while the next request, 30 ms later, waits for its own."""
    return [(0.001, right), (0.035, right)]


SLOW = 0.02  # so that the twin comes first, and the right reply is left over


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_a_late_twin_that_answered_a_read_withdraws_it(framing):
    """The second reply to the first read passes for that to the second; the one left over puts both in doubt."""
    found, since = doubted(framing, {0: late_twin, 1: SLOW}, [10, 20, 30, 40])
    assert found == [(10,), (10,), "mismatch", (40,)]
    assert since == 0


def test_a_shift_that_goes_on_withdraws_every_read_of_it():
    """Each read is answered by the reply to the one before, until one reply is left over: all are withdrawn."""
    script = {0: late_twin, **dict.fromkeys(range(1, 4), 0.045), 4: 0.02}
    found, since = doubted("rtu", script, [10, 20, 30, 40, 50, 60, 70])
    assert found[:5] == [(10,), (10,), (20,), (30,), (40,)]
    assert found[5:] == ["mismatch", (70,)]
    assert since == 0


def test_requests_of_another_shape_between_bound_the_doubt():
    """A reply of two registers cannot pass for one of one: reads before it are certain."""
    script = {2: late_twin, 3: SLOW}
    found, since = doubted("rtu", script, [10, (20, 2), 30, 40, 50, 60])
    assert found == [(10,), (20, 21), (30,), (30,), "mismatch", (60,)]
    assert since == 2


def test_a_twin_that_comes_to_a_request_of_another_shape_doubts_those_before():
    """The left-over reply is found where it cannot be an answer, and told to whoever reads that shape next."""
    script = {0: late_twin, 1: 0.045}
    found, since = doubted("rtu", script, [10, 20, (30, 2), 40, 50])
    assert found == [(10,), (10,), "mismatch", "mismatch", (50,)]
    assert since == 0


def test_a_quiet_line_bounds_the_doubt():
    """What was read before the line was quiet for as long as the slowest answer takes is certain."""
    found, since = doubted("rtu", {1: late_twin, 2: SLOW}, [10, 20, 30, 40, 50], quiet_after_fault="20 ms")
    assert found[:4] == [(10,), (20,), (20,), "mismatch"]
    assert since == 2


@pytest.mark.parametrize(
    ("script", "found"),
    [
        ({0: 0.65, 1: 0.3}, ["timeout", (10,), "timeout", (40,)]),
        ({0: 0.65, 1: 0.15, 2: 0.3}, ["timeout", (10,), (20,), "mismatch"]),
    ],
)
def test_a_unit_slower_than_any_declared_wait_is_found_out(script, found):
    """A reply later than the quiet wait answers the read after; the next one too many withdraws all since."""
    assert doubted("rtu", script, [10, 20, 30, 40]) == (found, 0)


def test_noise_puts_nothing_in_doubt():
    """Bytes that are no reply cost a read, and nothing that was read before."""
    script = {0: lambda _, right: [(0.001, right), (0.01, b"\xff" * 9)]}
    assert doubted("rtu", script, [10, 20, 30]) == ([(10,), (20,), (30,)], None)


@pytest.mark.parametrize(
    ("framing", "script"),
    [
        pytest.param("rtu", lambda _, right: [(0.01, right + b"\xff\x00")], id="rtu, with it"),
        pytest.param("ascii", lambda _, right: [(0.01, b"\xff" + right)], id="ascii, ahead of it"),
    ],
)
def test_noise_beside_a_reply_is_forgiven(framing, script):
    """A byte or two of noise as a serial line turns round costs neither that reply nor the next."""
    assert seen(Slave(framing, {0: script, 1: 0.1}), [10, 20]) == [(10,), (20,)]


def test_noise_while_nothing_is_asked_is_forgiven():
    """A byte of noise between two transactions costs no wait and no reply."""
    slave = Slave("rtu", {0: lambda _, right: [(0.01, right), (0.02, b"\xff")]})

    async def main():
        bus = ModbusBus("line", spec_of("rtu"), peer=slave)
        await bus.open()
        await bus.read(read_of(10))
        await asyncio.sleep(0.05)
        second = await bus.read(read_of(20))
        await bus.close()
        return second

    second = run(main(), virtual=True)
    assert second.words == (20,)
    assert second.requested_s == pytest.approx(100_000.06)


def test_garbage_that_upsets_the_decoder_is_a_fault():
    """A colon of noise ahead of an ASCII reply, which pymodbus' decoder does not survive, is a mismatch."""
    script = {0: lambda _, right: [(0.01, b":" + right)]}
    assert seen(Slave("ascii", script), [10, 20]) == ["mismatch", (20,)]


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_damaged_reply_is_a_fault(framing):
    """A reply whose check sum is wrong is not believed."""

    def script(_, right):
        spoilt = bytearray(right)
        spoilt[-3] ^= 1
        return [(0.01, bytes(spoilt))]

    assert seen(Slave(framing, {0: script}), [10, 20]) == ["mismatch", (20,)]


def fault_of(slave, call, **fields):
    """Return the fault of one transaction, and the bus's loop time origin."""

    async def main():
        bus = ModbusBus("line", spec_of(slave.framing, **fields), peer=slave)
        await bus.open()
        try:
            with pytest.raises(BusFault, match=r"^bus line: ") as caught:
                await call(bus)
        finally:
            await bus.close()
        return caught.value

    return run(main(), virtual=True)


@pytest.mark.parametrize("framing", ["rtu", "ascii"])
def test_undeclared_echo_is_named(framing):
    """A line that gives the request back is told from a bad line, with what to declare."""
    slave = Slave(framing, {0: lambda request, _: [(0.0, encode(framing, request))]})
    fault = fault_of(slave, lambda bus: bus.read(read_of(0x0300, 2)))
    assert fault.kind == "mismatch"
    assert "declare `local_echo: true`" in str(fault)


def test_fault_ends_after_the_quiet_line():
    """A fault's end holds the wait for a quiet line, which every byte heard begins anew."""
    slave = Slave("rtu", {0: lambda _, right: [(0.3, right), (0.5, b"\x00")]})
    fault = fault_of(slave, lambda bus: bus.read(read_of(10)))
    assert fault.kind == "timeout"
    assert str(fault) == "bus line: no reply within 0.2 s"
    assert fault.ended_s - fault.requested_s == pytest.approx(0.5 + QUIET_S)


def test_line_that_is_never_quiet_is_reported_and_not_believed():
    """A babbling line ends the wait with a fault, and no read is sent into the babble."""
    slave = Slave("rtu", {0: lambda _, __: [(0.1 * n, b"\x01\x03\x02") for n in range(1, 45)]})

    async def main():
        bus = ModbusBus("line", spec_of("rtu"), peer=slave)
        await bus.open()
        found = [await asked(bus, address) for address in (10, 20, 30, 40)]
        await bus.close()
        return found

    assert run(main(), virtual=True) == ["mismatch", "mismatch", (30,), (40,)]
    assert len(slave.asked) == 3


@pytest.mark.parametrize("framing", FRAMINGS)
def test_refusal_names_what_the_standard_says_and_costs_no_silence(framing):
    """A Modbus exception is the reply to its request: it is named, and the line need not fall silent."""
    slave = Slave(framing, {0: other(framing, bytes([0x83, 2]))})
    fault = fault_of(slave, lambda bus: bus.read(read_of(10)))
    assert fault.kind == "exception"
    assert str(fault) == (
        "bus line: the unit refused with exception 2, "
        "illegal data address: the unit has no such register or coil"
    )
    assert fault.ended_s == pytest.approx(fault.requested_s, abs=1e-6)


@pytest.mark.parametrize("framing", FRAMINGS)
@pytest.mark.parametrize(
    ("table", "words"), [("coil", [1]), ("coil", [1, 0, 1]), ("holding", [7]), ("holding", [7, 8])]
)
def test_write_takes_only_its_own_acknowledgement(framing, table, words):
    """A write that is acknowledged for another address is a mismatch."""

    def script(request, _):
        pdu = request.pdu[:2] + bytes([request.pdu[2] + 1]) + request.pdu[3:5]
        return [(0.0, encode(framing, Frame(1, pdu, request.transaction)))]

    fault = fault_of(Slave(framing, {0: script}), lambda bus: bus.write(1, table, 5, words))
    assert fault.kind == "mismatch"


def test_lost_connection_ends_the_request_at_once():
    """When the connection goes, the pending request ends then and not at its time-out."""

    def script(_, __):
        raise ConnectionResetError("cut")

    fault = fault_of(Slave("tcp", {0: script}), lambda bus: bus.read(read_of(10)))
    assert fault.kind == "disconnected"
    assert str(fault) == "bus line: the in-process line is not connected: the connection was lost: cut"
    assert fault.ended_s == pytest.approx(fault.requested_s, abs=1e-6)


def test_tcp_unit_that_stays_silent_is_hung_up_on():
    """After three unanswered requests in a row a TCP connection is given up; a new one starts afresh."""
    silent = dict.fromkeys(range(3), lambda _, __: [])

    async def main():
        bus = ModbusBus("line", spec_of("tcp"), peer=Slave("tcp", silent))
        await bus.open()
        found = [await asked(bus, 10) for _ in range(4)]
        await bus.open()
        found.append(await asked(bus, 20))
        await bus.close()
        return found

    assert run(main(), virtual=True) == ["timeout"] * 3 + ["disconnected", (20,)]


_delay_s = st.floats(0.0, TIMEOUT_S + QUIET_S - 0.01).map(lambda s: round(s, 3))
_noise = st.binary(min_size=1, max_size=12)
_trouble = st.one_of(
    _delay_s,
    st.tuples(_delay_s, _noise).map(lambda t: lambda _, right: [(t[0], t[1] + right)]),
    st.tuples(_delay_s, _noise).map(lambda t: lambda _, right: [(t[0], right), (t[0] + 0.01, t[1])]),
    st.just(lambda _, __: []),
    _noise.map(lambda noise: lambda _, __: [(0.01, noise)]),
)
_twice = _delay_s.map(lambda s: lambda _, right: [(0.01, right), (s + 0.01, right)])
"""On TCP alone: a serial unit that answers twice and then not at all cannot be found out on the line."""


@settings(max_examples=60, deadline=None)
@given(framing=st.sampled_from(FRAMINGS), data=st.data())
def test_no_value_is_ever_another_requests(framing, data):
    """Whatever the replies' delays and the noise between, a value that is returned is the one asked for."""
    trouble = _trouble | _twice if framing == "tcp" else _trouble
    script = dict(enumerate(data.draw(st.lists(trouble, min_size=6, max_size=6))))
    addresses = [0, 256, 10, 1024, 30, 40]

    async def main():
        bus = ModbusBus("line", spec_of(framing), peer=Slave(framing, script))
        await bus.open()
        found = []
        for address in addresses:
            found.append(await asked(bus, address))
            await bus.open()
        await bus.close()
        return found

    for address, words in zip(addresses, run(main(), virtual=True), strict=True):
        assert isinstance(words, str) or words == (address,)
