"""How comparisons and trends look in a terminal."""

from __future__ import annotations

import sys
from contextlib import suppress
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final, TypeVar, final

from rich.text import Text

from ventproof.compare.causes import (
    cause_of_outcome,
    flip_groups,
    heading_of_shifts,
    notable_shifts,
    shift_groups,
)
from ventproof.compare.comparison import closing, counted, side_line
from ventproof.compare.trend import (
    by_version,
    cause_of_newest,
    conclusion,
    counted_changes,
    newest_two,
    standing_of_newest,
    verdicts_heading,
)
from ventproof.compare.words import became, response, sentence, values
from ventproof.history.dashboard import tally_of
from ventproof.terminal.console import ScreenLine, new_console, rows_of, say_lines
from ventproof.terminal.dashboard import show_dashboard
from ventproof.verdict.finding import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof.compare.causes import FlipGroup, ShiftGroup
    from ventproof.compare.comparison import Comparison
    from ventproof.compare.flips import Flip, FlipSide, Lone
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
_T = TypeVar("_T")

_VERBOSE: Final = "--verbose shows them"


class _Cut(IntEnum):
    """What ends where the terminal does, and does not go on below itself."""

    NOTHING = 0
    EXAMPLES = 1
    NOTES = 2


@final
@dataclass(frozen=True, slots=True)
class _Detail:
    """How much is shown.

    Attributes:
        causes: so many causes of a section; the rest is counted.
        examples: so many of them have an example.
        notes: so many notes before everything; the rest is counted.
        cut: what is cut; where notes are, there are no empty lines either.
        whole: whether everything is shown, and not only examples.
    """

    causes: int
    examples: int
    notes: int = sys.maxsize
    cut: _Cut = _Cut.NOTHING
    whole: bool = False


_WHOLE: Final = _Detail(sys.maxsize, sys.maxsize, whole=True)
_SHORT: Final = _Detail(3, 1, cut=_Cut.EXAMPLES)
_DETAILS: Final = (
    *(_Detail(3, number, cut=cut) for number in (3, 2, 1) for cut in (_Cut.NOTHING, _Cut.EXAMPLES)),
    *(_Detail(number, 1, cut=_Cut.NOTES) for number in (3, 2, 1)),
    _Detail(1, 1, 3, _Cut.NOTES),
    _Detail(1, 0, 2, _Cut.NOTES),
)
"""From much to little: the first that fits on a terminal is shown."""


def show_comparison(found: Comparison, *, verbose: bool) -> None:
    """Print a comparison: changed verdicts, differences by their cause, and last what they come to.

    Args:
        found: the comparison.
        verbose: show every changed verdict and every difference; otherwise only differences beyond their limits
            (inconclusive ones where there are no others), without those of responses whose verdict says it already,
            by their cause with an example, and no more than fits on a terminal.
    """
    console = new_console()
    room = rows_of(console)
    lines: list[ScreenLine] = []
    for detail in (_WHOLE,) if verbose else _DETAILS:
        lines = list(_comparison_lines(found, detail))
        if sum(line.rows(console) for line in lines) <= room:
            break
    with suppress(BrokenPipeError):
        say_lines(console, lines)


def _comparison_lines(found: Comparison, detail: _Detail) -> Iterator[ScreenLine]:
    for role, side in (("base", found.base), ("candidate", found.candidate)):
        yield ScreenLine(Text(side_line(role, side)), cut=not detail.whole)
    yield from _notes(found.notes, detail)
    if found.flips:
        yield from _heading("changed verdicts", detail)
        yield from _flip_lines(flip_groups(found.flips), ("base", "candidate"), detail)
    if found.lone:
        yield from _heading("known of one side only", detail)
        yield from _lone_lines(found.lone, detail)
    shifts = found.shifts if detail.whole else notable_shifts(found)
    if heading := heading_of_shifts(found, shifts):
        yield from _heading(heading, detail)
        yield from _shift_lines(shift_groups(shifts), found.confidence, detail, examples=not found.flips)
    if detail.cut < _Cut.NOTES:
        yield ScreenLine(Text())
    yield from (ScreenLine(Text(line)) for line in counted(found)[: None if detail.whole else 1])
    yield from _conclusion(found.outcome, cause_of_outcome(found), closing(found))


def _heading(text: str, detail: _Detail) -> Iterator[ScreenLine]:
    if detail.cut < _Cut.NOTES:
        yield ScreenLine(Text())
    yield ScreenLine(Text(text, style="bold"))


def _notes(notes: Sequence[str], detail: _Detail) -> Iterator[ScreenLine]:
    for note in notes[: detail.notes]:
        yield ScreenLine(Text(f"! {note}", style="bold yellow"), cut=detail.cut >= _Cut.NOTES)
    if (more := len(notes) - detail.notes) > 0:
        yield ScreenLine(Text(f"! {number_of(more, 'more note')}: {_VERBOSE}", style="bold yellow"))


def _conclusion(word: str, cause: str, said: str) -> Iterator[ScreenLine]:
    """Yield what it all comes to, last: what explains most of it, and the conclusion."""
    if cause:
        yield ScreenLine(Text(cause, style="bold"))
    yield ScreenLine(Text(said, style=_STYLE[word]))


def _group(word: str, cause: str, count: str, detail: _Detail) -> ScreenLine:
    text = Text.assemble((became(word), _STYLE[word]), f"  {cause}: {count}")
    return ScreenLine(text, cut=detail.cut >= _Cut.NOTES)


def _flip_lines(groups: Sequence[FlipGroup], sides: tuple[str, str], detail: _Detail) -> Iterator[ScreenLine]:
    for number, group in enumerate(groups[: detail.causes]):
        yield _group(group.turn, group.cause, group.count, detail)
        for flip in _examples(group.flips, number, detail, shows=not group.not_run):
            yield from _flip(flip, sides, detail)
    yield from _rest(len(groups), "more cause", detail)


def _examples(those: Sequence[_T], number: int, detail: _Detail, *, shows: bool) -> Sequence[_T]:
    """Return which changes of a cause are shown, the cause being this one in its section."""
    if detail.whole:
        return those
    return those[:1] if shows and number < detail.examples else ()


def _flip(flip: Flip, sides: tuple[str, str], detail: _Detail) -> Iterator[ScreenLine]:
    """Yield one changed verdict: of which response, and what was observed on either side."""
    whole = flip.demand or "the whole run"
    where = f"{flip.step}, {flip.profile}" if flip.step else flip.profile
    width = 1 + max(map(len, sides))
    told = zip(sides, (flip.base, flip.candidate), strict=True)
    for line in (f"{whole} ({where})", *(f"{f'{name}:':{width}} {_observed(side)}" for name, side in told)):
        yield ScreenLine(Text(line), indent=2, cut=detail.cut >= _Cut.EXAMPLES)


def _observed(side: FlipSide) -> str:
    return f"{side.verdicts}; {side.why}" if side.why else side.verdicts


def _rest(number: int, noun: str, detail: _Detail) -> Iterator[ScreenLine]:
    if (more := number - detail.causes) > 0:
        yield ScreenLine(Text(f"{number_of(more, noun) if noun else f'{more} more'}: {_VERBOSE}"))


def _lone_lines(lone: Sequence[Lone], detail: _Detail) -> Iterator[ScreenLine]:
    """Yield what only one side tells of, what is inconclusive because of that first."""
    ordered = sorted(lone, key=lambda one: not one.open)
    for one in ordered[: detail.causes]:
        what = f"{one.profile}: {one.response}" if one.response else one.profile
        word = ("inconclusive", _STYLE["open"]) if one.open else ("new", "green")
        text = Text.assemble(word, f"  {what}: {one.side}: {one.verdicts}. {one.why}")
        yield ScreenLine(text, cut=detail.cut >= _Cut.EXAMPLES)
    yield from _rest(len(ordered), "", detail)


def _shift_lines(
    groups: Sequence[ShiftGroup], confidence: float, detail: _Detail, *, examples: bool = True
) -> Iterator[ScreenLine]:
    for number, group in enumerate(groups[: detail.causes]):
        yield _group(group.meaning, group.headline, group.count, detail)
        for one in _examples(group.shifts, number, detail, shows=examples):
            before, after = values(one)
            line = f"{before} → {after}; {sentence(one, confidence)} ({one.key.profile}: {response(one)})"
            yield ScreenLine(Text(line), indent=2, cut=detail.cut >= _Cut.EXAMPLES)
    yield from _rest(len(groups), "more cause", detail)


def show_trend(found: FirmwareTrend, *, verbose: bool) -> None:
    """Print how the runs of each version ended, and from which version on a response is another, the newest first.

    Args:
        found: the trend.
        verbose: also show the changes that are inconclusive, and every one of each cause.
    """
    console = new_console()
    with suppress(BrokenPipeError):
        say_lines(console, _notes(found.notes, _SHORT))
        show_dashboard(console, tally_of(run for runs in found.versions.values() for run in runs).dashboard())
        say_lines(console, _trend_lines(found, _WHOLE if verbose else _SHORT))


def _trend_lines(found: FirmwareTrend, detail: _Detail) -> Iterator[ScreenLine]:
    if found.flips:
        yield from _heading(verdicts_heading(found), detail)
        yield from _flip_lines(flip_groups(found.flips), newest_two(found), detail)
    for number, (firmware, groups) in enumerate(by_version(found, inconclusive=detail.whole)):
        yield from _heading(f"changed with {firmware}, against the versions before it", detail)
        examples = number == 0  # of the newest version alone
        yield from _shift_lines(groups, found.confidence, detail, examples=examples)
    yield ScreenLine(Text())
    yield from (ScreenLine(Text(line)) for line in counted_changes(found))
    yield from _conclusion(standing_of_newest(found), cause_of_newest(found), conclusion(found))
