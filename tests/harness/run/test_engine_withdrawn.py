"""A reply too many on a serial line: what it may have answered proves nothing, live and judged again."""

from __future__ import annotations

import pytest

from ventproof.log.events import GapSeen, PollSeen, StepEnd
from ventproof.log.read import read_log
from ventproof.log.run import results_of
from ventproof.rejudge.again import decide_again
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.evidence import Gap, Poll
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.modbus.link import unlike
from ventproof_bench.rig import build, session
from ventproof_bench.selfcheck.readings import BenchReadings

PROFILE = """
profile: rain
needs:
  outputs: {rain: contact}
  signals: {rain_override: flag, side_vent: "%"}
start:
  set: {rain: open}
  until: [{signal: rain_override, equals: off, within: 40 s}]
steps:
  - step: rain
    do: [{close: rain}]
    expect: [{signal: rain_override, equals: on, within: 3 s}]
  - step: it rains on
    do: [{wait: 1 s}]
    expect:
      - {signal: side_vent, stays_at_most: 60 %, for: 10 s}
"""
ALWAYS = """
always:
  - {signal: side_vent, stays_at_most: 60 %, while: {rain: closed}, applies_after: 1 s}
"""
EVERY_S = 0.1
SLOWEST = "\n    quiet_after_fault: 80 ms"  # no answer takes longer, so that a doubt goes back by one reading


@pytest.fixture
def board(monkeypatch, bench_text):
    """Put a board on a serial line that answers requests twice: the twin passes for the next reply, for so long."""

    def make(first, slow=1, slowest=""):
        class Twin:
            def __init__(self, *args, **fields):
                self._right = Responder(*args, **fields)
                self._asked = 0

            def exchange(self, data, now_s):
                self._asked += 1
                replies = self._right.exchange(data, now_s)
                if self._asked == first:
                    return [*replies, (EVERY_S + 0.0005, replies[-1][1])]
                late_s = EVERY_S + 0.0005 if first < self._asked < first + slow else 0.0
                return [(delay_s + late_s, reply) for delay_s, reply in replies]

        monkeypatch.setattr(build, "Responder", Twin)
        return bench_text.replace("framing: tcp", "framing: rtu" + slowest)

    return make


def told(result):
    state = read_log(result.log)
    gaps = [event.gap for event in state.events if isinstance(event, GapSeen)]
    return [(gap.reason, round(gap.from_s, 1)) for gap in gaps], decide_again(state), state.events


def test_what_is_watched_is_left_open(run, board):
    """The reply left over takes back the readings since the line was last in order: the step proves nothing."""
    result = run(PROFILE, bench=board(57, slowest=SLOWEST))
    gaps, again, _ = told(result)
    assert [reason for reason, _ in gaps] == ["withdrawn", "mismatch"]
    assert result.outcome.verdict == again.verdict == "inconclusive"
    (why,) = [f.why for f in result.findings if f.verdict is Verdict.INCONCLUSIVE]
    assert why.startswith("a reply too many came on bus unit: what was read from 5.1 s to 5.")
    assert again.changes == ()


def test_a_step_that_is_over_stands(run, board):
    """However late an answer may come, the doubt ends where the line was in order: at the end of the step before."""
    result = run(PROFILE, bench=board(80))
    gaps, again, _ = told(result)
    assert [reason for reason, _ in gaps] == ["withdrawn", "mismatch"]
    verdicts = [str(finding.verdict) for finding in result.findings]
    assert (result.outcome.verdict, verdicts) == ("inconclusive", ["pass", "pass", "inconclusive"])
    assert (again.verdict, again.changes) == ("inconclusive", ())


def test_a_step_that_is_over_takes_the_run_with_it(run, board, monkeypatch):
    """Where no reply looks different and the log holds what rests on withdrawn readings, the run has no verdict."""
    monkeypatch.setattr(session, "unlike", lambda _: None)
    result = run(PROFILE, bench=board(80))
    assert result.outcome.verdict is None
    assert "is decided no more: a reply too many came on bus unit" in result.outcome.aborted
    assert (
        "declare the slowest answer that the unit can give as the bus's `quiet_after_fault`"
        in result.outcome.aborted
    )
    assert results_of(read_log(result.log)).verdict == "aborted"


@pytest.mark.parametrize("probed", [True, False])
def test_a_reply_left_over_after_the_last_step_counts_too(run, board, monkeypatch, probed):
    """The line is heard out before a step ends: the last reading that decided may be the one before."""
    if not probed:
        monkeypatch.setattr(session, "unlike", lambda _: None)
    right = told(run(PROFILE, bench=board(10**6)))[2]
    last = max(at for at, event in enumerate(right) if isinstance(event, StepEnd))
    polls = sum(isinstance(event, PollSeen) for event in right[:last])
    asked = polls + 2 if probed else polls - 2  # the steps before were heard out; this one is, by two polls
    result = run(PROFILE, bench=board(asked - 1, slowest=SLOWEST))
    assert result.outcome.verdict == "inconclusive"
    assert [str(finding.verdict) for finding in result.findings][-1] == "inconclusive"
    assert told(result)[1].changes == ()


def test_a_part_of_what_is_read_looks_unlike_the_whole():
    """Fewer registers make a shorter reply; of bits that fill one byte any part looks like the whole."""
    registers, bits = ReadRequest(1, "input", 10, 4), ReadRequest(1, "coil", 0, 8)
    assert unlike([registers]) == ReadRequest(1, "input", 10, 3)
    assert unlike([registers, ReadRequest(1, "input", 20, 3)]) == ReadRequest(1, "input", 10, 2)
    assert unlike([bits]) is None
    assert unlike([ReadRequest(1, "coil", 0, 9)]) == bits


def test_an_invariant_that_was_watching_is_left_open(run, board):
    """It binds again afterwards, and what was withdrawn in between leaves it open."""
    result = run(PROFILE.replace("start:", ALWAYS + "start:"), bench=board(55, slow=3, slowest=SLOWEST))
    found = {f.step_name: f.verdict for f in result.findings}
    assert found["always"] == "inconclusive"
    assert told(result)[1].changes == ()


def test_a_right_board_on_a_serial_line_withdraws_nothing(run, board):
    """The same profile with the same framing passes when no reply is left over."""
    result = run(PROFILE, bench=board(10**6))
    assert result.outcome.verdict == "pass", result.findings
    assert told(result)[0] == []


def test_a_self_check_measures_nothing_by_what_was_withdrawn(bench_text):
    """The polls that a gap takes back are no polls, and those before it stay."""
    readings = BenchReadings(read_bench("bench.yaml", bench_text).model)
    polls = [Poll("unit", at_s, at_s + 0.01, {}, "input", 0, ()) for at_s in (1.0, 2.0, 3.0)]
    for evidence in (*polls, Gap("unit", 2.0, 3.5, "withdrawn")):
        readings.add(evidence)
    assert readings.polls["unit"] == polls[:1]
    assert [gap.reason for gap in readings.gaps["unit"]] == ["withdrawn"]
