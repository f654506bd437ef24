"""Every benchmark and campaign at a tiny size, in the ordinary suite, so that none breaks unnoticed."""

from __future__ import annotations

import random
import re
from dataclasses import replace
from pathlib import Path

import judge_campaign
import past_campaign
import pytest
import rack_campaign
import wire_campaign
import wire_real
from endurance_campaign import MOST_READING_MB, Course, Sample, long_run, many_runs, real_run
from explore_campaign import explore
from kill_campaign import campaign, table
from night_campaign import alone, in_a_lab, shortest, written
from test_judge_hour import hour_of, judged, monitored
from test_judge_speed import online_and_offline_s, samples_of, seconds_per_reading
from test_loop_timing import in_the_harness, served_module, through_the_line_process
from test_mock_speed import costs
from test_pulse_timing import lateness, tips_played
from test_speed_of_runs import check_times, help_times, loading_times, speed_of_runs
from test_speed_of_wires import shares_on_line, shares_on_tcp
from wire_faults import KINDS, BadWire, Times, kinds_on

from ventproof.verdict.finding import Verdict
from ventproof_bench.base.clock import run
from ventproof_bench.mock.wires.modbus_server import Frame, Responder, encode
from ventproof_bench.mock.wires.relay_boards import CoilBoard

ROOT = Path(__file__).parents[2]
SLICE = (0, 2, 5, 8, 14, 15, 22)
"""Runs of the campaign on bad wires: every framing, units that pass, fail and stay open."""


def test_the_benchmark_of_runs_runs():
    """Its own bench has its eight signals, its profile passes, and the bare loop reads as often."""
    speeds, times = speed_of_runs(2, 5)
    assert len(speeds) == len(times) == 2
    assert min(*speeds, *times) > 0


def test_the_benchmarks_of_commands_run():
    """Both programs of each end well."""
    assert min(*help_times(1), *check_times(1), *loading_times(1)) > 0


@pytest.mark.wire
def test_the_benchmark_of_wires_runs():
    """The bench and a bare client read the same unit over TCP; over a line it gets all its replies."""
    assert min(*shares_on_tcp(1, 5), *shares_on_line(1, 3, 115200)) > 0


def test_the_benchmark_of_an_hour_runs():
    """A vent and a counter of the hour are judged alike in blocks and one by one, and something passes."""
    verdicts, _, _ = judged(hour_of(1, 0, 1), 1)
    assert Verdict.PASS in verdicts


@pytest.mark.filterwarnings("ignore")
def test_the_benchmarks_against_a_monitor_run():
    """On the shortest trace the monitor and the judge agree, and both can be timed."""
    assert min(monitored(2_200, arrives=True)) > 0
    assert min(online_and_offline_s(1300)) > 0


def test_the_benchmarks_of_readings_run():
    """A cost for each tenth of the readings, with one watch and with more."""
    assert [len(seconds_per_reading(samples_of(50), watches)) for watches in (1, 3)] == [10, 10]


def test_the_benchmark_of_the_mock_runs():
    """The unit with all weather answers, and so does plain memory."""
    assert min(costs(1, 5)) > 0


@pytest.mark.wire
@pytest.mark.lasting
def test_a_night_runs(tmp_path):
    """Eight runs, alone and in a lab that loses a worker after the second: the same bytes, none twice, none lost."""
    night = written(tmp_path, 4, shortest(["mock"]))
    made = [alone(night, 1), in_a_lab(night, 2, kill_after=2)]
    assert {(one.runs, one.lost, one.digest, one.code) for one in made} == {(8, 0, made[0].digest, 0)}


@pytest.mark.wire
def test_the_campaign_of_kills_runs():
    """Two runs are hit, the same each time, with nothing left driven and nothing wrong."""
    done = []

    async def two():
        done.extend(await campaign(60, 4, trials=2, stands=1))

    run(two(), virtual=False)
    assert len(done) == 2
    assert not [became for _, became in done if became.left or became.wrong]
    assert "SIGKILL" in table(done)


def test_bad_wires_make_no_verdict_wrong_and_leave_nothing_driven(capsys):
    """Runs on every framing, healthy units and faulty ones, the same each time."""
    tally = wire_campaign.Tally()
    for number in SLICE:
        trial = wire_campaign.Trial.drawn(0, number)
        tally.add(trial, wire_campaign.tried(trial))
    assert capsys.readouterr().out == ""
    assert tally.wrong == 0
    assert tally.done.total() > 100
    assert len(tally.done) > 10


@pytest.mark.wire
def test_bad_wires_in_real_time_make_no_verdict_wrong_and_leave_nothing_driven(tmp_path, capsys):
    """Processes on sockets and pseudo-terminals, a wire that is cut, and a unit that fails."""
    cut = replace(wire_real.drawn(0, 1), kinds=("connection reset", "half open"), fault="")
    slow = replace(wire_real.drawn(0, 0), kinds=("slow, or byte by byte", "bit flipped"), fault="flag_stuck")
    same = {
        "profile": "seconds of rain",
        "times": wire_campaign.TIMES[1],
        "every": 10,
        "after": 60,
        "on_board": False,
    }
    trials = [replace(trial, **same) for trial in (cut, slow)]
    assert [trial.framing for trial in trials] == ["tcp", "rtu"]
    tally = wire_campaign.Tally()
    run(wire_real.campaign(tally, iter(trials), 1_000_000, tmp_path), virtual=False)
    assert tally.runs == 2
    assert tally.wrong == 0, capsys.readouterr().out
    assert tally.done.total() > 3


def test_ten_virtual_minutes_and_three_runs_are_flat():
    """What a run of hours would hold shows in minutes, at ten readings a second."""
    course, read, (log_mb, small_mb) = long_run(600)
    assert course.wrong == []
    assert course.growth_mb < 4
    assert 1 < log_mb < 40
    assert small_mb < log_mb / 20
    assert max(read.values()) < MOST_READING_MB
    assert many_runs(200).wrong == []


def test_what_grows_is_told():
    """A megabyte a minute and a descriptor that stays open are no flat course."""
    grown = Course("leaky", [Sample(60.0 * n, 50.0 + n, 10 + n // 50) for n in range(100)])
    assert len(grown.wrong) == 2


@pytest.mark.wire
def test_a_real_run_of_seconds_is_watched_with_all_its_processes():
    """The harness, its line process and its standby; seconds are too short to say what stays flat."""
    assert len(real_run(5)) >= 3


def test_there_are_24_kinds_of_wire_faults():
    """TCP has those of its header, the serial lines those of their frames."""
    assert len(KINDS) == 24
    assert set().union(*map(kinds_on, ("tcp", "rtu", "ascii"))) == set(KINDS)


def test_a_wire_is_good_at_first():
    """As many requests as it is told pass before any fault."""
    right = Responder("tcp", {1: CoilBoard({0: bool})})
    wire = BadWire("tcp", right, Times(0.5, 1.0), random.Random(0), every=1, after=50, kinds=["reply lost"])
    request = encode("tcp", Frame(1, b"\x01\0\0\0\1"))
    replies = [wire.exchange(request, 0.1 * n) for n in range(100)]
    assert all(replies[:50])
    assert 0 < wire.done["reply lost"] == replies.count([])


@pytest.mark.wire
def test_the_benchmark_of_the_loop_runs():
    """Rounds are kept in both ways."""
    with served_module() as port:
        assert len(through_the_line_process(port, 0.5)) > 1
        assert len(in_the_harness(port, 0.5)) > 1


@pytest.mark.wire
def test_the_benchmark_of_pulses_runs():
    """Every edge is played in all three ways."""
    assert len(lateness(3)) == 3


def test_the_benchmark_of_tips_runs():
    """Two hundred tips are exact."""
    assert tips_played(200) > 1


def test_the_campaign_of_the_judge_runs(capsys):
    """Cases of every generator are played, and each has its table."""
    assert judge_campaign.main(4, tuple(judge_campaign.GENERATORS)) == 0
    shown = capsys.readouterr().out
    assert all(shown.count(name) == 1 for name in judge_campaign.GENERATORS)


@pytest.mark.wire
def test_the_campaign_of_racks_runs():
    """Two units together pass as one alone does, all of their pulses played."""
    (alone, _, one), (together, said, both) = rack_campaign.campaign(2, times=8)
    assert (alone, together) == (0, 0), said
    assert (dict(one.outcomes), dict(both.outcomes)) == ({"pass": 1}, {"pass": 2})
    assert (len(one.edges), len(both.edges)) == (16, 32)


def test_the_campaign_of_exploring_runs():
    """Some sequences are played against a fault, and its line says what came of it."""
    shown = explore("misses_side_vent", examples=3, budget_s=60.0, seed=0)
    assert shown.played >= 1
    assert shown.line.startswith("misses_side_vent ")


def test_the_campaign_of_the_past_runs():
    """A page of a hundred runs, and a report of a few logs; each is within its bound."""
    assert past_campaign.campaign(100, 2, past_campaign.COMMANDS[2:3] + past_campaign.COMMANDS[-2:-1]) == []


def test_every_target_of_the_makefile_names_files_that_exist():
    """A script that moved takes its target along; `compare_campaign` has a slice of its own in the suite."""
    named = re.findall(r"tests/[\w/]+(?:\.\w+)?", (ROOT / "Makefile").read_text(encoding="utf-8"))
    assert len(named) >= 5
    assert all((ROOT / name).exists() for name in named)
