"""`ventproof selfcheck`: the bench measures itself, or tries how the unit is hooked up to it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from ventproof.cli import options
from ventproof.cli.page import PageAsked, live_page, with_page
from ventproof.verdict.finding import EXIT_BENCH, EXIT_INCONCLUSIVE, EXIT_PASS

if TYPE_CHECKING:
    from ventproof.session.selfcheck import CheckResult
    from ventproof_bench.benchfile.model import BenchFile


@click.command("selfcheck")
@options.BENCH
@click.option(
    "--wiring",
    is_flag=True,
    help="Check the wiring of the unit: operate each output and compare the signals that respond.",
)
@click.option(
    "--all", "everything", is_flag=True, help="Show each measurement, also where all is as declared."
)
@options.folder("--out", "records", "Folder for the log.")
@options.seed(options.VIRTUAL)
@options.faults("Give the mock unit a fault; `ventproof explain faults` lists them.")
@options.CLEAR
@with_page
def selfcheck(
    bench: Path,
    wiring: bool,
    everything: bool,
    out: Path,
    seed: int,
    faults: tuple[str, ...],
    clear: bool,
    page: PageAsked,
) -> int:
    """Measure a bench, or check the wiring of a unit, before you trust it.

    Outputs are driven and vents move. Give the log to `ventproof run --selfcheck`.

    \b
    Exit code 0: everything was judged, and is as declared.
              2: outside the declared limits, wiring errors, or not everything was judged.
              4: the bench failed.
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.session import selfcheck as checks  # noqa: PLC0415
    from ventproof.terminal.progress import checking  # noqa: PLC0415

    loaded = options.with_faults(options.bench_at(bench), faults)
    options.reserve(loaded)
    options.confirm_clear(loaded, clear=clear)
    kind: checks.Kind = "unit" if wiring else "bench"
    with live_page(page) as live, checking(loaded.model, whole=not wiring) as said:

        def begins(what: str, takes_s: float) -> None:
            said(what, takes_s)
            if live:
                live.tell(part={"what": what, "takes_s": takes_s})

        follow = live.opened if live else _nobody
        ledger = options.ledger(out)
        result = checks.selfcheck(
            loaded, out, kind=kind, seed=seed, begins=begins, follow=follow, ledger=ledger
        )
    return shown(loaded.model, result, everything=everything)


def shown(file: BenchFile, result: CheckResult, *, everything: bool = False) -> int:
    """Show what a self-check of a bench found, with each measurement if need be; returns its exit code."""
    from ventproof.terminal.selfcheck import show_check  # noqa: PLC0415 - slow

    show_check(file, result, everything=everything)
    return {"fine": EXIT_PASS, "failed": EXIT_BENCH}.get(result.result, EXIT_INCONCLUSIVE)


def _nobody(_log: Path) -> None:
    """Nobody looks on."""
