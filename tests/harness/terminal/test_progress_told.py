"""How far a command is, is told in lines now and then where there is no terminal; nothing of it is a flood."""

from __future__ import annotations

import io
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.terminal.progress import EVERY_S, FIRST_S, Seldom, checking, pace
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.selfcheck.planned import about_s


@given(st.lists(st.floats(0, 20), max_size=200))
def test_lines_come_seldom(spans):
    """Whatever is said whenever: nothing within the first seconds, and no two lines closer than half a minute."""
    now, told = [0.0], []
    lines = Seldom(lambda: now[0], Console(file=io.StringIO(), width=80))
    for span in spans:
        now[0] += span
        before = lines.console.file.getvalue()
        lines.say("somewhere")
        if lines.console.file.getvalue() != before:
            told.append(now[0])
    assert all(at >= FIRST_S for at in told)
    assert all(later - earlier >= EVERY_S for earlier, later in pairwise(told))
    assert told or now[0] < FIRST_S


@pytest.mark.parametrize(
    ("done", "gone_s", "said"),
    [
        (0, 5.0, "0 of 34 runs"),
        (12, 60.0, "12 of 34 runs, 12 a minute, about 110 s left"),
        (3, 90.0, "3 of 34 runs, 2.0 a minute, about 15.5 min left"),
        (34, 90.0, "34 of 34 runs, 23 a minute"),
    ],
)
def test_the_pace_says_how_fast_and_how_long(done, gone_s, said):
    """Rate and time left follow from what is done; at the end nothing is left."""
    assert pace(done, 34, gone_s, each="runs") == said


def test_each_part_of_a_check_is_a_line_with_what_is_left(capsys):
    """On real wires and without a terminal; the planned time counts the hook-ups that are tried."""
    file = load_bench(SHIPPED_BENCH.with_name("mock-loop-tcp.yaml")).model
    hookups = sum(o.hookup.settles + o.hookup.within for o in file.outputs.values() if o.hookup)
    assert hookups <= about_s(file, whole=False) < about_s(file, whole=True)
    with checking(file, whole=False) as begins:
        begins("rain: driven", 45.0)
    said = capsys.readouterr().err
    assert said.startswith("rain: driven, 45 s (about ")
    assert said.endswith(" left in all)\n")
