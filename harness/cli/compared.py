"""How comparisons and trends look in a terminal."""

from __future__ import annotations

from collections import Counter, defaultdict
from contextlib import suppress
from itertools import groupby
from typing import TYPE_CHECKING, Final

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from harness.cli import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from harness.cli.console import new_console
from harness.record.compare.words import closing, counted, response, sentence, side_line
from harness.record.logged import WORST_FIRST

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import Console

    from harness.record.compare.comparison import Comparison
    from harness.record.compare.flips import Flip
    from harness.record.compare.measures import Compared
    from harness.record.compare.trend import Trend

EXIT_CODE: Final = {"same": EXIT_PASS, "worse": EXIT_FAIL, "open": EXIT_INCONCLUSIVE}

_STYLE: Final = {"worse": "bold red", "better": "green", "open": "yellow", "same": "green"}
_ORDER: Final = ("worse", "open", "better", "same")
_INDENT: Final = 10


def show_comparison(found: Comparison, *, everything: bool) -> None:
    """Print a comparison: what flipped, what shifted, and what it comes to.

    Args:
        found: the comparison.
        everything: show every shift; otherwise only those beyond their limits or open, alike ones of several profiles
            together, and without those of responses whose verdict says it already.
    """
    console = new_console()
    with suppress(BrokenPipeError):
        console.print(Text(side_line("base", found.base)))
        console.print(Text(side_line("candidate", found.candidate)))
        for alarm in found.alarms:
            console.print(Text(f"! {alarm}", style="bold yellow"))
        if found.flips:
            console.print(Text("\nverdicts that flipped", style="bold"))
            _show_flips(console, found.flips)
        groups = [[one] for one in found.shifts] if everything else _alike(_notable(found))
        if groups:
            console.print(Text("\nshifts", style="bold"))
        for group in groups:
            _show_shift(console, group, found.confidence)
        console.print()
        for line in counted(found):
            console.print(Text(line))
        console.print(Text(closing(found), style=_STYLE[found.outcome]))


def _show_flips(console: Console, flips: Sequence[Flip]) -> None:
    for profile, group in groupby(flips, key=lambda flip: flip.profile):
        items = list(group)
        console.print(Text(profile, style="italic"))
        for flip in sorted((one for one in items if not one.not_run), key=lambda one: _ORDER.index(one.turn)):
            said = f"{flip.before} → {flip.after}"
            _entry(
                console,
                flip.turn,
                flip.response or "the whole run",
                f"{said}. {flip.why}" if flip.why else said,
            )
        left = sum(one.not_run for one in items)
        if left:
            _entry(console, "worse", f"{left} more not run, an earlier step not having passed")


def _notable(found: Comparison) -> list[Compared]:
    """Return the shifts that a reader must see, but for those of responses whose verdict says it already."""
    told = {(flip.profile, flip.response) for flip in found.flips if flip.turn == "worse"}
    return [s for s in found.shifts if s.meaning != "same" and (s.key.profile, response(s)) not in told]


def _alike(shifts: Sequence[Compared]) -> list[list[Compared]]:
    """Return shifts of the same response in several profiles together, the worst first, of like ones the greatest."""
    groups: dict[tuple[str, ...], list[Compared]] = defaultdict(list)
    for one in shifts:
        groups[one.meaning, response(one), one.measure].append(one)
    ordered = (sorted(group, key=lambda one: -abs(one.shift.estimate)) for group in groups.values())
    return sorted(ordered, key=lambda group: _ORDER.index(group[0].meaning))


def _show_shift(console: Console, group: Sequence[Compared], confidence: float) -> None:
    first = group[0]
    alike = f", and alike in {len(group) - 1} more profile(s)" if len(group) > 1 else ""
    _entry(
        console,
        first.meaning,
        response(first),
        sentence(first, confidence),
        f"in {first.key.profile}{alike}",
    )


def _entry(console: Console, word: str, what: str, said: str = "", where: str = "") -> None:
    console.print(Text.assemble((f"  {word:<{_INDENT - 2}}", _STYLE[word]), what))
    for text, style in ((said, ""), (where, "dim")):
        if text:
            console.print(Padding(Text(text, style=style), (0, 0, 0, _INDENT), expand=False))


def show_trend(found: Trend, *, everything: bool) -> None:
    """Print how the runs of each version ended, and from which version on a response is another.

    Args:
        found: the trend.
        everything: also show the changes of which it cannot be told whether they are any.
    """
    console = new_console()
    with suppress(BrokenPipeError):
        table = Table(expand=False)
        table.add_column("firmware", overflow="fold")
        for heading in ("runs", *WORST_FIRST):
            table.add_column(heading, justify="right")
        for name, runs in found.versions.items():
            counts = Counter(run.verdict for run in runs)
            table.add_row(
                Text(name or "not stated"),
                str(len(runs)),
                *(str(counts[word] or "–") for word in WORST_FIRST),
            )
        for alarm in found.alarms:
            console.print(Text(f"! {alarm}", style="bold yellow"))
        console.print(table)
        shown = [c for c in found.changes if everything or c.compared.meaning != "open"]
        for (firmware, before), group in groupby(shown, key=lambda change: (change.firmware, change.before)):
            console.print(Text(f"\nsince {firmware or 'not stated'}, against {_span(before)}", style="bold"))
            for alike in _alike([change.compared for change in group]):
                _show_shift(console, alike, found.confidence)
        console.print()
        for line in _told(found, len(found.changes) - len(shown)):
            console.print(Text(line))


def _span(versions: Sequence[str]) -> str:
    ends = [name or "not stated" for name in (versions[0], versions[-1])]
    return ends[0] if len(versions) == 1 else f"{ends[0]} to {ends[1]}"


def _told(found: Trend, hidden: int) -> Iterator[str]:
    if len(found.versions) == 1:
        yield "there is one firmware version only, and so no trend"
        return
    surely = sum(change.compared.meaning != "open" for change in found.changes)
    yield f"{found.courses} courses over {len(found.versions)} versions: {surely} change(s) beyond their limits"
    if hidden:
        yield f"{hidden} more may have changed, which cannot be told (--all shows them)"
