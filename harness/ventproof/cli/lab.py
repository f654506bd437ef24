"""A lab of several computers: its scheduler, its workers, and a bench that a person lets run again."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar, final

import click

from ventproof.cli import options
from ventproof.verdict.finding import EXIT_PASS
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import harmless

if TYPE_CHECKING:
    from ventproof.jobs.executor import Workforce
    from ventproof.lab.seat import SeatBench
    from ventproof.lab.security import LabAddress
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


_R = TypeVar("_R")

_TLS: Final = click.option(
    "--tls",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Encrypt with the lab's own certificates: ca.pem, cert.pem and key.pem in FOLDER. Required for every "
    "address that other computers reach.",
)
_STATE: Final = click.option(
    "--state",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Where this computer notes which runs began on its benches.  "
    "[default: ventproof in $XDG_STATE_HOME or ~/.local/state]",
)


@final
@dataclass(frozen=True, slots=True)
class LabAsked:
    """Who was asked to do the jobs of a command.

    Attributes:
        address: of the scheduler of a lab; None: this computer does them.
        jobs: number of processes of this computer; None: one a core.
    """

    address: LabAddress | None
    jobs: int | None

    def workforce(self, said: Callable[[str], None]) -> Workforce:
        """Return what gives the executor of jobs in virtual time.

        Args:
            said: told what whoever waits should know.
        """
        if self.address is None:
            from ventproof.jobs.executor import own_processes  # noqa: PLC0415

            return partial(own_processes, self.jobs)
        from ventproof.lab.executor import lab_workers  # noqa: PLC0415 - only in a lab

        return partial(lab_workers, self.address, said, options.aside)


def with_lab(function: Callable[..., _R]) -> Callable[..., _R]:
    """Add the options that say who does the jobs of a command; the command gets them together, as `lab`."""

    @wraps(function)
    def with_asked(
        *args: object, scheduler: str | None, tls: Path | None, jobs: int | None, **given: object
    ) -> _R:
        return function(*args, lab=_asked(scheduler, tls, jobs), **given)

    made: Callable[..., _R] = with_asked
    for option in (
        click.option(
            "--jobs", type=click.IntRange(1), help="Number of parallel processes.  [default: one a core]"
        ),
        _TLS,
        click.option(
            "--scheduler",
            metavar="HOST:PORT",
            help="Let the workers of a lab do the work, in place of this computer.",
        ),
    ):
        made = option(made)
    return made


def _asked(scheduler: str | None, tls: Path | None, jobs: int | None) -> LabAsked:
    from ventproof.lab.security import lab_address  # noqa: PLC0415

    if scheduler is None:
        if tls is not None:
            raise click.UsageError("--tls is for a lab: give it with --scheduler")
        return LabAsked(None, jobs)
    if jobs is not None:
        raise click.UsageError("--jobs is for this computer: omit it, or omit --scheduler")
    return LabAsked(lab_address(scheduler, "--scheduler", tls), None)


@click.command("scheduler")
@click.option(
    "--listen",
    default="127.0.0.1:8786",
    metavar="HOST:PORT",
    help="Address of this computer to listen on; port 0: any that is free.",
    show_default=True,
)
@_TLS
def scheduler(listen: str, tls: Path | None) -> int:
    """Hand out the runs of campaigns to workers, until Ctrl-C. Who can connect can run any program there."""
    from ventproof.lab.nodes import serve_scheduler  # noqa: PLC0415 - slow
    from ventproof.lab.security import lab_address  # noqa: PLC0415

    address = lab_address(listen, "--listen", tls)
    serve_scheduler(address, lambda at: _tell(f"scheduler listens at {at}; Ctrl-C ends it"))
    return EXIT_PASS


@click.command("worker")
@click.argument("address", metavar="HOST:PORT")
@click.option(
    "--bench",
    type=click.Path(path_type=Path),
    help="Bench file of the bench on this computer; this worker makes its runs, and no other. Without it, the worker "
    "makes runs in virtual time.",
)
@options.folder("--out", "records", "Folder where the logs of a real bench stay.")
@_STATE
@_TLS
@options.CLEAR
def worker(
    address: str, bench: Path | None, out: Path, state: Path | None, tls: Path | None, clear: bool
) -> int:
    """Make runs of campaigns for the scheduler at HOST:PORT, one at a time, until Ctrl-C."""
    import ventproof.campaign.work  # noqa: F401, PLC0415 - everything is imported before outputs open
    from ventproof.lab.nodes import serve_worker  # noqa: PLC0415 - slow
    from ventproof.lab.seat import own_seat  # noqa: PLC0415
    from ventproof.lab.security import lab_address  # noqa: PLC0415

    at, name = lab_address(address, "HOST:PORT", tls), ""
    if bench is not None:
        loaded = options.bench_at(bench)
        name = loaded.model.bench
        own_seat().benches = {name: _held(loaded, out, state, clear=clear)}
    does = f"makes the runs of bench {name}" if name else "makes runs in virtual time"
    serve_worker(at, name, lambda own: _tell(harmless(f"worker {own} {does}; Ctrl-C ends it")))
    return EXIT_PASS


def _held(bench: Loaded[BenchFile], out: Path, state: Path | None, *, clear: bool) -> SeatBench:
    """Return the bench of a worker, once a person confirmed that it is clear.

    Raises:
        FileError: it is in virtual time, out of use, or not confirmed.
    """
    from ventproof.campaign.fence import Fence  # noqa: PLC0415
    from ventproof.lab.seat import SeatBench  # noqa: PLC0415

    if bench.model.virtual:
        reason = "this bench is in virtual time, and any worker makes its runs"
        raise FileError([Problem(bench.path, None, None, reason, "leave --bench out")])
    folder = _fence_folder(bench, state)
    if why := Fence(folder).out_of_use:
        reason = f"bench {bench.model.bench!r} is out of use: {why}"
        raise FileError([Problem(bench.path, None, None, reason, "look at it, then give `ventproof reopen`")])
    options.confirm_clear(bench, clear=clear)
    return SeatBench(bench.digest, folder, out.resolve(), options.ledger(out).resolve())


@click.command("reopen")
@options.BENCH
@_STATE
@options.CLEAR
def reopen(bench: Path, state: Path | None, clear: bool) -> int:
    """Let campaigns use a bench again that was put out of use, once you looked at its vents, drives and outputs."""
    from ventproof.campaign.fence import Fence  # noqa: PLC0415

    loaded = options.bench_at(bench)
    fence = Fence(_fence_folder(loaded, state))
    if not fence.out_of_use:
        _tell(harmless(f"bench {loaded.model.bench} is in use"))
        return EXIT_PASS
    _tell(harmless(f"bench {loaded.model.bench} is out of use: {fence.out_of_use}"))
    options.confirm_clear(loaded, clear=clear)
    fence.reopen()
    _tell("campaigns may use it again")
    return EXIT_PASS


def _fence_folder(bench: Loaded[BenchFile], state: Path | None) -> Path:
    from ventproof.session.session import slug  # noqa: PLC0415 - slow

    home = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return (state or Path(home) / "ventproof").resolve() / slug(bench.model.bench)


def _tell(line: str) -> None:
    click.echo(line)
    sys.stdout.flush()
