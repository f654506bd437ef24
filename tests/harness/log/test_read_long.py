"""Logs that are too long to be held: their polls are read again from the file, and say the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ventproof.case.findings import findings_of
from ventproof.envelope.spans import INF
from ventproof.figures.decided_run import decided_run
from ventproof.log import read
from ventproof.log.events import PollSeen
from ventproof.log.read import LongLog, read_log
from ventproof.log.run import results_of
from ventproof.log.write import GENESIS, seal, unseal
from ventproof.rejudge import again
from ventproof.rejudge.again import decide_again, follow
from ventproof.report.build import report_of
from ventproof_bench.base.errors import FileError

LONG_REST = """
profile: a minute's travel and a minute of rest
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag}
always:
  - {signal: roof_vent, stays_at_least: 5 %}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until: [{signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 1 min}]
steps:
  - step: rain
    do: [{close: rain}]
    expect:
      - {signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 40 s}
      - {signal: rain_override, equals: on, within: 5 s}
      - {signal: roof_vent, stays_at_most: 101 %, for: 4 min}
"""


@pytest.fixture
def log(run, shipped):
    """The log of a run, with polls of several steps."""
    return run(shipped["rain-closes-holds-releases"]).log


@pytest.fixture
def long(log, monkeypatch):
    """The same log, read as one that is too long to be held."""
    monkeypatch.setattr(read, "HELD", 50)
    state = read_log(log)
    assert isinstance(state.events, LongLog)
    return state


def held(log):
    """A log whose events are all in memory, whatever is too long."""
    state = read_log(log)
    return replace(state, events=tuple(state.events))


def test_a_long_log_has_the_same_events(log, long):
    """Gone through again and again, from either end and in part."""
    events = held(log).events
    assert list(long.events) == list(long.events) == list(events)
    assert (len(long.events), long.events[0], long.events[-1]) == (len(events), events[0], events[-1])
    assert long.events[3:70] == events[3:70]
    assert long.rare == [event for event in events if not isinstance(event, PollSeen)] == held(log).rare
    assert len(long.rare) < len(events) / 20


def test_a_long_log_says_the_same(log, long):
    """What it came to, what its buses brought, its verdicts judged again, and its report are those of a short one."""
    told = [(one.last_s, one.at_end, one.gaps) for one in (long.told, held(log).told)]
    assert told[0] == told[1]
    assert results_of(long) == results_of(held(log))
    assert decide_again(long) == decide_again(held(log))


def test_the_report_of_a_long_log_is_that_of_a_short_one(log, monkeypatch):
    """To the letter, as long as nothing is thinned out for its figures."""
    short = report_of([log])
    monkeypatch.setattr(read, "HELD", 50)
    assert report_of([log]) == short


def rewritten(text):
    """Return a log that says something else, with a chain of its own."""
    digest, lines = GENESIS, []
    for line in text.replace(b'"unit":""', b'"unit":"another"', 1).splitlines():
        sealed, digest = seal(unseal(line)[0], digest)
        lines.append(sealed + b"\n")
    return b"".join(lines)


@pytest.mark.parametrize(
    "changed", [lambda text: text[:-200], lambda text: text.replace(b"99.", b"98.", 40), rewritten]
)
def test_a_log_that_changed_since_it_was_read_is_refused(log, long, changed):
    """Lines are gone, changed, or all of it is another log: no verdict comes of half the old and half the new."""
    content = changed(log.read_bytes())
    assert content != log.read_bytes()
    log.write_bytes(content)
    with pytest.raises(FileError, match="the log changed while it was read"):
        list(long.events)


def test_what_a_running_log_gets_afterwards_is_left_out(log, monkeypatch):
    """The events are those that were read, also where the run goes on."""
    content = log.read_bytes()
    whole = held(log).events
    log.write_bytes(b"".join(content.splitlines(keepends=True)[:80]))
    monkeypatch.setattr(read, "HELD", 50)
    state = read_log(log)
    log.write_bytes(content)
    assert tuple(state.events) == whole[:80]


def test_figures_of_a_long_log_contain_those_of_all_readings(run, monkeypatch):
    """Where nothing happens the extremes of many readings stand for them: fewer, as wide, and no other verdict."""
    state = read_log(run(LONG_REST).log)
    every = decided_run(state)
    monkeypatch.setattr(again, "DRAWN", len(state.events) // 40)
    thin = decided_run(state)
    assert findings_of(thin.case) == findings_of(every.case) == findings_of(follow(state)[1])
    for name, course in every.courses.items():
        drawn = thin.courses[name]
        assert len(drawn.pieces) < len(course.pieces) / 2
        assert len(drawn.arrived) < len(course.arrived) / 2
        assert (min(drawn.edges()), max(drawn.edges())) == (min(course.edges()), max(course.edges()))
        assert set(drawn.arrived) <= set(course.arrived)
        for piece in course.pieces:
            for t_s in (piece.t0, (piece.t0 + piece.t1) / 2):
                (low, high), (lowest, highest) = course.at(t_s), drawn.at(t_s)
                assert lowest - 1e-9 <= low, (name, t_s)
                assert high <= highest + 1e-9, (name, t_s)
                assert low == -INF or lowest > -INF
