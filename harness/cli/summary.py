"""What the terminal shows after runs: a table for each, and one line for all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from harness.run.text import VERDICT_STYLE, findings_table

if TYPE_CHECKING:
    from harness.session import RunResult


def show(results: Sequence[RunResult]) -> None:
    """Print the tables of all runs, where their logs are, and the count of verdicts."""
    console = Console(highlight=False, soft_wrap=False)
    if not console.is_terminal:
        console.width = 120
    for result in results:
        verdict = str(result.outcome.verdict or "aborted")
        console.print(findings_table(result.profile, result.findings))
        console.print(Text(f"{verdict}", style=VERDICT_STYLE[verdict]), Text(result.outcome.aborted))
        console.print(Text(f"log {result.log}  digest {result.digest[:16]}…"), style="dim", soft_wrap=True)
        console.print()
    counts = Counter(str(r.outcome.verdict or "aborted") for r in results)
    console.print(Text(f"{len(results)} run(s): " + ", ".join(f"{n} {v}" for v, n in sorted(counts.items()))))
