"""The settings of a unit as found: what a digest of them stands for, and what differs between two runs."""

from __future__ import annotations

import pytest

from ventproof.log.events import Note, SettingFound
from ventproof.papers.fingerprint import FoundSettings, settings_found
from ventproof_bench.base.evidence import FoundSetting, Window

AT = Window(0.1, 0.2)


def found(name, value=None, words=(), trouble="", unit="s"):
    return SettingFound(0.2, FoundSetting(name, unit, AT, words, value, trouble))


def of(*events):
    return settings_found([Note(0.0, "begins"), *events])


DELAY = found("rain_release_delay", 30.0, (300,))


def test_what_was_there_first_counts():
    """A setting that a run wrote and read again is told as the unit had it."""
    both = of(DELAY, found("rain_release_delay", 5.0, (50,)))
    assert both.values == {"rain_release_delay": "30 s"}
    assert both == of(DELAY)


@pytest.mark.parametrize(
    ("other", "same"),
    [
        ((DELAY, found("set_point", 18.0, (180,), unit="°C")), True),
        ((found("set_point", 18.0, (180,), unit="°C"), DELAY), True),
        ((DELAY, found("set_point", 18.1, (181,), unit="°C")), False),
        ((DELAY,), False),
        ((DELAY, found("set_point", trouble="no reply")), False),
    ],
)
def test_the_digest_is_of_the_registers_whatever_their_order(other, same):
    """Two runs have one digest if, and only if, the same registers held the same."""
    one = of(DELAY, found("set_point", 18.0, (180,), unit="°C"))
    assert (one.sha256 == of(*other).sha256) == same
    assert ([*one.differing(of(*other))] == []) == same


def test_differences_are_told_by_name_with_both_values():
    """A setting that is new, gone or could not be read differs, too."""
    before = of(DELAY, found("set_point", 18.0, (180,), unit="°C"))
    now = of(found("rain_release_delay", 25.0, (250,)), found("set_point", trouble="no reply"))
    assert [*now.differing(before)] == [
        "rain_release_delay: 25 s, before 30 s",
        "set_point: cannot be read (no reply), before 18 °C",
    ]
    not_read = FoundSettings({}, {}, {})
    assert next(before.differing(not_read)) == "rain_release_delay: 30 s, before not read"
    assert not_read.sha256 == ""
