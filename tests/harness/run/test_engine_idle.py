"""Idle time: days pass in a moment, the record says that nobody looked, and nothing is proved of it."""

from __future__ import annotations

import json

import pytest

from ventproof.log.read import read_log
from ventproof.rejudge.again import decide_again
from ventproof_bench.base.errors import FileError

PROFILE = """
profile: idle time
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min, holds: 5 s}
steps:
  - step: left alone
    do:
      - {idle: 10 h}
      - {wait: 20 s}
      - {close: rain, label: rain}
    expect:
      - {signal: rain_override, equals: on, within: 3 s, after: rain}
"""
ALWAYS = """
always:
  - {signal: roof_vent, stays_at_least: 90 %, while: {rain: open}}
start:"""


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


def bound(idle):
    """Return the profile with other idle time, and with an invariant while it does not rain."""
    return PROFILE.replace("10 h", idle).replace("\nstart:", ALWAYS)


def events_of(result, name):
    return [event for event in lines_of(result.log) if event["event"] == name]


def test_the_record_says_that_nothing_was_read(run):
    """Ten hours are a few dozen lines: a note, begin and end, and a gap at least every hour."""
    result = run(PROFILE)
    assert result.outcome.verdict == "pass"
    begin, end = (events_of(result, name)[0] for name in ("idle_begin", "idle_end"))
    assert end["from"] - begin["from"] == pytest.approx(36_000, abs=1e-3)
    gaps = [gap for gap in events_of(result, "gap") if gap["reason"] == "idle"]
    assert len(gaps) == 10
    assert all(gap["to"] - gap["from"] <= 3601 for gap in gaps)
    assert gaps[-1]["to"] == pytest.approx(end["from"] - 10, abs=0.2)
    assert [event["text"] for event in events_of(result, "note")] == [
        "nothing was read for 10 h: nothing is shown of that time"
    ]
    assert len(lines_of(result.log)) < 1000


@pytest.mark.parametrize(("idle", "verdict"), [("10 min", "pass"), ("11 h", "fail")])
def test_an_invariant_binds_again_when_it_is_over(run, idle, verdict):
    """Ten minutes after it was last asked the mock closes its vents: seen once it is read again, and not before."""
    result = run(bound(idle))
    (found,) = [f for f in result.findings if f.step_name == "always"]
    assert found.verdict == verdict
    assert not decide_again(read_log(result.log)).changes


def test_a_response_across_it_is_refused(run):
    """A response that is open when nothing is read any more could only be a guess: the file is not run."""
    text = PROFILE.replace("      - {close: rain, label: rain}\n", "").replace(
        "      - {idle: 10 h}", "      - {close: rain}\n      - {idle: 10 h}"
    )
    with pytest.raises(
        FileError, match=r"profile.yaml:18:9: this response goes on into idle time, in which nothing"
    ):
        run(text.replace(", after: rain", ""))


def test_an_interlock_forbids_it(run, bench_text):
    """A bench with an interlock is read all the time."""
    bench = bench_text + "interlock: {signal: rain_contact, healthy: 0}\n"
    with pytest.raises(
        FileError, match=r"profile.yaml:14:10: nothing is read in idle time, and bench bench.yaml has"
    ):
        run(PROFILE, bench=bench)
