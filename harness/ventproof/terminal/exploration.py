"""What the terminal shows of an exploration: how far it is, what was tried, and what was found."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from ventproof.explore.emit import said
from ventproof.terminal.console import error_console, new_console
from ventproof.terminal.progress import telling
from ventproof.verdict.finding import Verdict
from ventproof.verdict.text import about, clocked
from ventproof_bench.base.clock import Stopwatch
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from pathlib import Path

    from ventproof.explore.search import Find, Tally
    from ventproof.session.session import RunResult


def show_exploration(tally: Tally, left_out: Iterable[str]) -> None:
    """Print what was left out and tried, and what was found; what of it is a profile, `show_found` says."""
    console = new_console()
    for why in left_out:
        console.print(Text(f"not explored: {why}", style="dim"))
    console.print(Text(_sentence(tally)))
    if tally.best is None:
        _show_nothing(console, tally)
        return
    console.print()
    _show_find(console, tally.best, tally)


def show_text(text: str) -> None:
    """Print a profile that cannot be written."""
    new_console().print(text, markup=False)


def show_found(path: Path, *, logs: Path | None) -> None:
    """Print where the profile of a find lies, and on real wires the logs of every sequence."""
    console = new_console()
    console.print()
    console.print(Text(f"profile: {path}", style="bold"), soft_wrap=True)
    if logs is not None:
        console.print(Text(f"logs of every sequence: {logs}"), soft_wrap=True)


def show_again(again: RunResult) -> None:
    """Print how the profile of a find ended when it was run."""
    new_console().print(Text(f"log of its run: {again.log} ({again.outcome.verdict})"), soft_wrap=True)


def show_beside_healthy(verdict: Verdict | None) -> None:
    """Print how the profile of a find ended on the unit without the fault."""
    if verdict is Verdict.PASS:
        line = "The unit without --fault passes this profile."
    else:
        disagree = "table and unit disagree without the fault"
        line = f"The unit without --fault does not pass it either ({verdict}): {disagree}."
    new_console().print(Text(line))


def _show_find(console: Console, find: Find, tally: Tally) -> None:
    console.print(Text("FOUND: the unit does not do what its override table says.", style="bold red"))
    console.print(Text(find.text, style="red"))
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
        more = "The time was over before it was clear that it goes no shorter: --time-limit gives more."
        console.print(Text(more, style="yellow"))


def _show_nothing(console: Console, tally: Tally) -> None:
    if tally.broken_off:
        broken_off = f"The bench broke {tally.broken_off} of them off: those are no passes."
        console.print(Text(broken_off, style="red"))
    if tally.not_begun:
        not_begun = f"In {tally.not_begun} of them the vents never reached the open position of the start."
        console.print(Text(not_begun, style="yellow"))
    if tally.undecided > tally.not_begun:
        undecided = f"{tally.undecided - tally.not_begun} of them could not be decided."
        console.print(Text(undecided, style="yellow"))
    if tally.unfit:
        unfit = f"{tally.unfit} more could have taken longer than the time that was left: --time-limit gives more."
        console.print(Text(unfit, style="yellow"))
    if tally.broken_off:
        return
    if tally.played == 0:
        console.print(Text("Nothing was tried.", style="yellow"))
        return
    console.print(
        Text("Nothing was found; that proves nothing but that these sequences do not show a fault.")
    )


def _sentence(tally: Tally) -> str:
    found = f"; number {tally.until_found} showed a fault" if tally.best else ""
    return f"{number_of(tally.played, 'sequence')} played, {clocked(tally.greenhouse_s)} of greenhouse{found}"


@final
@dataclass(frozen=True, slots=True)
class ExplorationShown:
    """Shows how far an exploration has come.

    Attributes:
        told: takes what was done so far.
        remark: takes what whoever waits should know.
    """

    told: Callable[[Tally], None]
    remark: Callable[[str], None]


@contextmanager
def exploring(budget_s: float, *, real: bool) -> Iterator[ExplorationShown]:
    """Give what shows how far it has come, of `budget_s` seconds at most.

    Elsewhere than on a terminal that is a line for each sequence on real wires, and now and then one in virtual time.
    """
    watch = Stopwatch()
    console = error_console()

    def doing(tally: Tally) -> str:
        return _doing(tally, watch.gone_s(), budget_s)

    def say(line: str) -> None:
        console.print(Text(line), soft_wrap=True)

    if real and not console.is_terminal:  # each sequence takes its minutes
        yield ExplorationShown(lambda tally: say(doing(tally)), say)
        return
    with telling(watch.gone_s) as tell:
        yield ExplorationShown(lambda tally: tell(doing(tally)), tell)


def _doing(tally: Tally, gone_s: float, budget_s: float) -> str:
    rate = f"{60 * tally.played / gone_s:.1f} a minute" if gone_s > 0 else ""
    left = f"{rate}, at most {about(max(0, round(budget_s - gone_s)))} left"
    if tally.best is None:
        return f"exploring: {_sentence(tally)}; {left}"
    actions = len(tally.best.written.sequence)
    return f"found, and being made shorter: {_sentence(tally)}; now {number_of(actions, 'action')}; {left}"


def progress_rows(tally: Tally) -> list[tuple[str, str]]:
    """Return how far an exploration has come, as rows of a table."""
    rows = [
        ("sequences played", str(tally.played)),
        ("time of greenhouse", clocked(tally.greenhouse_s)),
        ("not decided", str(tally.undecided)),
    ]
    if tally.best is not None:
        actions = len(tally.best.written.sequence)
        rows.append(("violation found, being made shorter", number_of(actions, "action")))
    return rows
