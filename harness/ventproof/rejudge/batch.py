"""Several logs' runs, read from files: what outputs for CI and comparisons work on."""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from bench.errors import FileError, Problem
from harness.record.read import read_log
from harness.record.results import ABORTED, RunRecord, results_of
from harness.record.standing import BELIEVED, STANDINGS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

WORST_FIRST: Final = ("aborted", "fail", "inconclusive", "pass")
"""How runs can end; of several runs together the first of these that occurs is said."""


@final
@dataclass(frozen=True, slots=True)
class Logged:
    """One run, and the log that tells of it.

    Attributes:
        log: the log, named as the user named it.
        run: the run.
        judged: one of `STANDINGS`, where the evidence was judged again.
    """

    log: str
    run: RunRecord
    judged: str = ""

    @property
    def standing(self) -> str:
        """How it stands: judged again where that was done, otherwise as the log says."""
        return self.judged or self.run.verdict


@final
@dataclass(frozen=True, slots=True)
class Lost:
    """A file that is no log, and why: what it held, nobody can say."""

    log: str
    reason: str

    @property
    def name(self) -> str:
        """The file's name without its folder."""
        return os.path.basename(self.log)  # noqa: PTH119 - of a name that is shown, not of a path that is opened

    @classmethod
    def of(cls, path: Path, problems: Sequence[Problem]) -> Lost:
        """Return a file with what was found wrong with it."""
        said = (f"line {p.line}: {p.reason}" if p.line else p.reason for p in problems)
        return cls(str(path), "; ".join(said))


@final
@dataclass(frozen=True, slots=True)
class Batch:
    """Runs to be told of together, at least one.

    Attributes:
        runs: the runs.
        not_run: names of the profiles that were to be run and were not, since something ended the command before.
        lost: files among the logs that are none.
    """

    runs: tuple[Logged, ...]
    not_run: tuple[str, ...] = ()
    lost: tuple[Lost, ...] = ()

    @property
    def verdict(self) -> str:
        """How they ended together: the worst that occurs, and aborted when not all were run or can be told of."""
        found = {logged.run.verdict for logged in self.runs}
        missing = self.not_run or self.lost
        return ABORTED if missing else next(word for word in WORST_FIRST if word in found)

    @property
    def standing(self) -> str:
        """How they stand together, as the first page of a report says it."""
        return worst_of((logged.standing for logged in self.runs), self.not_run, self.lost)

    @property
    def counted(self) -> str:
        """How many stand how: `12 runs: 1 fail, 11 pass; 1 unreadable file`."""
        counts = Counter(logged.standing for logged in self.runs)
        said = ", ".join(f"{counts[word]} {word}" for word in STANDINGS if counts[word])
        left = f"; {len(self.lost)} unreadable file{'s' * (len(self.lost) != 1)}" if self.lost else ""
        return f"{len(self.runs)} run{'s' * (len(self.runs) != 1)}: {said}{left}"

    @property
    def alarms(self) -> list[str]:
        """What a reader must not miss: files that are no logs, and runs whose logs are not believed."""
        lost = [f"{one.log}: {one.reason}" for one in self.lost]
        return lost + [f"{one.log}: {one.run.reason}" for one in self.runs if one.standing not in BELIEVED]


def worst_of(standings: Iterable[str], not_run: Sequence[str], lost: Sequence[Lost]) -> str:
    """Return how runs stand together: as the one that says most, and never as a pass when something is missing."""
    found = {*standings, *(["unreadable"] if lost else [])}
    worst = next(word for word in STANDINGS if word in found)
    return ABORTED if not_run and worst == "pass" else worst


def read_runs(paths: Sequence[Path]) -> tuple[Logged, ...]:
    """Read the runs of at least one log; logs of self-checks hold none and are passed over.

    A log beside which a signature lies that does not fit gives no verdict.

    Raises:
        FileError: a file is no log, or none of them holds a run.
    """
    runs: list[Logged] = []
    problems: list[Problem] = []
    for path in paths:
        try:
            state = read_log(path)
            if not state.is_check:
                runs.append(Logged(str(path), _believed(results_of(state, str(path)), path)))
        except FileError as error:
            problems.extend(error.problems)
    if not problems and not runs:
        problems = [
            Problem(str(paths[0]), None, None, "holds no run of a profile", "name logs of `ventproof run`")
        ]
    if problems:
        raise FileError(problems)
    return tuple(runs)


def _believed(run: RunRecord, path: Path) -> RunRecord:
    """Return a run, without its verdict where the signature beside its log is wrong."""
    if not os.path.lexists(f"{path}.sig"):
        return run
    from harness.record.signature import whats_wrong  # noqa: PLC0415 - cryptography is slow to import

    wrong = whats_wrong(path)
    return replace(run, verdict=ABORTED, reason=wrong) if wrong else run
