"""Which lines of a table a run proves: those whose edges its stimuli crossed and its responses decided (pure).

A profile claims lines below `proves:`. A claim is borne out by what was played and watched, not by the claim: a line
has units beside it that keep to the table in all else and have that line off by little (`ventproof.oracle.deviations`
says how little). A response tells such a unit from a right one if it was decided and if, by the oracle, no course that
such a unit could take in the weather that was played would meet it, while some course of a right one would. A line is
proved where each of its units was told so; a claim that tells none of them apart is not shown at all.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, final

from ventproof.oracle.deviations import deviations
from ventproof.oracle.oracle import expected
from ventproof.oracle.refutation import refuted

if TYPE_CHECKING:
    from ventproof.oracle.oracle import ExpectedBehaviour
    from ventproof.oracle.played import PlayedRun, Watched
    from ventproof.table.model import OverrideTable


@final
@dataclass(frozen=True, slots=True)
class Shown:
    """What runs show of one line.

    Attributes:
        line: its name.
        told: the units beside it that were told apart, in words: `gale begins above 12.8 m/s of cups`.
        left: those that would have passed all the same.
    """

    line: str
    told: tuple[str, ...]
    left: tuple[str, ...]

    @property
    def proved(self) -> bool:
        """Whether nothing near the line is left that would have passed."""
        return bool(self.told) and not self.left

    def joined(self, other: Shown) -> Shown:
        """Return what both show together."""
        told = tuple(dict.fromkeys((*self.told, *other.told)))
        left = tuple(its for its in dict.fromkeys((*self.left, *other.left)) if its not in told)
        return Shown(self.line, told, left)


def shown(table: OverrideTable, played: PlayedRun, lines: Collection[str]) -> tuple[Shown, ...]:
    """Return what was shown of some lines of a table, in the table's order.

    Args:
        table: the table.
        played: what was played to a unit that is held to it, and what was watched.
        lines: names of the lines.
    """
    right = list(_met(table, played))
    told: dict[str, list[str]] = {}
    left: dict[str, list[str]] = {}
    for deviation in deviations(table):
        if deviation.line not in lines:
            continue
        without = played.without(*deviation.unnoticed) if deviation.unnoticed else played
        owed = _owed(deviation.table, without)
        found = any(refuted(deviation.table, owed, its.response, its.since_s) for its in right)
        (told if found else left).setdefault(deviation.line, []).append(deviation.says)
    return tuple(
        Shown(line, tuple(told.get(line, ())), tuple(left.get(line, ())))
        for line in dict.fromkeys((*told, *left))
    )


def together(parts: Iterable[Shown]) -> dict[str, Shown]:
    """Return what several runs show together, by line."""
    found: dict[str, Shown] = {}
    for part in parts:
        found[part.line] = found[part.line].joined(part) if part.line in found else part
    return found


def _owed(table: OverrideTable, played: PlayedRun) -> ExpectedBehaviour:
    return expected(table, played.weather, played.until_s, stands=played.stands)


def _met(table: OverrideTable, played: PlayedRun) -> Iterator[Watched]:
    """Yield the responses that a right unit can meet by what is known; the others hang on what no table says."""
    owed = _owed(table, played)
    vents = {vent.signal for vent in table.vents.values()}
    for its in played.watched:
        if its.response.signal in vents and its.since_s >= played.vents_to_s:
            continue
        if not refuted(table, owed, its.response, its.since_s):
            yield its
