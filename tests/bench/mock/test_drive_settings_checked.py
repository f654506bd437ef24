"""What a bench file says of drives outside the unit: what cannot be is refused with what would be right."""

import pytest
from outside import settings
from pydantic import ValidationError

from ventproof_bench.mock.settings import MockSettings


@pytest.mark.parametrize(
    ("drive", "message"),
    [
        ({"run_limit": 1.1}, r"run_limit 1\.1 leaves no room for an overrun of 10 %"),
        ({"overrun": "5 s"}, r"overrun '5 s' must be from 0 % to 100 %"),
        ({"deadband": "101 %"}, r"deadband '101 %' must be from 0 % to 100 %"),
        (
            {"potentiometer": [500, 1200]},
            r"potentiometer \[500, 1200\] must lie within 0 to 10000 mV, 1000 mV apart",
        ),
        ({"potentiometer": [-1, 9500]}, r"potentiometer \[-1, 9500\] must lie within 0 to 10000 mV"),
        (
            {"commands": "0-10 V", "feedback": "end-switches"},
            r"commands of 0-10 V go to a drive that has its own",
        ),
        (
            {"commands": "0-10 V", "vent": {"open": "60 s", "close": "56 s"}},
            r"commands of 0-10 V go to a drive",
        ),
        ({"vent": {"open": "60 s", "close": "56 s", "play": "1 s"}}, r"play '1 s' must be from 0 % to 100 %"),
        ({"feedback": "end-switch"}, r"Input should be 'none', 'end-switches' or 'potentiometer'"),
    ],
)
def test_what_cannot_be_is_refused(drive, message):
    """Each slip gets a message of its own."""
    with pytest.raises(ValidationError, match=message):
        MockSettings.model_validate(settings(**{"feedback": "none", **drive}))


def test_a_potentiometer_may_fall():
    """Closed at 9.5 V and open at 0.5 V is a potentiometer wired the other way round on purpose."""
    assert MockSettings.model_validate(settings("potentiometer", potentiometer=[9500, 500])).vents


@pytest.mark.parametrize(
    ("feedback", "drive", "parts"),
    [
        (
            "none",
            {},
            {"a drive", "a drive by contacts", "a drive without potentiometer", "a drive without feedback"},
        ),
        (
            "end-switches",
            {},
            {
                "a drive",
                "a drive by contacts",
                "a drive without potentiometer",
                "a drive with feedback",
                "end switches",
            },
        ),
        ("potentiometer", {}, {"a drive", "a drive by contacts", "a drive with feedback", "a potentiometer"}),
        ("potentiometer", {"commands": "0-10 V"}, {"a drive"}),
    ],
)
def test_a_unit_has_the_parts_that_faults_need(feedback, drive, parts):
    """Faults are given to units that have what they spoil."""
    model = MockSettings.model_validate(settings(feedback, **drive))
    assert model.parts == parts | {"supply.restart: reference"}


def test_more_drives_than_an_alarm_register_has_bits_are_refused():
    """Sixteen vents outside the unit are the most."""
    many = settings("none")
    many["vents"] = {f"vent_{n}": many["vents"]["roof"] for n in range(17)}
    many["rain"] = {"positions": {"vent_0": "5 %"}}
    with pytest.raises(ValidationError, match="the unit tells the alarms of 16 drives at the most"):
        MockSettings.model_validate(many)
