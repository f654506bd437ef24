"""How runs of the past look in a terminal: the dashboard of profiles and versions, what is flaky, the list of runs."""

from __future__ import annotations

from contextlib import suppress
from itertools import accumulate
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rich.table import Table
from rich.text import Text

from ventproof.history.dashboard import CONFIDENCE
from ventproof.history.faults import faults_text
from ventproof.history.unit import groups_of_runs
from ventproof.log.run import trouble
from ventproof.terminal.console import new_console, say, say_table
from ventproof.terminal.live import VERDICT_STYLE
from ventproof.verdict.text import percent
from ventproof_bench.base.clock import local_text
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from ventproof.history.dashboard import Cell, Dashboard
    from ventproof.history.store import History, HistoryEntry, Wanted
    from ventproof.history.unit import RunGroup
    from ventproof.log.run import RunRecord


_VERSIONS: Final = 10
"""So many versions have a column, and fewer on a narrow terminal."""

_PROFILE_WIDTH: Final = 34
"""So many columns of a terminal are left to the names of profiles, at least."""

_FLAKY: Final = 5
_GAPS: Final = 3
_RUNS: Final = 12
"""So many lines of a group of runs; the rest is counted."""


def show_dashboard(console: Console, board: Dashboard) -> None:
    """Print profiles by firmware versions, and what does not always pass."""
    number, room = _fitting(board, console.width) if console.is_terminal else (_VERSIONS, None)
    shown = board.versions[:number]
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("profile", no_wrap=True, overflow="ellipsis", max_width=room)
    for name in shown:
        table.add_column(Text(name or "not stated"), no_wrap=True)
    for row in board.rows:
        table.add_row(Text(row.profile), *(_cell(cell) for cell in row.cells[: len(shown)]))
    say_table(console, table)
    if older := len(board.versions) - len(shown):
        say(console, f"{number_of(older, 'older version')} not shown")
    for one in board.flaky[:_FLAKY]:
        where = f"{one.conditions.profile}, firmware {one.conditions.firmware or 'not stated'}"
        rate = f"{one.text}; fail rate {one.bounds} ({percent(CONFIDENCE)} confidence)"
        say(console, ("flaky: ", "bold yellow"), f"{where}: {rate}")
    if (more := len(board.flaky) - _FLAKY) > 0:
        say(console, f"flaky, too: {number_of(more, 'more profile')}")


def _fitting(board: Dashboard, width: int) -> tuple[int, int]:
    """Return how many versions have a column, one at least, and how much room they leave to the profiles' names."""
    ends = list(
        accumulate(
            2 + max(len(name), *(len(_cell(row.cells[place]).plain) for row in board.rows))
            for place, name in enumerate(board.versions[:_VERSIONS])
        )
    )
    longest = max(len(row.profile) for row in board.rows)
    number = max(1, sum(end <= width - min(longest, _PROFILE_WIDTH) for end in ends))
    return number, max(1, width - ends[number - 1])


def _cell(cell: Cell | None) -> Text:
    if cell is None:
        return Text("–", style="dim")
    return Text(cell.text, style="yellow" if cell.flaky else VERDICT_STYLE[cell.verdict])


def show_runs(history: History, wanted: Wanted) -> None:
    """Print runs, the worst first and by their cause, and how many there are beyond those shown."""
    count = history.count(wanted)
    entries = list(history.entries(wanted))
    console = new_console()
    with suppress(BrokenPipeError):
        if not entries:
            console.print("no run matches")
            return
        _show_gaps(console, history, [entry.record for entry in entries])
        for group in groups_of_runs(entries):
            _show_group(console, group)
        left = count - len(entries)
        older = f"; {left} older ones not shown, raise --limit to see them" if left else ""
        verdicts = [entry.record.verdict for entry in entries]
        counts = ", ".join(f"{verdicts.count(word)} {word}" for word in VERDICT_STYLE if word in verdicts)
        say(console, f"{number_of(len(entries), 'run')}: {counts}{older}")


def _show_group(console: Console, group: RunGroup) -> None:
    """Print a group of runs; those of one profile, unit, firmware and fault are one line with the newest log."""
    style = VERDICT_STYLE[group.verdict]
    say(console, (group.verdict, style), f": {group.cause}" if group.cause else "")
    lines: dict[tuple[str, ...], list[HistoryEntry]] = {}
    for entry in group.entries:
        record = entry.record
        same = record.profile, record.unit, record.firmware, faults_text(record)
        lines.setdefault(same, []).append(entry)
    for (profile, unit, firmware, faults), those in [*lines.items()][:_RUNS]:
        times = f" ({len(those)} runs, the newest:)" if len(those) > 1 else ""
        where = f"unit {unit or 'not stated'}, firmware {firmware or 'not stated'}"
        text = f"{local_text(those[0].at)}  {profile}  {where}{', ' if faults else ''}{faults}{times}"
        say(console, text, (f"  {_log(those[0])}", "dim"), indent=2)
    if group.cause:
        for line in trouble(group.entries[0].record, 1):
            say(console, line, indent=4)
    if (more := len(lines) - _RUNS) > 0:
        say(
            console,
            f"and {number_of(more, 'more profile')}: `--limit`, `--profile` or `--html` shows them",
            indent=2,
        )


def _show_gaps(console: Console, history: History, records: Sequence[RunRecord]) -> None:
    """Print which planned runs are not here, before those that are."""
    gaps = list(history.gaps(records).values())
    for sentence in gaps[:_GAPS]:
        say(console, (f"! {sentence}", "bold yellow"))
    if more := len(gaps[_GAPS:]):
        say(console, (f"! not complete: {number_of(more, 'more set')} of runs", "bold yellow"))


def _log(entry: HistoryEntry) -> str:
    """Return where the log lies, as short as it can be said here."""
    here, file = Path.cwd(), entry.file
    shown = file.relative_to(here) if file.is_relative_to(here) else file
    return f"{shown}" if file.exists() else f"{shown} (not there any more)"
