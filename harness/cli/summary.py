"""What the terminal shows after runs: a table for each, and one line for all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from harness.run.text import VERDICT_STYLE, findings_table

if TYPE_CHECKING:
    from harness.record.again import Decided
    from harness.record.read import LogState
    from harness.session import RunResult


def show(results: Sequence[RunResult]) -> None:
    """Print the tables of all runs, where their logs are, and the count of verdicts."""
    console = _console()
    for result in results:
        verdict = str(result.outcome.verdict or "aborted")
        console.print(findings_table(result.profile, result.findings))
        console.print(Text(f"{verdict}", style=VERDICT_STYLE[verdict]), Text(result.outcome.aborted))
        console.print(Text(f"log {result.log}  digest {result.digest[:16]}…"), style="dim", soft_wrap=True)
        console.print()
    counts = Counter(str(r.outcome.verdict or "aborted") for r in results)
    console.print(Text(f"{len(results)} run(s): " + ", ".join(f"{n} {v}" for v, n in sorted(counts.items()))))


def show_decided(log: str, state: LogState, decided: Decided) -> None:
    """Print what a log's evidence says now, and what changed against the findings that it holds."""
    console = _console()
    profile = state.events[0]["profile"]["name"]
    console.print(findings_table(profile, decided.findings))
    for old, new in decided.changes:
        was = old["verdict"] if old else "undecided"
        console.print(
            Text(
                f"changed: {new['in']}: {new['signal']} {new['demand']}: {was} → {new['verdict']}. {new['why']}"
            )
        )
    if not decided.changes:
        console.print(Text("nothing changed"))
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


def _console() -> Console:
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = 120
    return console
