"""Mock settings that make no sense are refused with the reason."""

import pytest
from pydantic import ValidationError

from ventproof_bench.mock.settings import MockSettings


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
            r"'25 %' is not a temperature; write it in °C, such as '22 °C'",
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


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (
            "frost.positions",
            {"ridge": "5 %"},
            r"frost position for 'ridge', which is not among the vents: roof, ",
        ),
        ("wind.positions", {"roof": "5 s"}, r"override position '5 s' must be from 0 % to 100 %"),
        ("wind.gale_at", "12 °C", r"gale_at '12 °C' must be a speed above zero, such as '12 m/s'"),
        ("wind.gale_at", "0 m/s", r"gale_at '0 m/s' must be a speed above zero, such as '12 m/s'"),
        ("wind.hysteresis", "2 %", r"hysteresis '2 %' is a difference: write it in m/s, such as '2 m/s'"),
        (
            "wind.hysteresis",
            "12 m/s",
            r"hysteresis '12 m/s' must be below gale_at '12 m/s', or the gale would",
        ),
        ("wind.offset", "-1 m/s", r"offset '-1 m/s' must be a speed that is not negative, such as '0.3 m/s'"),
        ("wind.leeward", {"side": "20 %"}, r"leeward position for 'side' needs to know where it faces"),
        ("wind.leeward", {"roof": "120 %"}, r"leeward position '120 %' must be from 0 % to 100 %"),
        ("tip_rate.tip", "0.2 mm/h", r"tip '0.2 mm/h' must be a depth above zero, such as '0.2 mm'"),
        ("tip_rate.wet_at", "2 mm", r"wet_at '2 mm' must be a rain intensity above zero, such as '2 mm/h'"),
        ("tip_rate.hysteresis", "10 mm/h", r"hysteresis '10 mm/h' must be below wet_at '10 mm/h'"),
        ("frost.frost_at", "2 %", r"'2 %' is not a temperature; write it in °C, such as '22 °C'"),
        ("frost.hysteresis", "2 °F", r"hysteresis '2 °F' is a difference: write it in °C, such as '1 °C'"),
        ("sensors.outside", None, r"frost needs an outside thermometer; add `outside:` below `sensors:`"),
        ("sensors.direction", None, r"wind.leeward needs a wind vane; add `direction:` below `sensors:`"),
        ("wind", None, r"sensors.cups watches cups that the unit does not have; add `wind:`"),
        (
            "sensors.failure",
            None,
            r"sensors.house is treated as 'failure', an override that the unit does not",
        ),
        ("sensors.outside.range", ["60 °C", "-40 °C"], r"range '60 °C' is not below '-40 °C'; write"),
        ("sensors.outside.range", ["-300 °C", "60 °C"], r"must lie within -200 °C to 850 °C"),
        ("sensors.outside.temperature", "70 °C", r"temperature '70 °C' must lie within the sensor's range"),
        (
            "sensors.house.range",
            ["20 °C", "50 °C"],
            r"house temperature '18 °C' must lie within the sensor's",
        ),
        (
            "precedence",
            ["rain", "gale"],
            r"precedence \[rain, gale\] must name each override of the unit once: rain, ",
        ),
        ("precedence", ["rain", "rain", "gale", "frost"], r"must name each override of the unit once"),
    ],
)
def test_senseless_weather_is_refused(all_weather, path, value, message):
    """The same for wind, tips, frost, sensors and precedence."""
    with pytest.raises(ValidationError, match=message):
        changed(all_weather, path, value)


def test_the_longer_map_comes_with_more_weather_only(settings, all_weather):
    """A unit with a rain contact only keeps the short map, even where its supply is described."""
    assert not MockSettings.model_validate(settings | {"supply": {"boots_for": "1 s"}}).more_weather
    assert MockSettings.model_validate(settings | {"tip_rate": all_weather["tip_rate"]}).more_weather


def test_the_shipped_settings_load(settings):
    """The demonstration bench's own settings are in order."""
    assert list(MockSettings.model_validate(settings).vents) == ["roof", "side"]
