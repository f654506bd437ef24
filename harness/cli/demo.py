"""`ventproof demo`: the shipped suite against the mock in this process, in virtual time."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("demo")
@click.option(
    "--out",
    default=Path("records/demo"),
    type=click.Path(path_type=Path),
    help="Folder for the logs.",
    show_default=True,
)
@click.option(
    "--seed", default=0, type=int, help="Seed for what is random on the mock's bus.", show_default=True
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[=SEVERITY]",
    help="Give the mock unit a fault, to see the suite find it.",
)
def command(out: Path, seed: int, faults: tuple[str, ...]) -> int:
    """Run the shipped suite against the mock unit inside this process, in virtual time. Nothing real is switched."""
    from bench.benchfile import load_bench  # noqa: PLC0415 - pydantic is slow to import
    from harness.cli.options import (  # noqa: PLC0415
        SHIPPED,
        SHIPPED_BENCH,
        code_of_series,
        load_suite,
        view_for,
        with_faults,
    )
    from harness.cli.summary import show  # noqa: PLC0415
    from harness.series import Plan, run_series  # noqa: PLC0415
    from harness.session import Session  # noqa: PLC0415

    bench = with_faults(load_bench(SHIPPED_BENCH), faults)
    session = Session(bench=bench, out=out, unit="MOCK-1", firmware="mock", operator="demo", seed=seed)
    suite = load_suite([SHIPPED], session)
    done = [run_series(session, profile, view_for(bench), Plan()) for profile in suite]
    show(done, session.selfcheck)
    if faults and code_of_series(done) == 0:
        click.echo("No shipped profile shows this fault.")
    if not faults:
        click.echo(
            "A green table says little by itself. See a faulty unit found: ventproof demo --fault ignores_rain"
        )
    return code_of_series(done)
