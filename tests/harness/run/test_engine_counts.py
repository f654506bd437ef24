"""What a count begins with: nothing that was played before may be counted with it, or it is left open."""

from __future__ import annotations

import pytest

PROFILE = """
profile: counted apart
needs:
  outputs: {{rain: contact, bucket: contact, cups: contact}}
  signals: {{rain_count: count, tip_count: count}}
start:
  until:
    - {{signal: rain_count, unchanged: {{for: 1 s}}}}
    - {{signal: tip_count, unchanged: {{for: 1 s}}}}
steps:
  - step: before
    do: [{before}]
    expect: [{{signal: rain_count, unchanged: {{for: 10 ms}}{after}}}]
  - step: counted
    do: [{then}{{pulse: rain, times: 2, closed_for: 100 ms, open_for: 1 s, label: train}}]
    expect: [{{signal: {signal}, counts: {number}, within: 8 s, after: train}}]
"""
STORM = "{rainfall: bucket, intensity: 60 mm/h, for: 2 min, label: x}"
WIND = "{wind: cups, speed: 5 m/s, label: x}"
TRAIN = "{pulse: rain, times: 3, closed_for: 100 ms, open_for: 1 s, label: one}, "
BUCKET = "{pulse: bucket, times: 3, closed_for: 100 ms, open_for: 1 s, label: one}, "


@pytest.mark.parametrize(
    ("before", "then", "counted", "verdict"),
    [
        ("", "", ("rain_count", 2), "pass"),
        ("", "", ("rain_count", 3), "fail"),
        # The unit may show the last closure of the train before only after the next one has begun.
        ("", TRAIN, ("rain_count", 2), "inconclusive"),
        ("", TRAIN + "{wait: 1 s}, ", ("rain_count", 2), "pass"),
        ("", BUCKET, ("tip_count", 0), "inconclusive"),
        # The bench file says which contact a counter counts; what others do does not matter.
        ("", BUCKET, ("rain_count", 2), "pass"),
        (STORM, "", ("rain_count", 2), "pass"),
        (WIND, "", ("rain_count", 2), "pass"),
        # A tip every twelve seconds: whether one came since the last reading is not known.
        (STORM, "", ("tip_count", 1), "inconclusive"),
    ],
)
def test_what_was_played_before_is_not_counted(before, then, counted, verdict, run):
    """A count is decided only where readings show what had been counted before."""
    after = ", after: x" if before else ""
    signal, number = counted
    text = PROFILE.format(before=before, after=after, then=then, signal=signal, number=number)
    result = run(text)
    found = [f for f in result.findings if f.kind == "counts"]
    assert [f.verdict for f in found] == [verdict], found


def test_a_counter_of_which_the_bench_says_nothing_may_count_any_contact(run, bench_text):
    """Cups that turn on may be what it counts."""
    text = PROFILE.format(before=WIND, after=", after: x", then="", signal="rain_count", number=2)
    bench = bench_text.replace("    counted_by: rain_count\n", "")
    assert bench != bench_text
    assert run(text, bench=bench).findings[-1].verdict == "inconclusive"


@pytest.mark.parametrize(
    ("demand", "faults", "verdict", "why"),
    [
        ("counts_at_least: 2, within: 8 s", (), "pass", "counted 2 (required at least 2)"),
        ("counts_at_least: 3, within: 8 s", (), "fail", "counted 2 in 8 s; required at least 3"),
        ("counts_at_least: 2, within: 8 s", ("counts_twice",), "pass", "counted 2 (required at least 2)"),
        ("counts_at_most: 2, for: 8 s", (), "pass", "counted 2 (required at most 2)"),
        ("counts_at_most: 2, for: 8 s", ("counts_twice",), "fail", "counted 4 in 8 s; required at most 2"),
    ],
)
def test_a_counter_may_be_bound_on_one_side(demand, faults, verdict, why, run):
    """At least and at most belong to the pass; a unit that counts both edges counts too many."""
    text = PROFILE.format(before="", after="", then="", signal="rain_count", number=2)
    found = run(text.replace("counts: 2, within: 8 s", demand), faults=faults).findings[-1]
    assert (found.verdict, found.why) == (verdict, why)
