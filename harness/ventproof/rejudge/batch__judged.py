"""Runs as outputs for programs tell of them: read from their logs, and judged again before they are believed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from bench.errors import FileError, Problem
from harness.record.again import follow
from harness.record.crew import each
from harness.record.logged import Batch, Logged, Lost
from harness.record.read import read_log
from harness.record.results import ABORTED, results_of
from harness.record.signature import whats_wrong
from harness.record.standing import BELIEVED, attempt, standing_of
from harness.run.findings import findings_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from harness.record.read import LogState


def judged_batch(paths: Sequence[Path], not_run: Sequence[str] = ()) -> Batch:
    """Read the runs of some logs and judge each again; logs of self-checks hold none and are passed over.

    A run whose log is not borne out by its own evidence, or by the signature beside it, has no verdict. A file that is
    no log stands among the lost ones.

    Args:
        paths: the logs.
        not_run: names of profiles that were to be run and were not.

    Raises:
        FileError: none of the files holds a run.
    """
    done = each(_judged, paths)
    runs = tuple(one for one in done if isinstance(one, Logged))
    if not runs:
        problems = [problem for one in done if isinstance(one, tuple) for problem in one]
        hint = "name logs of `ventproof run`"
        raise FileError(problems or [Problem(str(paths[0]), None, None, "no log of a run was named", hint)])
    lost = (Lost.of(path, one) for path, one in zip(paths, done, strict=True) if isinstance(one, tuple))
    return Batch(runs, tuple(not_run), tuple(lost))


def _judged(path: Path) -> Logged | tuple[Problem, ...] | None:
    """Return the run of a log, None for a self-check, or what is wrong: a `FileError` passes between no processes."""
    try:
        state = read_log(path)
        if state.is_check:
            return None
        return believed(path, state)
    except FileError as error:
        return error.problems


def believed(path: Path, state: LogState) -> Logged:
    """Return a log's run as far as its evidence, judged again, and the signature beside it bear it out.

    Args:
        path: the log.
        state: what reading it showed; of a run, not of a self-check.

    Raises:
        FileError: it is no log of a run.
    """
    record = results_of(state, str(path))
    case, trouble = attempt(lambda: follow(state)[1])
    again = findings_of(case) if case else ()
    standing = standing_of(state, case, again, trouble)
    if wrong := whats_wrong(path):
        return Logged(str(path), replace(record, verdict=ABORTED, reason=wrong), "broken")
    if standing.word not in BELIEVED and standing.word != "broken":
        record = replace(record, verdict=ABORTED, reason=standing.alarm)
    return Logged(str(path), record, standing.word)
