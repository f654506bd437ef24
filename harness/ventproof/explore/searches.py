"""The search in virtual time as numbered searches, which can be done side by side, and which of them found something.

Each search has its own sequences, which depend on the seed and its number. So what is found does not depend on who
does which search, or when: the find of the lowest number is taken, and the searches below it have then ended. Only
where the time is over, or the search is broken off, the lowest find so far is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.explore.search import Explorer

if TYPE_CHECKING:
    from ventproof.explore.emit import Writer
    from ventproof.explore.search import Played, Player, Tally
    from ventproof.profile.model import Profile
    from ventproof_bench.yamlfile.load import Loaded


SEQUENCES: Final = 4
"""Of one search: some seconds of work, so that all have about as much to do until the time is over."""


@final
@dataclass(frozen=True, slots=True)
class Searched:
    """What a search brought.

    Attributes:
        played: how its sequences ended, by the digest of their profiles, in order.
        found: whether the last of them fails.
    """

    played: Mapping[str, Played]
    found: bool


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Searches:
    """Numbered searches for weather in which a unit fails; plain data, for whoever does some of them.

    Attributes:
        writer: writes the profiles.
        play: plays one.
        seed: another seed tries other sequences.
        sequences: so many are tried at most, in all searches together.
    """

    writer: Writer
    play: Player
    seed: int
    sequences: int

    @property
    def count(self) -> int:
        """How many searches there are."""
        return -(-self.sequences // SEQUENCES)

    def do(self, number: int, left_s: Callable[[], float]) -> Searched | None:
        """Do a search, up to the first sequence that fails; None when the time is over before it begins.

        Args:
            number: of the search, from 0.
            left_s: how much of the time is left, seconds.
        """
        if left_s() <= 0:
            return None
        played: dict[str, Played] = {}

        def noted(profile: Loaded[Profile]) -> Played:
            played[profile.digest] = self.play(profile)
            return played[profile.digest]

        explorer = self._explorer(number, noted, left_s)
        return Searched(played, explorer.look() is not None)

    def again(
        self,
        number: int,
        searched: Searched,
        left_s: Callable[[], float],
        *,
        before: Tally,
        told: Callable[[Tally], None],
    ) -> Explorer:
        """Return what repeats a search that found something, from what it played, and makes the find shorter.

        Args:
            number: of the search.
            searched: what it brought.
            left_s: how much of the time is left, seconds.
            before: what was done in the searches below it; goes on counting.
            told: called after every sequence.
        """
        explorer = self._explorer(number, self.play, left_s)
        explorer.known, explorer.tally, explorer.told = searched.played, before, told
        return explorer

    def _explorer(self, number: int, play: Player, left_s: Callable[[], float]) -> Explorer:
        examples = min(SEQUENCES, self.sequences - number * SEQUENCES)
        seed = f"{self.seed}, search {number}"
        return Explorer(self.writer, play, seed=seed, examples=examples, left_s=left_s)


@final
class Brought:
    """What searches bring, in whatever order: counted and told of in the order of their numbers.

    Args:
        tally: takes what was played in those that found nothing, up to the first that found something.
        told: called after each of them.
    """

    def __init__(self, tally: Tally, told: Callable[[Tally], None]) -> None:
        self._tally, self._told = tally, told
        self._waiting: dict[int, Searched | None] = {}
        self._next = 0

    def look(self, ended: Iterable[tuple[int, Searched | None]]) -> tuple[int, Searched] | None:
        """Return the first search that found something, with its number; None when none did.

        Args:
            ended: the number of each search, and what it brought; searches that do not end are left out.
        """
        for number, searched in ended:
            self._waiting[number] = searched
            while self._next in self._waiting:
                if self._find(self._next) is not None:
                    return self.first()
                self._next += 1
        return self.first()

    def first(self) -> tuple[int, Searched] | None:
        """Return the find of the lowest number so far, whether or not each search below it has ended."""
        for number in sorted(self._waiting):
            if (found := self._find(number)) is not None:
                return number, found
        return None

    def _find(self, number: int) -> Searched | None:
        """Return a search that found something; count any other."""
        searched = self._waiting[number]
        if searched is not None and searched.found:
            return searched
        del self._waiting[number]
        if searched is not None:
            for played in searched.played.values():
                self._tally.take(played)
            self._told(self._tally)
        return None
