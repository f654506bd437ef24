"""What a person sees while a run goes on: it fits the terminal, and says where the run is and what it waits for."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.console import Console
from shipped_profiles import shipped_path

from ventproof.case.case import case_of
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import GapSeen, PollSeen, RunBegin, StepBegin
from ventproof.log.read import read_log
from ventproof.profile.bind import bind
from ventproof.profile.duration import in_all, part_spans
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.planned import PlannedRuns
from ventproof.session.repeats import RepeatPlan
from ventproof.session.session import Session
from ventproof.terminal.follow import Following, planned_said
from ventproof.terminal.lines import LinesView
from ventproof.terminal.live import LiveView
from ventproof_bench.base.evidence import Gap
from ventproof_bench.benchcheck.load import load_bench

NAMES = ("rain-closes-holds-releases", "bus-falls-silent")
SIZES = [(80, 24), (120, 40), (80, 15)]


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """Play two profiles of the shipped suite; give each with its case, and the events of its log."""
    session = Session(bench=load_bench(SHIPPED_BENCH), out=tmp_path_factory.mktemp("logs"))
    suite = [load_profile(shipped_path(name)) for name in NAMES]
    runs = PlannedRuns(session, suite, RepeatPlan(2))
    logs = [[runs.run(k, SilentView(), repeat=repeat).log for repeat in (1, 2)] for k in range(len(suite))]
    spans = [in_all(part_spans(profile.model)) for profile in suite]
    bound = [bind(profile, session.bench, {}) for profile in suite]
    return spans, [(one, [read_log(log).events for log in its]) for one, its in zip(bound, logs, strict=True)]


def frames(played, columns, lines):
    """Yield what the live view shows after each event that is no poll, and after some polls, with the event."""
    spans, runs = played
    console = Console(width=columns, height=lines, force_terminal=True, color_system=None)
    view = LiveView(console, spans)
    for bound, logs in runs:
        for events in logs:
            case = case_of(bound)
            view._run.begin(bound.profile.model.profile, case)
            for number, event in enumerate(events):
                case.feed(event)
                view._run.take(event)
                if not isinstance(event, PollSeen) or number % 37 == 0:
                    with console.capture() as shown:
                        console.print(view.screen())
                    yield event, shown.get().rstrip("\n").split("\n")


@pytest.mark.parametrize(("columns", "lines"), SIZES)
def test_the_screen_fits_the_terminal_all_the_time(columns, lines, played):
    """No line is longer than the terminal is wide, and there are not more of them than it has."""
    for _, shown in frames(played, columns, lines):
        assert len(shown) < lines
        assert max(map(len, shown)) <= columns


def test_the_screen_says_where_the_run_is_and_what_is_left(played):
    """Profile and repeat of the plan, the step, and how long this profile and all of them still take."""
    shown = list(frames(played, 80, 24))
    first = next(text for event, text in shown if isinstance(event, StepBegin) and event.step == 1)
    assert first[0].startswith("profile 1 of 2, repeat 1 of 2: ")
    assert first[1].startswith("step 1 of ")
    assert " left   all 4: " in first[1]
    heads = [text[0] for _, text in shown]
    assert any(head.startswith("profile 2 of 2, repeat 2 of 2: ") for head in heads)


def test_a_vent_is_said_to_travel_and_then_to_hold(played):
    """The target stands beside the reading; on its way it travels, in its band it holds, and the time left is told."""
    rows = [line for _, text in frames(played, 120, 40) for line in text if line.startswith("roof_vent")]
    assert any("%" in row and "reaches 8 % ± 2 %" in row and "travelling, " in row for row in rows)
    assert any("reaches 8 % ± 2 %" in row and "holding, " in row and " more" in row for row in rows)


def test_the_cause_of_a_wait_is_told(played):
    """Opening, a response with its state, a bus without readings, and what is done last."""
    waits = {line for _, text in frames(played, 120, 40) for line in text if line.startswith("waits: ")}
    for cause in (
        "opening the bench",
        "roof_vent, travelling, ",
        "no readings from bus unit: ",
        "safe states",
    ):
        assert any(cause in line for line in waits), cause


def test_time_left_counts_the_runs_that_come_after(played):
    """Of four planned runs the first has all before it; the last has only its own."""
    spans, runs = played
    following = Following(spans)
    for number, (bound, logs) in enumerate(runs):
        for repeat, events in enumerate(logs):
            following.begin("", case_of(bound))
            following.take(next(event for event in events if isinstance(event, RunBegin)))
            rest = [spans[number]] * (len(logs) - repeat)
            rest += [span for span in spans[number + 1 :] for _ in range(2)]
            assert following.left_in_all() == pytest.approx(in_all(rest))
    assert planned_said(spans, 2).startswith("4 runs, ")


def test_plain_lines_say_the_same_and_are_no_flood(played):
    """Each run, step and finding is a line; a long silence says what is waited for, twice a minute at most."""
    spans, [(bound, [events, _]), _] = played
    lines = []
    view = LinesView(lines.append, spans)
    case = case_of(bound)
    view.begin("rain closes", case)
    for event in events:
        case.feed(event)
        view.event(event)
    assert lines[0].startswith("profile 1 of 2, repeat 1 of 2: rain closes  (")
    assert "; all that is left " in lines[0]
    assert sum("  step 1 of " in line for line in lines) == 1
    waits = [line for line in lines if "waits: " in line]
    assert 0 < len(waits) <= events[-1].t_s / 30
    assert len(lines) < 60
    assert not any("\x1b" in line for line in lines)


def test_a_bus_that_answers_again_is_no_cause_any_more(played):
    """A gap is the cause of a wait until the next reading of its bus."""
    _, [(bound, [events, _]), _] = played
    following = Following()
    following.begin("", case_of(bound))
    poll = next(event for event in events if isinstance(event, PollSeen))
    following.take(GapSeen(poll.t_s, Gap(poll.poll.bus, 0.0, poll.t_s, "timeout", "no reply")))
    assert following.waits() == "no readings from bus unit: timeout"
    following.take(replace(poll, t_s=poll.t_s + 1))
    assert "no readings" not in following.waits()
