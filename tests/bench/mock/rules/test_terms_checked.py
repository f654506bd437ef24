"""What a rule of the mock unit waits for is refused where it is no such value, or where the unit lacks the input."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from ventproof_bench.mock.settings import MockSettings


def rule(*when):
    """Return a section of one rule."""
    return {"snow": {"when": list(when), "positions": {"roof": "2 %"}}}


@pytest.mark.parametrize(
    ("term", "says"),
    [
        ({"outside_below": "5 m/s", "hysteresis": "1 °C"}, "'5 m/s' is not a temperature"),
        ({"outside_below": "1 °C", "hysteresis": "-1 °C"}, "hysteresis '-1 °C' is not a difference"),
        ({"outside_below": "1 °C", "hysteresis": "2 °F"}, "hysteresis '2 °F' is not a difference"),
        ({"wind_over": "2 min", "at": "3 °C", "hysteresis": "1 m/s"}, "'3 °C' is not a speed"),
        ({"wind_over": "0 s", "at": "9 m/s", "hysteresis": "1 m/s"}, "must be more than zero"),
        ({"all": [{"contact": "snow"}]}, "at least 2 items"),
        ({"failed": "bucket"}, "rule 'snow' needs what the unit does not have: sensors.bucket"),
        ({"rain_from": "2 m/s", "hysteresis": "1 mm/h"}, "'2 m/s' is not a rain intensity"),
        ({"rain_from": "2 mm/h", "hysteresis": "2 mm/h"}, "the hysteresis leaves no rain"),
        ({"active": "thunder"}, "rule 'snow' needs what the unit does not have: override 'thunder'"),
        (
            {"thunder": "near"},
            "one of contact, wind_over, outside_below, failed, rain_from, bus_silent, active, all",
        ),
    ],
)
def test_a_term_that_cannot_be_is_refused(all_weather, term, says):
    """The reason names the value."""
    with pytest.raises(ValidationError, match=says):
        MockSettings.model_validate(all_weather | {"rules": rule(term)})


@pytest.mark.parametrize(
    ("term", "lacks"),
    [
        ({"outside_below": "1 °C", "hysteresis": "1 °C"}, "sensors.outside"),
        ({"wind_over": "2 min", "at": "9 m/s", "hysteresis": "1 m/s"}, "wind"),
        ({"rain_from": "9 mm/h", "hysteresis": "1 mm/h"}, "tip_rate"),
    ],
)
def test_a_rule_needs_its_inputs(settings, term, lacks):
    """A unit with a rain contact only has no wind and no outside temperature to wait for."""
    with pytest.raises(ValidationError, match=f"rule 'snow' needs what the unit does not have: {lacks}"):
        MockSettings.model_validate(settings | {"rules": rule({"all": [{"contact": "snow"}, term]})})


def test_a_rule_has_a_name_of_its_own(all_weather):
    """The overrides that every unit may have keep their names."""
    with pytest.raises(ValidationError, match="the unit has an override 'gale' already"):
        MockSettings.model_validate(all_weather | {"rules": {"gale": rule({"contact": "snow"})["snow"]}})
