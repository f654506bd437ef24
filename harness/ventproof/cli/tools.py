"""The small tools of a bench: look at what is read, switch one contact once, draw how it is wired."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

import click

from ventproof.cli import options
from ventproof.verdict.finding import EXIT_INCONCLUSIVE, EXIT_PASS
from ventproof_bench.base.text import number_of


@click.command("read")
@click.argument("names", nargs=-1, metavar="[SIGNAL|BUS:TABLE:ADDRESS]...")
@options.BENCH
@click.option("--every", default="500 ms", show_default=True, help="Interval between readings.")
@click.option("--times", type=click.IntRange(min=1), help="Number of readings. Without a terminal: 1.")
def read(names: tuple[str, ...], bench: Path, every: str, times: int | None) -> int:
    """Show the readings of signals and registers until Ctrl-C. Nothing is driven.

    A place such as unit:input:0-5@1 (bus, table, addresses, unit id) is shown in every coding, for comparison with the
    maker's list.

    \b
    Exit code 0: everything answered at the last look.
              2: something did not answer.
              3: a name is wrong.
              4: a port or host cannot be opened.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.session.tools import look  # noqa: PLC0415 - pydantic and pymodbus are slow to import
    from ventproof.terminal.readings import line_of, screen  # noqa: PLC0415
    from ventproof_bench.base.text import harmless  # noqa: PLC0415

    loaded, every_s = options.bench_at(bench), options.span_s("--every", every)
    if sys.stdout.isatty():
        with screen(loaded.model) as show:
            answered = look(loaded, names, every_s=every_s, times=times, show=show)
    else:
        lines = partial(line_of, loaded.model)
        answered = look(
            loaded,
            names,
            every_s=every_s,
            times=times or 1,
            show=lambda seen: click.echo(harmless(lines(seen))),
        )
    return EXIT_PASS if answered else EXIT_INCONCLUSIVE


@click.command("switch")
@click.argument("output")
@options.BENCH
@click.option("--for", "for_", default="1 s", show_default=True, help="Time in the switched state.")
@options.CLEAR
def switch(output: str, bench: Path, for_: str, clear: bool) -> int:
    """Switch one contact away from its safe state and back, and show which signals respond.

    Vents may move. No log is written.

    \b
    Exit code 0: it was switched, and is back.
              3: a name is wrong, nothing was switched.
              4: the bench failed.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.session.tools import switch as switch_once  # noqa: PLC0415 - as above
    from ventproof.terminal.readings import switched_lines  # noqa: PLC0415
    from ventproof_bench.base.text import harmless  # noqa: PLC0415

    loaded, for_s = options.bench_at(bench), options.span_s("--for", for_)
    options.reserve(loaded)
    options.confirm_clear(loaded, clear=clear)
    switched = switch_once(loaded, output, for_s=for_s, ledger=options.ledger(Path("records")))
    for line in switched_lines(loaded.model, output, switched):
        click.echo(harmless(line))
    return EXIT_PASS


@click.command("wiring")
@click.argument("bench", type=click.Path(path_type=Path))
@click.option(
    "-o", "--out", required=True, type=click.Path(path_type=Path), help="Sheet to write: .html or .pdf."
)
def wiring(bench: Path, out: Path) -> int:
    """Draw the wiring of BENCH on a sheet: terminals, lines, checklists, cautions.

    Details that the bench file does not hold, such as terminal names (`ventproof explain wires`), stay blank.
    """
    from ventproof.wiring.write import write_sheet  # noqa: PLC0415 - as above
    from ventproof_bench.base.text import harmless  # noqa: PLC0415

    sheet = write_sheet(options.bench_at(bench), out)
    blank = sum("" in row for row in sheet.wires.rows)
    click.echo(
        harmless(
            f"{out}: {number_of(len(sheet.wires.rows), 'wire')}, {blank} of them with something to write in"
        )
    )
    return EXIT_PASS
