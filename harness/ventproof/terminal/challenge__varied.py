"""What the terminal says of healthy variations of a unit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

from rich.text import Text

from harness.cli.console import new_console
from harness.judge.verdict import code_of

if TYPE_CHECKING:
    from harness.prove.benign import Variation
    from harness.prove.workers import Suite


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
