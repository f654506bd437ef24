"""How comparisons and trends look in a terminal."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Final

from ventproof.compare.causes import cause_of_outcome, flip_groups, notable_shifts, shift_groups
from ventproof.compare.comparison import closing, counted, response, sentence, side_line
from ventproof.compare.trend import (
    by_version,
    cause_of_newest,
    conclusion,
    counted_changes,
    standing_of_newest,
)
from ventproof.history.dashboard import tally_of
from ventproof.terminal.console import new_console, say
from ventproof.terminal.dashboard import show_dashboard
from ventproof.verdict.finding import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from ventproof.compare.causes import FlipGroup, ShiftGroup
    from ventproof.compare.comparison import Comparison, Lone
    from ventproof.compare.trend import FirmwareTrend


EXIT_CODE: Final = {"same": EXIT_PASS, "worse": EXIT_FAIL, "open": EXIT_INCONCLUSIVE}

_STYLE: Final = {
    "worse": "bold red",
    "fail": "bold red",
    "aborted": "bold red",
    "flaky": "bold yellow",
    "better": "green",
    "open": "yellow",
    "inconclusive": "yellow",
    "same": "green",
}
_WORD: Final = {"open": "inconclusive"}
_MOST: Final = 3
"""So many causes are shown, each with one example; the rest is counted."""

_ALL: Final = "--all shows them"


def show_comparison(found: Comparison, *, everything: bool) -> None:
    """Print a comparison: changed verdicts, differences by their cause, and what they come to.

    Args:
        found: the comparison.
        everything: show every changed verdict and every difference; otherwise only differences beyond their limits
            (inconclusive ones where there are no others), without those of responses whose verdict says it already,
            by their cause with one example each, and no more than can be read.
    """
    console = new_console()
    with suppress(BrokenPipeError):
        for role, side in (("base", found.base), ("candidate", found.candidate)):
            say(console, side_line(role, side), cut=True)
        for alarm in found.alarms:
            say(console, (f"! {alarm}", "bold yellow"))
        if found.flips:
            _heading(console, "changed verdicts")
            _show_flips(console, flip_groups(found.flips), everything=everything)
        if found.lone:
            _heading(console, "known of one side only")
            _show_lone(console, found.lone, everything=everything)
        shifts = shift_groups(found.shifts if everything else notable_shifts(found))
        if shifts:
            _heading(console, "differences")
            _show_shifts(console, shifts, found.confidence, everything=everything)
        console.print()
        for line in counted(found):
            say(console, line)
        _close(console, found.outcome, cause_of_outcome(found), closing(found))


def _heading(console: Console, text: str) -> None:
    console.print()
    say(console, (text, "bold"))


def _close(console: Console, word: str, cause: str, conclusion: str) -> None:
    """Print what it all comes to, last: what explains most of it, and the conclusion."""
    if cause:
        say(console, (cause, "bold"))
    say(console, (conclusion, _STYLE[word]))


def _group(console: Console, word: str, cause: str, profiles: int) -> None:
    many = f" ({profiles} profile{'' if profiles == 1 else 's'})"
    say(console, (_WORD.get(word, word), _STYLE[word]), f"  {cause}{many}")


def _show_flips(console: Console, groups: Sequence[FlipGroup], *, everything: bool) -> None:
    for group in groups if everything else groups[:_MOST]:
        _group(console, group.turn, group.cause, group.profiles)
        for flip in group.flips if everything else group.flips[:1]:
            why = f"{flip.why}; " if flip.why and not flip.not_run else ""
            what = f" ({flip.response})" if flip.response else ""
            line = f"{flip.profile}: {why}{flip.before} → {flip.after}{what}"
            say(console, line, indent=2, cut=not everything)
    _count_rest(console, len(groups), "cause", everything=everything)


def _count_rest(console: Console, number: int, noun: str, *, everything: bool) -> None:
    if not everything and number > _MOST:
        say(console, f"and {number - _MOST} more {noun}(s): {_ALL}")


def _show_lone(console: Console, lone: Sequence[Lone], *, everything: bool) -> None:
    """Print what only one side tells of, what is inconclusive because of that first."""
    ordered = sorted(lone, key=lambda one: not one.open)
    for one in ordered if everything else ordered[:_MOST]:
        what = f"{one.profile}: {one.response}" if one.response else one.profile
        word = ("inconclusive", _STYLE["open"]) if one.open else ("new", "green")
        say(console, word, f"  {what}: {one.side}: {one.verdicts}. {one.why}")
    _count_rest(console, len(ordered), "profile or response", everything=everything)


def _show_shifts(
    console: Console, groups: Sequence[ShiftGroup], confidence: float, *, everything: bool, examples: int = 1
) -> None:
    for group in groups if everything else groups[:_MOST]:
        _group(console, group.meaning, group.headline, group.profiles)
        for one in group.shifts if everything else group.shifts[:examples]:
            line = f"{one.key.profile}: {sentence(one, confidence)} ({response(one)})"
            say(console, line, indent=2, cut=not everything)
    _count_rest(console, len(groups), "cause", everything=everything)


def show_trend(found: FirmwareTrend, *, everything: bool) -> None:
    """Print how the runs of each version ended, and from which version on a response is another, the newest first.

    Args:
        found: the trend.
        everything: also show the changes that are inconclusive, and every one of each cause.
    """
    console = new_console()
    with suppress(BrokenPipeError):
        for alarm in found.alarms:
            say(console, (f"! {alarm}", "bold yellow"))
        show_dashboard(console, tally_of(run for runs in found.versions.values() for run in runs).dashboard())
        for number, (firmware, groups) in enumerate(by_version(found, inconclusive=everything)):
            _heading(console, f"changed with {firmware}, against the versions before it")
            examples = 1 if number == 0 else 0  # of the newest version alone
            _show_shifts(console, groups, found.confidence, everything=everything, examples=examples)
        console.print()
        for line in counted_changes(found):
            say(console, line)
        _close(console, standing_of_newest(found), cause_of_newest(found), conclusion(found))
