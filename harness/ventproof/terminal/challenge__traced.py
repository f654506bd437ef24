"""What the terminal shows of an override table's lines and the profiles that prove them."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from harness.cli.console import Names, new_console

_SHOWN: Final = 3

if TYPE_CHECKING:
    from harness.prove.trace import Traced


def show_traced(rows: Sequence[Traced], *, table: str, whole: bool) -> None:
    """Print each line of a table with its profiles, or only those that none proves; a reader that left is no error."""
    with suppress(BrokenPipeError):
        _show(new_console(), rows, table, whole=whole)


def _show(console: Console, rows: Sequence[Traced], table: str, *, whole: bool) -> None:
    without = [row for row in rows if not row.profiles]
    shown = rows if whole else without
    if shown:
        console.print(_matrix(shown, table, whole=whole))
    proved = len(rows) - len(without)
    said = f"{proved} of {len(rows)} lines of {table} are proved"
    if not without:
        console.print(Text(said, style="green"))
        return
    console.print(Text(f"{said}; {len(without)} by no profile", style="yellow"))


def _matrix(rows: Sequence[Traced], table: str, *, whole: bool) -> Table:
    title = f"lines of {table} and who proves them" if whole else f"lines of {table} that no profile proves"
    made = Table(title=title, title_justify="left", expand=False)
    made.add_column("line", justify="right", no_wrap=True)
    for heading in ("name", "says", *(("proved by",) if whole else ())):
        made.add_column(heading, overflow="fold")
    for row in rows:
        cells: list[RenderableType] = [str(row.line.number), Names(row.line.name), Text(row.line.says)]
        if whole:
            cells.append(Names(_few(row.profiles)) if row.profiles else Text("no profile", style="yellow"))
        made.add_row(*cells)
    return made


def _few(names: Sequence[str]) -> str:
    more = len(names) - _SHOWN
    return "\n".join((*names[:_SHOWN], *([f"and {more} more"] if more > 0 else ())))
