"""What a dry run says is what a run does: every switch, within the times that it gives."""

from __future__ import annotations

from collections import defaultdict

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import EdgesPlayed, StepBegin, StimulusApplied
from ventproof.log.read import read_log
from ventproof.profile.load import load_profile, read_profile
from ventproof.run.schedule import moves_of
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench

LATE_S = 3.0  # the bench's own delays, added up over the steps of a run: polls, replies, edges
HANDED_OVER = 2  # closures: where a wind takes over from another, no pulse of either is cut short

UNDER_TEST = [
    "rain-closes-holds-releases",
    "rain-count",
    "rain-by-tips",
    "rain-showers-in-series",
    "rain-contact-chatters",
    "wind-gusts",
    "wind-closes-holds-releases",
    "gale-while-it-rains",
    "sensor-cups-chatter",
    "sensor-loose-terminal",
]


def edges_in(log):
    """Return the edges that a log tells of, by output: state and log time; and when the start state was set."""
    found, start_s = defaultdict(list), None
    for event in read_log(log).events:
        if isinstance(event, StepBegin) and start_s is None:
            start_s = event.window.earliest_s
        if isinstance(event, StimulusApplied | EdgesPlayed) and event.of is not None:
            found[event.output] += [
                (edge.closed, edge.window) for edge in event.edges if edge.window is not None
            ]
    return found, start_s


@pytest.mark.parametrize("name", UNDER_TEST)
def test_a_run_switches_what_the_dry_run_says_and_when(name, run):
    """Each edge of each contact in a passing run lies between its earliest and latest time; none is more or less."""
    profile = load_profile(shipped_path(name))
    bound = Session(bench=load_bench(SHIPPED_BENCH), out=None).bind(profile)
    moves, ends = moves_of(bound)
    done = run(shipped_path(name))
    assert done.outcome.verdict == "pass"
    played, start_s = edges_in(done.log)
    for output in {move.output for move in moves}:
        planned = [
            (edge.closed, move.at[0] + edge.at_s, move.at[1] + edge.at_s)
            for move in moves
            if move.output == output
            for edge in move.played()
        ]
        real = played.get(output, [])
        endless = any(move.output == output and move.until for move in moves)
        assert len(real) <= len(planned) + 2 * HANDED_OVER
        assert endless or len(real) == len(planned)
        for (closed, window), (planned_closed, early_s, late_s) in zip(real, planned, strict=False):
            if endless and closed != planned_closed:
                break  # a step ended sooner than it may, and with it what played
            assert closed == planned_closed
            assert window.latest_s - start_s >= early_s - 1.0
            assert endless or window.earliest_s - start_s <= late_s + LATE_S
    assert ends[0] <= ends[1]


def test_closures_of_a_month_are_counted_without_playing_them():
    """9 m/s with 0.63 (m/s)/Hz and 0.2 m/s turn cups 13.97 times a second; 30 days of that are 36 million pulses.

    Source: the line v = slope * f + offset of calibration certificates (IEC 61400-12-1); the sum is by hand.
    """
    text = SHIPPED_BENCH.read_text(encoding="utf-8")
    begin = text.index("cups: {")
    slope, offset = (
        float(text[begin:].split(f"{key}: ")[1].split()[0].rstrip(",}")) for key in ("slope", "offset")
    )
    profile = read_profile(
        "month.yaml",
        """
profile: a month of wind
needs: {outputs: {cups: contact}, signals: {gale_override: flag}}
start: {until: [{signal: gale_override, equals: off, within: 4 s}]}
steps:
  - step: a month
    do: [{wind: cups, speed: 9 m/s}]
    expect: [{signal: gale_override, unchanged: {for: 720 h}}]
""",
    )
    moves, _ = moves_of(Session(bench=load_bench(SHIPPED_BENCH), out=None).bind(profile))
    assert moves[-1].closures == pytest.approx((9 - offset) / slope * 30 * 86400, abs=2)
