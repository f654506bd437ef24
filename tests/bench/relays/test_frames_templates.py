"""Frames written as text, the boards' own checks, and the drivers' words in the bench file."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import ValidationError

from ventproof_bench.benchfile.model import ContactOutput, InProcessBus, SerialBus, TcpBus
from ventproof_bench.drivers.driver import fastest_edge_s
from ventproof_bench.mock.wires.relay_boards import FramesBoard
from ventproof_bench.mock.wires.scpi_instruments import ScpiBoard
from ventproof_bench.relays.frames import FramesOptions, Template, crc16_modbus, lrc, sum8, xor8


@pytest.mark.parametrize(
    ("text", "on", "frame"),
    [
        # Sums by hand: 55 + 03 + 01 = 59; 55 ^ 03 ^ 01 = 57.
        ("55 {channel} 01 {sum8}", True, "55 03 01 59"),
        ("55 {channel} {state} {xor8}", True, "55 03 01 57"),
        ("55{channel}{state}", False, "55 03 00"),
        # 'R' 'L' '3' '=' '1' CR.
        ('"RL{channel}={state}" 0D', True, "52 4c 33 3d 31 0d"),
        ("'{channel}{sum8}'", False, "33 33 33"),
        # A widely published Modbus RTU example: read three holding registers of unit 17.
        ("11 03 00 6B 00 03 {crc16-modbus}", True, "11 03 00 6b 00 03 76 87"),
    ],
)
def test_a_template_gives_its_bytes(text, on, frame):
    """Hex, quoted text, channel, state and checksums stand where the template has them."""
    assert Template.parse(text).render(channel=3, on=on).hex(" ") == frame


def test_checksums_give_their_published_values():
    """CRC-16/MODBUS and the LRC of the serial line specification.

    Sources: catalogue of parametrised CRC algorithms, check value of CRC-16/MODBUS over "123456789": 4B37;
    MODBUS over Serial Line V1.02, 6.2.2: CRC of 02 07 is 1241, sent 41 12; LRC of 11 03 00 6B 00 03 is 7E
    (common worked example of Modbus ASCII).
    """
    assert crc16_modbus(b"123456789") == bytes.fromhex("37 4B")
    assert crc16_modbus(bytes.fromhex("02 07")) == bytes.fromhex("41 12")
    assert lrc(bytes.fromhex("11 03 00 6B 00 03")) == bytes.fromhex("7E")


@given(st.binary(max_size=40))
@example(b"")
def test_checksums_close_their_frames(data):
    """What a receiver computes over data and check is the constant that the algorithm promises."""
    assert sum(data + lrc(data)) % 256 == 0
    assert crc16_modbus(data + crc16_modbus(data)) == b"\0\0"
    assert xor8(data + xor8(data)) == b"\0"
    assert sum8(data)[0] == sum(data) % 256


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("55 0", r"^'0' in the frame '55 0' is neither a hex byte such as 55, nor quoted text, nor a field"),
        ("55 XY", r"^'XY' in the frame"),
        ('55 "open', r"^'\"open' in the frame"),
        ("55 {chanel}", r"^\{chanel\} is not a field of a frame; did you mean 'channel'\?$"),
        ('"{sum9}"', r"^\{sum9\} is not a field of a frame; did you mean 'sum8'\?$"),
        ('"größer"', r"is not ASCII; write such bytes in hex, outside the quotes$"),
        ("  ", r"^the frame is empty; write hex bytes such as 55 01, or quoted text$"),
    ],
)
def test_a_template_that_is_none_is_refused(text, says):
    """The message shows what is wrong, and what would be right."""
    with pytest.raises(ValueError, match=says):
        Template.parse(text)


@given(st.text(max_size=30))
def test_any_text_is_a_template_or_refused_with_a_reason(text):
    """No text makes the reader stumble."""
    try:
        Template.parse(text)
    except ValueError as error:
        assert str(error)  # noqa: PT017 - refusing is one of two right answers


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"channel": 300}, r"channel 300 does not fit into one byte"),
        ({"on": "55 00"}, r"`on` and `off` are the same frame"),
        (
            {"reply": "55 {state}"},
            r"`reply` is the command itself, so an echo on the line would pass for the board",
        ),
    ],
)
def test_frames_that_prove_nothing_are_refused(options, says):
    """A reply that an echo would give, equal commands and channels out of range are found early."""
    base = {"port": "/dev/x", "on": "55 01", "off": "55 00"}
    if "channel" in options:
        base["on"] = "55 {channel}"
    with pytest.raises(ValidationError, match=says):
        FramesOptions.model_validate(base | options)


def test_the_frames_board_checks_what_it_is_sent():
    """A bad sum, an unknown channel and noise are not answered; a good frame after them is."""
    moves: list[bool] = []
    board = FramesBoard({1: moves.append})
    assert board.exchange(bytes.fromhex("55 01 01 58"), 0) == []
    assert board.exchange(bytes.fromhex("55 02 01 58"), 0) == []
    assert moves == []
    assert board.exchange(bytes.fromhex("00 FF 55"), 0) == []
    assert board.exchange(bytes.fromhex("01 01 57 55 01 00 56"), 0) == [
        (0.0, bytes.fromhex("AA 01 01 AC")),
        (0.0, bytes.fromhex("AA 01 00 AB")),
    ]
    assert moves == [True, False]


def _say(board: ScpiBoard, text: str) -> str:
    return b"".join(reply for _, reply in board.exchange(text.encode() + b"\n", 0)).decode().strip()


def test_the_scpi_board_takes_long_and_short_forms():
    """SCPI-99 volume 1, 6.2.1 (from memory): either form, any case, and no form in between."""
    moves: list[bool] = []
    board = ScpiBoard({1: moves.append, 2: print, 3: print})
    for close, opened in (
        ("ROUT:CLOS (@1)", "ROUT:OPEN (@1)"),
        (":route:close (@1)", "rout:open (@1)"),
        ("ROUTe:CLOSe (@1,3)", "*RST"),
    ):
        _say(board, close)
        assert _say(board, "ROUT:CLOS? (@1)") == "1"
        _say(board, opened)
        assert _say(board, "ROUTE:CLOSE? (@1:3)") == "0,0,0"
    assert moves == [True, False] * 3
    assert _say(board, "SYST:ERR?") == '0,"No error"'
    _say(board, "ROUTE:CLO (@1)")
    assert _say(board, "SYST:ERR?;*OPC?") == '-113,"Undefined header";1'


def test_the_scpi_board_queues_its_errors():
    """SCPI-99 volume 2, 21.8 (from memory): numbers and texts, oldest first, and an overflow in the last place."""
    board = ScpiBoard({1: print})
    for wrong in ("ROUT:CLOS (@9)", "ROUT:CLOS 1", "ROUT:CLOS"):
        _say(board, wrong)
    assert [_say(board, "SYST:ERR?").split(",")[0] for _ in range(4)] == ["-222", "-102", "-109", "0"]
    for _ in range(12):
        _say(board, "NONSENSE")
    errors = [_say(board, "SYSTem:ERRor:NEXT?") for _ in range(11)]
    assert errors[-2:] == ['-350,"Queue overflow"', '0,"No error"']
    _say(board, "NONSENSE;*CLS")
    assert _say(board, "SYST:ERR?") == '0,"No error"'


def test_a_coil_is_no_faster_than_its_bus():
    """A write and its read-back at 9600 baud take about 51 ms: no coil board makes 20 Hz there.

    Reckoned by hand after MODBUS over Serial Line V1.02: 8 + 8 + 8 + 6 characters of 11 bits and four gaps
    of 3.5 characters: 44 characters of 1.146 ms.
    """

    def limit_s(spec):
        return fastest_edge_s(
            ContactOutput(driver="coil", wired=wired, operate="0 s", release="0 s", bounce="0 s"), {"b": spec}
        )

    wired = {"bus": "b", "coil": 0}
    slow_s = limit_s(SerialBus(link="rtu", port="/dev/x", baud=9600))
    assert slow_s == pytest.approx(44 * 11 / 9600)
    fast_s = limit_s(SerialBus(link="rtu", port="/dev/x", baud=115200))
    assert fast_s == pytest.approx(30 * 11 / 115200 + 4 * 0.00175)
    assert limit_s(SerialBus(link="ascii", port="/dev/x", baud=9600)) > slow_s
    assert limit_s(TcpBus(link="tcp", host="192.0.2.1")) == pytest.approx(0.01)
    assert limit_s(InProcessBus(link="in-process")) == pytest.approx(0.012)


@pytest.mark.parametrize(
    ("driver", "wired", "limit_s"),
    [
        # A four-byte frame and its four-byte answer at 9600 baud are 80 bits; 1 ms for everything else.
        ("frames", {"port": "/dev/x", "on": "1 ", "off": "0 "}, None),
        (
            "frames",
            {"port": "/dev/x", "on": "55 01 01 A2", "off": "55 01 00 A1", "reply": "01 02 03 04"},
            0.00933,
        ),
        ("frames", {"port": "socket://x:1", "on": "55 01", "off": "55 00"}, 0.001),
        ("control-line", {"port": "/dev/x", "line": "rts"}, 0.002),
        ("control-line", {"port": "rfc2217://x:1", "line": "rts"}, 0.12),
        ("mock", {"input": "rain"}, 0.0001),
    ],
)
def test_a_driver_states_its_fastest_edge(driver, wired, limit_s):
    """The limit follows from rate and frame length where there are such, before anything is opened."""
    output = ContactOutput(driver=driver, wired=wired, operate="0 s", release="0 s", bounce="0 s")
    if limit_s is None:
        with pytest.raises(ValueError, match="neither a hex byte"):
            fastest_edge_s(output, {})
    else:
        assert fastest_edge_s(output, {}) == pytest.approx(limit_s, rel=1e-3)


def test_a_stated_fastest_edge_counts_and_so_do_slow_contacts():
    """The bench file's own figure comes first; else a pulse is no shorter than the contact's travel."""
    wired = {"input": "rain"}
    slow = ContactOutput(driver="mock", wired=wired, operate="15 ms", bounce="5 ms")
    assert fastest_edge_s(slow, {}) == pytest.approx(0.02)
    assert fastest_edge_s(slow.model_copy(update={"fastest_edge": 0.008}), {}) == pytest.approx(0.008)
