"""Challenges, table lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Final, Self, final

from rich.console import Console, RenderableType
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.table import Table
from rich.text import Text

from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof.terminal.console import Names, new_console
from ventproof.terminal.progress import Seldom, pace
from ventproof.verdict.finding import code_of
from ventproof_bench.base.clock import Stopwatch
from ventproof_bench.benchcheck.load import with_faults
from ventproof_bench.mock.faults.fault import FAMILIES

if TYPE_CHECKING:
    from ventproof.challenge.challenge import Challenged, Result, Variation
    from ventproof.challenge.settings import Moved
    from ventproof.challenge.trial import Suite
    from ventproof.draft.traceability import Traced


_STYLE: Final = {"caught": "green", "open": "yellow", "missed": "red"}


@final
class Progress:
    """A bar on a terminal's error output; elsewhere a line now and then.

    Args:
        phases: what is worked through, one after the other.
    """

    def __init__(self, *phases: str) -> None:
        console = Console(stderr=True)
        columns = (
            TextColumn("{task.description}"),
            BarColumn(bar_width=20),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TextColumn("left"),
            TimeRemainingColumn(),
        )
        self._bar = Bar(*columns, console=console, transient=True, disable=not console.is_terminal)
        self._phases = iter(phases)
        self._task = self._bar.add_task("starting", total=None)
        self._phase = ""
        self._watch = Stopwatch()
        self._lines = None if console.is_terminal else Seldom(Stopwatch().gone_s)

    def told(self, done: int, of: int) -> None:
        """Take how far the phase has come; the first of it that is done begins it."""
        if done == 1:
            self._phase = next(self._phases, "")
            self._bar.update(self._task, description=self._phase)
            self._watch = Stopwatch()
        self._bar.update(self._task, completed=done, total=of)
        if self._lines is not None:
            self._lines.say(f"{self._phase}: {pace(done, of, self._watch.gone_s())}")

    def remark(self, line: str) -> None:
        """Take what whoever waits should know."""
        self._bar.update(self._task, description=line)
        if self._lines is not None:
            self._lines.say(line)

    def __enter__(self) -> Self:
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()


def keep_logs(result: Result, session: Session) -> int:
    """Run the profile that found each fault once more, with a log; return how many there are."""
    caught = [c for c in result.faults if c.caught_by]
    for challenged in caught:
        name = challenged.fault.name
        faulty = Session(
            bench=with_faults(session.bench, {name: 1.0}),
            out=session.out / name,
            unit=session.unit,
            firmware=f"{session.firmware}, {name}",
            operator=session.operator,
            seed=session.seed,
        )
        faulty.run(result.suite.profiles[challenged.caught_by[0]], SilentView())
    return len(caught)


def show_challenge(result: Result) -> None:
    """Print the share of each family, what the profiles found, and what was missed; a reader may go away."""
    with suppress(BrokenPipeError):
        _show(new_console(), result)


def _show(console: Console, result: Result) -> None:
    suite = result.suite
    title = f"{len(suite.profiles)} profiles against {len(result.faults)} faults on {suite.bench.model.bench}"
    console.print(Text(title, style="bold"))
    console.print(_families(result))
    if result.full:
        console.print(_profiles(result))
        names = ", ".join(suite.profiles[number].model.profile for number in result.enough)
        few = f"{len(result.enough)} of {len(suite.profiles)} profiles"
        console.print(Text(f"{few} detect the same faults as the suite (fewer may suffice): {names}"))
    graded = [c for c in result.faults if c.smallest is not None]
    if graded:
        console.print(_severities(graded))
    if result.settings:
        console.print(_settings(result))
    for challenged in result.faults:
        _show_trouble(console, result, challenged)
    if result.lacking:
        console.print(Text(f"not applicable to this unit: {', '.join(result.lacking)}", style="dim"))
    caught, left, missed = (len(result.of(found)) for found in ("caught", "open", "missed"))
    rightly = sum(bool(c.fault.undecided) for c in result.of("open"))
    open_ = f"{left} inconclusive" + (f" ({rightly} as expected)" if rightly else "")
    total = f"{caught} of {caught + left + missed} faults detected, {open_}, {missed} not detected"
    console.print(Text(total, style="red" if missed else "yellow" if left > rightly else "green"))


def _show_trouble(console: Console, result: Result, challenged: Challenged) -> None:
    """Print a fault that was not caught, and why."""
    fault = challenged.fault
    if challenged.found == "caught":
        return
    if fault.equivalent:
        console.print(Text(f"equivalent: {fault.name}: {fault.equivalent}", style="dim"))
        return
    if challenged.found == "missed":
        console.print(
            Text(f"not detected: {fault.name} ({fault.family}): {challenged.missed}", style=_STYLE["missed"])
        )
    else:
        number = challenged.left_open_by[0]
        name, why = result.suite.profiles[number].model.profile, challenged.trials[number].why
        why = f"as expected: {fault.undecided}" if fault.undecided else f"{name}: {why}"
        console.print(Text(f"inconclusive: {fault.name} ({fault.family}): {why}", style=_STYLE["open"]))
    console.print(Text(f"  {fault.about}", style="dim"))


def _families(result: Result) -> Table:
    table = Table(expand=False)
    table.add_column("family")
    for heading in ("detected", "inconclusive", "not detected", "share"):
        table.add_column(heading, justify="right")
    for family in FAMILIES:
        counts = [sum(c.fault.family == family for c in result.of(f)) for f in ("caught", "open", "missed")]
        if total := sum(counts):
            style = "red" if counts[2] else "yellow" if counts[1] else "green"
            share = Text(f"{100 * counts[0] / total:.0f} %", style=style)
            table.add_row(family, *(str(count) if count else "–" for count in counts), share)
    return table


def _profiles(result: Result) -> Table:
    title = "what each profile adds, faults at severity 1"
    table = Table(title=title, title_justify="left", title_style="bold", expand=False)
    table.add_column("Profile", overflow="fold")
    table.add_column("Detected first", justify="right")
    table.add_column("Detected only here", overflow="fold", ratio=1)
    for number, profile in enumerate(result.suite.profiles):
        first = sum(c.caught_by[:1] == (number,) for c in result.faults)
        only = ", ".join(result.only_by(number)) or "none"
        table.add_row(Text(profile.model.profile), str(first), Text(only))
    return table


def _severities(graded: list[Challenged]) -> Table:
    table = Table(title="smallest severity that is still detected", title_justify="left", expand=False)
    table.add_column("fault")
    table.add_column("severity", justify="right")
    table.add_column("meaning of a severity", overflow="fold", ratio=1)
    for challenged in graded:
        table.add_row(challenged.fault.name, f"{challenged.smallest:.2g}", Text(challenged.fault.severity))
    return table


def _settings(result: Result) -> Table:
    table = Table(title="smallest change of a setting that is detected", title_justify="left", expand=False)
    table.add_column("rule", overflow="fold")
    table.add_column("value", justify="right", no_wrap=True)
    for heading in ("less", "more"):
        table.add_column(heading, overflow="fold")
    for moved in result.settings:
        setting = moved.setting
        cells = (_moved(result, way, setting.unit) for way in moved.ways)
        table.add_row(setting.line, f"{setting.value:g} {setting.unit}", *cells)
    return table


def _moved(result: Result, way: Moved, unit: str) -> Text:
    if not way.most:
        return Text("–", style="dim")
    if way.smallest is None or way.by is None:
        return Text(f"none up to {way.most:.3g} {unit}: {way.missed}", style="yellow")
    return Text(f"{way.smallest:.2g} {unit}: {result.suite.profiles[way.by].model.profile}")


def code_of_varied(varied: Sequence[Variation]) -> int:
    """Return the exit code, as for runs."""
    return code_of(variation.trial.verdict for variation in varied)


def show_varied(suite: Suite, varied: Sequence[Variation]) -> None:
    """Print every variation that did not pass, and the count; a reader may go away."""
    with suppress(BrokenPipeError):
        console = new_console()
        for variation in varied:
            if not variation.trial.passed:
                verdict = variation.trial.verdict or "no verdict"
                name = suite.profiles[variation.profile].model.profile
                console.print(Text(f"{verdict}: seed {variation.seed}: {name}: {variation.trial.why}"))
        counts = Counter(str(variation.trial.verdict or "no verdict") for variation in varied)
        said = ", ".join(f"{count} {verdict}" for verdict, count in sorted(counts.items()))
        console.print(
            Text(f"{len(varied)} healthy variations of {suite.bench.model.bench}: {said}", style="bold")
        )


_SHOWN: Final = 3


def show_traced(rows: Sequence[Traced], *, table: str, whole: bool) -> None:
    """Print each line of a table with its profiles, or only those not proved; a reader that left is no error."""
    with suppress(BrokenPipeError):
        _show_rules(new_console(), rows, table, whole=whole)


def _show_rules(console: Console, rows: Sequence[Traced], table: str, *, whole: bool) -> None:
    without = [row for row in rows if row.standing != "proved"]
    shown = rows if whole else without
    if shown:
        console.print(_matrix(shown, table, whole=whole))
    counts = Counter(row.standing for row in without)
    said = f"{len(rows) - len(without)} of {len(rows)} lines of {table} would be proved by runs that pass"
    rest = "; ".join(f"{count} {standing}" for standing, count in sorted(counts.items()))
    console.print(Text(f"{said}; {rest}" if rest else said, style="yellow" if rest else "green"))


def _matrix(rows: Sequence[Traced], table: str, *, whole: bool) -> Table:
    title = f"lines of {table} and who proves them" if whole else f"lines of {table} that are not proved"
    made = Table(title=title, title_justify="left", expand=False)
    made.add_column("line", justify="right", no_wrap=True)
    for heading in ("name", "says", "proved by"):
        made.add_column(heading, overflow="fold")
    for row in rows:
        names = _few(list(dict.fromkeys(claim.profile for claim in row.claims)))
        by: RenderableType = Names(names)
        if row.standing != "proved":
            left = [f"would pass too: {its}" for its in row.shown.left] if row.claims else []
            parts = [row.standing, *([names] if names else []), *left]
            by = Text("\n".join(parts), style="yellow")
        made.add_row(str(row.line.number), Names(row.line.name), Text(row.line.says), by)
    return made


def _few(names: Sequence[str]) -> str:
    more = len(names) - _SHOWN
    return "\n".join((*names[:_SHOWN], *([f"and {more} more"] if more > 0 else ())))
