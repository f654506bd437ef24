"""What people do, beside all other outputs of a bench: nobody waits for a person where hardware is made safe."""

from __future__ import annotations

import asyncio
from contextlib import AsyncExitStack
from typing import TYPE_CHECKING, NoReturn, final

from ventproof_bench.outputs.outputs import LocalOutputs

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from ventproof_bench.base.edges import Edge
    from ventproof_bench.base.errors import BenchError
    from ventproof_bench.base.evidence import BoardStarved, DrivenOutput, EdgeReport, FoundSetting, Window
    from ventproof_bench.base.protocols import EvidenceSink, Outputs, PartCondition, VentPart
    from ventproof_bench.benchfile.model import OutputSpec
    from ventproof_bench.drivers.people import People


@final
class PeopleOutputs:
    """Implements `ventproof_bench.base.protocols.Outputs` for a bench on which people do some of what is to be done.

    Args:
        others: all other outputs.
        by_hand: the outputs that are people's acts, by name.
        people: who can be asked.
    """

    def __init__(self, others: Outputs, by_hand: Mapping[str, OutputSpec], people: People) -> None:
        self._others = others
        self._acts = LocalOutputs(by_hand, buses={}, specs={}, people=people)
        self._by_hand = frozenset(by_hand)
        self._people = people

    @property
    def tell(self) -> Callable[[FoundSetting | DrivenOutput], None]:
        """What takes what the bench found and did of its own accord."""
        return self._others.tell

    @tell.setter
    def tell(self, tell: Callable[[FoundSetting | DrivenOutput], None]) -> None:
        self._others.tell = self._acts.tell = tell

    @property
    def broke(self) -> Callable[[BenchError], None]:
        """What takes why the run cannot go on."""
        return self._others.broke

    @broke.setter
    def broke(self, broke: Callable[[BenchError], None]) -> None:
        self._others.broke = broke

    @property
    def longest_silence_s(self) -> float:
        """How long the process that drives heard nothing of this one at most."""
        return self._others.longest_silence_s

    @property
    def notes(self) -> Sequence[str]:
        """What the record should say of the outputs."""
        return self._others.notes

    @property
    def lost(self) -> str | None:
        """Why nobody drives or guards the other outputs any more; None while somebody does."""
        return self._others.lost

    @property
    def driven(self) -> bool:
        """Whether an output was commanded, or somebody was asked."""
        return self._others.driven or self._acts.driven

    @property
    def shared(self) -> bool:
        """Whether others could move a relay of the bench."""
        return self._others.shared

    def _of(self, name: str) -> Outputs:
        return self._acts if name in self._by_hand else self._others

    async def open(self) -> None:
        """Open the hardware, then ask people for the safe state of what is theirs."""
        await self._others.open()
        await self._acts.open()

    async def contact(self, name: str, *, closed: bool) -> Window:
        """Make a contact closed or open now, or ask for it."""
        return await self._of(name).contact(name, closed=closed)

    async def train(self, name: str, edges: Sequence[Edge], *, start_s: float) -> list[EdgeReport]:
        """Play edges; no profile asks a person for it."""
        return await self._of(name).train(name, edges, start_s=start_s)

    async def stop(self, name: str, *, from_s: float | None = None) -> None:
        """End the trains of an output."""
        await self._of(name).stop(name, from_s=from_s)

    async def level(self, name: str, value: float) -> Window:
        """Set a level output, or a setting of the unit."""
        return await self._others.level(name, value)

    async def look(self) -> None:
        """Look whether the relays that others or their board could move are as they were left."""
        await self._others.look()

    async def starve(self, board: str, contact: str | None) -> BoardStarved:
        """See a board go safe by itself."""
        return await self._others.starve(board, contact)

    async def play(self, sink: EvidenceSink) -> NoReturn:
        """Play the bench's vents."""
        await self._others.play(sink)

    async def condition(self, vent: str, parts: Mapping[VentPart, PartCondition]) -> Window:
        """Set what has befallen parts of a vent that is played."""
        return await self._others.condition(vent, parts)

    async def make_safe(self, *, vents_play_on: bool = False, patience_s: float = 0.0) -> None:
        """Make the hardware safe at once; people are asked beside it, each for as long as `safe_within` says.

        Raises:
            DriverError: the first that could not be made safe, or that nobody confirmed; hardware comes first.
        """
        self._people.ending = True
        ways = (
            self._others.make_safe(vents_play_on=vents_play_on, patience_s=patience_s),
            self._acts.make_safe(),
        )
        for outcome in await asyncio.gather(*ways, return_exceptions=True):
            if outcome is not None:
                raise outcome

    async def close(self) -> None:
        """Make safe and let go of every port; safe to call twice."""
        self._people.ending = True
        async with AsyncExitStack() as stack:
            stack.push_async_callback(self._others.close)
            stack.push_async_callback(self._acts.close)
