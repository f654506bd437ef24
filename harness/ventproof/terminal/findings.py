"""Tables after runs."""

from __future__ import annotations

import io
import math
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from ventproof.case.items import START
from ventproof.log.gaps import gaps_text, together
from ventproof.log.run import UNMEASURED
from ventproof.rejudge.standing import STANDINGS
from ventproof.report.alike import alike
from ventproof.session.repeats import COVERAGE
from ventproof.terminal.console import new_console, tell_left
from ventproof.terminal.live import VERDICT_STYLE
from ventproof.verdict.brief import brief
from ventproof.verdict.finding import Finding, Status
from ventproof.verdict.text import margin_text, percent, rounded_up, skipped, titled, took_text
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from ventproof.log.events import PinnedCheck
    from ventproof.log.read import LogState
    from ventproof.rejudge.again import Decided
    from ventproof.session.repeats import RepeatSeries
    from ventproof.session.session import RunResult


_NOTABLE: Final = 1e-4
_HOLLOW_SHOWN: Final = 3
_CAUSES_SHOWN: Final = 5
_MARGIN_WIDTH: Final = 18


def show(
    done: Sequence[RepeatSeries], selfcheck: PinnedCheck | None, *, virtual: bool = False, quiet: bool = False
) -> None:
    """Print the tables of all runs, where their logs are, what repeats prove, and the count of verdicts.

    Which self-check of the bench stands behind them is told in a line; of a `virtual` bench only if there is one.

    Of one profile the first run and those that did not pass are shown whole; of several, what did not pass of each, and
    all of them in a line each; when `quiet`, in a line each alone. What runs have in common that did not pass comes
    last. A reader that went away is no error: the records are written, and the exit code tells how the runs ended.
    """
    with suppress(BrokenPipeError):
        _show(new_console(), done, _behind(selfcheck, virtual=virtual), virtual=virtual, quiet=quiet)


def _show(console: Console, done: Sequence[RepeatSeries], behind: str, *, virtual: bool, quiet: bool) -> None:
    alone = len(done) == 1
    for series in done:
        for number, result in enumerate(series.results):
            if not quiet and ((alone and number == 0) or result.outcome.verdict != "pass"):
                _show_run(console, result, whole=alone)
        if series.sentences:
            console.print(
                Text(f"{series.results[0].profile}: {number_of(len(series.results), 'run')}", style="bold")
            )
            for sentence in series.sentences:
                console.print(Text(f"  {sentence}"))
            if series.times:
                console.print(_times_table(series))
                for sentence in _lot_risks(series):
                    console.print(Text(f"  {sentence}"))
            console.print()
    if quiet or not alone:
        console.print(_suite_table([result for series in done for result in series.results]))
    if behind:
        console.print(Text(behind, style="yellow" if behind == UNMEASURED else "dim"), soft_wrap=True)
    results = [result for series in done for result in series.results]
    _close(console, results, virtual=virtual, quiet=quiet)


def _suite_table(results: Sequence[RunResult]) -> Table:
    """Return one line for each run, the worst first: its profile, how it ended, and its log's digest."""
    folder = results[0].log.parent
    table = Table(title=f"logs in {folder}", title_justify="left", expand=False)
    table.add_column("Profile", overflow="fold")
    table.add_column("Passed", justify="right", no_wrap=True)
    table.add_column("Verdict", no_wrap=True)
    table.add_column("Digest", no_wrap=True)
    for result in sorted(results, key=lambda one: STANDINGS.index(_ended(one))):
        passed = sum(finding.status is Status.PASS for finding in result.findings)
        table.add_row(
            Text(result.profile),
            f"{passed} of {len(result.findings)}" if result.outcome.verdict else f"{passed}",
            Text(_ended(result), style=VERDICT_STYLE[_ended(result)]),
            f"{result.digest[:16]}…",
        )
    return table


def _ended(result: RunResult) -> str:
    return str(result.outcome.verdict or "aborted")


def _show_aborts(console: Console, results: Sequence[RunResult]) -> None:
    """Print each reason for which runs were aborted once."""
    reasons = Counter(result.outcome.aborted for result in results if not result.outcome.verdict)
    for reason, runs in reasons.items():
        said = f"aborted: {reason} ({runs} of {number_of(len(results), 'run')})"
        console.print(Text(said), soft_wrap=True)


def _close(console: Console, results: Sequence[RunResult], *, virtual: bool, quiet: bool) -> None:
    """Print what a reader must not miss: what did not pass, the count, and outputs that may not be safe."""
    if quiet or len(results) > 1:
        _show_causes(console, results)
        _show_aborts(console, results)
    for result in results:
        if any(f.step == START and f.status is not Status.PASS for f in result.findings):
            console.print(Text(f"{result.profile}: the start state was not reached: nothing was tested"))
    for said in _hollow(results):
        console.print(Text(f"note: {said}"))
    if settings := _settings(results):
        console.print(Text(f"settings of the unit: {settings}"), soft_wrap=True)
    if gaps := together(result.gaps for result in results):
        in_runs = (
            f", in {sum(bool(r.gaps) for r in results)} of {len(results)} runs" if len(results) > 1 else ""
        )
        console.print(Text(f"no evidence at times: {gaps_text(gaps)}{in_runs}"), soft_wrap=True)
    counts = Counter(str(r.outcome.verdict or "aborted") for r in results)
    console.print(
        Text(
            f"{number_of(counts.total(), 'run')}: " + ", ".join(f"{n} {v}" for v, n in sorted(counts.items()))
        )
    )
    if not virtual and not results[-1].outcome.unsafe:
        tell_left(console, results[-1].left)
    for result in results:
        if result.outcome.unsafe:
            tell_left(console, result.left, result.outcome.unsafe, result.profile)


def _show_causes(console: Console, results: Sequence[RunResult]) -> None:
    """Print what did not pass, the worst and the most frequent first: what went wrong alike once, with one example."""
    groups = alike(
        (str(one.verdict), brief(one), one.miss.by if one.miss else 0.0, result.log, (result, one))
        for result in results
        for one in result.findings
        if one.status is not Status.PASS and not one.skipped
    )
    for group in groups[:_CAUSES_SHOWN]:
        result, first = group.found[0]
        count = f" ({group.runs} of {len(results)} runs)" if len(results) > 1 else ""
        line = f"{group.verdict}: {group.brief}{count}"
        one_of = "" if group.runs == 1 else "worst: " if first.miss else "for example, "
        console.print(Text(line, style=VERDICT_STYLE[group.verdict]), soft_wrap=True)
        where = "  " if len(results) == 1 else f"  {one_of}{result.profile}: "
        by = f" ({margin_text(first)})" if first.miss else ""
        console.print(Text(f"{where}{first.step_name}: {first.why}{by}"), soft_wrap=True)
    if more := len(groups[_CAUSES_SHOWN:]):
        console.print(Text(f"{more} more: `ventproof report {results[0].log.parent} -o FILE.html` shows all"))


def _hollow(results: Sequence[RunResult]) -> list[str]:
    """Return the passes that show nothing, the profile taking them as they are: a few each, of many how many."""
    found = [(r.log.name, f) for r in results for f in r.findings if f.hollow and f.status is Status.PASS]
    if len(found) <= _HOLLOW_SHOWN:
        return [f"{log}: {f.step_name}: {f.signal} {f.demand}: {f.why}" for log, f in found]
    logs = len({log for log, _ in found})
    return [
        f"{len(found)} passes in {logs} logs show nothing, for all that is known: `ventproof report` names them"
    ]


def _settings(results: Sequence[RunResult]) -> str:
    """Return what became of the unit's settings over all runs: what each was, and how many runs wrote it."""
    fates: dict[str, Counter[str]] = {}
    for told in (told for result in results for told in result.settings):
        found = f"found {told.found}" if told.found else "cannot be read"
        fates.setdefault(f"{told.name}: {found}", Counter())[told.fate] += 1
    runs = len(results)
    return "; ".join(
        f"{said}, "
        + ", ".join(fate if n == runs else f"{fate} ({n} of {runs} runs)" for fate, n in counts.items())
        for said, counts in fates.items()
    )


def _behind(selfcheck: PinnedCheck | None, *, virtual: bool) -> str:
    if selfcheck is None:
        return "" if virtual else UNMEASURED
    when = f" of {selfcheck.started}" if selfcheck.started else ""
    what = "self-check" if selfcheck.kind == "bench" else "check of the hook-up"
    left = f", not judged: {', '.join(selfcheck.left)}" if selfcheck.left else ""
    return f"{what}{when}: {selfcheck.result}{left}, digest {selfcheck.sha256[:16]}…"


def _times_table(series: RepeatSeries) -> Table:
    share = percent(COVERAGE)
    table = Table(title="response times", title_justify="left", expand=False)
    table.add_column("step")
    table.add_column("response", ratio=1)
    for heading in (f"{share} of these", f"{share} of future ones", "the same, if normal"):
        table.add_column(heading, justify="right")
    for row in series.times:
        limit = f"takes {series.needed} repeats" if row.limit_s is None else _seconds(row.limit_s)
        normal = "–" if row.normal_limit_s is None else _seconds(row.normal_limit_s)
        table.add_row(Text(row.step), Text(row.response), _seconds(row.seen_s), limit, normal)
    return table


def _lot_risks(series: RepeatSeries) -> list[str]:
    """Return what the deadlines mean over a lot of such responses (JCGM 106:2012, 9.5)."""
    known = [(row, row.risks) for row in series.times if row.risks is not None]
    risky = [
        f"Over a lot, {100 * risks.consumer:.2g} % would be late yet pass and {100 * risks.producer:.2g} % in time yet "
        f"not pass: {row.response}"
        for row, risks in known
        if max(risks.consumer, risks.producer) >= _NOTABLE
    ]
    nothing = f"Over a lot of such responses less than {percent(_NOTABLE)} would be late yet pass, or in time yet not."
    return risky or ([nothing] if known else [])


def _seconds(value_s: float) -> str:
    return "no limit" if math.isinf(value_s) else f"≤ {rounded_up(value_s, 2)} s"


def _show_run(console: Console, result: RunResult, *, whole: bool) -> None:
    verdict = _ended(result)
    if result.findings:
        console.print(findings_table(result.profile, result.findings, whole=whole))
    else:
        console.print(Text(result.profile, style="bold italic"))
    console.print(Text(verdict, style=VERDICT_STYLE[verdict]), Text(result.outcome.aborted))
    console.print(Text(f"log {result.log}  digest {result.digest[:16]}…"), style="dim", soft_wrap=True)
    console.print()


def show_decided(log: str, state: LogState, decided: Decided) -> None:
    """Print what a log's evidence says now, and what changed against the findings that it holds."""
    console = new_console()
    profile = titled(decided.profile, decided.decision)
    console.print(findings_table(profile, decided.findings))
    for old, new in decided.changes:
        was = old.verdict if old else "undecided"
        what = f"{new.step_name}: {new.signal} {new.demand}"
        became = "other reasons or numbers" if old and old.verdict is new.verdict else str(new.verdict)
        console.print(Text(f"changed: {what}: {was} → {became}. {new.why}"))
    if not decided.changes:
        console.print(Text("nothing changed"))
    if gaps := state.told.gaps:
        console.print(Text(f"no evidence at times: {gaps_text(gaps)}"), soft_wrap=True)
    if decided.verdict is None:
        broken = (
            f"line {state.broken_at} breaks the chain"
            if state.broken_at
            else "it has no closing line with a verdict"
        )
        console.print(
            Text(
                f"{log}: aborted run: {broken}; the findings above are what its {state.lines} intact lines prove"
            )
        )
    else:
        console.print(Text(f"{log}: {decided.verdict}", style=VERDICT_STYLE[decided.verdict]))


def findings_table(title: str, findings: Sequence[Finding], *, whole: bool = True) -> Table:
    """Return the table of one run's findings; those of steps that were not run share one row.

    Args:
        title: the profile's.
        findings: in the order of the profile.
        whole: whether passes that show something have a row each; else they are counted.
    """
    table = Table(title=Text(title), title_justify="left", title_style="bold", expand=False)
    table.add_column("Step", overflow="fold")
    table.add_column("Requirement", overflow="fold", ratio=1)
    table.add_column("Response time", no_wrap=True)
    table.add_column("Margin", max_width=_MARGIN_WIDTH)
    table.add_column("Verdict", no_wrap=True)
    previous = None
    for finding in findings:
        if finding.skipped or not (whole or finding.explained):
            continue
        demand = f"{finding.signal} {finding.demand}"
        if finding.explained and finding.why:
            demand += f"\n→ {finding.why}"
        if finding.verdict == "inconclusive" and finding.conformance is not None:
            share = 100 * finding.conformance
            demand += f"\n→ probability of conformance {share:.0f} %, equal weights (JCGM 106)"
        table.add_row(
            Text("" if finding.step_name == previous else finding.step_name),
            Text(demand),
            took_text(finding),
            margin_text(finding),
            Text(finding.verdict, style=VERDICT_STYLE[finding.verdict]),
        )
        previous = finding.step_name
    if passes := 0 if whole else sum(not finding.explained for finding in findings):
        table.add_row("", f"{passes} more", "–", "–", Text("pass", style=VERDICT_STYLE["pass"]))
    for reason, count in skipped(findings).items():
        style = VERDICT_STYLE["inconclusive"]
        table.add_row("", Text(f"{count} more, {reason.text}"), "–", "–", Text(Status.NOT_RUN, style=style))
    return table


def plain(table: Table, *, width: int = 110) -> str:
    """Return a table as plain text without control codes."""
    buffer = io.StringIO()
    Console(file=buffer, width=width, color_system=None, force_terminal=False).print(table)
    return "".join(f"{line.rstrip()}\n" for line in buffer.getvalue().splitlines())
