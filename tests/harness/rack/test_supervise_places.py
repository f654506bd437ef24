"""Who watches over a rack: starts one place after the other, sees how far each is, and stops all or what hangs."""

from __future__ import annotations

import asyncio
import json
from itertools import count, pairwise

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import IdleBegin, IdleEnd
from ventproof.profile.load import load_profile
from ventproof.rack.follow import IN_USE, SAFE, UNKNOWN, PlacePhase, PlaceProgress, RackPlace
from ventproof.rack.supervise import ENDS_WITHIN_S, Rack, worst_code
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof.verdict.finding import EXIT_BENCH, EXIT_INTERRUPTED
from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.evidence import Window
from ventproof_bench.benchcheck.load import load_bench

OPENS_AFTER_S = 3.0
SILENCE_S = 40.0


@pytest.fixture(scope="module")
def lines(tmp_path_factory):
    """The lines of a log as a run writes them, each with its time."""
    folder = tmp_path_factory.mktemp("played")
    session = Session(bench=load_bench(SHIPPED_BENCH), out=folder)
    result = session.run(load_profile(shipped_path("rain-count")), SilentView())
    return [(json.loads(line)["t"], line + b"\n") for line in result.log.read_bytes().splitlines()]


class Played:
    """A process that writes the lines of a log when they are due, as the run of a place does.

    Args:
        place: the place.
        lines: what it writes.
        falls_silent_s: from then on it does nothing more, whatever it is told; None: it goes on.
        deaf: it does not stop when it is told to.
    """

    def __init__(self, place, lines, *, falls_silent_s=None, deaf=False, ends=0):
        place.folder.mkdir()
        self.code = None
        self.warned = ["bench.yaml:3:5: somebody holds it"]
        self.told = []
        self.began_s = now_s()
        self.deaf = deaf
        self._safe = next(line for _, line in lines if b'"event":"safe"' in line)
        self._file = (place.folder / "rain.jsonl").open("ab", buffering=0)
        loop = asyncio.get_running_loop()
        self._timers = [
            loop.call_later(OPENS_AFTER_S + t_s, self._file.write, line)
            for t_s, line in lines
            if falls_silent_s is None or t_s < falls_silent_s
        ]
        if falls_silent_s is None:
            self._timers.append(loop.call_later(OPENS_AFTER_S + lines[-1][0] + 0.5, self.end, ends))

    def end(self, code):
        """End with an exit code."""
        for timer in self._timers:
            timer.cancel()
        self._file.close()
        self.code = code

    def stop(self):
        """Make the outputs safe and end, unless it hangs."""
        self.told.append(("stop", now_s()))
        if not self.deaf:
            self._file.write(self._safe)
            self.end(EXIT_INTERRUPTED)

    def kill(self):
        """End at once."""
        self.told.append(("kill", now_s()))
        self.end(-9)


class Bay:
    """A rack whose processes are played, in virtual time."""

    def __init__(self, tmp_path, lines, places=3, at_once=8, **odd):
        self.processes = {}
        self.looks = []

        def start(place):
            if odd.get(place.name) == "no process":
                raise OSError(11, "Resource temporarily unavailable")
            self.processes[place.name] = Played(place, lines, **odd.get(place.name, {}))
            return self.processes[place.name]

        spans = (((1.0, 2.0), (5.0, 10.0), (2.0, 4.0)),)
        self.rack = Rack(
            [
                RackPlace(name=f"p{n}", folder=tmp_path / f"p{n}", profiles=spans, silence_s=SILENCE_S)
                for n in range(places)
            ],
            start,
            at_once=at_once,
        )
        self.rack.tell = lambda: self.looks.append((now_s(), [str(one.phase) for one in self.rack.progress]))

    def run(self, stop_at_s=None):
        """Test all places; a stop comes so long after the begin."""

        async def main():
            begin_s = now_s()
            await self.rack.run(lambda: stop_at_s is not None and now_s() >= begin_s + stop_at_s)

        run(main(), virtual=True)
        return {one.place.name: one for one in self.rack.progress}


def test_a_place_starts_when_the_one_before_it_polls(tmp_path, lines):
    """While one opens its bench no other starts; after its first reading the next one does, at the next look."""
    bay = Bay(tmp_path, lines)
    ended = bay.run()
    assert {one.code for one in ended.values()} == {0}
    assert {one.outputs for one in ended.values()} == {SAFE}
    first_poll_s = next(t_s for t_s, line in lines if b'"event":"poll"' in line)
    begins = [process.began_s for process in bay.processes.values()]
    spread = [later - earlier for earlier, later in pairwise(begins)]
    assert spread == [pytest.approx(OPENS_AFTER_S + first_poll_s, abs=0.41)] * 2


def test_no_more_are_at_work_than_may_be(tmp_path, lines):
    """The others wait, and each is tested in the end."""
    bay = Bay(tmp_path, lines, places=5, at_once=2)
    ended = bay.run()
    at_work = [sum(phase in {"starts", "runs"} for phase in phases) for _, phases in bay.looks]
    assert max(at_work) == 2
    assert [one.counts for one in ended.values()] == [{"pass": 1}] * 5


def test_a_stop_reaches_each_process_once_and_nothing_else_starts(tmp_path, lines):
    """Those at work end in order, their outputs safe; those that wait are not run."""
    bay = Bay(tmp_path, lines, places=4, at_once=2)
    ended = bay.run(stop_at_s=9.0)
    assert [len(process.told) for process in bay.processes.values()] == [1, 1]
    assert [one.phase for one in ended.values()] == [
        PlacePhase.ENDED,
        PlacePhase.ENDED,
        PlacePhase.NOT_RUN,
        PlacePhase.NOT_RUN,
    ]
    assert (ended["p0"].outputs, ended["p0"].code, ended["p3"].code) == (SAFE, EXIT_INTERRUPTED, None)
    assert any("stops" in phases for _, phases in bay.looks)


def test_a_process_that_does_not_stop_is_killed(tmp_path, lines):
    """It has its time; then nothing says that its outputs are safe, and the place has no verdict."""
    bay = Bay(tmp_path, lines, places=2, p0={"deaf": True, "falls_silent_s": 3.0})
    ended = bay.run(stop_at_s=9.0)
    (_, stopped_s), (what, killed_s) = bay.processes["p0"].told
    assert what == "kill"
    assert ENDS_WITHIN_S < killed_s - stopped_s < ENDS_WITHIN_S + 0.5
    assert (ended["p0"].code, ended["p0"].outputs) == (EXIT_BENCH, UNKNOWN)
    assert "was killed" in ended["p0"].remark
    log = tmp_path / "p0" / "rain.jsonl"
    assert (ended["p0"].counts, ended["p0"].cut) == ({"aborted": 1}, [log])
    assert f"aborted: {log} ends without its last line" in ended["p0"].happened
    assert ended["p1"].outputs == SAFE


def test_a_process_that_hangs_is_stopped_and_no_other(tmp_path, lines):
    """Without a line for too long it is told to stop, and killed where it does not: the others pass as ever."""
    bay = Bay(tmp_path, lines, p1={"deaf": True, "falls_silent_s": 3.0})
    ended = bay.run()
    (_, stopped_s), _ = bay.processes["p1"].told
    assert stopped_s - bay.processes["p1"].began_s == pytest.approx(OPENS_AFTER_S + 3.0 + SILENCE_S, abs=0.5)
    assert (ended["p1"].code, ended["p1"].remark) == (
        EXIT_BENCH,
        f"no line for {SILENCE_S:.0f} s: its process hangs",
    )
    assert ended["p1"].happened[2] == f"silent for 20 s, and is stopped after {SILENCE_S:.0f} s"
    assert not any("silent" in line for name in ("p0", "p2") for line in ended[name].happened)
    assert [(one.code, one.outputs) for one in (ended["p0"], ended["p2"])] == [(0, SAFE)] * 2
    assert not bay.processes["p0"].told
    assert not bay.processes["p2"].told


def test_a_process_that_is_killed_takes_no_other_with_it(tmp_path, lines):
    """The signal is named; the place counts as a failure of its bench."""
    bay = Bay(tmp_path, lines, p0={"ends": -11})
    ended = bay.run()
    assert (ended["p0"].code, ended["p0"].remark) == (EXIT_BENCH, "its process was ended by signal 11")
    assert [ended[name].code for name in ("p1", "p2")] == [0, 0]


def test_a_place_that_refuses_to_run_says_why_when_it_does(tmp_path, lines):
    """And not only when all others have ended."""
    bay = Bay(tmp_path, lines, places=1, p0={"ends": 3})
    assert bay.run()["p0"].happened[-2:] == [
        "refused: bench.yaml:3:5: somebody holds it",
        "ended (exit code 3, outputs safe)",
    ]


def test_a_pause_of_the_profile_is_no_silence(tmp_path):
    """Nothing is read meanwhile; after it, what comes late is told, and when it came."""
    one = PlaceProgress(RackPlace(name="p0", folder=tmp_path, profiles=(), silence_s=SILENCE_S))
    one.take(IdleBegin(0.0, 1, 0, Window(0.0, 0.0)))
    one.listen(30.0)
    assert (one.silent_s, one.happened) == (0.0, [])
    one.take(IdleEnd(30.0, 1, 0, Window(0.0, 0.0)))
    for looked_s, heard_s in ((30.0, 9.0), (35.0, 9.0), (36.0, 36.0)):
        one.heard_s = heard_s
        one.listen(looked_s)
    assert one.happened == [
        f"silent for 21 s, and is stopped after {SILENCE_S:.0f} s",
        "goes on, after no line for 26 s",
    ]


def test_a_place_that_cannot_be_started_holds_up_no_other(tmp_path, lines):
    """It ends at once, with the system's reason."""
    ended = Bay(tmp_path, lines, p1="no process").run()
    assert "cannot be started: Resource temporarily unavailable" in ended["p1"].remark
    assert [one.code for one in ended.values()] == [0, EXIT_BENCH, 0]


def test_who_fails_itself_stops_all_first(tmp_path, lines):
    """An error of the screen that is not caught leaves no process behind without a watch."""
    bay = Bay(tmp_path, lines, places=2)
    looks = count()

    def fail_later():
        if next(looks) > 60:
            raise RuntimeError

    bay.rack.tell = fail_later
    with pytest.raises(RuntimeError):
        bay.run()
    assert [process.told[0][0] for process in bay.processes.values()] == ["stop", "stop"]


def test_progress_shows_profile_step_and_outputs_while_it_runs(tmp_path, lines):
    """What is shown of a place is what its log says at that moment."""
    bay = Bay(tmp_path, lines, places=1)
    seen = []
    one = bay.rack.progress[0]
    bay.rack.tell = lambda: seen.append((one.profile, one.step, one.step_name, one.outputs))
    bay.run()
    assert seen[0] == ("", None, "", "")
    assert any(step == 1 and name and outputs == IN_USE for _, step, name, outputs in seen)
    assert one.happened[1:] == [
        "every closure of the rain contact is counted",
        "pass: every closure of the rain contact is counted",
        "ended (exit code 0, outputs safe)",
    ]


def test_time_left_counts_those_that_wait(tmp_path, lines):
    """Of four equal places two at a time, two follow on two; it shrinks to nothing."""
    bay = Bay(tmp_path, lines, places=4, at_once=2)
    assert bay.rack.left() == (16.0, 32.0)
    lefts = []
    bay.rack.tell = lambda: lefts.append(bay.rack.left())
    bay.run()
    assert lefts[-1] == (0.0, 0.0)
    assert 0 < lefts[len(lefts) // 2][1] < 32.0


@pytest.mark.parametrize(
    ("codes", "worst"),
    [
        ([0, 0], 0),
        ([0, 5], 5),
        ([5, 2], 2),
        ([2, 1], 1),
        ([1, 4], 4),
        ([0, 3], 4),
        ([0, None], 4),
        ([0, -9], 4),
        ([0, 130], 4),
    ],
)
def test_the_worst_place_gives_the_exit_code(codes, worst):
    """No verdict first, then a fail, then an inconclusive one; whatever else a run ends with is no verdict."""
    assert worst_code(codes) == worst
