"""`ventproof draft`: profiles from an override table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli import options

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.wiring import BenchFile
    from harness.prove.draft import Draft


@click.command("draft")
@click.argument("table", type=click.Path(path_type=Path))
@click.option(
    "--bench",
    type=click.Path(path_type=Path),
    help="The bench that is to run the profiles.  [default: the mock inside this process]",
)
@options.folder("--out", "drafted", "Folder for the profiles.")
@click.option(
    "--strength",
    default=2,
    type=click.IntRange(2, 3),
    help="Bring every 2 (or 3) conditions together in every combination, and overrides in every order.",
    show_default=True,
)
@click.option(
    "--force", is_flag=True, help="Also write over files that were changed since they were drafted."
)
def draft(table: Path, bench: Path | None, out: Path, strength: int, force: bool) -> int:
    """Write profiles that prove an override TABLE, each line of it where the bench can.

    Each override begins, holds and lets go; is tried just short of its thresholds and delays and just beyond; comes
    together with the others in every combination and order; and its sensors, its supply and its bus fail and come
    back. How close to an edge a profile goes is what the bench can decide for certain. Lines that no profile proves are
    listed, with the reason where there is one.
    """
    from bench.benchfile import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from bench.overridetable.fits import fitting_table  # noqa: PLC0415
    from harness.cli.traced import show_traced  # noqa: PLC0415
    from harness.prove.draft import drafts  # noqa: PLC0415
    from harness.prove.folder import left_over, write_drafts  # noqa: PLC0415
    from harness.prove.margins import Margins  # noqa: PLC0415
    from harness.prove.trace import traced  # noqa: PLC0415
    from harness.prove.undrafted import why_undrafted  # noqa: PLC0415

    on = load_bench(bench or options.SHIPPED_BENCH)
    loaded = fitting_table(table, on)
    made = _bound(list(drafts(loaded, on, strength=strength, source=table.name)), on)
    fates = write_drafts(out, made, force=force)
    counts = {fate: list(fates.values()).count(fate) for fate in ("new", "renewed", "as it was")}
    said = ", ".join(f"{count} {fate}" for fate, count in counts.items() if count)
    click.echo(f"{len(made)} profiles for {on.model.bench} in {out}: {said or 'none'}")
    for name in left_over(out, made):
        click.echo(f"  note: {out / name} is drafted no more; delete it if it is not yours")
    rows = traced(loaded, [(draft.file, draft.proves) for draft in made])
    show_traced(rows, table=str(table), whole=False)
    margins = Margins(on.model)
    for name in (row.line.name for row in rows if not row.profiles):
        if why := why_undrafted(name, loaded.model, margins):
            click.echo(f"  {name}: {why}")
    click.echo(f"Next: ventproof check {out} --bench {on.path}, then ventproof run {out} --bench {on.path}")
    return 0


def _bound(made: list[Draft], bench: Loaded[BenchFile]) -> list[Draft]:
    """Return the drafts that the bench can run, and say which it cannot, and why."""
    from bench.errors import FileError  # noqa: PLC0415 - pydantic is slow to import
    from harness.profile.load import read_profile  # noqa: PLC0415
    from harness.session import Session  # noqa: PLC0415

    session, fit = Session(bench=bench, out=Path()), []
    for draft in made:
        try:
            session.bind(read_profile(draft.file, draft.text))
        except FileError as error:
            click.echo(f"not drafted, the bench cannot run it: {draft.title}")
            for problem in error.problems:
                click.echo(f"  {problem}")
            continue
        fit.append(draft)
    return fit
