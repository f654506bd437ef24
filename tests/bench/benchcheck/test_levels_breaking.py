"""Levels: signals, limits and the relays that break their wires, as a bench file may declare them."""

import pytest

from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench

BENCH = """\
bench: levels
buses:
  io: {link: tcp, host: 192.0.2.7}
outputs:
  wire: {driver: coil, wired: {bus: io, unit_id: 2, coil: 0}, at_rest: closed, safe: closed}
  outside:
    kind: level
    driver: register
    wired: {bus: io, unit_id: 2, table: holding, address: 0, scale: 0.001}
    signal: 4-20 mA
    range: [-30 °C, 50 °C]
    safe: 12
    limits: [0 mA, 20.5 mA]
    breaks_with: wire
  other: {kind: resistance, driver: scpi-level, wired: {port: /dev/decade}, sensor: pt1000}
  supply: {kind: supply, driver: scpi-level, wired: {port: /dev/supply}, limits: [0 V, 28 V], safe: 24}
signals:
  shut: {bus: io, unit_id: 1, table: discrete, address: 0, type: bit, unit: flag}
"""
LIMITED = "signal: 4-20 mA\n    range: [-30 °C, 50 °C]\n    safe: 12\n    limits: [0 mA, 20.5 mA]"


def test_every_kind_of_level_is_taken():
    """Currents with limits and a break relay, a decade, a supply: nothing is wrong with them."""
    assert read_bench("bench.yaml", BENCH).model.outputs.keys() == {"wire", "outside", "other", "supply"}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("breaks_with: wire", "breaks_with: wier", "14:18: there is no contact 'wier'; did you mean 'wire'?"),
        ("breaks_with: wire", "breaks_with: other", "14:18: there is no contact 'other'"),
        (
            ", safe: closed",
            "",
            "14:18: contact 'wire' is safe when open, which leaves this wire broken all the time",
        ),
        (
            "safe: closed}",
            "safe: closed, sensor: {cups: {slope: 1}}}",
            "14:18: contact 'wire' stands for a sensor or a vent's switch of its own",
        ),
        (
            "sensor: pt1000",
            "sensor: pt1000, breaks_with: wire",
            "15:106: contact 'wire' breaks the wire of 'outside'",
        ),
        ("safe: 12", "safe: 22", "12:11: 22 mA is beyond its `limits`, 0 mA to 20.5 mA; stay within"),
        ("[0 mA, 20.5 mA]", "[0 V, 20.5 V]", "limits from '0 V' to '20.5 V' are no span of levels in mA"),
        ("[0 mA, 20.5 mA]", "[20.5 mA, 0 mA]", "limits from '20.5 mA' to '0 mA' are no span"),
        ("safe: 24", "safe: 30", "16:101: 30 V is beyond its `limits`, 0 V to 28 V"),
        (", limits: [0 V, 28 V]", "", "'limits' is missing"),
        (
            LIMITED,
            "signal: ratio\n    range: [0 %, 100 %]",
            "`signal: ratio` and the voltage below `supply:` go together",
        ),
        (
            "signal: 4-20 mA",
            "signal: 0-20 mA\n    supply: 5 V",
            "`signal: ratio` and the voltage below `supply:`",
        ),
        (
            LIMITED,
            "signal: ratio\n    supply: 5 mA\n    range: [0 %, 100 %]",
            "supply '5 mA' is not a voltage; write it as '5 V'",
        ),
        (
            "sensor: pt1000",
            "sensor: potentiometer",
            "`sensor: potentiometer` and a description of its resistances",
        ),
        (
            "sensor: pt1000",
            "sensor: potentiometer, potentiometer: {ohm: [5, 5]}",
            "ohm: both ends show the same; write [ohm at 0 %, ohm at 100 %]",
        ),
    ],
)
def test_a_level_that_makes_no_sense_is_refused(old, new, says):
    """Relays that are none, that leave the wire broken, or break two; levels beyond the limits; missing words."""
    assert old in BENCH
    with pytest.raises(FileError) as error:
        read_bench("bench.yaml", BENCH.replace(old, new, 1))
    assert says in str(error.value)
