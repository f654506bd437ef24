"""The mock's frames against published ones.

Sources: MODBUS over Serial Line V1.02 (CRC and LRC, section 6.2; the CRC of 02 07 is the example of 6.2.2), MODBUS
Messaging on TCP/IP Implementation Guide V1.0b (header, section 3.1.3), the catalogue entry of CRC-16/MODBUS
(check value 0x4B37), and the examples of the application protocol framed for device 17, whose checks were
computed with crcmod.
"""

import pytest

from ventproof_bench.mock.wires.modbus_server import Deframer, Frame, crc16, encode, lrc

RTU = [
    "11 01 00 13 00 13 8E 92",
    "11 01 00 13 00 25 0E 84",
    "11 02 00 C4 00 16 BA A9",
    "11 03 00 6B 00 03 76 87",
    "11 04 00 08 00 01 B2 98",
    "11 05 00 AC FF 00 4E 8B",
    "11 06 00 01 00 03 9A 9B",
    "11 0F 00 13 00 0A 02 CD 01 BF 0B",
    "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
    "11 16 00 04 00 F2 00 25 66 E2",
    "11 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 4B 54",
    "01 03 00 00 00 0A C5 CD",
]
RTU_REPLIES = [
    "11 01 03 CD 6B 05 40 12",
    "11 01 05 CD 6B B2 0E 1B 45 E6",
    "11 02 03 AC DB 35 20 18",
    "11 03 06 02 2B 00 00 00 64 C8 BA",
    "11 04 02 00 0A F8 F4",
    "11 0F 00 13 00 0A 26 99",
    "11 10 00 01 00 02 12 98",
    "0A 81 02 B0 53",
]
ASCII = [
    ":110100130013C8",
    ":110103CD6B05AE",
    ":1103006B00037E",
    ":110306022B0000006455",
    ":110500ACFF003F",
    ":110600010003E5",
    ":0A810273",
]


def test_crc_check_value():
    """CRC-16/MODBUS of the digits 1 to 9 is 0x4B37, and that of 02 07 goes out as 41 12: low byte first."""
    assert crc16(b"123456789") == (0x4B37).to_bytes(2, "little")
    assert crc16(b"\x02\x07") == b"\x41\x12"


@pytest.mark.parametrize("wire_hex", RTU + RTU_REPLIES)
def test_rtu_frames_are_built_as_published(wire_hex):
    """Address, PDU and CRC of each published frame come out byte for byte."""
    wire = bytes.fromhex(wire_hex)
    assert encode("rtu", Frame(wire[0], wire[1:-2])) == wire


@pytest.mark.parametrize("wire_hex", RTU)
def test_rtu_requests_are_taken_as_published(wire_hex):
    """Each published request is found in the stream, also in two pieces."""
    wire = bytes.fromhex(wire_hex)
    deframer = Deframer("rtu")
    assert list(deframer.feed(wire[:5], 1.0)) == []
    assert list(deframer.feed(wire[5:], 1.01)) == [Frame(wire[0], wire[1:-2])]


@pytest.mark.parametrize("line", ASCII)
def test_ascii_frames_are_built_and_taken_as_published(line):
    """Colon, hexadecimal digits, LRC, carriage return and line feed: both ways."""
    body = bytes.fromhex(line[1:-2])
    wire = line.encode() + b"\r\n"
    assert lrc(body) == int(line[-2:], 16)
    assert encode("ascii", Frame(body[0], body[1:])) == wire
    assert list(Deframer("ascii").feed(wire, 1.0)) == [Frame(body[0], body[1:])]


def test_the_tcp_header_is_as_published():
    """Transaction 1, protocol 0, length 6, unit 1, then the PDU of the example in section 6.3."""
    wire = bytes.fromhex("000100000006 01 03006B0003")
    frame = Frame(1, bytes.fromhex("03006B0003"), 1)
    assert encode("tcp", frame) == wire
    assert list(Deframer("tcp").feed(wire, 1.0)) == [frame]


def test_a_foreign_protocol_is_left_alone():
    """Section 3.1.3: the protocol identifier of Modbus is 0; anything else is no request."""
    assert list(Deframer("tcp").feed(bytes.fromhex("000100010006 01 03006B0003"), 1.0)) == []
