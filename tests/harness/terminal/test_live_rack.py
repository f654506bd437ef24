"""The table of a rack: a row a place, no more lines than the terminal has, and what matters stays in sight."""

from __future__ import annotations

import io

from rich.console import Console

from ventproof.rack.follow import SAFE, UNKNOWN, PlacePhase, RackPlace
from ventproof.rack.supervise import Rack
from ventproof.terminal.lines import RackLines
from ventproof.terminal.live import RackTable, show_rack


def rack_of(tmp_path, places, repeats=1):
    """Return a rack of some places, none of which has begun."""
    spans = (((1.0, 2.0), (60.0, 90.0)),)
    return Rack(
        [
            RackPlace(
                name=f"p{n:02}",
                unit=f"V-{n}",
                folder=tmp_path / f"p{n}",
                profiles=spans,
                repeats=repeats,
                silence_s=60,
            )
            for n in range(places)
        ],
        lambda _: None,
        at_once=4,
    )


def drawn(rack, columns=80, lines=24):
    """Return what the table shows on a terminal of this size."""
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=columns, height=lines, color_system=None)
    console.print(RackTable(console, "bay 2", rack).screen())
    return out.getvalue().rstrip("\n").split("\n")


def test_every_place_is_a_row_while_there_is_room(tmp_path):
    """With what it does, the longest that it takes, how its runs ended, and its outputs."""
    rack = rack_of(tmp_path, 3, repeats=2)
    one = rack.progress[1]
    one.phase, one.profile, one.step, one.step_name = PlacePhase.RUNS, "rain closes", 1, "rain begins"
    one.run, one.outputs = 2, "in use"
    one.counts["fail"] = 1
    lines = drawn(rack)
    assert len(lines) == 6
    assert lines[0].split("   ")[0] == "bay 2"
    assert " ".join(lines[2].split()) == "p00 V-0 waits 3.1 min"
    assert " ".join(lines[3].split()) == "p01 V-1 2 of 2 rain closes: rain begins 90 s 1 fail in use"


def test_a_narrow_terminal_shows_the_step_before_the_profile(tmp_path):
    """What the place is at tells more than a step of one letter; with more room, a part of the profile's name, too."""
    rack = rack_of(tmp_path, 1, repeats=2)
    one = rack.progress[0]
    one.phase, one.profile, one.step, one.step_name = PlacePhase.RUNS, "rain closes the vents", 1, "it rains"
    one.run, one.outputs = 2, "in use"
    one.counts["fail"] = 1
    assert " rain closes the vents: it rains " in drawn(rack, columns=100)[2]
    assert " rain closes the…: it rains " in drawn(rack, columns=76)[2]
    assert " 2 of 2  it rains " in drawn(rack, columns=62)[2]


def test_a_silent_place_says_for_how_long_and_until_when(tmp_path):
    """In place of what it did last."""
    rack = rack_of(tmp_path, 1)
    one = rack.progress[0]
    one.phase, one.profile, one.silent_s = PlacePhase.RUNS, "rain closes", 25.0
    assert " silent for 25 s, limit 60 s " in drawn(rack)[2]


def test_a_small_terminal_leaves_out_what_is_over_first(tmp_path):
    """The screen scrolls no line away; places at work are shown before those that ended."""
    rack = rack_of(tmp_path, 20)
    for one in rack.progress[:16]:
        one.phase = PlacePhase.ENDED
    lines = drawn(rack, lines=10)
    assert len(lines) <= 10
    shown = [line.split()[0] for line in lines if line.startswith("p") and line[1].isdigit()]
    assert {"p16", "p17", "p18", "p19"} <= set(shown)


def test_what_befell_a_process_takes_the_place_of_what_it_does(tmp_path):
    """A line that does not fit is cut, never wrapped."""
    rack = rack_of(tmp_path, 1)
    rack.progress[0].remark = "its process was ended by signal 9, and this sentence goes on and on for ever"
    lines = drawn(rack, columns=60)
    assert len(lines) == 4
    assert "its process" in lines[2]
    assert max(map(len, lines)) <= 60


def test_the_end_shows_outputs_that_are_not_confirmed(tmp_path):
    """A place without a run says so; so does one whose outputs nobody knows."""
    rack = rack_of(tmp_path, 3)
    for one, outputs in zip(rack.progress, (SAFE, UNKNOWN, ""), strict=True):
        one.outputs = outputs
    rack.progress[0].counts["pass"] = 1
    out = io.StringIO()
    show_rack(Console(file=out, width=100), rack.progress, "records/bay-2")
    rows = [
        [cell.strip() for cell in line.split("│")[1:-1]]
        for line in out.getvalue().splitlines()
        if "│" in line
    ]
    assert [row[3:] for row in rows] == [
        ["1 of 1", "1 pass", "safe"],
        ["0 of 1", "not run", "not confirmed"],
        ["0 of 1", "not run", "not driven"],
    ]


def test_lines_say_each_thing_once(tmp_path):
    """Whatever happened since the last time, with the place before it."""
    rack, said = rack_of(tmp_path, 2), []
    lines = RackLines(said.append, rack)
    rack.progress[1].happened.append("starts: a bench")
    lines()
    lines()
    rack.progress[0].happened.append("not run")
    lines()
    assert [line.partition(" s  ")[2] for line in said] == ["p01  starts: a bench", "p00  not run"]
