"""Where the test of one place is, from the logs that its process writes."""

from __future__ import annotations

import json
import re
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final, final

from ventproof.log.decode import LineError, event_of
from ventproof.log.events import (
    IdleBegin,
    IdleEnd,
    NothingDriven,
    OutputsSafe,
    OutputsUnsafe,
    PollSeen,
    RunBegin,
    RunEnd,
    StepBegin,
)
from ventproof.log.read import Tail
from ventproof.log.run import ABORTED
from ventproof.profile.duration import Span, in_all, left_of

if TYPE_CHECKING:
    from pathlib import Path

    from ventproof.log.events import Event


@final
class PlacePhase(StrEnum):
    """How far a place is."""

    WAITS = "waits"
    STARTS = "starts"
    RUNS = "runs"
    STOPS = "stops"
    ENDED = "ended"
    NOT_RUN = "not run"


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class RackPlace:
    """One place of a rack, ready to be tested.

    Attributes:
        name: of the place.
        unit: serial number of its unit; empty where it is not stated.
        firmware: the version, likewise.
        bench: what the bench file calls the bench.
        virtual: whether the bench is the mock inside the process.
        folder: where its logs are written; nothing else is.
        words: the command line of its `run`.
        profiles: how long the parts of each profile take.
        repeats: how often each profile is run.
        silence_s: after so long without a line in a log its process hangs.
        kept: how the runs ended that stand from before, where a rack goes on.
        code: the exit code of these, where nothing is left to run; None: something is.
        remark: what befell its process then.
    """

    name: str
    unit: str = ""
    firmware: str = ""
    bench: str = ""
    virtual: bool = False
    folder: Path
    words: tuple[str, ...] = ()
    profiles: tuple[tuple[Span, ...], ...]
    repeats: int = 1
    silence_s: float
    kept: tuple[str, ...] = ()
    code: int | None = None
    remark: str = ""

    @property
    def runs(self) -> int:
        """How many runs it has."""
        return len(self.profiles) * self.repeats


_LINE: Final = re.compile(rb'\{"seq":\d+,"t":(-?\d[\d.e+-]*),"event":"(\w+)"')
_TOLD_BY: Final = {
    kind.name
    for kind in (
        RunBegin,
        StepBegin,
        IdleBegin,
        IdleEnd,
        OutputsSafe,
        OutputsUnsafe,
        NothingDriven,
        RunEnd,
    )
}
"""What is looked into; each other line only shows that the process is at work."""

SILENT_AFTER_S: Final = 20.0
"""A place that writes no line for so long is said to be silent: no start takes that long, and no poll."""

IN_USE: Final = "in use"
SAFE: Final = "safe"
UNKNOWN: Final = "not confirmed"


@final
class PlaceProgress:
    """Follows one place.

    Args:
        place: the place.

    Attributes:
        phase: how far it is.
        run: which run of its plan goes on, from 1; 0 before the first.
        profile: name of its profile.
        step: number of the step, 0 for the start state; None before it.
        step_name: its name.
        counts: how the runs ended so far.
        outputs: how the outputs are: `IN_USE`, `SAFE`, `UNKNOWN`, or empty where none was opened.
        polled: whether a reading came since the process began.
        heard_s: when the last line came, loop time.
        code: exit code of its `run`, once that ended.
        remark: what befell its process; empty where nothing did.
        refused: what its process said where it refused to run, line by line; empty where it did not.
        cut: logs that end without a last line, since its process ended before.
        silent_s: for how long no line came, seconds, once that is worth a word; otherwise 0.
        happened: what there is to say of it so far, in order.
    """

    def __init__(self, place: RackPlace) -> None:
        self.place = place
        self.phase = PlacePhase.WAITS if place.code is None else PlacePhase.ENDED
        self.run = 0
        self.profile = ""
        self.step: int | None = None
        self.step_name = ""
        self.counts = Counter(place.kept)
        self.outputs = ""
        self.polled = False
        self.heard_s = 0.0
        self.code = place.code
        self.remark = place.remark
        self.refused: list[str] = []
        self.cut: list[Path] = []
        self.silent_s = 0.0
        self.happened: list[str] = []
        self._t_s = self._step_s = 0.0
        self._pauses = False  # as its profile has it: nothing is read
        self._logs: dict[Path, Tail | None] = dict.fromkeys(place.folder.glob("*.jsonl"))

    def look(self, now_s: float) -> None:
        """Take in what its process wrote since the last look."""
        for path in self._new_logs():
            with suppress(OSError):  # the next look tries again
                self._logs[path] = Tail(path)
        for path, log in self._logs.items():
            if log is not None and self._over(log, now_s):
                log.close()
                self._logs[path] = None

    def listen(self, now_s: float) -> None:
        """Take note of how long no line came, and say when that begins to be worth a word and when it is over."""
        silent_s = 0.0 if self._pauses else now_s - self.heard_s
        if silent_s < SILENT_AFTER_S:
            if self.silent_s:
                self.happened.append(f"goes on, after no line for {self.silent_s:.0f} s")
            self.silent_s = 0.0
            return
        if not self.silent_s:
            self.happened.append(
                f"silent for {silent_s:.0f} s, and is stopped after {self.place.silence_s:.0f} s"
            )
        self.silent_s = silent_s

    def end(self) -> None:
        """Take in that its process is over: a run whose log has no last line was aborted with it."""
        self.silent_s = 0.0
        for path, log in self._logs.items():
            if log is not None:
                self.cut.append(path)
                self.counts[ABORTED] += 1
                self.happened.append(f"{ABORTED}: {path} ends without its last line")

    def _over(self, log: Tail, now_s: float) -> bool:
        """Take in what is new in a log; whether its last line was among it."""
        while lines := log.lines():
            self.heard_s = now_s
            for line in lines:
                if self._take_line(line) == RunEnd.name:
                    return True
        return False

    def close(self) -> None:
        """Let go of logs that have no last line; nothing more is looked at."""
        for log in self._logs.values():
            if log is not None:
                log.close()

    def _new_logs(self) -> list[Path]:
        return sorted(path for path in self.place.folder.glob("*.jsonl") if path not in self._logs)

    def _take_line(self, line: bytes) -> str:
        """Take a line of a log, and return what it tells of."""
        found = _LINE.match(line)
        if found is None:
            return ""
        name = found[2].decode()
        self._t_s = float(found[1])
        if name == PollSeen.name:
            self.polled = True
        elif name in _TOLD_BY:
            with suppress(LineError):  # whoever judges the log says what is wrong with it
                self.take(event_of(name, self._t_s, json.loads(line)))
        return name

    def left(self) -> Span:
        """Return how long its runs still take, at the earliest and at the latest, seconds; nothing in virtual time."""
        done = sum(self.counts.values())
        whole = [in_all(parts) for parts in self.place.profiles for _ in range(self.place.repeats)]
        if self.place.virtual or self.phase in {PlacePhase.STOPS, PlacePhase.ENDED, PlacePhase.NOT_RUN}:
            return 0.0, 0.0
        if self.run <= done:
            return in_all(whole[done:])
        parts = self.place.profiles[(self.run - 1) // self.place.repeats]
        return in_all([left_of(parts, self.step, self._t_s - self._step_s), *whole[self.run :]])

    def take(self, event: Event) -> None:
        """Take the next event that changes where it is."""
        match event:
            case RunBegin(header=header) if header.place is not None:
                self.run, self.profile = header.place.run, header.place.profile.name
                self.step, self.step_name, self.outputs = None, "", IN_USE
                self._step_s = event.t_s
                of = f"run {self.run} of {self.place.runs}: " if self.place.runs > 1 else ""
                self.happened.append(f"{of}{self.profile}")
            case StepBegin(step=step, step_name=name):
                self.step, self.step_name, self._step_s = step, name, event.t_s
            case IdleBegin() | IdleEnd():
                self._pauses = isinstance(event, IdleBegin)
            case OutputsSafe() | NothingDriven():
                self.outputs = SAFE
            case OutputsUnsafe():
                self.outputs = UNKNOWN
            case RunEnd(verdict=verdict):
                self.counts[verdict or ABORTED] += 1
                self.step, self.step_name = None, ""
                self.happened.append(f"{verdict or ABORTED}: {self.profile}")
            case _:
                pass
