"""How outputs were left is told from the events alone: shortly where all is well, each by name where it is not."""

from __future__ import annotations

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import (
    ContactCommand,
    NothingDriven,
    OutputDriven,
    OutputsSafe,
    OutputUndriven,
    PollSeen,
    RunEnd,
    SettingFound,
    StimulusApplied,
)
from ventproof.log.left import left_of
from ventproof.run.ending import interrupted, left_lines
from ventproof_bench.base.evidence import DrivenOutput, EdgeReport, FoundSetting, Poll, Window
from ventproof_bench.benchcheck.load import load_bench

NOW = Window(0.0, 0.0)
FOUND = SettingFound(0.0, FoundSetting("house_temperature", "°C", NOW, (180,), 18.0))
WRITTEN = StimulusApplied(1.0, None, "house", "write 30 °C to house", window=NOW, value=30.0)
CLOSED = StimulusApplied(1.0, None, "rain", "close rain", (EdgeReport(closed=True, due_s=1.0, window=NOW),))
USE = {"house": "house_temperature"}
WELL = "all in their safe state (1 read back, 1 only commanded)"
GOES_ON = "vents may still move: the unit goes on by itself"


def driven(output, why="safe", *, read_back=True, **how):
    return OutputDriven(
        0.0, DrivenOutput(output, why, NOW, read_back=read_back, **(how or {"closed": False}))
    )


def failed(output, why="safe", **how):
    return OutputUndriven(0.0, DrivenOutput(output, why, NOW, trouble=f"output {output}: no reply", **how))


def back(value):
    return driven("house_temperature", "restore", words=(1,), value=value, unit="°C")


OPEN = [FOUND, driven("rain", "open"), driven("cups", "open", read_back=False)]
SAFE = [driven("rain"), driven("cups", read_back=False), OutputsSafe(3.0)]


@pytest.mark.parametrize(
    ("events", "said"),
    [
        ([NothingDriven(0.0), RunEnd(0.0, None)], "none was driven, the bench was not opened"),
        (
            [*OPEN, CLOSED, WRITTEN, back(18.0), *SAFE],
            f"{WELL}; settings as they were found; {GOES_ON}",
        ),
        (
            [*OPEN, CLOSED, WRITTEN, back(22.0), driven("cups"), *SAFE[:1], OutputsSafe(3.0)],
            f"all in their safe state (read back); house_temperature left at 22 °C, found at 18 °C; {GOES_ON}",
        ),
        (
            [*OPEN, StimulusApplied(1.0, None, "pot", "", window=NOW, value=40.0, level=4.0), *SAFE],
            f"{WELL}; settings as they were found; pot left at 4, no safe level is declared; {GOES_ON}",
        ),
        (
            [*OPEN, StimulusApplied(1.0, None, "roof", "let roof jam", window=NOW), *SAFE],
            f"{WELL}; settings as they were found; {GOES_ON}",
        ),
    ],
)
def test_a_bench_that_was_left_well_takes_one_line(events, said):
    """It says how the safe state is known and what stays changed; what befell a vent is no output left moved."""
    assert left_lines(None, left_of(events, USE)) == (said,)


def test_each_output_that_may_not_be_safe_is_told_with_what_may_move():
    """Last value and reason, what its hook-up says moves, and the outputs that nobody moved in a line together."""
    events = [
        *OPEN,
        CLOSED,
        WRITTEN,
        failed("rain", closed=False),
        failed("house_temperature", "restore", value=18.0),
    ]
    assert left_lines(load_bench(SHIPPED_BENCH).model, left_of(events, USE)) == (
        "house_temperature left at 30 °C, found at 18 °C (no reply): roof_vent, side_vent may keep moving",
        "rain left closed (no reply): roof_vent, side_vent may keep moving",
        "commanded before, present state not confirmed: cups open",
    )


def test_a_contact_that_was_only_about_to_move_is_in_doubt():
    """A command whose edges nobody reported may have moved the contact: it counts as moved."""
    events = [*OPEN, ContactCommand(1.0, 1, 0, "rain", "close rain", [True], 1.0)]
    assert "rain left closed: vents may keep moving" in left_lines(None, left_of(events, {}))
    events[-1] = ContactCommand(1.0, 1, 0, "rain", "pulse rain", [False, True], 1.0)
    assert "rain left closed or open: vents may keep moving" in left_lines(None, left_of(events, {}))


def test_what_a_played_vent_last_showed_is_where_its_outputs_were_left():
    """The outputs of a vent that the bench plays move with every round, and are told by what they showed last."""
    shown = Poll("io", 1.0, 1.0, {}, "played", 0, (), shown={"rain": True, "pot": 2.5})
    said = left_lines(None, left_of([*OPEN, PollSeen(1.0, shown)], {}))
    assert said[:2] == ("rain left closed: vents may keep moving", "pot left 2.5: vents may keep moving")


def test_a_second_process_that_made_safe_by_opening_leaves_nothing_in_doubt():
    """After the line process was lost another drives all as it opens: that is as good as being made safe."""
    events = [
        *OPEN,
        CLOSED,
        driven("rain", "open"),
        driven("cups", "open", read_back=False),
        OutputsSafe(2.0),
    ]
    assert left_lines(None, left_of(events, {}))[0].startswith("all in their safe state (1 read back, 1 only")


def test_an_interruption_is_told_with_how_it_left_the_outputs(tmp_path):
    """Whether the log is closed, then the outputs; with a warning where it does not say that they are safe."""
    file = load_bench(SHIPPED_BENCH).model
    over = left_of([*OPEN, *SAFE, RunEnd(4.0, None)], {})
    assert interrupted(file, over, tmp_path).splitlines()[0] == f"interrupted; {tmp_path} is closed"
    assert "outputs: all in their safe state" in interrupted(file, over, tmp_path)
    cut = interrupted(file, left_of([*OPEN, CLOSED], {}), tmp_path).splitlines()
    assert cut[:2] == [f"interrupted; {tmp_path} has no closing line", "OUTPUTS MAY NOT BE SAFE"]
    assert cut[2].startswith("rain left closed: roof_vent, side_vent may keep moving")
