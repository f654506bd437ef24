"""What a person sees who looks at a bench's signals and registers, or switches an output by hand."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from ventproof.log.settings import value_said
from ventproof.terminal.console import new_console
from ventproof.verdict.text import number_text, reading_text
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.rig.looking import home_of, readings_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rich.console import Group
    from rich.table import Table

    from ventproof.session.tools import Switched
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.rig.looking import Seen

_MS = 1000


@contextmanager
def screen(file: BenchFile) -> Iterator[Callable[[Sequence[Seen]], None]]:
    """Give what shows one look after the other in the same place of the terminal."""
    from rich.live import Live  # noqa: PLC0415 - heavy, and only needed on a terminal

    with Live(console=new_console(), auto_refresh=False) as live:
        yield lambda seen: live.update(tables_of(file, seen), refresh=True)


def tables_of(file: BenchFile, seen: Sequence[Seen]) -> Group:
    """Return what one look brought: a line a signal, with its registers, and a table of codings a place."""
    from rich.console import Group  # noqa: PLC0415 - heavy, and only needed on a terminal
    from rich.table import Table  # noqa: PLC0415

    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("signal", "value", "where", "registers", "answered in"):
        table.add_column(heading, justify="right" if heading == "answered in" else "left")
    for one in seen:
        table.add_row(*row_of(file, one))
    codings = [_codings(one) for one in seen if one.words and one.name not in file.registers]
    return Group(table, *codings)


def _codings(one: Seen) -> Table:
    """Return what the registers of a place stand for: a column each, 32 bits below the first of two."""
    from rich.table import Table  # noqa: PLC0415 - as above

    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column(one.name)
    first = int(one.name.split(":")[2].split("-")[0].split("@")[0])
    for address in range(first, first + len(one.words)):
        table.add_column(str(address), justify="right")
    for coding, values in readings_of(one.words).items():
        cells = [
            number_text(float(f"{value:.7g}")) if isinstance(value, float) else str(value) for value in values
        ]
        wide = len(cells) * 2 <= len(one.words)
        table.add_row(coding, *(part for cell in cells for part in ((cell, "") if wide else (cell,))))
    return table


def row_of(file: BenchFile, one: Seen) -> tuple[str, str, str, str, str]:
    """Return a look at one signal or place as the cells of a line."""
    known = one.name in file.registers
    value = one.trouble or ("" if one.value is None else reading_said(file, one.name, one.value))
    words = " ".join(f"{word:04X}" if word > 1 else str(word) for word in one.words)
    where = home_of(file, one.name) if known else one.name
    return one.name if known else "", value, where, words, f"{one.took_s * _MS:.0f} ms"


def reading_said(file: BenchFile, signal: str, value: float) -> str:
    """Return a signal's value as people read it: on or off, a state's name, a number with its unit."""
    spec = file.registers[signal]
    return (
        reading_text(value, spec.unit, spec.states)
        if is_discrete(spec.unit)
        else value_said(value, spec.unit)
    )


def line_of(file: BenchFile, seen: Sequence[Seen]) -> str:
    """Return one look as a line, where there is no terminal."""
    return ", ".join(f"{one.name}: {row_of(file, one)[1] or row_of(file, one)[3]}" for one in seen)


def switched_lines(file: BenchFile, output: str, done: Switched) -> Iterator[str]:
    """Yield what a switch did, and which signals read otherwise since."""
    took_ms = (done.there.latest_s - done.there.earliest_s) * _MS
    yield f"{output} was switched, within {took_ms:.1f} ms, and is back in its safe state."
    for name, before, after in done.changed:
        if name in file.registers:
            yield f"  {name}: {reading_said(file, name, before)} to {reading_said(file, name, after)}"
    if not done.changed:
        yield "  No signal read otherwise. Did you see or hear the relay?"
