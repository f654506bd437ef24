"""Mock settings that make no sense are refused with the reason."""

import pytest
from pydantic import ValidationError

from bench.mock.settings import MockSettings


def changed(settings, path, value):
    """Set a value deep in the settings and load them."""
    *way, last = path.split(".")
    place = settings
    for key in way:
        place = place[key]
    place[last] = value
    return MockSettings.model_validate(settings)


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (
            "rain.positions",
            {"ridge": "5 %"},
            r"rain position for 'ridge', which is not among the vents: roof, side",
        ),
        ("rain.positions", {"roof": "105 %"}, r"override position '105 %' must be from 0 % to 100 %"),
        ("rain.positions", {"roof": "5 s"}, r"override position '5 s' must be from 0 % to 100 %"),
        (
            "vents.roof.stages",
            ["30 %", "60 %"],
            r"vent 'roof' has 2 stage positions where house.stage_at has 3 stages",
        ),
        ("vents.roof.stages", ["30 %", "60 %", "-1 %"], r"stage position '-1 %' must be from 0 % to 100 %"),
        (
            "house.stage_at",
            ["25 °C", "22 °C", "28 °C"],
            r"stage_at 25 °C, 22 °C, 28 °C must rise from stage to stage",
        ),
        (
            "house.stage_at",
            ["22 °C", "25 %", "28 °C"],
            r"'25 %' is no temperature; write it in °C, such as '22 °C'",
        ),
        ("house.temperature", "4000 °C", r"temperature '4000 °C' must be from -3276.8 °C to 3276.7 °C"),
        ("house.hysteresis", "2 °F", r"hysteresis '2 °F' is a difference: write it in °C, such as '1 °C'"),
        ("house.hysteresis", "-1 °C", r"hysteresis '-1 °C' must not be negative"),
        (
            "faults",
            {"slow_travl": 1},
            r"'slow_travl' is not a fault of the mock unit; did you mean 'slow_travel'\?",
        ),
    ],
)
def test_senseless_settings_are_refused(settings, path, value, message):
    """The message shows the value and what would be right."""
    with pytest.raises(ValidationError, match=message):
        changed(settings, path, value)


def test_the_shipped_settings_load(settings):
    """The demonstration bench's own settings are in order."""
    assert list(MockSettings.model_validate(settings).vents) == ["roof", "side"]
