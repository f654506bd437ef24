"""Comparisons and trends as a Markdown summary that fits a comment on a pull request (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.compare.causes import (
    cause_of_outcome,
    flip_groups,
    heading_of_shifts,
    notable_shifts,
    shift_groups,
)
from ventproof.compare.comparison import STANDING, closing, counted, side_facts, title_of
from ventproof.compare.trend import (
    by_version,
    cause_of_newest,
    conclusion,
    counted_changes,
    newest_two,
    span_of,
    standing_of_newest,
    verdicts_heading,
)
from ventproof.compare.words import basis, became, meaning, measure, response, size, values
from ventproof.export.markdown import escaped, fitted, sign_of
from ventproof.history.dashboard import tally_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from ventproof.compare.causes import FlipGroup, ShiftGroup
    from ventproof.compare.comparison import Comparison
    from ventproof.compare.flips import FlipSide
    from ventproof.compare.trend import FirmwareTrend


_MOST: Final = 3
"""So many changes of one cause have a row each; the rest is counted."""


def markdown_of(found: Comparison) -> str:
    """Return the summary of a comparison: what it comes to, why, and the values of both sides."""
    shifts = notable_shifts(found)
    return fitted(
        [
            *_head(title_of(found), found.outcome, closing(found), cause_of_outcome(found), found.notes),
            *_flips("changed verdicts", ("base", "candidate"), flip_groups(found.flips)),
            *_lone(found),
            *_shifts(heading_of_shifts(found, shifts), shift_groups(shifts), found.confidence),
            "",
            "#### What was compared",
            "",
            *_sides(found),
            "",
            *(f"- {escaped(line)}" for line in counted(found)),
        ]
    )


def markdown_of_trend(found: FirmwareTrend) -> str:
    """Return the summary of a trend: how the newest version stands, all versions, and what each changed."""
    title = f"firmware {span_of(list(found.versions))}"
    lines = [
        *_head(title, standing_of_newest(found), conclusion(found), cause_of_newest(found), found.notes),
        *(_trend_flips(found) if found.flips else ()),
        *_board(found),
    ]
    for firmware, groups in by_version(found, inconclusive=False):
        lines += _shifts(f"changed with {firmware}", groups, found.confidence)
    return fitted([*lines, "", *(f"- {escaped(line)}" for line in counted_changes(found))])


def _head(title: str, word: str, said: str, cause: str, notes: Iterable[str]) -> Iterator[str]:
    outcome = f"{escaped(title[0].lower() + title[1:])}: {became(word)}"
    yield f"### {sign_of(STANDING[word])} ventproof: {outcome}"
    yield ""
    yield f"**{escaped(said)}.**"
    if cause:
        yield escaped(cause)
    yield ""
    yield from (f"- {escaped(note)}" for note in notes)


def _heading(text: str) -> Iterator[str]:
    if text:
        yield from ("", f"#### {escaped(text[0].upper() + text[1:])}")


def _trend_flips(found: FirmwareTrend) -> Iterator[str]:
    sides = [escaped(name) for name in newest_two(found)]
    yield from _flips(verdicts_heading(found), sides, flip_groups(found.flips))


def _flips(title: str, sides: Sequence[str], groups: Sequence[FlipGroup]) -> Iterator[str]:
    yield from _heading(title if groups else "")
    for group in groups:
        yield ""
        yield f"**{became(group.turn)}**: {escaped(group.cause)}: {group.count}"
        if group.not_run:
            continue
        yield from ("", f"| response | {' | '.join(sides)} |", "|---|---|---|")
        for flip in group.flips[:_MOST]:
            where = escaped(f"{flip.profile}: {flip.response or 'the whole run'}")
            yield f"| {where} | {_observed(flip.base)} | {_observed(flip.candidate)} |"
        yield from _rest(len(group.flips), 3)


def _observed(side: FlipSide) -> str:
    return f"**{side.verdicts}**{'; ' if side.why else ''}{escaped(side.why)}"


def _rest(number: int, width: int) -> Iterator[str]:
    if number > _MOST:
        yield f"| and {number - _MOST} more |{' |' * (width - 1)}"


def _lone(found: Comparison) -> Iterator[str]:
    if not found.lone:
        return
    yield from (
        "",
        "#### Known of one side only",
        "",
        "| profile or response | side | verdicts |",
        "|---|---|---|",
    )
    for one in sorted(found.lone, key=lambda one: not one.open)[:_MOST]:
        what = escaped(f"{one.profile}: {one.response}" if one.response else one.profile)
        yield f"| {what} | {one.side} | {escaped(f'{one.verdicts}; {one.why}')} |"
    yield from _rest(len(found.lone), 3)


def _shifts(title: str, groups: Sequence[ShiftGroup], confidence: float) -> Iterator[str]:
    yield from _heading(title)
    for group in groups:
        yield ""
        yield f"**{became(group.meaning)}**: {escaped(group.headline)}: {group.count}"
        yield from ("", "| response | before | after | difference |", "|---|---|---|---|")
        for one in group.shifts[:_MOST]:
            where = escaped(f"{one.key.profile}: {response(one)} ({measure(one)})")
            before, after = values(one)
            sure = basis(one, confidence)
            told = f"{sure}; {meaning(one, confidence)}" if one.meaning == "open" else sure
            yield f"| {where} | {before} | {after} | **{size(one)}** ({escaped(told)}) |"
        yield from _rest(len(group.shifts), 4)


def _sides(found: Comparison) -> Iterator[str]:
    sides = [("base", side_facts(found.base)), ("candidate", side_facts(found.candidate))]
    names = list(sides[0][1])
    yield f"| side | {' | '.join(names)} |"
    yield f"|---|{'---|' * len(names)}"
    for role, facts in sides:
        yield f"| {role} | {' | '.join(map(escaped, facts.values()))} |"


def _board(found: FirmwareTrend) -> Iterator[str]:
    """Yield profiles by version, the newest first."""
    board = tally_of(run for runs in found.versions.values() for run in runs).dashboard()
    yield from ("", f"| profile | {' | '.join(escaped(name) or 'not stated' for name in board.versions)} |")
    yield f"|---|{'---|' * len(board.versions)}"
    for row in board.rows:
        cells = ("–" if cell is None else cell.text for cell in row.cells)
        yield f"| {escaped(row.profile)} | {' | '.join(cells)} |"
