"""A bench file that its readings belie: the run says so and does not decide, live and judged again."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ventproof.log.read import read_log
from ventproof.rejudge.again import decide_again
from ventproof_bench.mock import registers

PROFILE = """
profile: rain
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag}
start:
  set: {rain: open}
  write: {house_temperature: 18 °C}
  until: [{signal: roof_vent, reaches: 0 %, tolerance: 4 %, within: 60 s}]
steps:
  - step: warm
    do: [{write: house_temperature, value: 35 °C}]
    expect:
      - {signal: roof_vent, reaches: 92 %, tolerance: 6 %, within: 60 s, holds: 20 s}
  - step: rain
    do: [{close: rain}]
    expect:
      - {signal: rain_override, equals: on, within: 8 s}
      - {signal: roof_vent, reaches: 8 %, tolerance: 6 %, within: 60 s, holds: 20 s}
"""


def seldom(bench_text):
    """Return the bench polled seldom, with slack in the declared travel, so that no two readings contradict it."""
    return bench_text.replace("poll_every: 100 ms", "poll_every: 900 ms").replace(
        "full_travel: 28 s", "full_travel: 25 s"
    )


@pytest.fixture
def coarse(monkeypatch):
    """Let the unit show positions in steps of so many percent."""
    right = registers.input_registers

    def in_steps_of(percent):
        def shown(snapshot, behaviour):
            positions = tuple(round(p / percent) * percent for p in snapshot.positions)
            return right(replace(snapshot, positions=positions), behaviour)

        monkeypatch.setattr(registers, "input_registers", shown)

    return in_steps_of


def test_a_coarse_register_decides_nothing(run, coarse, bench_text):
    """With 2 % where 0.1 % is declared the vent's response is left open, with both numbers, and so is it again."""
    coarse(2)
    result = run(PROFILE, bench=seldom(bench_text))
    (why,) = [finding.why for finding in result.findings if finding.step == 1]
    assert result.outcome.verdict == "inconclusive"
    assert why.startswith(
        "every step of roof_vent was a multiple of 2 %, where a resolution of 0.1 % is declared"
    )
    again = decide_again(read_log(result.log))
    assert [(f.key, f.why) for f in again.findings] == [(f.key, f.why) for f in result.findings]


def test_what_is_noticed_after_a_step_was_decided_leaves_no_verdict(run, coarse, bench_text):
    """Where the log holds a finding already that rests on the wrong fact, the run breaks off and names it."""
    coarse(2)
    short = PROFILE.replace("value: 35 °C", "value: 26 °C").replace("92 %", "55 %")
    result = run(short, bench=seldom(bench_text))
    assert result.outcome.verdict is None
    assert (
        "warm: roof_vent is decided no more: every step of roof_vent was a multiple of 2 %"
        in result.outcome.aborted
    )


def test_a_right_unit_passes_the_same(run, bench_text):
    """Read as seldom, the unit that is as declared passes."""
    assert run(PROFILE, bench=seldom(bench_text)).outcome.verdict == "pass"
