"""Who answers on a bus is found by reads alone, at whatever setting of the line."""

from __future__ import annotations

from contextlib import AsyncExitStack

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import LinkError
from ventproof_bench.benchfile.model import SerialBus, TcpBus
from ventproof_bench.mock.guise.serve import LampBoard
from ventproof_bench.mock.registers import ILLEGAL_ADDRESS, RefusedError
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp
from ventproof_bench.modbus.search import unit_ids_of, who_answers

pytestmark = pytest.mark.wire


class Refusing:
    """A unit that has registers, and none where it is asked; it must never be written to."""

    def read(self, *_):
        """Refuse."""
        raise RefusedError(ILLEGAL_ADDRESS)

    def write(self, *_):
        """Tell that a search wrote."""
        raise AssertionError("a search wrote")


class Mute:
    """Hears everything and says nothing."""

    def exchange(self, *_):
        """Return no reply."""
        return []


def devices():
    return {3: Refusing(), 5: LampBoard(0, [lambda _: pytest.fail("a search switched")])}


def test_a_unit_that_refuses_everything_is_found_as_well_as_a_board():
    """An exception is an answer (MODBUS Application Protocol V1.1b3, 4.1 and 7)."""

    async def main():
        async with AsyncExitStack() as stack:
            port = await stack.enter_async_context(serve_tcp(lambda: Responder("tcp", devices())))
            spec = TcpBus(
                link="tcp", host="127.0.0.1", tcp_port=port, timeout="100 ms", quiet_after_fault="20 ms"
            )
            return await who_answers([spec], range(2, 7))

    found = run(main(), virtual=False)
    assert [(one.unit_id, one.switches) for one in found.units] == [(3, False), (5, True)]


def test_the_line_speed_at_which_somebody_answers_is_found(tmp_path):
    """Of three speeds in turn; what is said tells each try, and who answers so far."""
    told = []

    async def main():
        async with AsyncExitStack() as stack:
            peer = Responder("rtu", devices())
            port = await stack.enter_async_context(serve_pty(peer, link=tmp_path / "unit", baud=19200))
            specs = [
                SerialBus(
                    link="rtu",
                    port=port,
                    baud=baud,
                    parity="none",
                    timeout="100 ms",
                    quiet_after_fault="20 ms",
                )
                for baud in (9600, 19200, 38400)
            ]
            return await who_answers(specs, [3, 5], told.append)

    found = run(main(), virtual=False)
    assert found.spec.baud == 19200
    assert [one.unit_id for one in found.units] == [3, 5]
    assert told[0] == "9600 Bd, parity none, unit id 3, at most 1 s more"
    assert told[-1] == "19200 Bd, parity none, unit id 5, at most 0 s more; answering: 3"


def asked_on_tcp(its, ids):
    """Ask ids of devices on a network; returns who answered, and how long was said to be left, at most, in seconds."""
    left_s = []

    async def main():
        async with AsyncExitStack() as stack:
            port = await stack.enter_async_context(serve_tcp(lambda: Responder("tcp", its)))
            spec = TcpBus(
                link="tcp", host="127.0.0.1", tcp_port=port, timeout="100 ms", quiet_after_fault="20 ms"
            )
            tell = lambda text: left_s.append(int(text.split("at most ")[1].split()[0]))  # noqa: E731
            return await who_answers([spec], ids, tell)

    found = run(main(), virtual=False)
    return [one.unit_id for one in found.units], left_s


def test_a_search_ends_once_a_unit_and_a_board_have_answered():
    """And says all the while how long it takes at most: 50 ids of 0.15 s."""
    units, left_s = asked_on_tcp(devices(), range(1, 51))
    assert units == [3, 5]
    assert left_s == [8, 7, 7, 7, 7]


def test_a_unit_that_takes_every_id_for_its_own_is_not_asked_for_all():
    """Over TCP many answer at whatever unit id."""
    units, _ = asked_on_tcp(dict.fromkeys(range(1, 51), Refusing()), range(1, 51))
    assert units == [1, 2, 3, 4]


def test_where_nobody_answers_nobody_is_found():
    """A host that takes the connection and says nothing."""

    async def main():
        async with AsyncExitStack() as stack:
            port = await stack.enter_async_context(serve_tcp(Mute))
            spec = TcpBus(
                link="tcp", host="127.0.0.1", tcp_port=port, timeout="50 ms", quiet_after_fault="10 ms"
            )
            return await who_answers([spec], [1, 2])

    assert run(main(), virtual=False) is None


def test_a_port_that_cannot_be_opened_is_told():
    """It is no silence."""
    spec = SerialBus(link="rtu", port="/dev/ttyNOWHERE", baud=9600)
    with pytest.raises(LinkError, match="there is no such port"):
        run(who_answers([spec], [1]), virtual=False)


@given(st.lists(st.integers(1, 247), min_size=1, max_size=10))
def test_unit_ids_are_read_as_they_are_listed(ids):
    """Each once, in order."""
    assert unit_ids_of(", ".join(map(str, ids))) == tuple(dict.fromkeys(ids))


def test_over_tcp_a_unit_may_be_255():
    """Who answers at the address itself: MODBUS Messaging on TCP/IP V1.0b, 4.4.1.2."""
    assert unit_ids_of("1, 255", network=True) == (1, 255)
    with pytest.raises(ValueError, match="ids are 1 to 255"):
        unit_ids_of("256", network=True)


@pytest.mark.parametrize("text", ["", "0", "248", "1-999", "a", "5-", "3-1"])
def test_what_names_no_unit_ids_is_refused(text):
    """Ids are 1 to 247: MODBUS over Serial Line V1.02, 2.2."""
    with pytest.raises(ValueError, match="names no unit ids"):
        unit_ids_of(text)
