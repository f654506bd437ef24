"""Where vents go in rain, as the trade has it: a crack of the roof vents and half of the side vents stay open."""

import pytest

from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build

ROOF_IN_RAIN_PERCENT = 5  # common practice, no source
SIDE_IN_RAIN_PERCENT = 50  # common practice, no source


@pytest.mark.parametrize(
    ("full_travel_s", "goes_to_percent"), [(60, ROOF_IN_RAIN_PERCENT), (80, SIDE_IN_RAIN_PERCENT)]
)
def test_open_vents_close_to_the_rain_positions_of_common_practice(full_travel_s, goes_to_percent):
    """From fully open it takes the entry delay and the distance over the travel rate, and the vent stands there."""
    unit = build(
        MockSettings.model_validate(
            {
                "vents": {
                    "vent": {"full_travel": f"{full_travel_s} s", "dead_time": "0 s", "stages": ["100 %"]}
                },
                "house": {"temperature": "30 °C", "stage_at": ["20 °C"], "hysteresis": "1 °C"},
                "rain": {
                    "debounce": "0 s",
                    "entry_delay": "2 s",
                    "positions": {"vent": f"{goes_to_percent} %"},
                },
            }
        ),
        0.0,
        0,
    )
    rain_s = 100.0
    unit.set_contact("rain", rain_s, closed=True)
    unit.advance(rain_s + 2 + (100 - goes_to_percent) / 100 * full_travel_s / 2)
    assert unit.position("vent") == pytest.approx((100 + goes_to_percent) / 2)
    unit.advance(rain_s + 2 + (100 - goes_to_percent) / 100 * full_travel_s)
    assert unit.position("vent") == pytest.approx(goes_to_percent)
    unit.advance(rain_s + 600)
    assert unit.position("vent") == pytest.approx(goes_to_percent)
