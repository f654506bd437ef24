"""`ventproof challenge`: which faults of the mock unit a suite finds, and which it would miss."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ventproof.cli import options
from ventproof.cli.lab import LabAsked, with_lab
from ventproof.cli.page import PageAsked, both, live_page, phases, with_page
from ventproof.cli.suite import Selection, load_suite

if TYPE_CHECKING:
    from ventproof.challenge.challenge import Challenge, Result
    from ventproof.challenge.trial import Suite
    from ventproof.page.process import LivePage
    from ventproof.session.session import Session


_TITLE: Final = "Challenge of the suite"


@click.command("challenge")
@click.argument("suite", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--bench",
    type=click.Path(path_type=Path),
    help="A bench with the mock unit inside the process.  [default: the shipped one]",
)
@click.option(
    "--fault",
    "names",
    multiple=True,
    metavar="NAME",
    help="Try this fault only; `ventproof explain faults` lists them.",
)
@click.option(
    "--full",
    is_flag=True,
    help="Run each fault until two profiles detect it, and list the profiles that detect nothing new.",
)
@click.option(
    "--severities", is_flag=True, help="Find the smallest severity of each fault that is still detected."
)
@click.option(
    "--settings",
    is_flag=True,
    help="Also change each delay, threshold, position and travel time of the unit, and find the "
    "smallest change that the suite detects. This takes minutes more.",
)
@click.option(
    "--variants",
    type=click.IntRange(1),
    metavar="N",
    help="Run N healthy variants of the unit instead of the faults; none may fail.",
)
@options.seed("Seed for random values on the bench.")
@with_lab
@click.option(
    "--json",
    "json_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write all results to this file (JSON). Overwrites an existing file.",
)
@click.option(
    "--logs",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the logs of the runs that detect a fault. Without this option no log is kept.",
)
@options.ANY_PATH
@with_page
def challenge(
    suite: tuple[Path, ...],
    bench: Path | None,
    names: tuple[str, ...],
    full: bool,
    severities: bool,
    settings: bool,
    variants: int | None,
    seed: int,
    lab: LabAsked,
    json_file: Path | None,
    logs: Path | None,
    any_path: bool,
    page: PageAsked,
) -> int:
    """Run SUITE (profiles or folders; default: the shipped suite) against each fault of the mock unit.

    A fault is detected if a profile fails, inconclusive if one cannot decide, and otherwise not detected. All runs are
    in virtual time on all cores, or in a lab; nothing real is switched. Faults that no readings can show, as the
    catalogue states, do not count as inconclusive.

    \b
    Exit codes: 0 all faults detected · 1 some not detected · 2 none undetected, some inconclusive
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.challenge.challenge import Challenge, check_faults  # noqa: PLC0415
    from ventproof.terminal.challenge import keep_logs  # noqa: PLC0415

    if variants and (names or full or severities or settings or json_file or logs):
        raise click.UsageError("--variants runs no faults: omit the options about faults")
    check_faults(names)
    session = _session(bench, logs or Path(), seed)
    challenged = _suite(suite, session, any_path=any_path)
    with live_page(page) as live:
        if variants:
            return _vary(challenged, variants, lab, live)
        asked = Challenge(suite=challenged, names=names, full=full, severities=severities, settings=settings)
        result, code = _challenge(asked, lab, json_file, live)
    if logs is not None:
        click.echo(f"{keep_logs(result, session)} logs in {logs}")
    return code


def _session(bench: Path | None, out: Path, seed: int) -> Session:
    """Return how the suite is run on the bench."""
    from ventproof.session.session import Session  # noqa: PLC0415

    loaded = options.bench_at(bench or options.SHIPPED_BENCH)
    return Session(bench=loaded, out=out, operator="challenge", firmware="mock", seed=seed)


def _suite(paths: tuple[Path, ...], session: Session, *, any_path: bool) -> Suite:
    """Return the suite that is challenged."""
    from ventproof.challenge.trial import Suite  # noqa: PLC0415

    profiles = load_suite(list(paths) or [options.SHIPPED], session, Selection(any_path=any_path))
    return Suite(profiles=tuple(profiles), bench=session.bench, seed=session.seed)


def _challenge(
    asked: Challenge, lab: LabAsked, json_file: Path | None, live: LivePage | None
) -> tuple[Result, int]:
    """Run a challenge, show what was found and write it down."""
    from ventproof.challenge.challenge import as_data  # noqa: PLC0415
    from ventproof.terminal.challenge import Progress, show_challenge  # noqa: PLC0415 - as above
    from ventproof_bench.base.files import require_writable, write_whole  # noqa: PLC0415

    if json_file is not None:
        require_writable(json_file)
    parts = ("the healthy unit", "faults", "settings")
    with Progress(*parts) as progress:
        asked = replace(asked, workforce=lab.workforce(progress.remark))
        result = asked.run(both(progress.told, phases(live, _TITLE, *parts)))
    show_challenge(result)
    if json_file is not None:
        write_whole(json_file, json.dumps(as_data(result), indent=1, ensure_ascii=False) + "\n")
    return result, result.code


def _vary(challenged: Suite, variations: int, lab: LabAsked, live: LivePage | None) -> int:
    """Run healthy variations and show how they ended."""
    from ventproof.challenge.challenge import vary  # noqa: PLC0415
    from ventproof.terminal.challenge import (  # noqa: PLC0415
        Progress,
        code_of_varied,
        show_varied,
    )

    seeds = range(challenged.seed, challenged.seed + variations)
    part = "healthy variations"
    with Progress(part) as progress:
        told = both(progress.told, phases(live, _TITLE, part))
        varied = vary(challenged, seeds, workforce=lab.workforce(progress.remark), told=told)
    show_varied(challenged, varied)
    return code_of_varied(varied)
