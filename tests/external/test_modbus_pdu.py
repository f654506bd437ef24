"""The mock's replies against the worked examples of the MODBUS Application Protocol Specification V1.1b3.

The bytes were checked against three public test suites that transcribe the specification; sections stand
beside them. The limits are those that section 6 gives with each function.
"""

import struct

import pytest
from plain_unit import PlainBank

from ventproof_bench.mock.wires.modbus_server import answer


def bits_from(address, packed, count):
    """Return a table of bits that holds `count` bits, packed as on the wire, from `address`."""
    value = int.from_bytes(bytes.fromhex(packed), "little")
    return [0] * address + [value >> i & 1 for i in range(count)]


def words_from(address, words):
    """Return a table of registers that holds `words` from `address`."""
    return [0] * address + list(struct.unpack(f">{len(words) // 4}H", bytes.fromhex(words)))


EXAMPLES = [
    # section, tables, request, reply
    ("6.1", {"coil": bits_from(0x13, "CD6B05", 19)}, "01 0013 0013", "01 03 CD6B05"),
    ("6.2", {"discrete": bits_from(0xC4, "ACDB35", 22)}, "02 00C4 0016", "02 03 ACDB35"),
    ("6.3", {"holding": words_from(0x6B, "022B00000064")}, "03 006B 0003", "03 06 022B 0000 0064"),
    ("6.4", {"input": words_from(8, "000A")}, "04 0008 0001", "04 02 000A"),
    ("6.5", {"coil": [0] * 0x100}, "05 00AC FF00", "05 00AC FF00"),
    ("6.6", {"holding": [0] * 4}, "06 0001 0003", "06 0001 0003"),
    ("6.11", {"coil": [0] * 64}, "0F 0013 000A 02 CD01", "0F 0013 000A"),
    ("6.12", {"holding": [0] * 4}, "10 0001 0002 04 000A 0102", "10 0001 0002"),
    ("6.16", {"holding": words_from(4, "0012")}, "16 0004 00F2 0025", "16 0004 00F2 0025"),
    (
        "6.17",
        {"holding": words_from(3, "00FE0ACD00010003000D00FF") + [0] * 16},
        "17 0003 0006 000E 0003 06 00FF 00FF 00FF",
        "17 0C 00FE 0ACD 0001 0003 000D 00FF",
    ),
    ("7", {"coil": [0] * 16}, "01 04A1 0001", "81 02"),
]


@pytest.mark.parametrize(
    ("section", "tables", "request_hex", "reply_hex"), EXAMPLES, ids=[e[0] for e in EXAMPLES]
)
def test_worked_examples_of_the_specification(section, tables, request_hex, reply_hex):
    """Each worked example brings the reply that the specification prints, byte for byte."""
    assert answer(bytes.fromhex(request_hex), PlainBank(tables), 0.0) == bytes.fromhex(reply_hex), section


def test_writes_of_the_examples_arrive():
    """What the examples of sections 6.5, 6.6, 6.11, 6.12 and 6.16 write stands in the tables afterwards.

    6.11: coils 20 to 29 become 1011 0011 10. 6.16: 0x12 becomes 0x17, (12 AND F2) OR (25 AND NOT F2).
    """
    bank = PlainBank({"coil": [0] * 0x100, "holding": [0, 0, 0, 0, 0x12]})
    coils = ("05 00AC FF00", "0F 0013 000A 02 CD01")
    for request in (*coils, "06 0003 0003", "10 0001 0002 04 000A 0102", "16 0004 00F2 0025"):
        answer(bytes.fromhex(request), bank, 0.0)
    assert bank.tables["coil"][0xAC] == 1
    assert bank.tables["coil"][0x13:0x1E] == [1, 0, 1, 1, 0, 0, 1, 1, 1, 0, 0]
    assert bank.tables["holding"] == [0, 0x000A, 0x0102, 3, 0x17]


def test_a_read_write_writes_first():
    """Section 6.17: the write is done before the read."""
    bank = PlainBank({"holding": [0] * 4})
    assert answer(bytes.fromhex("17 0000 0002 0001 0001 02 00FF"), bank, 0.0) == bytes.fromhex(
        "17 04 0000 00FF"
    )


LIMITS = [
    # function: request with a quantity, largest quantity that section 6 allows
    (1, lambda n: struct.pack(">BHH", 1, 0, n), 2000),
    (2, lambda n: struct.pack(">BHH", 2, 0, n), 2000),
    (3, lambda n: struct.pack(">BHH", 3, 0, n), 125),
    (4, lambda n: struct.pack(">BHH", 4, 0, n), 125),
    (15, lambda n: struct.pack(">BHHB", 15, 0, n, (n + 7) // 8 & 0xFF) + bytes((n + 7) // 8), 1968),
    (16, lambda n: struct.pack(">BHHB", 16, 0, n, 2 * n & 0xFF) + bytes(2 * n), 123),
    (23, lambda n: struct.pack(">BHHHHB", 23, 0, n, 0, 1, 2) + bytes(2), 125),
    (23, lambda n: struct.pack(">BHHHHB", 23, 0, 1, 0, n, 2 * n & 0xFF) + bytes(2 * n), 121),
]


@pytest.mark.parametrize(("function", "request_of", "most"), LIMITS)
def test_quantities_outside_the_limits_are_illegal_values(function, request_of, most):
    """The largest quantity allowed is answered; none, and one more, are refused with exception 3."""
    bank = PlainBank({"coil": [0] * 2048, "discrete": [0] * 2048, "holding": [0] * 200, "input": [0] * 200})
    assert answer(request_of(most), bank, 0.0)[0] == function
    for quantity in (0, most + 1):
        assert answer(request_of(quantity), bank, 0.0) == bytes([function | 0x80, 3])


@pytest.mark.parametrize(
    ("request_hex", "reply_hex"),
    [
        ("07", "87 01"),  # a function that the mock lacks
        ("63 FFFF FFFF", "E3 01"),  # function is checked before anything else
        ("03 FFFF 007E", "83 03"),  # quantity before address (figures of 6.3)
        ("03 FFFF 0002", "83 02"),  # address plus quantity runs over the end
        ("05 FFFF 1234", "85 03"),  # only 0000 and FF00 are coil values (6.5), checked before the address
        ("0F 0000 000A 01 CD", "8F 03"),  # byte count does not fit the quantity (6.11)
        ("10 0000 0002 04 000A", "90 03"),  # data shorter than its byte count (6.12)
        ("03 0000", "83 03"),  # cut short
    ],
)
def test_the_order_of_checks(request_hex, reply_hex):
    """Function (1) comes before quantity and data (3), which come before address (2)."""
    bank = PlainBank({"coil": [0] * 16, "holding": [0] * 4})
    assert answer(bytes.fromhex(request_hex), bank, 0.0) == bytes.fromhex(reply_hex)
