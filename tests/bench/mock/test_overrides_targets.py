"""Override logic and staged ventilation."""

import pytest

from ventproof_bench.mock.faults.behaviour import HEALTHY
from ventproof_bench.mock.overrides import OverrideRule, faulty_rule, next_stage, override_target

RULE = OverrideRule({"roof": 5.0, "side": 50.0}, only_close=True)
STAGES_C = (22.0, 25.0, 28.0)


@pytest.mark.parametrize(
    ("vent", "stage", "ceiling", "target"),
    [
        ("roof", 99.0, 99.0, 5.0),
        ("roof", 99.0, 3.0, 3.0),
        ("roof", 0.0, 60.0, 0.0),
        ("side", 99.0, 50.0, 50.0),
        ("screen", 80.0, 10.0, 80.0),
    ],
)
def test_an_override_only_closes(vent, stage, ceiling, target):
    """A vent goes to the lowest of its override position, its stage and where it stood."""
    assert override_target(RULE, vent, stage, ceiling) == target


def test_an_override_that_may_open_goes_to_its_position():
    """Without `only_close` the override position is the target from either side."""
    assert override_target(OverrideRule({"roof": 5.0}, only_close=False), "roof", 0.0, 0.0) == 5.0


def test_a_healthy_unit_carries_out_the_rule_as_it_stands():
    """The healthy behaviour changes nothing of the rule."""
    assert faulty_rule(RULE, HEALTHY) == RULE


@pytest.mark.parametrize(
    ("stage", "temperature", "expected"),
    [
        (0, 21.9, 0), (0, 22.0, 1), (0, 30.0, 3), (1, 21.1, 1), (1, 21.0, 0), (3, 27.1, 3), (3, 27.0, 2),
        (3, 10.0, 0), (2, 24.5, 2), (1, 24.5, 1),
    ],
)  # fmt: skip
def test_stages_begin_rising_and_end_a_hysteresis_lower(stage, temperature, expected):
    """A stage begins at its temperature and ends the hysteresis below it, both inclusive."""
    assert next_stage(stage, temperature, STAGES_C, 1.0) == expected


def test_tenths_of_a_degree_compare_exactly():
    """21.7 °C is 0.3 °C below 22 °C, although not in binary."""
    assert next_stage(1, 217 / 10, STAGES_C, 0.3) == 0


def test_without_hysteresis_a_stage_holds_at_its_own_temperature():
    """With no hysteresis the limit itself belongs to the stage."""
    assert next_stage(1, 22.0, STAGES_C, 0.0) == 1
    assert next_stage(1, 21.9, STAGES_C, 0.0) == 0
