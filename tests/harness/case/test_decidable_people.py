"""What people can decide: told before anybody is asked, with what would help."""

from __future__ import annotations

from pathlib import Path

import pytest

from ventproof.case.decidable import checked
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof_bench.benchcheck.load import read_bench

BENCH = (Path(__file__).parents[3] / "bench" / "files" / "by-hand.yaml").read_text(encoding="utf-8")
PROFILE = """
profile: small
needs:
  outputs: {{rain: contact}}
  signals: {{roof_vent: "%", rain_override: flag}}
steps:
  - step: rain
    do: [close: rain]
    expect: [{{{demand}}}]
"""


def told(demand, **instead):
    """Return what is said of a demand on the bench for people, with some texts of that changed."""
    text = BENCH
    for old, new in instead.values():
        assert old in text
        text = text.replace(old, new)
    return checked(
        bind(read_profile("p.yaml", PROFILE.format(demand=demand)), read_bench("b.yaml", text), {})
    )


@pytest.mark.parametrize(
    "demand",
    [
        "signal: rain_override, equals: on, within: 30 s",
        "signal: rain_override, unchanged: {for: 40 s}",
        "signal: roof_vent, reaches: 10 %, tolerance: 10 %, within: 330 s, holds: 60 s",
        "signal: roof_vent, returns: 90 %, tolerance: 10 %, not_before: 230 s, within: 400 s",
        "signal: roof_vent, stays_at_most: 30 %, for: 60 s",
    ],
)
def test_what_leaves_people_time_and_room_is_fine(demand):
    """Half a minute for a lamp, ten per cent for a vent of five minutes."""
    bound = told(demand)
    assert (bound.undecidable, bound.warnings) == ((), ())


def test_a_tolerance_below_what_a_look_can_tell_is_an_error():
    """A vent that moves while somebody looks is not known to 4 %; more tolerance or a quicker look would do."""
    problem = told(
        "signal: roof_vent, reaches: 10 %, tolerance: 4 %, within: 330 s, holds: 20 s"
    ).undecidable[0]
    assert (
        "'roof_vent' is read by roof every 5 s to ± 2.5 %, each time at some moment of 6 s" in problem.reason
    )
    assert "have it read within 4 s (`answers_in` of 'roof')" in problem.hint
    assert "or write `tolerance: 4.4 %`" in problem.hint


def test_a_lamp_that_may_blink_between_two_looks_is_an_error():
    """Nobody looks often enough where nothing is declared to be kept."""
    bound = told("signal: rain_override, unchanged: {for: 40 s}", keeps=("    keeps_for: 20 s\n", ""))
    assert "declare `keeps_for: 12 s` or more, if the unit keeps to it" in bound.undecidable[0].hint


def test_a_deadline_that_only_luck_can_show_is_a_warning():
    """The act and the look take 6 s and 5 s: three seconds are enough for nobody who is not lucky."""
    bound = told("signal: rain_override, equals: on, within: 3 s")
    assert bound.undecidable == ()
    warning = bound.warnings[0]
    assert warning.reason.startswith(
        "a right unit passes this only by luck: 'rain_override' is read by cabinet"
    )
    assert warning.hint == "write `within: 15 s`"
    assert told("signal: rain_override, equals: on, within: 15 s").warnings == ()
