"""`ventproof explore`: looks for weather in which a unit does not do what its override table says."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, final

import click

from ventproof.cli import options
from ventproof.cli.page import PageAsked, live_page, with_page

if TYPE_CHECKING:
    from ventproof.case.case import Case
    from ventproof.explore.search import Explorer, Find, Played, Tally
    from ventproof.log.events import Event
    from ventproof.page.process import LivePage
    from ventproof.profile.model import Profile
    from ventproof.session.session import RunResult, Session
    from ventproof.table.model import OverrideTable
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


@click.command("explore")
@click.argument("table", type=click.Path(path_type=Path))
@options.BENCH
@click.option(
    "--time-limit", default="60 s", metavar="TIME", help="Time limit for the search.", show_default=True
)
@click.option(
    "--max-sequences",
    default=1000,
    type=click.IntRange(1),
    help="Maximum number of sequences. With enough time, the same seed gives the same sequences.",
    show_default=True,
)
@options.seed("Seed of the random sequences.")
@options.faults(
    "Give the mock unit a fault and see it detected; `ventproof explain faults` lists the faults."
)
@options.UNIT
@options.FIRMWARE
@options.OPERATOR
@options.folder("--out", "found", "Folder for the profile of a violation.")
@options.folder(
    "--logs",
    "records",
    "Folder for logs: of each sequence on real wires; in virtual time, of the violation only.",
)
@options.CLEAR
@with_page
def explore(
    table: Path,
    bench: Path,
    time_limit: str,
    max_sequences: int,
    seed: int,
    faults: tuple[str, ...],
    unit: str,
    firmware: str,
    operator: str,
    out: Path,
    logs: Path,
    clear: bool,
    page: PageAsked,
) -> int:
    """Search random weather for violations of the override TABLE.

    Random rain, wind, wind direction, temperatures, broken wires and supply failures are played, each sequence as a
    profile. The first failing sequence is shortened and written as a profile for `ventproof run`. No finding is not a
    proof.

    \b
    Exit codes: 0 no violation found · 1 violation found and written as a profile
                2 no violation found, some sequences inconclusive
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.session.session import Session  # noqa: PLC0415
    from ventproof.table.load import fitting_table  # noqa: PLC0415

    budget_s, healthy = options.span_s("--time-limit", time_limit), options.bench_at(bench)
    loaded, faulty = options.warned(fitting_table(table, healthy)), options.with_faults(healthy, faults)
    session = Session(bench=faulty, out=logs, unit=unit, firmware=firmware, operator=operator, seed=seed)
    options.reserve(faulty)
    options.confirm_clear(faulty, clear=clear)
    with live_page(page) as live:
        if live and not faulty.model.virtual:
            session = replace(session, follow=live.opened)
        exploration = Exploration(session, healthy, out, live)
        return exploration.run(loaded, budget_s, seed=seed, examples=max_sequences)


@final
@dataclass(frozen=True, slots=True)
class Exploration:
    """One exploration.

    Attributes:
        session: how each sequence is run, with the bench that is explored.
        healthy: that bench with the faults of its file alone.
        out: folder for the profile that is found.
        page: shows how far it has come; None: nobody asked for one.
    """

    session: Session
    healthy: Loaded[BenchFile]
    out: Path
    page: LivePage | None = None

    def run(self, table: Loaded[OverrideTable], budget_s: float, *, seed: int, examples: int) -> int:
        """Explore, show what was done, write what was found, and return the exit code.

        Args:
            table: what the unit must do.
            budget_s: how long to look, seconds on the clock.
            seed: another seed tries other sequences.
            examples: so many sequences are tried at most until one fails.

        Raises:
            BenchError: the bench broke off a run on real wires; what was found before is written.
            FileError: this bench can do nothing of what the table speaks of, or the profile cannot be written.
            KeyboardInterrupt: the operator broke it off; likewise.
        """
        from ventproof.explore.search import Explorer, latest_s  # noqa: PLC0415
        from ventproof.terminal.exploration import exploring, progress_rows  # noqa: PLC0415
        from ventproof_bench.base.clock import Stopwatch  # noqa: PLC0415 - as above

        watch, bench = Stopwatch(), self.session.bench
        real = not bench.model.virtual
        with _no_traces(), exploring(budget_s, real=real) as said:

            def told(tally: Tally) -> None:
                said(tally)
                if self.page is not None:
                    self.page.tell(progress={"title": "Exploration", "rows": progress_rows(tally)})

            explorer = Explorer(
                table,
                bench,
                lambda profile: played(self.session, profile),
                seed=seed,
                examples=examples,
                left_s=lambda: budget_s - watch.gone_s(),
                real=real,
                longest_s=latest_s(budget_s, real=real),
                told=told,
            )
            try:
                explorer.run()
            except BaseException:
                if explorer.tally.best is not None:
                    self._tell(explorer)
                raise
        return self._tell(explorer)

    def _tell(self, explorer: Explorer) -> int:
        from ventproof.run.view import SilentView  # noqa: PLC0415
        from ventproof.terminal.exploration import (  # noqa: PLC0415 - as above
            show_again,
            show_beside_healthy,
            show_exploration,
            show_found,
        )

        show_exploration(explorer)
        if explorer.tally.best is not None:
            session, virtual = self.session, self.session.bench.model.virtual
            path, profile = self._written(explorer, explorer.tally.best)
            show_found(path, logs=None if virtual else session.out)
            if virtual:
                show_again(session.run(profile, SilentView()))
                if session.bench is not self.healthy:
                    show_beside_healthy(played(replace(session, bench=self.healthy), profile).verdict)
        return explorer.tally.code

    def _written(self, explorer: Explorer, find: Find) -> tuple[Path, Loaded[Profile]]:
        from ventproof.log.names import free_path  # noqa: PLC0415
        from ventproof.session.session import slug  # noqa: PLC0415
        from ventproof.terminal.exploration import show_text  # noqa: PLC0415
        from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415 - as above
        from ventproof_bench.base.files import write_whole  # noqa: PLC0415

        path = free_path(self.out, slug(find.name), ".yaml")
        profile = explorer.profile(str(path), find)
        try:
            write_whole(path, profile.text, replaces=False)
        except FileError as error:
            show_text(profile.text)
            (told,) = error.problems
            reason = f"the profile above {told.reason}"
            hint = "name another folder with --out"
            raise FileError([Problem(str(path), None, None, reason, hint)]) from None
        return path, profile


@final
class _Duration:
    """Watches a run for nothing but how long the unit was watched."""

    def __init__(self) -> None:
        self.t_s = 0.0

    def begin(self, name: str, case: Case) -> None:
        """Nothing to tell."""

    def event(self, event: Event) -> None:
        """Take how far the run has come."""
        self.t_s = event.t_s

    def end(self) -> None:
        """Nothing to tell."""


def played(session: Session, profile: Loaded[Profile]) -> Played:
    """Run one sequence; on real wires its log is kept, and a bench that breaks off is the end."""
    from tempfile import TemporaryDirectory  # noqa: PLC0415 - as above

    from ventproof_bench.base.errors import BenchError  # noqa: PLC0415

    view = _Duration()
    if not session.bench.model.virtual:
        result = session.run(profile, view)
        if result.outcome.verdict is None:
            raise BenchError(
                f"the bench broke the exploration off: {result.outcome.aborted} (log {result.log})"
            )
        return _as_played(result, view)
    with TemporaryDirectory() as folder:
        return _as_played(replace(session, out=Path(folder)).run(profile, view), view)


def _as_played(result: RunResult, view: _Duration) -> Played:
    from ventproof.explore.search import Played  # noqa: PLC0415 - as above

    return Played(result.outcome.verdict, result.findings, view.t_s)


@contextmanager
def _no_traces() -> Iterator[None]:
    """Keep the search engine from leaving its notes in the operator's folder."""
    from tempfile import TemporaryDirectory  # noqa: PLC0415 - as above

    from hypothesis.configuration import set_hypothesis_home_dir  # noqa: PLC0415 - slow to import

    with TemporaryDirectory() as folder:
        set_hypothesis_home_dir(folder)
        try:
            yield
        finally:
            set_hypothesis_home_dir(None)
