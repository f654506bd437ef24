"""Values and broken wires that an output's register cannot put: refused at their place, before anything is switched."""

from __future__ import annotations

from pathlib import Path

import pytest

from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench

MOCK = (Path(__file__).parents[3] / "bench" / "files" / "mock.yaml").read_text(encoding="utf-8")
MODULE = MOCK.replace(
    "    driver: mock-level\n    wired: {input: outside}\n",
    "    driver: register\n    wired: {bus: unit, table: holding, address: 10, scale: 0.1}\n",
)
PROFILE = """
profile: numbers
needs:
  outputs: {outside_temperature: °C, house_temperature: °C}
  signals: {roof_vent: "%"}
steps:
  - step: one
    do: [STIMULUS]
    expect: [{signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 35 s}]
"""


@pytest.mark.parametrize(
    ("stimulus", "column", "says"),
    [
        (
            "{write: house_temperature, value: 22.25 °C}",
            44,
            "the register cannot hold 22.25 °C; write 22.2 °C",
        ),
        ("{write: house_temperature, value: 4000 °C}", 44, "4000 is out of range: type s16"),
        (
            "{fail: outside_temperature, mode: open}",
            44,
            "cannot show a wire that is open: 1e+07 is out of range",
        ),
    ],
)
def test_what_a_register_cannot_put_is_refused(stimulus, column, says):
    """A value between two counts or out of range, and the endless resistance of a broken wire through 16 bits."""
    profile = read_profile("p.yaml", PROFILE.replace("STIMULUS", stimulus))
    with pytest.raises(FileError) as caught:
        bind(profile, read_bench("b.yaml", MODULE), {})
    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == (8, column)
    assert says in str(problem)


BROKEN = """
  outside_temperature:
    kind: level
    driver: register
    wired: {bus: unit, table: holding, address: 10, scale: 0.001}
    signal: 4-20 mA
    range: [-30 °C, 50 °C]
    limits: [3 mA, 20.5 mA]
"""


def _module(more: str = "") -> str:
    """Return the mock's bench with a current output whose module ends at 20.5 mA."""
    head, _, rest = MOCK.partition("\n  outside_temperature:\n")
    _, _, rest = rest.partition("\n  house_thermometer:\n")
    return f"{head}{BROKEN}{more}\n  house_thermometer:\n{rest}"


@pytest.mark.parametrize(
    ("stimulus", "says"),
    [
        ("{write: outside_temperature, value: 55 °C}", "21 mA is beyond its `limits`, 3 mA to 20.5 mA"),
        (
            "{fail: outside_temperature, mode: short}",
            "cannot show a wire that is short: 24 mA is beyond its `limits`",
        ),
        (
            "{fail: outside_temperature, mode: open}",
            "0 mA is beyond its `limits`, 3 mA to 20.5 mA; name a contact in series with it, `breaks_with:`, or",
        ),
    ],
)
def test_what_a_module_does_not_reach_is_refused(stimulus, says):
    """Many modules end at 20 or 21 mA and above 0 mA; a broken wire then takes a relay."""
    profile = read_profile("p.yaml", PROFILE.replace("STIMULUS", stimulus))
    with pytest.raises(FileError) as caught:
        bind(profile, read_bench("b.yaml", _module()), {})
    (problem,) = caught.value.problems
    assert says in str(problem)


def test_a_relay_in_series_breaks_what_a_module_cannot():
    """With `breaks_with` the level need not reach down to a broken wire."""
    bench = _module("    breaks_with: wire\n").replace(
        "\n  rain:\n",
        "\n  wire: {driver: mock, wired: {input: rain_2}, at_rest: closed, safe: closed}\n  rain:\n",
        1,
    )
    profile = read_profile("p.yaml", PROFILE.replace("STIMULUS", "{fail: outside_temperature, mode: open}"))
    assert (
        bind(profile, read_bench("b.yaml", bench), {}).outputs["outside_temperature"] == "outside_temperature"
    )


@pytest.mark.parametrize(
    "stimulus",
    [
        "{write: house_temperature, value: 22.3 °C}",
        "{write: outside_temperature, value: 22.34 °C}",
        "{fail: outside_temperature, mode: short}",
    ],
)
def test_what_it_can_put_is_taken(stimulus):
    """A level is rounded to the module's step, and a short is 0 ohm."""
    profile = read_profile("p.yaml", PROFILE.replace("STIMULUS", stimulus))
    assert bind(profile, read_bench("b.yaml", MODULE), {}).profile is profile


_LEVELS = "kind: level, driver: mock-level, wired: {input: outside}"
_OHMS = "kind: resistance, driver: mock-level, wired: {input: outside}"


@pytest.mark.parametrize(
    ("sensor", "value", "failures", "cure"),
    [
        (
            f"{_LEVELS}, signal: 0-10 V, range: [-30 °C, 50 °C]",
            "10 V",
            ("10.1 V",),
            "write more than 10 V, or",
        ),
        (
            f"{_LEVELS}, signal: 2-10 V, range: [-30 °C, 50 °C]",
            "2 V",
            ("1.9 V", "10.5 V"),
            "less than 2 V or more than 10 V",
        ),
        (
            f"{_LEVELS}, signal: 0-20 mA, range: [-30 °C, 50 °C]",
            "3.6 mA",
            ("21 mA",),
            "write more than 20 mA, or",
        ),
        (
            f"{_LEVELS}, signal: ratio, supply: 5 V, range: [-30 °C, 50 °C]",
            "5 V",
            (),
            "mode: open` or `mode: short",
        ),
        (
            f"{_OHMS}, sensor: pt100",
            "390 ohm",
            ("18.5 ohm", "391 ohm"),
            "less than 18.52 ohm or more than 390.5 ohm",
        ),
        (
            f"{_OHMS}, sensor: ntc, ntc: {{ohm: 10000, beta: 3435}}",
            "10000 ohm",
            ("100 ohm", "1000000 ohm"),
            "more than",
        ),
    ],
)
def test_a_level_that_stands_for_a_value_signals_no_failure(sensor, value, failures, cure):
    """Inside its measuring range a sensor shows weather, whatever carries it; beyond it the level is a failure."""
    head, _, rest = MOCK.partition("\n  outside_temperature:\n")
    rest = rest.partition("\n  house_thermometer:\n")[2]
    bench = read_bench("b.yaml", f"{head}\n  outside_temperature: {{{sensor}}}\n  house_thermometer:\n{rest}")

    def stated(level: str):
        stimulus = f"{{fail: outside_temperature, mode: signals, level: {level}}}"
        return read_profile("p.yaml", PROFILE.replace("STIMULUS", stimulus))

    with pytest.raises(FileError, match=f"'{value}' is a value and signals no failure; ") as caught:
        bind(stated(value), bench, {})
    assert cure in str(caught.value)
    for level in failures:
        assert bind(stated(level), bench, {}).outputs
