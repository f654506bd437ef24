"""What `ventproof explore` does and shows: sequences tried, the one found, its profile, and what that is worth."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from bench.clock import Stopwatch
from bench.errors import BenchError, FileError, Problem
from harness.cli import EXIT_BENCH, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from harness.cli.console import new_console
from harness.prove.explore.search import Explorer, Find, Played, Tally
from harness.prove.explore.written import said
from harness.record.log import free_path
from harness.run.view import SilentView
from harness.session import slug

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.overridetable.model import OverrideTable
    from bench.wiring import BenchFile
    from harness.profile.model import Profile
    from harness.run.case import Case
    from harness.run.events import Event
    from harness.session import RunResult, Session

_SHARE: Final = 0.5  # of the budget on real wires, for the doings of one sequence
_MANY_S: Final = 600.0


@final
class _Duration:
    """Watches a run for nothing but how long the unit was watched."""

    def __init__(self) -> None:
        self.t_s = 0.0

    def begin(self, name: str, case: Case, longest_s: float) -> None:
        """Nothing to tell."""

    def event(self, event: Event) -> None:
        """Take how far the run has come."""
        self.t_s = event.t_s

    def end(self) -> None:
        """Nothing to tell."""


@final
@dataclass(frozen=True, slots=True)
class Exploring:
    """One exploration.

    Attributes:
        table: what the unit must do.
        bench: what it is wired to.
        healthy: the same with the faults of its file alone.
        budget_s: how long to look, seconds on the clock.
    """

    table: Loaded[OverrideTable]
    bench: Loaded[BenchFile]
    healthy: Loaded[BenchFile]
    budget_s: float

    def run(self, session: Session, out: Path, *, seed: int, examples: int) -> int:
        """Explore, show what was done, write what was found, and return the exit code.

        Raises:
            BenchError: the bench broke off a run on real wires; what was found before is written.
            FileError: this bench can do nothing of what the table speaks of.
            KeyboardInterrupt: the operator broke it off; likewise.
        """
        watch, real = Stopwatch(), not self.bench.model.virtual
        explorer = Explorer(
            self.table,
            self.bench,
            lambda profile: played(session, profile),
            seed=seed,
            examples=examples,
            left_s=lambda: self.budget_s - watch.gone_s(),
            real=real,
            longest_s=self.budget_s * _SHARE if real else _MANY_S,
        )
        left_out = explorer.writer.moves.left_out
        if not explorer.writer.moves.moves:
            problems = [Problem(self.bench.path, None, None, f"not possible: {why}") for why in left_out]
            raise FileError(problems or [self.table.problem(("overrides",), "nothing in it can be tried")])
        with _no_traces(), _progress(real=real) as told:
            explorer.told = told
            try:
                explorer.run()
            except BaseException:
                if explorer.tally.best is not None:
                    self._tell(session, out, explorer)
                raise
        return self._tell(session, out, explorer)

    def _tell(self, session: Session, out: Path, explorer: Explorer) -> int:
        console, tally = new_console(), explorer.tally
        for why in explorer.writer.moves.left_out:
            console.print(Text(f"not explored: {why}", style="dim"))
        console.print(Text(_sentence(tally)))
        if tally.best is None:
            return _nothing_found(console, tally)
        console.print()
        self._show_find(console, tally.best, tally)
        self._write(console, session, out, explorer)
        return EXIT_FAIL

    def _show_find(self, console: Console, find: Find, tally: Tally) -> None:
        console.print(Text("FOUND: the unit does not do what its override table says.", style="bold red"))
        console.print(Text(_demanded_and_seen(find), style="red"))
        console.print()
        title = "The shortest weather that shows it" if tally.finished else "The shortest weather so far"
        console.print(Text(f"{title}:", style="bold"))
        table = Table(expand=False)
        table.add_column("at", justify="right", no_wrap=True)
        table.add_column("what happens", overflow="fold")
        for at, what in said(find.written.sequence):
            table.add_row(Text(at), Text(what))
        console.print(table)
        if len(find.written.sequence) < tally.first_actions:
            console.print(Text(f"The first weather that showed it was {tally.first_actions} actions long."))
        if not tally.finished:
            more = "The time was over before it was clear that it goes no shorter: --budget gives more."
            console.print(Text(more, style="yellow"))

    def _write(self, console: Console, session: Session, out: Path, explorer: Explorer) -> None:
        find = explorer.tally.best
        assert find is not None, "whoever asks has found something"
        failure = find.failure
        name = f"found by exploring, {failure.signal} {failure.kind.replace('_', ' ')}"
        about = (
            f"Weather in which a unit did not do what the override table {self.table.model.table!r} says\n"
            f"(SHA-256 {self.table.digest[:16]}), found by exploring with seed {explorer.seed}.\n"
            f"{_demanded_and_seen(find)}"
        )
        path = free_path(out, slug(name), ".yaml")
        profile = explorer.writer.profile(str(path), find.written, name=name, about=about)
        try:
            out.mkdir(parents=True, exist_ok=True)
            path.write_text(profile.text, encoding="utf-8")
        except OSError as error:
            console.print(profile.text, markup=False)
            reason = f"the profile above cannot be written: {error.strerror}"
            raise FileError(
                [Problem(str(path), None, None, reason, "name another folder with --out")]
            ) from None
        console.print()
        console.print(Text(f"profile: {path}", style="bold"), soft_wrap=True)
        if not self.bench.model.virtual:
            console.print(Text(f"logs of every sequence: {session.out}"), soft_wrap=True)
            return
        again = session.run(profile, SilentView())
        console.print(Text(f"log of its run: {again.log} ({again.outcome.verdict})"), soft_wrap=True)
        if self.bench is not self.healthy:
            console.print(Text(_beside_healthy(session, self.healthy, profile)))


def played(session: Session, profile: Loaded[Profile]) -> Played:
    """Run one sequence; on real wires its log is kept, and a bench that breaks off is the end."""
    view = _Duration()
    if not session.bench.model.virtual:
        result = session.run(profile, view)
        if result.outcome.verdict is None:
            raise BenchError(
                f"the bench broke the exploration off: {result.outcome.aborted} (log {result.log})"
            )
        return _asplayed(result, view)
    with tempfile.TemporaryDirectory() as folder:
        return _asplayed(replace(session, out=Path(folder)).run(profile, view), view)


def _asplayed(result: RunResult, view: _Duration) -> Played:
    return Played(result.outcome.verdict, result.findings, view.t_s)


def _beside_healthy(session: Session, healthy: Loaded[BenchFile], profile: Loaded[Profile]) -> str:
    verdict = played(replace(session, bench=healthy), profile).verdict
    if verdict == "pass":
        return "The unit without --fault passes this profile."
    return f"The unit without --fault does not pass it either ({verdict}): table and unit disagree without the fault."


def _nothing_found(console: Console, tally: Tally) -> int:
    if tally.broken_off:
        console.print(
            Text(f"The bench broke {tally.broken_off} of them off: those are no passes.", style="red")
        )
    if tally.not_begun:
        said_so = f"In {tally.not_begun} of them the vents never came to stand open, as every test begins."
        console.print(Text(said_so, style="yellow"))
    if tally.undecided > tally.not_begun:
        console.print(
            Text(f"{tally.undecided - tally.not_begun} of them could not be decided.", style="yellow")
        )
    if tally.unfit:
        said_so = (
            f"{tally.unfit} more could have taken longer than the time that was left: --budget gives more."
        )
        console.print(Text(said_so, style="yellow"))
    if tally.broken_off:
        return EXIT_BENCH
    if tally.played == 0:
        console.print(Text("Nothing was tried.", style="yellow"))
        return EXIT_INCONCLUSIVE
    console.print(
        Text("Nothing was found; that proves nothing but that these sequences do not show a fault.")
    )
    return EXIT_INCONCLUSIVE if tally.undecided else EXIT_PASS


def _sentence(tally: Tally) -> str:
    minutes = round(tally.greenhouse_s / 60)
    hours = f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"  # noqa: PLR2004
    found = f"; number {tally.until_found} showed a fault" if tally.best else ""
    return f"{tally.played} sequence(s) played, {hours} of greenhouse{found}"


def _demanded_and_seen(find: Find) -> str:
    failure = find.failure
    after = find.written.steps[failure.step - 1][failure.number].after
    since = "" if after is None else f", counted from: {find.written.sequence[after].move.planned.about}"
    return f"Demanded: {failure.signal} {failure.demand}{since}. Seen: {failure.why}."


@contextmanager
def _no_traces() -> Iterator[None]:
    """Keep the search engine from leaving its notes in the operator's folder."""
    from hypothesis.configuration import set_hypothesis_home_dir  # noqa: PLC0415 - slow to import

    with tempfile.TemporaryDirectory() as folder:
        set_hypothesis_home_dir(folder)
        try:
            yield
        finally:
            set_hypothesis_home_dir(None)


@contextmanager
def _progress(*, real: bool) -> Iterator[Callable[[Tally], None]]:
    """Give what shows how far it has come: on a terminal, and as lines elsewhere where it takes its time."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield (lambda tally: click.echo(_doing(tally), err=True)) if real else (lambda _: None)
        return
    with console.status("exploring") as status:
        yield lambda tally: status.update(_doing(tally))


def _doing(tally: Tally) -> str:
    if tally.best is None:
        return f"exploring: {_sentence(tally)}"
    actions = len(tally.best.written.sequence)
    return f"found, and being made shorter: {_sentence(tally)}; now {actions} action(s)"
