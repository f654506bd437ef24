"""What is allowed in a bench file but said: travel that nothing bounds, a relay in the controller itself."""

from __future__ import annotations

import pytest

from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench

BENCH = """
bench: a relay board and a unit on one line
buses:
  line: {link: rtu, port: /dev/serial/by-id/line}
outputs:
  rain: {driver: coil, wired: {bus: line, unit_id: 2, coil: 0}}
signals:
  roof_vent: {bus: line, table: input, address: 0, unit: "%", full_travel: 28 s}
"""


def notes_of(old: str = "", new: str = "") -> list[str]:
    """Return the notes on the bench file above, with one text replaced."""
    assert old in BENCH
    return [str(note) for note in read_bench("b.yaml", BENCH.replace(old, new)).notes]


def test_a_board_of_its_own_is_not_remarked_on():
    """A relay board with another unit id than the controller is as it should be."""
    assert notes_of() == []


def test_a_position_without_full_travel_is_noted():
    """Without `full_travel` nothing is known between two readings; the bench file's check says so."""
    assert notes_of(", full_travel: 28 s") == [
        (
            "b.yaml:8:3: signal 'roof_vent' has no full_travel: nothing is known of it between two readings; for a "
            "vent, declare the shortest time that it needs from end to end"
        )
    ]


def test_a_coil_of_the_controller_itself_is_noted_when_it_is_stated():
    """A stated unit id is taken at its word, since a controller can have a coil as a test input; it is said."""
    assert notes_of("unit_id: 2", "unit_id: 1") == [
        (
            "b.yaml:6:52: output 'rain' switches coil 0 of unit 1 on bus line, the unit of signal 'roof_vent'; right "
            "only if both are of the relay board, or this is a test input of the controller"
        )
    ]


def test_a_coil_of_nobody_is_refused_where_the_unit_left_out_is_the_controller():
    """Left out, the unit id would be 1, and the board's coil would be written into the controller."""
    with pytest.raises(FileError, match=r"nothing says which unit the relay board is, and unit 1 is that of"):
        notes_of("unit_id: 2, ")


@pytest.mark.parametrize("unit_id", [1, 247])
def test_the_addresses_of_a_serial_line_are_allowed(unit_id):
    """1 to 247 are individual addresses (MODBUS over Serial Line V1.02, 2.2)."""
    assert notes_of("{bus: line, table", f"{{bus: line, unit_id: {unit_id}, table") == []


@pytest.mark.parametrize("unit_id", [0, 248, 255])
@pytest.mark.parametrize(
    "link", ["link: rtu, port: x", "link: ascii, port: x", "link: in-process, framing: rtu"]
)
def test_what_is_no_address_of_a_serial_line_is_refused(unit_id, link):
    """0 is broadcast and 248 to 255 are reserved (MODBUS over Serial Line V1.02, 2.2)."""
    text = BENCH.replace("link: rtu, port: /dev/serial/by-id/line", link)
    with pytest.raises(
        FileError, match=rf"unit_id {unit_id} .* on a serial line; write the unit's own address"
    ):
        read_bench("b.yaml", text.replace("{bus: line, table", f"{{bus: line, unit_id: {unit_id}, table"))


def test_one_terminal_of_the_unit_that_two_wires_go_to_is_noted():
    """Two relays at one input may be parallel on purpose, or a slip; a common is shared without a word."""
    rain = "rain: {driver: coil, wired: {bus: line, unit_id: 2, coil: 0}"
    wires = ", wires: {contact: {unit: X3-7}, common: {unit: X3-8}}"
    hail = f"\n  hail: {{driver: coil, wired: {{bus: line, unit_id: 2, coil: 1}}{wires}}}"
    assert notes_of(f"{rain}}}", f"{rain}{wires}}}") == []
    assert notes_of(f"{rain}}}", f"{rain}{wires}}}{hail}") == [
        (
            "b.yaml:7:89: 'hail' and 'rain' are both wired to terminal X3-7 of the unit; right only if they are meant "
            "to be parallel"
        )
    ]
