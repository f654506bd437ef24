"""One contract for every contact driver, each against its board: in virtual time, or on real wires."""

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.errors import BenchError, DriverError, LinkError
from ventproof_bench.base.protocols import Contact, Peer
from ventproof_bench.benchfile.model import BusSpec, ContactOutput, InProcessBus, SerialBus, TcpBus
from ventproof_bench.drivers.driver import Wiring, find
from ventproof_bench.drivers.serial_ports import Ports
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.mock.wires.relay_boards import CoilBoard, FramesBoard, serve_control_lines
from ventproof_bench.mock.wires.scpi_instruments import ScpiBoard
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp
from ventproof_bench.modbus.bus import ModbusBus

# pyserial's own RFC 2217 client calls Thread.setDaemon and setName.
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")

FRAMES = {"on": "55 {channel} 01 {sum8}", "off": "55 {channel} 00 {sum8}"}
FRAMES_REPLY = {"reply": "AA {channel} {state} {sum8}"}


@dataclass
class _Truth:
    """When the board's contact really moved."""

    edges: list[tuple[float, bool]] = field(default_factory=list)

    def __call__(self, closed: bool) -> None:  # noqa: FBT001 - as boards call it
        self.edges.append((now_s(), closed))

    def set_contact(self, name: str, at_s: float, *, closed: bool) -> None:
        assert name == "rain"
        self.edges.append((at_s, closed))


def _wiring(driver: str, options: dict[str, Any], *, ports: Ports | None = None, **parts: Any) -> Contact:
    spec = ContactOutput(driver=driver, wired=options)
    made = find(driver)
    return made.build(
        made.options.model_validate(options),
        Wiring(name="rain", output=spec, ports=ports or Ports(), **parts),
    )


@asynccontextmanager
async def _on_bus(spec: BusSpec, peer: Peer | None = None, **coil: Any) -> AsyncIterator[Contact]:
    bus = ModbusBus("relays", spec, peer=peer)
    await bus.open()
    try:
        yield _wiring("coil", {"bus": "relays", **coil}, buses={"relays": bus}, specs={"relays": spec})
    finally:
        await bus.close()


@asynccontextmanager
async def _mock(truth: _Truth) -> AsyncIterator[Contact]:
    yield _wiring("mock", {"input": "rain"}, inputs=truth)


@asynccontextmanager
async def _coil_in_process(truth: _Truth) -> AsyncIterator[Contact]:
    responder = Responder("tcp", {1: CoilBoard({0: truth})}, reply_after_s=0.003)
    async with _on_bus(InProcessBus(link="in-process"), responder, coil=0) as contact:
        yield contact


def _rtu(port: str) -> SerialBus:
    return SerialBus(link="rtu", port=port, parity="none", timeout="200 ms", quiet_after_fault="20 ms")


@asynccontextmanager
async def _coil_rtu(truth: _Truth) -> AsyncIterator[Contact]:
    board = CoilBoard({0: lambda _: None, 1: truth})
    async with (
        serve_pty(Responder("rtu", {2: board})) as port,
        _on_bus(_rtu(port), unit_id=2, coil=1) as contact,
    ):
        yield contact


@asynccontextmanager
async def _coil_tcp(truth: _Truth) -> AsyncIterator[Contact]:
    """The board at unit 0, which on TCP is the device itself."""
    board = CoilBoard({0: truth})
    async with (
        serve_tcp(lambda: Responder("tcp", {0: board})) as port,
        _on_bus(TcpBus(link="tcp", host="127.0.0.1", tcp_port=port), unit_id=0, coil=0) as contact,
    ):
        yield contact


@asynccontextmanager
async def _frames(truth: _Truth) -> AsyncIterator[Contact]:
    async with serve_pty(FramesBoard({3: truth})) as port:
        yield _wiring("frames", {"port": port, "channel": 3, "baud": 115200, **FRAMES, **FRAMES_REPLY})


@asynccontextmanager
async def _scpi_pty(truth: _Truth) -> AsyncIterator[Contact]:
    async with serve_pty(ScpiBoard({101: truth})) as port:
        yield _wiring("scpi", {"port": port, "channel": 101})


@asynccontextmanager
async def _scpi_tcp(truth: _Truth) -> AsyncIterator[Contact]:
    board = ScpiBoard({1: truth})
    async with serve_tcp(lambda: board) as port:
        yield _wiring("scpi", {"port": f"socket://127.0.0.1:{port}"})


@asynccontextmanager
async def _control_line(truth: _Truth) -> AsyncIterator[Contact]:
    async with serve_control_lines({"rts": truth}) as port:
        yield _wiring("control-line", {"port": port, "line": "rts", "settle": "10 ms"})


STANDS = [
    pytest.param(_mock, True, id="mock"),
    pytest.param(_coil_in_process, True, id="coil-in-process"),
    *(
        pytest.param(stand, False, id=stand.__name__[1:].replace("_", "-"), marks=pytest.mark.wire)
        for stand in (_coil_rtu, _coil_tcp, _frames, _scpi_pty, _scpi_tcp, _control_line)
    ),
]
every_driver = pytest.mark.parametrize(("stand", "virtual"), STANDS)


def _on(stand: Callable[[_Truth], Any], check: Callable[[Contact, _Truth], Any], *, virtual: bool) -> None:
    """Run `check` on an open contact of a stand; it is closed twice afterwards."""

    async def main() -> None:
        truth = _Truth()
        async with stand(truth) as contact:
            await contact.open()
            try:
                await check(contact, truth)
            finally:
                await contact.close()
                await contact.close()

    run(main(), virtual=virtual)


@every_driver
def test_the_window_holds_the_instant_at_which_the_board_switched(stand, virtual):
    """What the driver reports contains what the board did, every time, and the board did what was asked."""

    async def check(contact, truth):
        for number, closed in enumerate((True, False, True, False)):
            window = await contact.energise(closed)
            assert len(truth.edges) == number + 1
            at_s, became = truth.edges[-1]
            assert became == closed
            assert window.earliest_s <= at_s <= window.latest_s

    _on(stand, check, virtual=virtual)


@every_driver
def test_opening_moves_nothing(stand, virtual):
    """A port that is opened leaves the relay as it is."""

    async def check(_, truth):
        assert truth.edges == []

    _on(stand, check, virtual=virtual)


@every_driver
def test_asking_twice_for_the_same_state_is_harmless(stand, virtual):
    """A relay that stands as it is told to is told so again without an error."""

    async def check(contact, truth):
        await contact.energise(on=False)
        await contact.energise(on=True)
        await contact.energise(on=True)
        assert truth.edges[-1][1] is True

    _on(stand, check, virtual=virtual)


class _Silent:
    """A far end that never answers."""

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:  # noqa: ARG002 - a Peer
        return ()


class _Echo:
    """An adapter that hears itself, with nothing on the line."""

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:  # noqa: ARG002 - a Peer
        return ((0.0, data),)


class _Stuck:
    """A board that acknowledges every write and keeps its coil at 0."""

    def read(self, table: str, address: int, count: int, now_s: float) -> list[int]:  # noqa: ARG002 - a bank
        return [0] * count

    def write(self, table: str, address: int, words: Sequence[int], now_s: float) -> None:
        pass


async def _trouble(contact: Contact) -> BenchError:
    try:
        await contact.open()
        await contact.energise(on=True)
    except BenchError as error:
        return error
    finally:
        await contact.close()
    pytest.fail("the driver found nothing wrong")


@pytest.mark.parametrize(
    ("peer", "says"),
    [
        (_Silent(), "cannot be read back"),
        (_Echo(), "cannot be read back"),
        (Responder("rtu", {1: _Stuck()}), r"reads 0 after 1 was written and acknowledged"),
        (Responder("rtu", {1: CoilBoard({})}), "cannot be read back"),
    ],
    ids=["silent", "echo", "stuck", "no-such-coil"],
)
def test_a_coil_counts_only_when_the_board_reads_it_back(peer, says):
    """Silence, an echo, a write without effect and a missing coil are errors, each with its reason."""

    async def main() -> BenchError:
        async with _on_bus(InProcessBus(link="in-process", framing="rtu"), peer, coil=0) as contact:
            return await _trouble(contact)

    error = run(main(), virtual=True)
    assert isinstance(error, DriverError)
    assert says in str(error)


@pytest.mark.wire
@pytest.mark.parametrize(
    ("peer", "driver", "options", "says"),
    [
        (_Silent(), "frames", FRAMES | FRAMES_REPLY, "answered nothing within 0.05 s, not aa 01 01 ac"),
        (_Echo(), "frames", FRAMES | FRAMES_REPLY, "answered 55 01 01 57, not aa 01 01 ac"),
        (FramesBoard({2: print}), "frames", FRAMES | FRAMES_REPLY, "answered nothing"),
        (
            FramesBoard({1: print}),
            "frames",
            {**FRAMES, **FRAMES_REPLY, "on": "55 {channel} 01 {xor8}"},
            "nothing",
        ),
        (_Silent(), "scpi", {}, "did not answer '*IDN?' within 0.05 s"),
        (_Echo(), "scpi", {}, "answered"),
        (ScpiBoard({2: print}), "scpi", {}, "did not answer 'ROUTe:CLOSe? (@1)'"),
        (
            ScpiBoard({1: print}),
            "scpi",
            {"close": "ROUTe:SHUT (@{channel})"},
            'reports -113,"Undefined header"',
        ),
        (
            ScpiBoard({1: print}),
            "scpi",
            {"close": "ROUTe:OPEN (@{channel})"},
            "answered '0' to 'ROUTe:CLOSe? (@1)'",
        ),
        (_Silent(), "control-line", {"line": "rts", "settle": "0 s"}, "its RTS line cannot be set"),
    ],
)
def test_a_board_that_does_not_do_as_told_is_an_error(peer, driver, options, says):
    """Silence, echoes, refused commands, wrong channels, missing lines: each with its reason."""

    async def main() -> BenchError:
        async with serve_pty(peer) as port:
            within = {} if driver == "control-line" else {"reply_within": "50 ms"}
            return await _trouble(_wiring(driver, {"port": port, **within, **options}))

    error = run(main(), virtual=False)
    assert isinstance(error, DriverError)
    assert says in str(error)
    assert "rain" in str(error) or driver == "control-line"


@pytest.mark.wire
@pytest.mark.parametrize(
    ("driver", "options"), [("frames", FRAMES), ("scpi", {}), ("control-line", {"line": "dtr"})]
)
@pytest.mark.parametrize(
    ("port", "says"),
    [
        ("/dev/no-such-port", "cannot be opened: there is no such port"),
        ("socket://127.0.0.1:1", "cannot be opened"),
    ],
)
def test_a_port_that_cannot_be_opened_is_named(driver, options, port, says):
    """A missing device and a refused connection are link errors with its name."""

    async def main() -> BenchError:
        return await _trouble(_wiring(driver, {"port": port, **options}))

    error = run(main(), virtual=False)
    assert isinstance(error, LinkError)
    assert port in str(error)
    assert says in str(error)


@pytest.mark.wire
def test_outputs_of_one_board_share_its_port():
    """Two channels of a board switch apart over one port, which stays open until both have let go."""

    async def main() -> None:
        first, second, ports = _Truth(), _Truth(), Ports()
        async with serve_pty(FramesBoard({1: first, 2: second})) as port:
            options = {"port": port, **FRAMES, **FRAMES_REPLY}
            one = _wiring("frames", {**options, "channel": 1}, ports=ports)
            two = _wiring("frames", {**options, "channel": 2}, ports=ports)
            await one.open()
            await two.open()
            await asyncio.gather(one.energise(on=True), two.energise(on=True))
            await one.close()
            await two.energise(on=False)
            await two.close()
            assert [c for _, c in first.edges] == [True]
            assert [c for _, c in second.edges] == [True, False]
            with pytest.raises(DriverError, match="is not open"):
                await two.energise(on=True)

    run(main(), virtual=False)


@pytest.mark.wire
def test_a_port_belongs_to_one_program():
    """A port that is held already cannot be opened a second time."""

    async def main() -> None:
        async with serve_pty(FramesBoard({1: print})) as port:
            one, two = (_wiring("frames", {"port": port, **FRAMES}) for _ in range(2))
            await one.open()
            with pytest.raises(LinkError, match=r"cannot be opened: another program holds it$"):
                await two.open()
            await two.close()
            await one.close()

    run(main(), virtual=False)


@pytest.mark.wire
def test_an_unplugged_port_is_a_lost_link():
    """A port that goes away is told from a board that is silent."""

    async def main() -> None:
        async with serve_pty(FramesBoard({1: print})) as port:
            contact = _wiring("frames", {"port": port, **FRAMES, **FRAMES_REPLY})
            await contact.open()
        with pytest.raises(LinkError, match=r"unplugged|does not take"):
            await contact.energise(on=True)
        await contact.close()

    run(main(), virtual=False)


@pytest.mark.wire
def test_a_late_answer_does_not_answer_the_next_command():
    """An answer that comes after it was given up is thrown away, not taken for the next one's."""

    class Slow:
        def __init__(self) -> None:
            self._board = FramesBoard({1: print})

        def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:
            return [(0.3, reply) for _, reply in self._board.exchange(data, now_s)]

    async def main() -> None:
        async with serve_pty(Slow()) as port:
            contact = _wiring("frames", {"port": port, **FRAMES, **FRAMES_REPLY, "reply_within": "200 ms"})
            await contact.open()
            for _ in range(3):
                with pytest.raises(DriverError, match="answered nothing"):
                    await contact.energise(on=True)
            await contact.close()

    run(main(), virtual=False)


def test_an_inverted_line_is_energised_while_it_is_off():
    """The line's rest is the relay's rest: asserted before the port is opened."""
    ports = Ports()
    contact = _wiring("control-line", {"port": "/dev/x", "line": "dtr", "inverted": True}, ports=ports)
    assert ports.lines("/dev/x")._at_rest == {"rts": False, "dtr": True}
    assert any("energised once" in note for note in contact.notes)
