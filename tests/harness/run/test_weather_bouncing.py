"""Worn contacts of buckets and cups bounce; the rain and the wind are the same, and so must be what the unit reads."""

from __future__ import annotations

import pytest

from ventproof.weather.levels import bounced
from ventproof_bench.base.edges import Edge

RAIN = """
profile: a worn bucket
needs:
  outputs: {bucket: contact}
  signals: {tip_count: count}
start:
  until: [{signal: tip_count, unchanged: {for: 2 s}}]
steps:
  - step: rain
    do: [{rainfall: bucket, intensity: 60 mm/h, for: 2 min, bounce: {times: 2, each: 8 ms}}]
    expect: [{signal: tip_count, counts: 10, within: 125 s}]
"""
WIND = """
profile: worn cups
needs:
  outputs: {cups: contact}
  signals: {gust: m/s}
steps:
  - step: wind
    do: [{wind: cups, speed: 8 m/s, bounce: {times: 1, each: 6 ms}}]
    expect: [{signal: gust, reaches: 8 m/s, tolerance: 4 m/s, within: 10 s, holds: 10 s}]
"""


@pytest.mark.parametrize(("faults", "verdict"), [((), "pass"), (("tips_not_debounced",), "fail")])
def test_tips_are_counted_once_however_their_contact_bounces(faults, verdict, run):
    """60 mm/h for two minutes are ten tips of 0.2 mm; a unit without debounce counts thirty."""
    result = run(RAIN, faults=faults)
    assert result.outcome.verdict == verdict, result.findings[-1].why


@pytest.mark.parametrize(("debounce", "verdict"), [("2 ms", "fail"), ("10 ms", "pass")])
def test_cups_turn_as_fast_however_their_contact_bounces(debounce, verdict, run, bench_text):
    """A debounce that is shorter than the bounce takes each pulse twice, and the wind for twice as strong."""
    assert "    debounce: 2 ms\n" in bench_text
    result = run(WIND, bench=bench_text.replace("    debounce: 2 ms\n", f"    debounce: {debounce}\n"))
    assert result.outcome.verdict == verdict, result.findings[-1].why


def test_a_bounce_ends_as_it_began():
    """Each closure opens and closes again as often as stated; openings do not bounce."""
    plain = [Edge(1.0, closed=True), Edge(2.0, closed=False)]
    made = list(bounced(plain, times=2, each_s=0.25))
    assert made == [
        Edge(1.0, closed=True),
        Edge(1.25, closed=False),
        Edge(1.5, closed=True),
        Edge(1.75, closed=False),
        Edge(2.0, closed=True),
        Edge(2.0, closed=False),
    ]


def test_the_log_says_that_it_bounced(run):
    """Who reads the log sees the bounce beside the rain."""
    assert "bouncing 2 times for 8 ms" in run(RAIN).log.read_text()
