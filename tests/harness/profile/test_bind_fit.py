"""Tying a profile to a bench: names, kinds, units, and what the bench cannot prove."""

from __future__ import annotations

from pathlib import Path

import pytest

from ventproof.profile.bind import bind, check_use
from ventproof.profile.load import read_profile
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import read_bench

ROOT = Path(__file__).parents[3]
MOCK = (ROOT / "bench" / "files" / "mock.yaml").read_text(encoding="utf-8")
PROFILE = """
profile: a small one
needs:
  outputs: {rain: contact}
  signals: {vent: "%", override: flag}
steps:
  - step: rain
    do: [close: rain]
    expect:
      - {signal: vent, reaches: 5 %, tolerance: 2 %, within: 35 s}
      - {signal: override, unchanged: {for: 3 s}}
"""
USE = {"vent": "roof_vent", "override": "rain_override"}


def mock(**changed):
    """Return the shipped mock bench with texts replaced."""
    text = MOCK
    for old, new in changed.values():
        assert old in text
        text = text.replace(old, new)
    return read_bench("mock.yaml", text)


def test_names_are_taken_from_use_where_it_has_them():
    """A profile's own names lead to the bench names that `use` gives, the others to their like."""
    bound = bind(read_profile("p.yaml", PROFILE), mock(), USE)
    assert bound.outputs == {"rain": "rain"}
    assert bound.signals == {"vent": "roof_vent", "override": "rain_override"}
    assert bound.notes == ()
    assert bound.bench.model.signals[bound.signals["vent"]].unit == "%"


def line_of(text, line):
    """Return the 1-based number of the first line of a text that is `line`."""
    return text.splitlines().index(line) + 1


def test_a_contact_that_power_failure_would_move_is_noted():
    """A safe state that differs from the state at rest is allowed, and said."""
    bench = mock(safe=("safe: open", "safe: closed"))
    (note,) = bind(read_profile("p.yaml", PROFILE), bench, USE).notes
    assert str(note) == (
        f"mock.yaml:{line_of(bench.text, '    safe: closed')}:11: output 'rain' is safe when closed but "
        "rests open; a relay without power goes to rest: wire its other contact if you can"
    )


def test_a_needless_stimulus_and_an_unused_need_are_noted():
    """Closing what is closed, and needing what is not used, are allowed and said."""
    text = PROFILE.replace("outputs: {rain: contact}", "outputs: {rain: contact, wind: contact}")
    text = text.replace("steps:\n", "start: {set: {rain: closed}}\nsteps:\n")
    assert [str(note) for note in read_profile("p.yaml", text).notes] == [
        "p.yaml:4:28: nothing is done to output 'wind'",
        "p.yaml:9:10: 'rain' is closed already; this changes nothing on the wires",
    ]


def test_a_pulse_as_short_as_the_relay_allows_passes():
    """The shortest pulse is inclusive: a relay that follows 20 ms edges takes 20 ms pulses."""
    text = PROFILE.replace("close: rain", "{pulse: rain, times: 2, closed_for: 20 ms, open_for: 20 ms}")
    bench = mock(edge=("    bounce: 3 ms\n", "    bounce: 3 ms\n    fastest_edge: 20 ms\n"))
    assert bind(read_profile("p.yaml", text), bench, USE)
    with pytest.raises(FileError, match=r"open_for 0\.0199 s is shorter than 'rain' can follow"):
        bind(read_profile("p.yaml", text.replace("open_for: 20 ms", "open_for: 19.9 ms")), bench, USE)


def test_a_name_in_use_that_no_profile_needs_is_reported():
    """A slip in `--map` would change nothing; it is an error with the nearest name."""
    problems = check_use({"vnet": "roof_vent", "vent": "roof_vent"}, [read_profile("p.yaml", PROFILE)])
    assert [str(problem) for problem in problems] == ["--map: no profile needs 'vnet'; did you mean 'vent'?"]


def test_a_state_may_be_given_by_number():
    """`equals:` takes a state's number where the bench names no states."""
    text = PROFILE.replace("override: flag", "stage: state").replace(
        "{signal: override, unchanged: {for: 3 s}}", "{signal: stage, equals: 2, within: 3 s}"
    )
    assert bind(read_profile("p.yaml", text), mock(), {"vent": "roof_vent"})


def test_a_condition_is_not_left_to_a_person():
    """A person who reads a lamp is asked now and then: when it was on nobody knows."""
    by_hand = (ROOT / "bench" / "files" / "by-hand-mock.yaml").read_text(encoding="utf-8")
    shown = "{signal: vent, reaches: 5 %, tolerance: 2 %, within: 35 s}"
    limit = "{signal: vent, stays_at_most: 5 %, for: 10 min, until: {override: off}}"
    with pytest.raises(FileError) as caught:
        bind(read_profile("p.yaml", PROFILE.replace(shown, limit)), read_bench("by-hand.yaml", by_hand), USE)
    (problem,) = caught.value.problems
    said = "'rain_override' on bench by-hand.yaml is read by a person, who is not asked all the time"
    assert problem.reason == said
