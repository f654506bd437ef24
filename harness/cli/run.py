"""`ventproof run`: profiles on a bench, a log each, and the table of findings."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("run")
@click.argument("profiles", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--bench", required=True, type=click.Path(path_type=Path), help="The bench file.")
@click.option("--unit", default="", help="Serial number of the unit under test.")
@click.option("--firmware", default="", help="Its firmware version.")
@click.option("--operator", default="", help="Who runs the test.")
@click.option(
    "--out",
    default=Path("records"),
    type=click.Path(path_type=Path),
    help="Folder for the logs.",
    show_default=True,
)
@click.option(
    "--repeat", default=1, type=click.IntRange(1), help="Run every profile this often.", show_default=True
)
@click.option(
    "--seed", default=0, type=int, help="Seed for what is random on a virtual bench.", show_default=True
)
@click.option(
    "--use",
    multiple=True,
    metavar="NAME=BENCH_NAME",
    help="Take the bench's BENCH_NAME where profiles say NAME.",
)
@click.option("--clear", is_flag=True, help="Vents and drives are clear of people and guarded: do not ask.")
def command(
    profiles: tuple[Path, ...],
    bench: Path,
    unit: str,
    firmware: str,
    operator: str,
    out: Path,
    repeat: int,
    seed: int,
    use: tuple[str, ...],
    clear: bool,
) -> int:
    """Run PROFILES (files or folders) on a bench and write a log for each.

    Nothing is switched before every file is found to be right.
    """
    from bench.benchfile import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from harness.cli.options import code_of, confirm_clear, load_suite, view_for  # noqa: PLC0415
    from harness.cli.summary import show  # noqa: PLC0415
    from harness.session import Session, use_pairs  # noqa: PLC0415

    loaded = load_bench(bench)
    session = Session(
        bench=loaded, out=out, unit=unit, firmware=firmware, operator=operator, seed=seed, use=use_pairs(use)
    )
    suite = load_suite(profiles, session)
    confirm_clear(loaded, clear=clear)
    view = view_for(loaded)
    results = []
    for _ in range(repeat):
        for profile in suite:
            results.append(session.run(profile, view))
            if results[-1].outcome.verdict is None:
                show(results)
                return code_of(r.outcome.verdict for r in results)
    show(results)
    return code_of(r.outcome.verdict for r in results)
