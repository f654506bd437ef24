"""How long a profile takes at least and at most, worked out by hand."""

from __future__ import annotations

import pytest

from ventproof.profile.duration import longest_s, shortest_s, stimulus_times
from ventproof.profile.load import read_profile

HEAD = """
profile: timing
needs:
  outputs: {rain: contact}
  signals: {vent: "%", flag: flag, rain_count: count}
"""


def step(expect, do="close: rain"):
    """Return a profile of one step."""
    items = "".join(f"\n      - {item}" for item in do.split("|") if item)
    done = f"do:{items}" if items else "do: []"
    return read_profile(
        "p.yaml", f"{HEAD}steps:\n  - step: s\n    {done}\n    expect:\n      - {{{expect}}}\n"
    ).model


@pytest.mark.parametrize(
    ("expect", "shortest", "longest"),
    [
        ("signal: vent, reaches: 5 %, tolerance: 2 %, within: 35 s", 0, 35),
        ("signal: vent, reaches: 5 %, tolerance: 2 %, within: 35 s, holds: 20 s", 20, 55),
        ("signal: vent, returns: 99 %, tolerance: 2 %, not_before: 28 s, within: 1 min", 28, 60),
        ("signal: vent, stays: 5 %, tolerance: 2 %, for: 30 s", 30, 30),
        ("signal: vent, stays_at_least: 5 %, for: 30 s", 30, 30),
        ("signal: vent, stays_at_most: 5 %, for: 30 s", 30, 30),
        ("signal: vent, unchanged: {for: 10 s, tolerance: 1 %}", 10, 10),
        ("signal: flag, equals: on, within: 3 s", 0, 3),
        ("signal: rain_count, counts: 1, within: 5 s", 5, 5),
        ("signal: vent, starts_moving: {by: 1 %, within: 2 s}", 0, 2),
        ("signal: vent, moves_at: 3 %/s, tolerance: 1 %/s, to: 5 %, within: 40 s", 0, 40),
        ("signal: vent, overshoots_at_most: 3 %, of: 5 %, for: 40 s", 40, 40),
        ("signal: vent, never_reverses: {by: 1 %, for: 40 s}", 40, 40),
    ],
)
def test_each_kind_takes_its_own_time(expect, shortest, longest):
    """A response is decided after what it waits for at least, and after its limit at most."""
    profile = step(expect)
    assert (shortest_s(profile), longest_s(profile)) == (shortest, longest)


def test_a_response_counts_from_its_stimulus():
    """A response after the second stimulus ends later by that stimulus's instant."""
    profile = step(
        "signal: flag, equals: on, within: 3 s, after: b",
        "{close: rain, label: a}|{open: rain, at: 10 s, label: b}",
    )
    assert (shortest_s(profile), longest_s(profile)) == (10, 13)


def test_a_response_may_count_from_the_end_of_a_train():
    """Three pulses of 20 ms with 30 ms between them last 120 ms."""
    train = "{pulse: rain, times: 3, closed_for: 20 ms, open_for: 30 ms, label: t}"
    assert longest_s(step("signal: flag, equals: on, within: 1 s, after_end_of: t", train)) == pytest.approx(
        1.12
    )
    assert longest_s(step("signal: flag, equals: on, within: 1 s", train)) == pytest.approx(1.0)


def test_a_wait_holds_back_what_follows():
    """Stimuli follow each other: one without `at` comes when the wait before it is over."""
    profile = step("signal: flag, equals: on, within: 1 s", "{wait: 5 s}|{open: rain}|{wait: 2 s}")
    assert list(stimulus_times(profile.steps[0].do)) == [(0, 5), (5, 5), (5, 7)]
    assert (shortest_s(profile), longest_s(profile)) == (7, 7)


def test_start_and_steps_add_up():
    """The start's own limits come before the steps'."""
    text = f"""{HEAD}start:
  until:
    - {{signal: vent, reaches: 99 %, tolerance: 2 %, within: 2 min}}
steps:
  - step: one
    expect: [{{signal: vent, stays_at_least: 5 %, for: 30 s}}]
  - step: two
    expect: [{{signal: vent, stays_at_least: 5 %, for: 10 s}}]
"""
    profile = read_profile("p.yaml", text).model
    assert (shortest_s(profile), longest_s(profile)) == (40, 160)
