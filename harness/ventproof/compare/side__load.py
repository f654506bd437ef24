"""The two sides of a comparison, from what the user named: logs, folders of logs, or a firmware version."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import FileError, Problem
from harness.record.compare.side import Side, side_of
from harness.record.logged import Logged, read_runs

if TYPE_CHECKING:
    from collections.abc import Sequence


def load_sides(base: str, candidate: str, history: str) -> tuple[Side, Side]:
    """Return both sides.

    Args:
        base: a log, a folder of logs, or else a firmware version in the history.
        candidate: likewise.
        history: where the history is kept.

    Raises:
        FileError: one of them cannot be found or read, or a run stands on both sides.
    """
    old, new = load_runs(base, history), load_runs(candidate, history)
    _refuse_itself(base, candidate, old, new)
    return side_of(base, (one.run for one in old)), side_of(candidate, (one.run for one in new))


def load_runs(name: str, history: str) -> Sequence[Logged]:
    """Return the runs of one side.

    Raises:
        FileError: it is no log, no folder of logs, and no firmware version in the history.
    """
    path = Path(name)
    if path.is_dir():
        logs = sorted(path.glob("**/*.jsonl"))
        if not logs:
            raise FileError([Problem(name, None, None, "holds no .jsonl file")])
        return read_runs(logs)
    if path.exists():
        return read_runs([path])
    return _of_firmware(name, history)


def _of_firmware(firmware: str, history: str) -> Sequence[Logged]:
    from harness.record.history.place import place_of  # noqa: PLC0415 - SQLAlchemy is slow to import
    from harness.record.history.store import History  # noqa: PLC0415
    from harness.record.history.wanted import Wanted  # noqa: PLC0415

    neither = "is neither a log nor a folder of logs"
    try:
        entries = list(History(place_of(history)).entries(Wanted(firmware=firmware)))
    except FileError as error:
        problem = Problem(
            firmware, None, None, f"{neither}, and no history could be asked for such a firmware"
        )
        raise FileError([problem, *error.problems]) from error
    runs = [Logged(str(entry.file), entry.record) for entry in entries if entry.record.firmware == firmware]
    if not runs:
        reason = f"{neither}, and no run in the history {history} states such a firmware"
        raise FileError([Problem(firmware, None, None, reason, "see `ventproof history`")])
    return runs[::-1]


def _refuse_itself(base: str, candidate: str, old: Sequence[Logged], new: Sequence[Logged]) -> None:
    """Refuse to compare a run with itself; only a virtual bench may give the same run twice."""
    paths = {Path(one.log).resolve() for one in old}
    digests = {one.run.digest for one in old if one.run.clock == "wall"}
    for one in new:
        if Path(one.log).resolve() in paths or one.run.digest in digests:
            reason = f"its run {one.log} is also one of {base}, and nothing can be learned from that"
            raise FileError([Problem(candidate, None, None, reason, "name the runs of another version")])
