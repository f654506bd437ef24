"""How comparisons and trends look in a terminal."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from contextlib import suppress
from itertools import groupby
from typing import TYPE_CHECKING, Final

from rich.table import Table
from rich.text import Text

from ventproof.compare.comparison import amount, closing, counted, limit, moved, response, sentence, side_line
from ventproof.rejudge.batch import WORST_FIRST
from ventproof.terminal.console import new_console
from ventproof.verdict.finding import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import Console

    from ventproof.compare.comparison import Comparison, Flip, Lone
    from ventproof.compare.measures import Compared
    from ventproof.compare.trend import FirmwareTrend


EXIT_CODE: Final = {"same": EXIT_PASS, "worse": EXIT_FAIL, "open": EXIT_INCONCLUSIVE}

_STYLE: Final = {"worse": "bold red", "better": "green", "open": "yellow", "same": "green", "new": "green"}
_ORDER: Final = ("worse", "open", "better", "same")
_INDENT: Final = 10
_FEW: Final = 8
"""So many flips or shifts are told in full; of more, each has a line."""

_MOST: Final = 15
"""So many flips or shifts have a line; the rest is counted."""


def show_comparison(found: Comparison, *, everything: bool) -> None:
    """Print a comparison: what flipped, what shifted, and what it comes to.

    Args:
        found: the comparison.
        everything: show every flip and every shift in full; otherwise only shifts beyond their limits (open ones where
            there are no others), alike ones of several profiles together, without those of responses whose verdict
            says it already, and no more than can be read.
    """
    console = new_console()
    with suppress(BrokenPipeError):
        console.print(Text(side_line("base", found.base)))
        console.print(Text(side_line("candidate", found.candidate)))
        for alarm in found.alarms:
            console.print(Text(f"! {alarm}", style="bold yellow"))
        if found.flips:
            console.print(Text("\nchanged verdicts", style="bold"))
            _show_flips(console, found.flips, everything=everything)
        if found.lone:
            console.print(Text("\nknown of one side only", style="bold"))
            _show_lone(console, found.lone, everything=everything)
        groups = [[one] for one in found.shifts] if everything else _alike(_notable(found))
        if groups:
            console.print(Text("\nshifts", style="bold"))
        _show_shifts(console, groups, found.confidence, everything=everything)
        console.print()
        for line in counted(found):
            console.print(Text(line))
        console.print(Text(closing(found), style=_STYLE[found.outcome]))


def _show_flips(console: Console, flips: Sequence[Flip], *, everything: bool) -> None:
    told = sorted((flip for flip in flips if not flip.not_run), key=_first)
    whole = everything or len(told) <= _FEW
    left = set(told if whole else told[:_MOST])
    for profile, group in groupby(flips, key=lambda flip: flip.profile):
        items = list(group)
        shown = sorted((one for one in items if one in left), key=_first)
        if not (shown or whole):
            continue
        skipped = sum(one.not_run for one in items)
        rest = f"{skipped} more not run, an earlier step not having passed" if skipped else ""
        console.print(Text.assemble((profile, "italic"), f" ({rest})" if rest and not whole else ""))
        for flip in shown:
            what, said = flip.response or "the whole run", f"{flip.before} → {flip.after}"
            if whole:
                _entry(console, flip.turn, what, f"{said}. {flip.why}" if flip.why else said)
            else:
                where = f"  {flip.step}" if flip.step else ""  # last, for the ends of lines may be cut
                turned = f"{_alone(flip.before)} → {_alone(flip.after)}"
                _line(console, flip.turn, f"{turned}  {flip.demand or what}{where}")
        if rest and whole:
            _entry(console, "worse", rest)
    if hidden := [flip for flip in told if flip not in left]:
        profiles = len({flip.profile for flip in hidden})
        console.print(Text(f"and {len(hidden)} more in {profiles} profile(s): {_ALL}"))


def _show_lone(console: Console, lone: Sequence[Lone], *, everything: bool) -> None:
    """Print what only one side tells of, what leaves something open first."""
    told = sorted(lone, key=lambda one: not one.open)
    for one in told if everything else told[:_MOST]:
        what = f"{one.profile}: {one.response}" if one.response else one.profile
        _entry(console, "open" if one.open else "new", what, f"{one.side}: {one.verdicts}. {one.why}")
    if not everything and len(told) > _MOST:
        console.print(Text(f"and {len(told) - _MOST} more: {_ALL}"))


def _alone(verdicts: str) -> str:
    """Return a verdict without how many runs had it, where all had the same."""
    return verdicts if "," in verdicts else verdicts.partition(" (")[0]


_ALL: Final = "--all shows them"


def _first(flip: Flip) -> int:
    return _ORDER.index(flip.turn)


def _notable(found: Comparison) -> list[Compared]:
    """Return the shifts that a reader must see, but for those of responses whose verdict says it already.

    Open ones are told where nothing else is to be told.
    """
    told = {(flip.profile, flip.response) for flip in found.flips if flip.turn == "worse"}
    moved = [s for s in found.shifts if s.meaning != "same" and (s.key.profile, response(s)) not in told]
    return [s for s in moved if s.meaning != "open"] or ([] if told else moved)


def _alike(shifts: Sequence[Compared]) -> list[list[Compared]]:
    """Return shifts of the same response in several profiles together, the worst first, of like ones the greatest.

    How great a shift is, its limit says.
    """
    groups: dict[tuple[str, ...], list[Compared]] = defaultdict(list)
    for one in shifts:
        groups[one.meaning, one.key.step, one.key.signal, one.demand, one.measure].append(one)
    ordered = (sorted(group, key=lambda one: -_size(one)) for group in groups.values())
    return sorted(ordered, key=lambda group: (_ORDER.index(group[0].meaning), -_size(group[0])))


def _size(one: Compared) -> float:
    return abs(one.shift.estimate) / one.shift.limit if one.shift.limit else math.inf


def _show_shifts(
    console: Console, groups: Sequence[Sequence[Compared]], confidence: float, *, everything: bool
) -> None:
    if everything or len(groups) <= _FEW:
        for group in groups:
            _show_shift(console, group, confidence)
        return
    for group in groups[:_MOST]:
        first = group[0]
        told = f"{first.key.signal} {first.demand}  {first.key.step}, in {_places(group)}"
        _line(console, first.meaning, f"{moved(first)} (limit {amount(limit(first), first.unit)})  {told}")
    if hidden := len(groups) - _MOST:
        console.print(Text(f"and {hidden} more that are smaller: {_ALL}"))


def _show_shift(console: Console, group: Sequence[Compared], confidence: float) -> None:
    first = group[0]
    _entry(console, first.meaning, response(first), sentence(first, confidence), f"in {_places(group)}")


def _places(group: Sequence[Compared]) -> str:
    """Return where a shift is told of, and how often it is alike elsewhere."""
    profiles = len({one.key.profile for one in group})
    if profiles > 1:
        return f"{group[0].key.profile}, and the same in {profiles - 1} more profile(s)"
    more = f", and {len(group) - 1} more the same in it" if len(group) > 1 else ""
    return f"{group[0].key.profile}{more}"


def _line(console: Console, word: str, said: str) -> None:
    """Print one line, cut where the terminal ends."""
    text = Text.assemble((f"  {word:<{_INDENT - 2}}", _STYLE[word]), said)
    console.print(text, no_wrap=True, overflow="ellipsis")


def _entry(console: Console, word: str, what: str, said: str = "", where: str = "") -> None:
    line = Table.grid(padding=(0, 0))
    line.add_column(width=_INDENT)
    line.add_column()
    line.add_row(Text(f"  {word}", style=_STYLE[word]), Text(what))
    for text, style in ((said, ""), (where, "dim")):
        if text:
            line.add_row("", Text(text, style=style))
    console.print(line)


def show_trend(found: FirmwareTrend, *, everything: bool) -> None:
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
            alike = _alike([change.compared for change in group])
            _show_shifts(console, alike, found.confidence, everything=everything)
        console.print()
        for line in _told(found, len(found.changes) - len(shown)):
            console.print(Text(line))


def _span(versions: Sequence[str]) -> str:
    ends = [name or "not stated" for name in (versions[0], versions[-1])]
    return ends[0] if len(versions) == 1 else f"{ends[0]} to {ends[1]}"


def _told(found: FirmwareTrend, hidden: int) -> Iterator[str]:
    if len(found.versions) == 1:
        yield "there is one firmware version only, and so no trend"
        return
    surely = sum(change.compared.meaning != "open" for change in found.changes)
    yield f"{found.courses} courses over {len(found.versions)} versions: {surely} change(s) beyond their limits"
    if hidden:
        yield f"{hidden} more are inconclusive (--all shows them)"
