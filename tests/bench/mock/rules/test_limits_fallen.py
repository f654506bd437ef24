"""Limits of the mock unit that fall with the wind: how far a vent may be open, and what is refused."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from ventproof_bench.mock.faults.catalogue import behaviour_with
from ventproof_bench.mock.settings import RuleSettings

BREEZE = {
    "when": [{"wind_over": "10 s", "at": "5 m/s", "hysteresis": "1 m/s"}],
    "fall_between": ["5 m/s", "10 m/s"],
    "limits": {"roof": ["70 %", "20 %"]},
}


@pytest.mark.parametrize(("value", "percent"), [(0, 70), (5, 70), (6, 60), (10, 20), (30, 20)])
def test_a_limit_falls_evenly_between_two_values(value, percent):
    """Level below and above."""
    assert RuleSettings.model_validate(BREEZE).at(value, behaviour_with({})) == {
        "roof": pytest.approx(percent)
    }


@pytest.mark.parametrize(
    ("fault", "percent"), [("limit_ignores_strength", 70), ("limit_too_open", 45), ("limit_falls_late", 55.7)]
)
def test_a_fault_moves_the_limit(fault, percent):
    """At 9 m/s it would be 30 %."""
    limits = RuleSettings.model_validate(BREEZE).at(9, behaviour_with({fault: 1.0}))
    assert limits["roof"] == pytest.approx(percent, abs=0.1)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"fall_between": None}, "`limits` and `fall_between` need each other"),
        ({"fall_between": ["10 m/s", "5 m/s"]}, "does not rise"),
        ({"fall_between": ["5 mm/h", "9 mm/h"]}, "nothing in `when` measures 5 mm/h to 9 mm/h"),
        ({"limits": {"roof": ["20 %", "70 %"]}}, "the limits 20 % and 70 % do not fall"),
        ({"when": [{"contact": "rain"}]}, "nothing in `when` measures 5 m/s to 10 m/s"),
    ],
)
def test_limits_that_cannot_be_are_refused(change, says):
    """The reason names the value."""
    with pytest.raises(ValidationError, match=says):
        RuleSettings.model_validate(BREEZE | change)
