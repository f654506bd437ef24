"""What a case remembers: not a step's length of readings, and all that can still matter."""

from __future__ import annotations

import pytest

from ventproof.case.case import case_of
from ventproof.case.findings import findings_of
from ventproof.log.events import PollSeen
from ventproof.log.read import read_log
from ventproof.rejudge.again import follow
from ventproof.verdict.finding import Verdict

HEAD = """
profile: a long step
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag, rain_count: count}
always:
  - {signal: roof_vent, stays_at_most: 11 %, while: {rain: closed}, applies_after: 40 s}
  - {signal: roof_vent, stays_at_least: 5 %}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until: [{signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 1 min}]
steps:
"""
LONG = """
  - step: five minutes of rain
    do: [{close: rain}]
    expect:
      - {signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 40 s}
      - {signal: rain_override, equals: on, within: 5 s}
      - {signal: roof_vent, stays_at_most: 101 %, for: 5 min}
"""
SHOWERS = """
  - step: nothing hangs on the first closure, and the train takes a minute
    do:
      - {close: rain, label: first}
      - {wait: 50 s}
      - {open: rain}
      - {wait: 10 s}
      - {pulse: rain, times: 3, closed_for: 10 s, open_for: 10 s, label: train}
    expect:
      - {signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 40 s, after: first}
      - {signal: rain_count, counts: 3, within: 65 s, after: train}
"""


def followed(state):
    """Feed a case one event after the other, as in a run; returns it, and how many readings of the vent it held."""
    bound, _ = follow(state)
    case, held = case_of(bound), []
    for event in state.events:
        case.feed(event)
        held.append(len(case.traces["roof_vent"].arrived))
    return case, held


@pytest.mark.parametrize("steps", [LONG, SHOWERS, LONG + SHOWERS])
def test_what_is_forgotten_decides_nothing(run, steps):
    """A case that keeps every reading finds the same of every response, to the last figure."""
    state = read_log(run(HEAD + steps).log)
    _, all_kept = follow(state, keeps_all=True)
    found = findings_of(followed(state)[0])
    assert found == findings_of(all_kept)
    verdicts = [finding.verdict for finding in found]
    assert Verdict.PASS in verdicts
    assert Verdict.FAIL not in verdicts


def test_a_long_step_holds_no_more_readings_than_a_short_one(run):
    """Once everything is being watched, a tail of readings is enough, however long the step goes on."""
    state = read_log(run(HEAD + LONG).log)
    assert sum(isinstance(event, PollSeen) for event in state.events) > 3000
    assert max(followed(state)[1]) < 200


def test_what_is_still_to_begin_keeps_the_readings_of_its_step(run):
    """A train takes a minute, and what hangs on it begins with its first edge: the readings since then are held."""
    _, held = followed(read_log(run(HEAD + SHOWERS).log))
    assert max(held) > 1000
    assert held[-1] < 200
