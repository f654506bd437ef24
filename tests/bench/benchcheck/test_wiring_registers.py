"""Registers of a bench file: numbers that they cannot hold are refused, and those that overlap are noted."""

from __future__ import annotations

import pytest

from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench

BENCH = """
bench: a unit whose setting is written and read back
buses:
  line: {link: tcp, host: 192.0.2.1}
outputs:
  delay:
    kind: register
    driver: register
    wired: {bus: line, table: holding, address: 2, scale: 0.1}
    unit: s
    leaves: 30 s
    hookup: {values: [10 s, 20 s], answers: {delay_read: up}}
  module:
    kind: level
    driver: register
    wired: {bus: line, table: holding, address: 9, scale: 0.001}
    signal: 4-20 mA
    range: [-10 °C, 50 °C]
    safe: 12.0004
signals:
  delay_read: {bus: line, table: holding, address: 2, scale: 0.1, unit: s}
  rain: {bus: line, table: input, address: 6, type: bit, bit: 0, unit: flag}
  gale: {bus: line, table: input, address: 6, type: bit, bit: 5, unit: flag}
  tips: {bus: line, table: input, address: 7, type: u32, unit: count}
"""


@pytest.mark.parametrize(
    ("old", "new", "place", "says"),
    [
        (
            "leaves: 30 s",
            "leaves: 30.05 s",
            "11:13",
            "cannot hold 30.05 s; write 30 s, the nearest that it can",
        ),
        ("leaves: 30 s", "leaves: 7000 s", "11:13", "7000 is out of range: type u16 with scale 0.1"),
        ("[10 s, 20 s]", "[10 s, -1 s]", "12:29", "-1 is out of range"),
        ("safe: 12.0004", "safe: 70", "19:11", "70 is out of range"),
    ],
)
def test_a_number_that_no_register_holds_is_refused(old, new, place, says):
    """Out of the type's range, or between two counts, where a value itself is written; a level is rounded."""
    assert old in BENCH
    with pytest.raises(FileError) as caught:
        read_bench("b.yaml", BENCH.replace(old, new))
    assert str(caught.value).startswith(f"b.yaml:{place}: ")
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("address: 7", "address: 5", "'tips' and 'rain' share input 6 of unit 1"),
        ("bit: 5", "bit: 0", "'gale' and 'rain' share input 6 of unit 1"),
        ("address: 9", "address: 2", "'module' and 'delay' share holding 2 of unit 1"),
        (
            "scale: 0.1, unit: s",
            "scale: 0.1, type: u32, unit: s",
            "'delay' and 'delay_read' share holding 2 of unit 1",
        ),
    ],
)
def test_registers_that_overlap_are_noted(old, new, says):
    """Two signals on one register, or parts of each other; bits beside each other and a setting read back are right."""
    assert not any("share" in str(note) for note in read_bench("b.yaml", BENCH).notes)
    try:
        notes = [str(note) for note in read_bench("b.yaml", BENCH.replace(old, new)).notes]
    except FileError as error:  # two outputs on one register are refused already
        notes = [str(error)]
        says = "outputs 'delay' and 'module' share the same holding 2 of unit 1"
    assert any(says in note for note in notes)
