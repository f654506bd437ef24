"""What no unit can pass on a bench, and what none can fail: told before anything is switched, with the cure."""

from __future__ import annotations

from pathlib import Path

import pytest

from ventproof.case.decidable import checked
from ventproof.profile.bind import bind
from ventproof.profile.load import load_profile, read_profile
from ventproof_bench.benchcheck.load import load_bench, read_bench

ROOT = Path(__file__).parents[3]
MOCK = (ROOT / "bench" / "files" / "mock.yaml").read_text(encoding="utf-8")
PROFILE = """
profile: small
needs:
  outputs: {{rain: contact}}
  signals: {{roof_vent: "%", rain_override: flag, house_reading: °C, tip_count: count}}
steps:
  - step: dry
    do: [open: rain]
    expect: [{{signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min}}]
  - step: rain
    do: [close: rain]
    expect: [{{{demand}}}]
"""


def on_bench(demand, **changes):
    """Return a profile that demands it on the mock's bench, with some texts of that changed."""
    text = MOCK
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    return checked(
        bind(read_profile("p.yaml", PROFILE.format(demand=demand)), read_bench("b.yaml", text), {})
    )


SLOW = ("poll_every: 100 ms", "poll_every: 2 s")
NO_KEEP = ("    keeps_for: 1 s\n", "")
NO_TRAVEL = ("    full_travel: 28 s\n", "")


@pytest.mark.parametrize(
    ("demand", "changes", "cures"),
    [
        (
            "signal: rain_override, unchanged: {for: 9 s}",
            {"keep": NO_KEEP},
            "declare `keeps_for: 0.33 s` or more",
        ),
        (
            "signal: roof_vent, stays: 8 %, tolerance: 2 %, for: 9 s",
            {"rate": NO_TRAVEL},
            "declare `full_travel`",
        ),
        ("signal: house_reading, stays_at_least: 5 °C, for: 9 s", {}, "declare `range` and `full_travel`"),
        (
            "signal: roof_vent, reaches: 8 %, tolerance: 0.2 %, within: 35 s",
            {},
            "or write `tolerance: 0.25 %`",
        ),
        (
            "signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 35 s, holds: 9 s",
            {"slow": SLOW},
            "every 0.7 s",
        ),
        ("signal: roof_vent, moves_at: 3 %/s, tolerance: 0.3 %/s, to: 5 %, within: 10 s", {}, "%/s`"),
        ("signal: rain_override, equals: on, within: 100 ms", {"slow": SLOW}, "`within: 1 s`"),
        ("signal: roof_vent, starts_moving: {by: 1 %, within: 50 ms}", {}, "write `within: 1 s`"),
    ],
)
def test_what_no_unit_can_pass_is_refused(demand, changes, cures):
    """The key, the value and the place that would mend it are named, the bench's before an easier demand."""
    (problem,) = on_bench(demand, **changes).undecidable
    assert problem.line == 12
    assert problem.reason.startswith("no unit can pass this on this bench, however right: ")
    assert " is read every " in problem.reason
    assert cures in problem.hint


@pytest.mark.parametrize(
    ("demand", "changes", "cures"),
    [
        (
            "signal: rain_override, equals: on, within: 9 s",
            {"keep": NO_KEEP},
            "declare `keeps_for: 0.33 s` or more",
        ),
        (
            "signal: house_reading, reaches: 9 °C, tolerance: 1 °C, within: 9 s",
            {},
            "`range` and `full_travel`",
        ),
        ("signal: roof_vent, stays_at_least: 0 %, for: 9 s", {}, "require something else"),
        ("signal: roof_vent, unchanged: {for: 500 ms, tolerance: 2 %}", {}, "require something else"),
        (
            "signal: roof_vent, returns: 8 %, tolerance: 2 %, not_before: 20 s, within: 80 s",
            {},
            "write a longer `not_before`",
        ),
    ],
)
def test_what_no_unit_can_fail_is_a_warning(demand, changes, cures):
    """A demand that its range, its travel or what is not declared keeps from failing says so; the run may go on."""
    bound = on_bench(demand, **changes)
    (warning,) = bound.warnings
    assert bound.undecidable == ()
    assert warning.line == 12
    assert warning.reason.startswith(
        ("no unit can fail this on this bench", "no unit can come back too early")
    )
    assert cures in warning.hint


@pytest.mark.parametrize(
    "demand",
    [
        "signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 35 s, holds: 9 s",
        "signal: roof_vent, returns: 8 %, tolerance: 2 %, not_before: 28 s, within: 80 s",
        "signal: roof_vent, overshoots_at_most: 2 %, of: 5 %, for: 9 s",
        "signal: roof_vent, never_reverses: {by: 2 %, for: 20 s}",
        "signal: roof_vent, stays_at_most: 50 %, for: 9 s",
        "signal: tip_count, counts: 3, within: 9 s",
        "signal: tip_count, unchanged: {for: 2 s}",
        "signal: rain_override, unchanged: {for: 9 s}",
    ],
)
def test_what_can_be_decided_is_left_in_peace(demand):
    """Each kind of response, with numbers that the mock's bench can decide, gives neither error nor warning."""
    bound = on_bench(demand)
    assert (bound.undecidable, bound.warnings) == ((), ())


@pytest.fixture(scope="module")
def shipped_bench():
    return load_bench(ROOT / "bench" / "files" / "mock.yaml")


@pytest.mark.parametrize(
    "path", sorted((ROOT / "profiles" / "weather").rglob("*.yaml")), ids=lambda path: path.stem
)
def test_every_shipped_profile_can_be_decided_on_the_mock_bench(path, shipped_bench):
    """In the suite that ships, on the bench that ships, a right unit can pass everything and a wrong one fail it."""
    bound = checked(bind(load_profile(path), shipped_bench, {}))
    assert (bound.undecidable, bound.warnings) == ((), ())
