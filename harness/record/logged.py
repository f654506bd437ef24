"""Several logs' runs, read from files: what outputs for CI and comparisons work on."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.errors import FileError, Problem
from harness.record.read import read_log
from harness.record.results import RunRecord, results_of

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


def read_runs(paths: Sequence[Path]) -> list[Logged]:
    """Read the runs of at least one log; logs of self-checks hold none and are passed over.

    Raises:
        FileError: a file is no log, or none of them holds a run.
    """
    runs: list[Logged] = []
    problems: list[Problem] = []
    for path in paths:
        try:
            state = read_log(path)
            if state.events[0]["event"] != "selfcheck_begin":
                runs.append(Logged(str(path), results_of(state, str(path))))
        except FileError as error:
            problems.extend(error.problems)
    if not problems and not runs:
        problems = [
            Problem(str(paths[0]), None, None, "holds no run of a profile", "name logs of `ventproof run`")
        ]
    if problems:
        raise FileError(problems)
    return runs


def together(runs: Sequence[Logged]) -> str:
    """Return how some runs ended together: the worst that occurs."""
    found = {logged.run.verdict for logged in runs}
    return next((word for word in WORST_FIRST if word in found), "aborted")


def counted(runs: Sequence[Logged]) -> str:
    """Return how many runs ended how: `12 runs: 1 fail, 11 pass`."""
    counts = Counter(logged.run.verdict for logged in runs)
    said = ", ".join(f"{counts[word]} {word}" for word in WORST_FIRST if counts[word])
    return f"{len(runs)} run{'s' * (len(runs) != 1)}: {said}"
