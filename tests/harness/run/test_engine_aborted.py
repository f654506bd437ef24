"""A run that is aborted keeps what it had shown: what passed and failed in the step under way stays on record."""

from __future__ import annotations

import pytest

from ventproof.log.events import FindingMade, OutputsSafe, RunEnd
from ventproof.log.read import read_log
from ventproof.rejudge.again import decide_again

RAIN = """
profile: rain that a limit ends
needs: {outputs: {rain: contact}, signals: {rain_override: flag, roof_vent: "%"}}
start: {until: [{signal: rain_override, equals: off, within: 40 s}]}
steps:
  - step: rain
    do: [{close: rain}]
    expect:
      - {signal: rain_override, equals: "on", within: 30 s}
      - {signal: rain_override, equals: "on", within: 500 ms}
      - {signal: roof_vent, reaches: 77 %, tolerance: 2 %, within: 50 s}
"""


@pytest.fixture
def limited(bench_text):
    """The shipped bench, on which rain may not fall for longer than 20 s."""
    return bench_text.replace("\n  rain:\n", "\n  rain:\n    limits: {longest_driven: 20 s}\n", 1)


def in_the_log(state):
    """Return what a log holds of the step under way."""
    found = (event.finding for event in state.rare if isinstance(event, FindingMade))
    return [(one.number, one.verdict) for one in found if one.step == 1]


def test_what_was_decided_of_the_step_under_way_stays_on_record(run, limited):
    """A pass, and a fail that nobody may run away; what was still open is left open."""
    done = run(RAIN, bench=limited)
    assert done.outcome.verdict is None
    assert "that is longest_driven" in done.outcome.aborted
    state = read_log(done.log)
    assert in_the_log(state) == [(0, "pass"), (1, "fail")]
    *_, last, safe, end = state.events
    assert (isinstance(last, FindingMade), isinstance(safe, OutputsSafe), isinstance(end, RunEnd)) == (
        True,
    ) * 3
    assert state.outcome == "aborted"
    again = {f.key: f.verdict for f in decide_again(state).findings}
    assert all(again[f.key] == f.verdict for f in done.findings)


def test_on_a_serial_line_nothing_is_certain_of_a_step_that_was_not_heard_out(run, limited):
    """A reply too many could still have been found: only the polls stay."""
    done = run(RAIN, bench=limited.replace("framing: tcp", "framing: rtu", 1))
    assert done.outcome.verdict is None
    assert not in_the_log(read_log(done.log))
