"""A unit without vents on real wires: mock, harness and line process each a process of its own, in real time."""

from __future__ import annotations

import pytest
from fast_house import served

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import PollSeen
from ventproof.log.read import read_log

pytestmark = pytest.mark.wire

OPENS_AND_CLOSES = """
profile: the bench moves a vent that is not there
needs:
  outputs: {house_temperature: °C, roof: vent}
  signals: {roof_vent: "%", roof_told: "%", roof_opens: flag, roof_closes: flag, roof_at_closed: flag}
always:
  - {signal: roof_opens, never_together: roof_closes}
  - {signal: roof_opens, pauses_before: roof_closes, at_least: 400 ms}
start:
  write: {house_temperature: 18 °C}
  until:
    - {signal: roof_vent, reaches: 0 %, tolerance: 0.5 %, within: 5 s}
steps:
  - step: warm for three seconds
    do:
      - {write: house_temperature, value: 30 °C, label: warm}
      - {wait: 3 s}
      - {write: house_temperature, value: 18 °C, label: cold}
    expect:
      - {signal: roof_vent, starts_moving: {by: 1 %, within: 2 s}, after: warm}
      - {signal: roof_told, agrees_with: roof_vent, tolerance: 3 %, lag: 500 ms, for: 3 s, after: warm}
      - {signal: roof_vent, reaches: 0 %, tolerance: 0.5 %, within: 8 s, holds: 500 ms, after: cold}
      - {signal: roof_closes, stops_at_end: roof_at_closed, within: 1 s, for: 8 s, after: cold}
"""


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    """The shipped unit with end switches, served in a process of its own; returns its folder."""
    folder = tmp_path_factory.mktemp("loop")
    (folder / "profile.yaml").write_text(OPENS_AND_CLOSES, encoding="utf-8")
    with served(folder, SHIPPED_BENCH.with_name("loop-switches.yaml")):
        yield folder


def test_a_unit_is_proved_on_vents_that_the_bench_plays(stand, ventproof, tmp_path):
    """The vent is moved by the unit's contacts, its switches stop the drive, and the log holds where it was."""
    bench = stand / "bench-loop-tcp.yaml"
    code, out, err = ventproof(
        "run", stand / "profile.yaml", "--bench", bench, "--confirm-clear", "--out", tmp_path
    )
    assert code == 0, out + err
    (log,) = tmp_path.glob("*.jsonl")
    state = read_log(log)
    assert (state.broken_at, state.outcome) == (None, "pass")
    assert state.events[0].header.clock == "wall"
    polls = [event.poll for event in state.events if isinstance(event, PollSeen)]
    played = [
        poll.values["roof_vent"] for poll in polls if poll.table == "played" and "roof_vent" in poll.values
    ]
    assert 5.0 < max(played) < 15.0
    assert played[-1] == 0.0
