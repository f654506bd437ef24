"""`ventproof demo`: the shipped suite against the mock in this process, in virtual time."""

from __future__ import annotations

from pathlib import Path

import click

from ventproof.cli import options
from ventproof.cli.suite import load_suite
from ventproof.verdict.finding import EXIT_PASS


@click.command("demo")
@options.folder("--out", "records/demo", "Folder for the logs and the report.")
@options.seed("Seed for random values on the mock's bus.")
@options.faults("Give the mock unit a fault and see the suite detect it.")
def demo(out: Path, seed: int, faults: tuple[str, ...]) -> int:
    """Run the shipped test suite on the mock unit in this process, in virtual time. Nothing real is switched."""
    from ventproof.cli.run import run_suite  # noqa: PLC0415
    from ventproof.history.enter import keeper_of  # noqa: PLC0415
    from ventproof.log.names import free_path  # noqa: PLC0415
    from ventproof.session.ahead import call_up  # noqa: PLC0415
    from ventproof.session.repeats import RepeatPlan  # noqa: PLC0415
    from ventproof.session.session import Session  # noqa: PLC0415
    from ventproof.table.load import fitting_table  # noqa: PLC0415
    from ventproof_bench.benchcheck.load import load_bench  # noqa: PLC0415 - pydantic is slow to import

    bench = options.with_faults(load_bench(options.SHIPPED_BENCH), faults)
    session = Session(
        bench=bench,
        out=out,
        unit="MOCK-1",
        firmware=", ".join(("mock", *faults)),
        operator="demo",
        seed=seed,
        keeper=keeper_of(None, out),
        table=fitting_table(options.SHIPPED_TABLE, bench),
    )
    call_up(session, len(options.profile_paths([options.SHIPPED])))
    suite = load_suite([options.SHIPPED], session)
    code = run_suite(session, suite, RepeatPlan(), [free_path(out, "report", ".html")], quiet=True)
    if faults and code == EXIT_PASS:
        click.echo("No shipped profile shows this fault.")
    if not faults:
        click.echo(
            "A green table says little by itself. See a faulty unit found: ventproof demo --fault ignores_rain"
        )
    return code
