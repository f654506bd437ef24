"""Transmitters that find a failure of their own and signal it by a level beyond the range."""

from __future__ import annotations

import pytest

PROFILE = """
profile: a transmitter signals a failure
needs:
  outputs: {house_thermometer: °C}
  signals: {house_failed: flag}
start:
  write: {house_thermometer: 30 °C}
  until:
    - {signal: house_failed, equals: off, within: 10 s}
steps:
  - step: failure
    do: [{fail: house_thermometer, mode: signals, level: LEVEL}]
    expect: [{signal: house_failed, equals: on, within: 4 s}]
  - step: it measures again
    do: [{restore: house_thermometer}]
    expect: [{signal: house_failed, equals: off, within: 12 s}]
"""


@pytest.mark.parametrize(
    ("level", "faults", "verdict"),
    [
        ("3.6 mA", (), "pass"),
        ("21 mA", (), "pass"),
        ("3.6 mA", ("low_end_unchecked",), "fail"),
        ("21 mA", ("low_end_unchecked",), "pass"),
        ("3.6 mA", ("high_end_unchecked",), "pass"),
        ("21 mA", ("high_end_unchecked",), "fail"),
    ],
)
def test_a_unit_must_see_both_bands(level, faults, verdict, run):
    """At most 3.6 mA and at least 21 mA are no temperature (NAMUR NE 43); a unit that looks at one end misses one."""
    result = run(PROFILE.replace("LEVEL", level), faults=faults)
    assert result.outcome.verdict == verdict, [finding.why for finding in result.findings]


def test_what_was_signalled_is_recorded(run):
    """The log says at which level the transmitter put its current."""
    log = run(PROFILE.replace("LEVEL", "21 mA")).log.read_text()
    assert "let house_thermometer signal a failure by 21 mA" in log
