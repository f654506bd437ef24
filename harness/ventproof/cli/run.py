"""`ventproof run`: profiles on a bench, a log each, and the table of findings."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli import HISTORY_VARIABLE, options


def _named(_ctx: click.Context, _option: click.Parameter, reports: tuple[Path, ...]) -> tuple[Path, ...]:
    """Refuse endings that no report has."""
    from harness.cli.reporting import check_names  # noqa: PLC0415 - with the slow imports

    check_names(reports)
    return reports


@click.command("run")
@click.argument("profiles", nargs=-1, required=True, type=click.Path(path_type=Path))
@options.BENCH
@options.UNIT
@options.FIRMWARE
@options.OPERATOR
@options.folder("--out", "records", "Folder for the logs.")
@click.option(
    "--repeat",
    type=click.IntRange(1),
    metavar="N",
    help="Run every profile this often and say what that proves.  [default: 1]",
)
@click.option(
    "--prove",
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    metavar="PERCENT",
    help="Repeat until it is proved, or refuted, that the unit passes at least PERCENT of the time.",
)
@click.option(
    "--confidence",
    default=95.0,
    type=click.FloatRange(0, 100, min_open=True, max_open=True),
    metavar="PERCENT",
    help="Confidence of what repeats prove.",
    show_default=True,
)
@options.seed(options.VIRTUAL)
@options.USE
@click.option(
    "--selfcheck",
    type=click.Path(path_type=Path),
    help="Log of this bench's self-check; the record names it.",
)
@click.option(
    "--table",
    type=click.Path(path_type=Path),
    help="The override table that the unit is held to; the record has it as an annex.",
)
@click.option(
    "--sign",
    type=click.Path(path_type=Path),
    metavar="KEYFILE",
    help="Sign every log with this private key, in the operator's name; `ventproof key` makes one.",
)
@click.option(
    "--history",
    envvar=HISTORY_VARIABLE,
    show_envvar=True,
    metavar="FILE|URL|none",
    help="Enter every run here when it ends: an SQLite file, or postgresql://user@host/database.  "
    "[default: history.sqlite in the folder for the logs]",
)
@click.option(
    "--report",
    "reports",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    callback=_named,
    help="Also write a report of all runs, as `ventproof report` does; the ending says which kind (.html, .pdf, .xml, "
    ".md, .json). May be given more than once.",
)
@click.option(
    "--quiet",
    "-q",
    is_flag=True,
    help="Show how each run ended and the worst of what did not pass, and not every response.",
)
@options.CLEAR
def run(
    profiles: tuple[Path, ...],
    bench: Path,
    unit: str,
    firmware: str,
    operator: str,
    out: Path,
    repeat: int | None,
    prove: float | None,
    confidence: float,
    seed: int,
    use: tuple[str, ...],
    selfcheck: Path | None,
    table: Path | None,
    sign: Path | None,
    history: str | None,
    reports: tuple[Path, ...],
    quiet: bool,
    clear: bool,
) -> int:
    """Run PROFILES (files or folders) on a bench, a log each. Nothing is switched before every file is right."""
    from bench.benchfile import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from bench.overridetable.fits import fitting_table  # noqa: PLC0415
    from harness.cli.signing import signing_key  # noqa: PLC0415
    from harness.cli.suite import run_suite  # noqa: PLC0415
    from harness.record.history.keeper import keeper_of  # noqa: PLC0415
    from harness.selfcheck import pinned  # noqa: PLC0415
    from harness.series import repeats_for  # noqa: PLC0415
    from harness.session import Session, use_pairs  # noqa: PLC0415

    loaded = load_bench(bench)
    session = Session(
        bench=loaded,
        out=out,
        unit=unit,
        firmware=firmware,
        operator=operator,
        seed=seed,
        use=use_pairs(use),
        selfcheck=pinned(selfcheck, loaded) if selfcheck else None,
        table=fitting_table(table, loaded) if table else None,
        signing=signing_key(sign) if sign else None,
        keeper=keeper_of(history, out),
    )
    suite = options.load_suite(profiles, session)
    options.confirm_clear(loaded, clear=clear)
    return run_suite(session, suite, repeats_for(repeat, prove, confidence), reports, quiet=quiet)
