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
            "{fail: outside_temperature, how: open}",
            43,
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


@pytest.mark.parametrize(
    "stimulus",
    [
        "{write: house_temperature, value: 22.3 °C}",
        "{write: outside_temperature, value: 22.34 °C}",
        "{fail: outside_temperature, how: short}",
    ],
)
def test_what_it_can_put_is_taken(stimulus):
    """A level is rounded to the module's step, and a short is 0 ohm."""
    profile = read_profile("p.yaml", PROFILE.replace("STIMULUS", stimulus))
    assert bind(profile, read_bench("b.yaml", MODULE), {}).profile is profile
