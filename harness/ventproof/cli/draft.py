"""Draft, trace."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ventproof.cli import options
from ventproof.cli.suite import Selection, load_suite

if TYPE_CHECKING:
    from ventproof.draft.draft import Draft
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


@click.command("draft")
@click.argument("table", type=click.Path(path_type=Path))
@click.option(
    "--bench",
    type=click.Path(path_type=Path),
    help="Bench for the profiles.  [default: the mock inside this process]",
)
@options.folder("--out", "drafted", "Folder for the drafted profiles.")
@click.option(
    "--strength",
    default=2,
    type=click.IntRange(2, 3),
    help="Combine every 2 (or 3) conditions in every combination, and overrides in every order.",
    show_default=True,
)
@click.option(
    "--replace",
    is_flag=True,
    help="Overwrite earlier drafts. Files changed by a person are never overwritten.",
)
def draft(table: Path, bench: Path | None, out: Path, strength: int, replace: bool) -> int:
    """Draft profiles from an override TABLE, for each rule that the bench can prove.

    Profiles test the begin, hold and end of each override, values just below and above its thresholds and delays,
    combinations and orders of overrides, and failures of sensors, supply and bus. The bench decides how close to a
    limit a profile can go. Rules that no profile proves are listed with the reason.
    """
    from ventproof.draft.draft import (  # noqa: PLC0415
        drafts,
        left_over,
        why_undrafted,
        write_drafts,
    )
    from ventproof.draft.resolution import Margins  # noqa: PLC0415
    from ventproof.draft.traceability import LineClaim, traced  # noqa: PLC0415
    from ventproof.table.load import fitting_table  # noqa: PLC0415
    from ventproof.terminal.challenge import show_traced  # noqa: PLC0415

    on = options.bench_at(bench or options.SHIPPED_BENCH)
    loaded = options.warned(fitting_table(table, on))
    made = _bound(list(drafts(loaded, on, strength=strength, source=table.name)), on)
    fates = write_drafts(out, made, replace=replace)
    counts = {fate: list(fates.values()).count(fate) for fate in ("new", "renewed", "as it was")}
    said = ", ".join(f"{count} {fate}" for fate, count in counts.items() if count)
    click.echo(f"{len(made)} profiles for {on.model.bench} in {out}: {said or 'none'}")
    for name in left_over(out, made):
        click.echo(f"  note: {out / name} is drafted no more; delete it if it is not yours")
    rows = traced(loaded, [LineClaim(draft.file, its) for draft in made for its in draft.shown])
    show_traced(rows, table=str(table), whole=False)
    margins = Margins(on.model)
    for name in (row.line.name for row in rows if not row.claims):
        if why := why_undrafted(name, loaded.model, margins):
            click.echo(f"  {name}: {why}")
    click.echo(f"Next: ventproof check {out} --bench {on.path}, then ventproof run {out} --bench {on.path}")
    return 0


def _bound(made: list[Draft], bench: Loaded[BenchFile]) -> list[Draft]:
    """Return the drafts that the bench can run, and say which it cannot, and why."""
    from ventproof.profile.load import read_profile  # noqa: PLC0415
    from ventproof.session.session import Session  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError  # noqa: PLC0415 - pydantic is slow to import

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


@click.command("trace")
@click.argument("table", type=click.Path(path_type=Path))
@click.argument("profiles", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--missing", is_flag=True, help="Show only the rules that no profile proves.")
@options.ANY_PATH
def trace(table: Path, profiles: tuple[Path, ...], missing: bool, any_path: bool) -> int:
    """Show the profiles (PROFILES: files or folders) for each rule of an override TABLE.

    A profile counts for a rule if it would fail on a unit that follows the rule slightly wrong. This uses the planned
    stimuli and requirements; `ventproof report` checks the same with the logged ones.
    """
    from ventproof.draft.traceability import claims_of, traced, unknown_lines  # noqa: PLC0415
    from ventproof.table.load import load_table  # noqa: PLC0415
    from ventproof.terminal.challenge import show_traced  # noqa: PLC0415
    from ventproof.verdict.finding import EXIT_INCONCLUSIVE, EXIT_PASS  # noqa: PLC0415
    from ventproof_bench.base.errors import FileError  # noqa: PLC0415 - pydantic is slow to import

    loaded, suite = (
        options.warned(load_table(table)),
        load_suite(profiles, selection=Selection(any_path=any_path)),
    )
    problems = unknown_lines(loaded, suite)
    if problems:
        raise FileError(problems)
    named = [(Path(profile.path).stem, profile.model) for profile in suite]
    rows = traced(loaded, claims_of(loaded.model, named))
    show_traced(rows, table=str(table), whole=not missing)
    return EXIT_PASS if all(row.standing == "proved" for row in rows) else EXIT_INCONCLUSIVE
