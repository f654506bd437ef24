"""`ventproof explore`: looks for weather in which a unit does not do what its override table says."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

import click

from ventproof.cli import options
from ventproof.cli.lab import LabAsked, with_lab
from ventproof.cli.page import PageAsked, live_page, with_page

if TYPE_CHECKING:
    from ventproof.case.case import Case
    from ventproof.explore.emit import Writer
    from ventproof.explore.search import Find, Played, Tally
    from ventproof.explore.searches import Brought, Searched, Searches
    from ventproof.jobs.executor import Executor
    from ventproof.log.events import Event
    from ventproof.page.process import LivePage
    from ventproof.profile.model import Profile
    from ventproof.session.session import Session
    from ventproof.verdict.finding import Finding
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


@click.command("explore")
@click.argument("table", type=click.Path(path_type=Path))
@options.BENCH
@click.option(
    "--time-limit",
    default="60 s",
    metavar="TIME",
    help="Time limit for the search. A violation found by then is always reported.",
    show_default=True,
)
@click.option(
    "--max-sequences",
    default=1000,
    type=click.IntRange(1),
    help="Maximum number of sequences. With enough time, the same seed gives the same result.",
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
@with_lab
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
    lab: LabAsked,
    page: PageAsked,
) -> int:
    """Search random weather for violations of the override TABLE.

    Random rain, wind, wind direction, temperatures, broken wires and supply failures are played, each sequence as a
    profile: on a virtual bench on all cores, or in a lab; on real wires one after the other. The first failing sequence
    is shortened and written as a profile for `ventproof run`. No finding is not a proof.

    \b
    Exit codes: 0 no violation found · 1 violation found and written as a profile
                2 no violation found, some sequences inconclusive
    """  # noqa: D301 - click's own mark for a paragraph that keeps its line breaks
    from ventproof.explore.emit import writer_of  # noqa: PLC0415
    from ventproof.session.session import Session  # noqa: PLC0415
    from ventproof.table.load import fitting_table  # noqa: PLC0415

    budget_s, healthy = options.span_s("--time-limit", time_limit), options.bench_at(bench)
    _require_this_computer(lab, healthy)
    loaded, faulty = options.warned(fitting_table(table, healthy)), options.with_faults(healthy, faults)
    writer = writer_of(loaded, faulty)
    session = Session(bench=faulty, out=logs, unit=unit, firmware=firmware, operator=operator, seed=seed)
    options.reserve(faulty)
    options.confirm_clear(faulty, clear=clear)
    with live_page(page) as live:
        return Exploration(session, healthy, writer, max_sequences, budget_s, out, lab, live).run()


def _require_this_computer(lab: LabAsked, bench: Loaded[BenchFile]) -> None:
    """Refuse a lab for a bench on real wires.

    Raises:
        FileError: nobody else has it.
    """
    from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415

    if lab.address is not None and not bench.model.virtual:
        reason = "a bench on real wires is explored by the computer that it is wired to"
        raise FileError([Problem(bench.path, None, None, reason, "omit --scheduler, and explore it there")])


@final
@dataclass(frozen=True, slots=True)
class Exploration:
    """One exploration.

    Attributes:
        session: how each sequence is run, with the bench that is explored.
        healthy: that bench with the faults of its file alone.
        writer: writes what is played as profiles.
        sequences: so many are tried at most until one fails.
        budget_s: how long to look, seconds on the clock.
        out: folder for the profile that is found.
        lab: who plays in virtual time.
        page: shows how far it has come; None: nobody asked for one.
    """

    session: Session
    healthy: Loaded[BenchFile]
    writer: Writer
    sequences: int
    budget_s: float
    out: Path
    lab: LabAsked
    page: LivePage | None

    def run(self) -> int:
        """Explore, show what was done, write what was found, and return the exit code.

        Raises:
            BenchError: the bench broke off a run on real wires, or nobody is left to play; what was found before is
                written.
            FileError: the profile cannot be written, or the lab has no worker for it.
            KeyboardInterrupt: the operator broke it off; likewise.
        """
        from ventproof.explore.search import Tally  # noqa: PLC0415
        from ventproof.terminal.exploration import exploring, progress_rows  # noqa: PLC0415
        from ventproof_bench.base.clock import Stopwatch  # noqa: PLC0415 - as above

        watch, tally, real = Stopwatch(), Tally(), not self.session.bench.model.virtual
        with _no_traces(), exploring(self.budget_s, real=real) as shown:

            def told(tally: Tally) -> None:
                shown.told(tally)
                if self.page is not None:
                    self.page.tell(progress={"title": "Exploration", "rows": progress_rows(tally)})

            def left_s() -> float:
                return self.budget_s - watch.gone_s()

            look = self._on_wires if real else self._side_by_side
            try:
                look(tally, left_s, told, shown.remark)
            except BaseException:
                if tally.best is not None:
                    self._tell(tally)
                raise
        return self._tell(tally)

    def _on_wires(
        self, tally: Tally, left_s: Callable[[], float], told: Callable[[Tally], None], _: object
    ) -> None:
        """Play one sequence after the other."""
        from ventproof.explore.search import Explorer, latest_s  # noqa: PLC0415 - as above

        session = self.session if self.page is None else replace(self.session, follow=self.page.opened)
        Explorer(
            self.writer,
            partial(played, session),
            seed=self.session.seed,
            examples=self.sequences,
            left_s=left_s,
            real=True,
            longest_s=latest_s(self.budget_s, real=True),
            told=told,
            tally=tally,
        ).run()

    def _side_by_side(
        self,
        tally: Tally,
        left_s: Callable[[], float],
        told: Callable[[Tally], None],
        remark: Callable[[str], None],
    ) -> None:
        """Let whoever does the jobs look, and make the first find shorter here."""
        from ventproof.explore.searches import Brought, Searches  # noqa: PLC0415 - as above

        searches = Searches(
            writer=self.writer,
            play=partial(played, self.session),
            seed=self.session.seed,
            sequences=self.sequences,
        )
        brought = Brought(tally, told)

        def shorten(left_s: Callable[[], float]) -> None:
            found = brought.first()
            if found and searches.again(*found, left_s, before=tally, told=told).run() is None:
                raise RuntimeError("the search that found something does not repeat")

        try:
            self._look(searches, brought, left_s, remark)
        except BaseException:
            shorten(lambda: 0.0)  # what was found is told, as it is
            raise
        shorten(left_s)

    def _look(
        self,
        searches: Searches,
        brought: Brought,
        left_s: Callable[[], float],
        remark: Callable[[str], None],
    ) -> None:
        workforce = self.lab.workforce(remark)
        with suppress(_EnoughError), workforce(begin=_take, arguments=(searches, left_s())) as workers:
            brought.look(_in_rounds(workers, searches.count, left_s))
            raise _EnoughError

    def _tell(self, tally: Tally) -> int:
        from ventproof.run.view import SilentView  # noqa: PLC0415
        from ventproof.terminal.exploration import (  # noqa: PLC0415 - as above
            show_again,
            show_beside_healthy,
            show_exploration,
            show_found,
        )

        show_exploration(tally, self.writer.moves.left_out)
        if tally.best is not None:
            session, virtual = self.session, self.session.bench.model.virtual
            path, profile = self._written(tally.best)
            show_found(path, logs=None if virtual else session.out)
            if virtual:
                show_again(session.run(profile, SilentView()))
                if session.bench is not self.healthy:
                    show_beside_healthy(played(replace(session, bench=self.healthy), profile).verdict)
        return tally.code

    def _written(self, find: Find) -> tuple[Path, Loaded[Profile]]:
        from ventproof.explore.search import found_profile  # noqa: PLC0415 - as above
        from ventproof.log.names import free_path  # noqa: PLC0415
        from ventproof.session.session import slug  # noqa: PLC0415
        from ventproof.terminal.exploration import show_text  # noqa: PLC0415
        from ventproof_bench.base.errors import FileError, Problem  # noqa: PLC0415 - as above
        from ventproof_bench.base.files import write_whole  # noqa: PLC0415

        path = free_path(self.out, slug(find.name), ".yaml")
        profile = found_profile(self.writer, str(path), find, seed=self.session.seed)
        try:
            write_whole(path, profile.text, replaces=False)
        except FileError as error:
            show_text(profile.text)
            (told,) = error.problems
            reason = f"the profile above {told.reason}"
            hint = "name another folder with --out"
            raise FileError([Problem(str(path), None, None, reason, hint)]) from None
        return path, profile


class _EnoughError(Exception):
    """Ends those who still look amid it: nobody waits for what they would find."""


_ROUND: Final = 256
"""Searches that are given away at once: as many as the time may allow, and not as many as there may be."""


_LATE_S: Final = 10.0
"""So much later the time may be over for a worker, which counts it from its own begin."""


def _in_rounds(
    workers: Executor, count: int, left_s: Callable[[], float]
) -> Iterator[tuple[int, Searched | None]]:
    """Yield the number of each of so many searches, and what it brings, as they end."""
    for begin in range(0, count, _ROUND):
        for number, searched in workers.finished(_done, range(begin, min(count, begin + _ROUND))):
            yield begin + number, searched
            if left_s() < -_LATE_S:
                return


_do: Callable[[int], Searched | None]


def _take(searches: Searches, left_s: float) -> None:
    """Take what is looked for in this process, and for how long."""
    global _do  # noqa: PLW0603 - a process of the pool explores one unit for all its life
    from ventproof_bench.base.clock import Stopwatch  # noqa: PLC0415 - as above

    watch = Stopwatch()
    _do = partial(searches.do, left_s=lambda: left_s - watch.gone_s())


def _done(number: int) -> Searched | None:
    with _no_traces():
        return _do(number)


@final
class _Noted:
    """Watches a run for what was found, and for how long the unit was watched."""

    def __init__(self) -> None:
        self.t_s = 0.0
        self.findings: list[Finding] = []

    def begin(self, name: str, case: Case) -> None:
        """Nothing to tell."""

    def event(self, event: Event) -> None:
        """Take how far the run has come, and what it found."""
        from ventproof.log.events import FindingMade  # noqa: PLC0415 - slow to import

        self.t_s = event.t_s
        if isinstance(event, FindingMade):
            self.findings.append(event.finding)

    def end(self) -> None:
        """Nothing to tell."""


def played(session: Session, profile: Loaded[Profile]) -> Played:
    """Play one sequence; on real wires its log is kept, and a bench that breaks off is the end."""
    from ventproof.case.case import case_of  # noqa: PLC0415 - as above
    from ventproof.challenge.trial import run_unrecorded  # noqa: PLC0415
    from ventproof.explore.search import Played  # noqa: PLC0415
    from ventproof.profile.bind import bind  # noqa: PLC0415
    from ventproof_bench.base.errors import BenchError  # noqa: PLC0415

    noted = _Noted()
    if session.bench.model.virtual:
        bound = bind(profile, session.bench, {})
        case = case_of(bound, in_batches=True)
        outcome, _ = run_unrecorded(bound, case, session.bench.model, seed=session.seed, record=noted.event)
    else:
        result = session.run(profile, noted)
        outcome = result.outcome
        if outcome.verdict is None:
            raise BenchError(f"the bench broke the exploration off: {outcome.aborted} (log {result.log})")
    return Played(outcome.verdict, tuple(noted.findings), noted.t_s)


@contextmanager
def _no_traces() -> Iterator[None]:
    """Keep the search engine from leaving its notes in the operator's folder, or anywhere."""
    from hypothesis.configuration import set_hypothesis_home_dir  # noqa: PLC0415 - slow to import

    set_hypothesis_home_dir(os.devnull)
    try:
        yield
    finally:
        set_hypothesis_home_dir(None)
