"""How past runs look in a terminal."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from harness.cli.console import Names, new_console
from harness.record.results import trouble
from harness.run.live import VERDICT_STYLE

if TYPE_CHECKING:
    from harness.record.history.store import Entry, History
    from harness.record.history.wanted import Wanted


def show_runs(history: History, wanted: Wanted) -> None:
    """Print runs as a table, and how many there are beyond those shown."""
    count = history.count(wanted)
    table = Table(expand=False)
    table.add_column("when (UTC)", no_wrap=True)
    table.add_column("unit", overflow="fold")
    table.add_column("firmware", overflow="fold")
    table.add_column("profile, and its log", overflow="fold", ratio=1)
    table.add_column("verdict", no_wrap=True)
    shown = 0
    for entry in history.entries(wanted):
        shown += 1
        record = entry.record
        table.add_row(
            f"{entry.at:%Y-%m-%d %H:%M}",
            Text(record.unit or "–"),
            Text(record.firmware or "–"),
            Group(Text("\n→ ".join([record.profile, *trouble(record, 1)])), Names(_log(entry), "dim")),
            Text(record.verdict, style=VERDICT_STYLE[record.verdict]),
        )
    console = new_console()
    with suppress(BrokenPipeError):
        if not shown:
            console.print("no run fits")
            return
        console.print(table)
        left = f"; {count - shown} older ones not shown, raise --limit to see them" if count > shown else ""
        console.print(Text(f"{shown} run(s){left}"))


def _log(entry: Entry) -> str:
    """Return where the log lies, as short as it can be said here."""
    here, file = Path.cwd(), entry.file
    shown = file.relative_to(here) if file.is_relative_to(here) else file
    return f"{shown}" if file.exists() else f"{shown} (not there any more)"
