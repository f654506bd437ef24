"""What a bench file says of the sensors that its outputs stand for: read, kept in own units, or refused."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from ventproof_bench.benchfile.sensors import BetaThermistor, BucketSensor, ContactSensor, CupsSensor


def test_a_sensor_survives_the_way_to_another_process():
    """What was read goes through JSON unchanged, as the line process gets it."""
    sensor = ContactSensor.model_validate({"bucket": {"tip": "0.01 in", "closed_for": "100 ms"}})
    assert sensor.bucket.tip.value == 0.254
    assert ContactSensor.model_validate_json(sensor.model_dump_json(exclude_unset=True)) == sensor


@pytest.mark.parametrize(
    ("model", "said", "reason"),
    [
        (BucketSensor, {"tip": "0 mm"}, "must be a depth above zero, such as '0.2 mm'"),
        (BucketSensor, {"tip": "2 mm/h"}, "must be a depth above zero"),
        (CupsSensor, {"slope": 1, "offset": "-1 m/s"}, "must be a speed from zero up"),
        (CupsSensor, {"slope": 1, "offset": "1 m/s", "starts_at": "0.5 m/s"}, "must be at least the offset"),
        (CupsSensor, {"slope": 1, "offset": "1 mm"}, "must be a speed from zero up"),
        (ContactSensor, {}, "write either `bucket:` or `cups:` below it"),
        (
            ContactSensor,
            {"bucket": {"tip": "1 mm"}, "cups": {"slope": 1}},
            "write either `bucket:` or `cups:` below it",
        ),
        (
            BetaThermistor,
            {"ohm": 10_000, "beta": 3950, "at": "25 s"},
            "must be a temperature, such as '25 °C'",
        ),
    ],
)
def test_a_sensor_that_cannot_be_is_refused(model, said, reason):
    """A wrong quantity or an impossible combination says what would be right."""
    with pytest.raises(ValidationError, match=reason):
        model.model_validate(said)
