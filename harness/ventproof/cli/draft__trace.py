"""`ventproof trace`: which profile proves which line of an override table, and which line none does."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli import options


@click.command("trace")
@click.argument("table", type=click.Path(path_type=Path))
@click.argument("profiles", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--missing", is_flag=True, help="Show only the lines that no profile proves.")
def trace(table: Path, profiles: tuple[Path, ...], missing: bool) -> int:
    """Show each line of an override TABLE with the PROFILES (files or folders) that say they prove it.

    Exit code 0 when every line is proved by a profile, 2 when one is not.
    """
    from bench.errors import FileError  # noqa: PLC0415 - pydantic is slow to import
    from bench.overridetable.load import load_table  # noqa: PLC0415
    from harness.cli.traced import show_traced  # noqa: PLC0415
    from harness.judge.verdict import EXIT_INCONCLUSIVE, EXIT_PASS  # noqa: PLC0415
    from harness.prove.trace import traced, unknown_lines  # noqa: PLC0415

    loaded, suite = load_table(table), options.load_suite(profiles)
    problems = unknown_lines(loaded, suite)
    if problems:
        raise FileError(problems)
    rows = traced(loaded, [(Path(profile.path).stem, profile.model.proves) for profile in suite])
    show_traced(rows, table=str(table), whole=not missing)
    return EXIT_PASS if all(row.profiles for row in rows) else EXIT_INCONCLUSIVE
