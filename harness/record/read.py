"""Reading a log back: its events, and whether its chain is intact and its run complete."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, final

from bench.errors import FileError, Problem
from harness.record.chain import GENESIS, link, unseal

VERDICTS: Final = ("pass", "fail", "inconclusive")
CLOSING: Final = ("run_end", "selfcheck_end")
"""Events that close a log."""


@final
@dataclass(frozen=True, slots=True)
class LogState:
    """What reading a log showed.

    Attributes:
        events: the events of the intact part, in order, each with its `chain` left out.
        lines: lines of the intact part.
        broken_at: 1-based line at which the chain breaks, or None.
        reason: why it breaks there; empty when intact.
        digest: digest of the last intact line.
    """

    events: tuple[dict[str, Any], ...]
    lines: int
    broken_at: int | None
    reason: str
    digest: str

    @property
    def closed(self) -> bool:
        """Whether the log ends with the line that closes it."""
        return self.broken_at is None and bool(self.events) and self.events[-1]["event"] in CLOSING

    @property
    def outcome(self) -> str:
        """The run's verdict (`pass`, `fail`, `inconclusive`), or `aborted` when no closing line gives one.

        Of a self-check its result: `fine` or `worse`.
        """
        last = self.events[-1] if self.closed else {}
        return str(last.get("verdict") or last.get("result") or "aborted")


def _fault_in(body: bytes, digest: str, seal_digest: str, number: int) -> tuple[str, dict[str, Any]]:
    """Return why this line breaks the chain (empty if it does not), and its event."""
    if link(digest, body) != seal_digest:
        return (
            "its digest does not follow from the line before: a line was changed, removed, added or moved here",
            {},
        )
    try:
        event = json.loads(body)
    except (ValueError, RecursionError):
        return "it is no JSON object", {}
    if not isinstance(event, dict) or event.get("seq") != number - 1:
        return f"its sequence number is not {number - 1}", {}
    if not isinstance(event.get("event"), str) or not isinstance(event.get("t"), int | float):
        return "it has no event or no time", {}
    if event["event"] == "run_end" and event.get("verdict") not in {*VERDICTS, None}:
        return f"its verdict is none of {', '.join(VERDICTS)}", {}
    return "", event


def read_log(path: Path) -> LogState:
    """Read a log as far as its chain holds.

    A last line without line end is what a killed run leaves behind; it is cut off and the rest stands.

    Raises:
        FileError: the file cannot be read or is no log at all.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise FileError([Problem(str(path), None, None, f"cannot read the log: {error.strerror}")]) from error
    lines = content.split(b"\n")
    lines.pop()  # after the last line end: empty, or the torn line of a killed run
    events: list[dict[str, Any]] = []
    digest = GENESIS
    for number, line in enumerate(lines, start=1):
        parts = unseal(line)
        reason, event = (
            ("it carries no digest", {}) if parts is None else _fault_in(parts[0], digest, parts[1], number)
        )
        if not reason and events and events[-1]["event"] in CLOSING:
            reason = "it stands after the line that closed the run"
        if reason or parts is None:
            if number == 1:
                raise FileError(
                    [Problem(str(path), 1, None, "this is no ventproof log, or its first line was changed")]
                )
            return LogState(tuple(events), number - 1, number, reason, digest)
        events.append(event)
        digest = parts[1]
    if not events:
        raise FileError(
            [Problem(str(path), None, None, "the log is empty: the run died before its first line")]
        )
    return LogState(tuple(events), len(events), None, "", digest)
