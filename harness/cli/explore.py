"""`ventproof explore`: looks for weather in which a unit does not do what its override table says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from harness.cli.explored import Exploring


@click.command("explore")
@click.argument("table", type=click.Path(path_type=Path))
@click.option("--bench", required=True, type=click.Path(path_type=Path), help="The bench file.")
@click.option(
    "--budget", default="60 s", metavar="TIME", help="Time to look for, on the clock.", show_default=True
)
@click.option(
    "--examples",
    default=1000,
    type=click.IntRange(1),
    help="So many sequences at most until one is found; with time enough the same ones are tried again.",
    show_default=True,
)
@click.option("--seed", default=0, type=int, help="Another seed tries other sequences.", show_default=True)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[=SEVERITY]",
    help="Give the mock unit a fault, to see it found; `ventproof explain faults` lists them.",
)
@click.option("--unit", default="", help="Serial number of the unit under test.")
@click.option("--firmware", default="", help="Its firmware version.")
@click.option("--operator", default="", help="Who runs the test.")
@click.option(
    "--out",
    default=Path("found"),
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the profile that is found.",
    show_default=True,
)
@click.option(
    "--logs",
    default=Path("records"),
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for logs: of every sequence on real wires, of the one that is found in virtual time.",
    show_default=True,
)
@click.option("--clear", is_flag=True, help="Vents and drives are clear of people and guarded: do not ask.")
def command(
    table: Path,
    bench: Path,
    budget: str,
    examples: int,
    seed: int,
    faults: tuple[str, ...],
    unit: str,
    firmware: str,
    operator: str,
    out: Path,
    logs: Path,
    clear: bool,
) -> int:
    """Look for weather in which a unit does not do what TABLE, its override table, says.

    Random rain, wind and its direction, temperatures, broken wires and losses of supply are played, each sequence as a
    profile.
    The first one that fails is made as short as it will go and written, to be run again with `ventproof run`. That
    nothing is found proves nothing: only what was tried was tried.

    \b
    Exit codes: 0 nothing was found · 1 something was found, and a profile was written
                2 nothing was found, but not everything that was tried could be decided
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    exploring = _prepared(table, bench, budget, faults)
    from harness.cli.options import confirm_clear  # noqa: PLC0415 - pydantic is slow to import
    from harness.session import Session  # noqa: PLC0415

    session = Session(
        bench=exploring.bench, out=logs, unit=unit, firmware=firmware, operator=operator, seed=seed
    )
    confirm_clear(exploring.bench, clear=clear)
    return exploring.run(session, out, seed=seed, examples=examples)


def _prepared(table: Path, bench: Path, budget: str, faults: tuple[str, ...]) -> Exploring:
    from bench.benchfile import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from bench.errors import FileError, Problem  # noqa: PLC0415
    from bench.overridetable.fits import fitting_table  # noqa: PLC0415
    from bench.units import Dimension, parse_as  # noqa: PLC0415
    from harness.cli.explored import Exploring  # noqa: PLC0415
    from harness.cli.options import with_faults  # noqa: PLC0415

    try:
        budget_s = parse_as(budget, Dimension.TIME)
    except ValueError as error:
        raise FileError([Problem("--budget", None, None, str(error))]) from None
    if budget_s <= 0:
        raise FileError(
            [Problem("--budget", None, None, f"{budget!r} is not a time", "write '60 s' or '1 h'")]
        )
    healthy = load_bench(bench)
    return Exploring(fitting_table(table, healthy), with_faults(healthy, faults), healthy, budget_s)
