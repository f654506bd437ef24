"""Times, frames and exception codes of the bus against the published Modbus documents.

Sources: MODBUS over Serial Line V1.02 (20 December 2006), 2.5.1 and 2.5.1.1: an 11-bit character, 3.5
characters of silence, fixed at 1.750 ms above 19200 Bd. 4.0104 ms at 9600 Bd is also printed on public
pages of the trade; the other times are the same formula worked by hand. MODBUS Application Protocol
Specification V1.1b3 (26 April 2012), chapter 6, worked examples of functions 1 to 6, 15 and 16, and chapter
7, example and codes of exceptions. RTU and ASCII frames around those examples (unit 17) have their check
sums worked out apart from this project.
"""

import pytest

from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.modbus.link import EXCEPTIONS, belongs, expected_of_read, expected_of_write
from ventproof_bench.modbus.traffic import character_time_s, silent_interval_s


@pytest.mark.parametrize(
    ("baud", "character_us", "silence_ms"),
    [
        (1200, 9166.67, 32.083),
        (9600, 1145.83, 4.01042),
        (19200, 572.92, 2.00521),
        (38400, 286.46, 1.750),  # 3.5 characters would be 1.00260 ms
        (115200, 95.486, 1.750),
    ],
)
def test_times_of_the_serial_line(baud, character_us, silence_ms):
    """Character time and silent interval are the specification's."""
    assert 1e6 * character_time_s(baud) == pytest.approx(character_us, abs=0.005)
    assert 1e3 * silent_interval_s(baud) == pytest.approx(silence_ms, abs=0.0005)


@pytest.mark.parametrize("baud", [0, -9600])
def test_baud_must_be_positive(baud):
    """A baud rate of nothing is refused."""
    with pytest.raises(ValueError, match=r"^baud=-?\d+ must be above zero$"):
        character_time_s(baud)


# Request, what it expects, and the reply PDU of the specification's examples (chapter 6), for unit 17.
EXAMPLES = [
    pytest.param(expected_of_read(ReadRequest(17, "coil", 19, 19)), "01 03 CD 6B 05", id="6.1 read coils"),
    pytest.param(
        expected_of_read(ReadRequest(17, "discrete", 196, 22)), "02 03 AC DB 35", id="6.2 discrete inputs"
    ),
    pytest.param(
        expected_of_read(ReadRequest(17, "holding", 107, 3)), "03 06 022B 0000 0064", id="6.3 holding"
    ),
    pytest.param(expected_of_read(ReadRequest(17, "input", 8, 1)), "04 02 000A", id="6.4 input registers"),
    pytest.param(expected_of_write(17, "coil", 172, [1]), "05 00AC FF00", id="6.5 write one coil"),
    pytest.param(expected_of_write(17, "holding", 1, [3]), "06 0001 0003", id="6.6 write one register"),
    pytest.param(expected_of_write(17, "coil", 19, [1] * 10), "0F 0013 000A", id="6.11 write coils"),
    pytest.param(expected_of_write(17, "holding", 1, [10, 258]), "10 0001 0002", id="6.12 write registers"),
]


@pytest.mark.parametrize(("expected", "pdu"), EXAMPLES)
def test_reply_of_the_specification_belongs_to_its_request(expected, pdu):
    """The specification's own replies are taken; the same with another unit or transaction are not."""
    reply = bytes.fromhex(pdu)
    tcp = (len(reply) + 1).to_bytes(2, "big") + b"\x11" + reply
    assert belongs("tcp", b"\x15\x01", expected, b"\x15\x01\0\0" + tcp)
    assert not belongs("tcp", b"\x15\x01", expected, b"\x00\x00\0\0" + tcp)
    assert belongs("rtu", b"", expected, b"\x11" + reply + b"\0\0")
    assert not belongs("rtu", b"", expected, b"\x12" + reply + b"\0\0")


@pytest.mark.parametrize(
    ("framing", "frame"),
    [
        ("rtu", bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")),
        ("ascii", b":110306022B0000006455\r\n"),
        ("ascii", b":110306022b0000006455\r\n"),
    ],
)
def test_whole_frames_belong_and_neighbours_do_not(framing, frame):
    """A frame around the example of 6.3 is the reply to three registers."""
    assert belongs(framing, b"", expected_of_read(ReadRequest(17, "holding", 107, 3)), frame)
    assert not belongs(framing, b"", expected_of_read(ReadRequest(17, "holding", 107, 4)), frame)
    assert not belongs(framing, b"", expected_of_read(ReadRequest(17, "input", 107, 3)), frame)
    assert not belongs(framing, b"", expected_of_read(ReadRequest(17, "holding", 107, 3)), frame + frame)


def test_refusal_of_the_specification_belongs_to_its_request():
    """The exception of chapter 7 (`81 02`, unit 10) answers a read of coils and nothing else."""
    frame = bytes.fromhex("0A 81 02 B0 53")
    assert belongs("rtu", b"", expected_of_read(ReadRequest(10, "coil", 1185, 1)).refused, frame)
    assert not belongs("rtu", b"", expected_of_read(ReadRequest(10, "discrete", 1185, 1)).refused, frame)


def test_exception_codes_are_the_specifications():
    """Chapter 7 defines these codes and no other below 12."""
    assert sorted(EXCEPTIONS) == [1, 2, 3, 4, 5, 6, 8, 10, 11]
    assert EXCEPTIONS[2].startswith("illegal data address")
    assert EXCEPTIONS[6].startswith("server device busy")
