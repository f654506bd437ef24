"""Several logs' runs, read from files: what outputs for CI and comparisons work on."""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from bench.errors import FileError, Problem
from harness.record.read import read_log
from harness.record.results import ABORTED, RunRecord, results_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

WORST_FIRST: Final = ("aborted", "fail", "inconclusive", "pass")
"""How runs can end; of several runs together the first of these that occurs is said."""


@final
@dataclass(frozen=True, slots=True)
class Logged:
    """One run, and the log that tells of it, named as the user named it."""

    log: str
    run: RunRecord


@final
@dataclass(frozen=True, slots=True)
class Batch:
    """Runs to be told of together, at least one.

    Attributes:
        runs: the runs.
        not_run: names of the profiles that were to be run and were not, since something ended the command before.
    """

    runs: tuple[Logged, ...]
    not_run: tuple[str, ...] = ()

    @property
    def verdict(self) -> str:
        """How they ended together: the worst that occurs, and aborted when not all were run."""
        found = {logged.run.verdict for logged in self.runs}
        return ABORTED if self.not_run else next(word for word in WORST_FIRST if word in found)

    @property
    def counted(self) -> str:
        """How many ended how: `12 runs: 1 fail, 11 pass`."""
        counts = Counter(logged.run.verdict for logged in self.runs)
        said = ", ".join(f"{counts[word]} {word}" for word in WORST_FIRST if counts[word])
        return f"{len(self.runs)} run{'s' * (len(self.runs) != 1)}: {said}"


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
            if state.events[0]["event"] != "selfcheck_begin":
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
