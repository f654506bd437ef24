"""Switches relays of a bench that is being set up, there and back, and records what the unit then shows."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import TYPE_CHECKING, Final, Self, final

from ventproof.firstbench.responses import MovedSignal, differing, moved_signals, moving
from ventproof.setup.held_bench import HeldBench
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.evidence import Gap, Poll, Window
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.rig.session import UnrecordedWatcher
from ventproof_bench.yamlfile.fields import COUNT_UNIT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path
    from types import TracebackType

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.signals import SignalSpec
    from ventproof_bench.rig.build import Rig

_GLANCE_S: Final = 0.2
_OPEN_PERCENT: Final = 20.0
_STIR: Final = {"%": 0.5, "°C": 0.2, "m/s": 0.5, "°": 5.0}
_STILL_FOR_S: Final = 4.0
_QUIET_FOR_S: Final = 2.0
"""How long is looked on after a relay that nothing answered was let go."""
_CALM_WITHIN_S: Final = 180.0
_STIRS_WITHIN_S: Final = 45.0
"""By then a vent has begun to open that will; a unit's delays before that are shorter (common practice, no source)."""
_CLOSED_FOR_S: Final = 10.0
"""For so long nothing moves before a closed vent is said to stay closed."""
_ANSWERS_WITHIN_S: Final = 60.0
_REMEMBERED_S: Final = 30.0


def _stir(signal: SignalSpec) -> float:
    """Return by how much a signal may change and still counts as standing: a potentiometer is never quite still."""
    return max(signal.step, _STIR.get(signal.unit, 0.0))


@final
@dataclass(frozen=True, slots=True)
class Tried:
    """What one switch of a relay did.

    Attributes:
        signals: what each signal did that was read all the while.
        fell_silent: nothing was read while the relay was held: it may be the unit's supply.
        unwatched: vents that may have moved by themselves, so that nothing tells whether they answered.
    """

    signals: dict[str, MovedSignal]
    fell_silent: bool
    unwatched: frozenset[str] = frozenset()


@final
@dataclass(frozen=True, slots=True)
class OpenedVents:
    """What came of opening the vents.

    Attributes:
        closed: vents that do not stand open.
        moved: signals that read otherwise than before.
    """

    closed: tuple[str, ...]
    moved: tuple[str, ...]


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long a relay is held, seconds.

    Attributes:
        hold_s: at least; so long, too, nothing moves any more before it is let go, if no vent answered.
        first_within_s: at most, for a first answer.
        answer_within_s: at most, for what answers to come to rest, and to be back.
        calm: nothing moves before it is switched; else vents, which may move by themselves, are not looked at.
    """

    hold_s: float
    first_within_s: float
    answer_within_s: float
    calm: bool = True


@final
@dataclass(slots=True)
class _Notes(UnrecordedWatcher):
    """Keeps what is read."""

    polls: list[Poll] = field(default_factory=list)
    last: dict[str, float] = field(default_factory=dict)

    def saw(self, evidence: Poll | Gap) -> None:
        """Keep a poll."""
        if isinstance(evidence, Poll):
            self.polls.append(evidence)
            self.last.update(evidence.values)


@final
class RelayTrials:
    """A bench on which one relay after the other is tried, while it is held open.

    None of its waits is without end, and each ends as soon as what it waits for is so.

    Args:
        file: a bench on real wires, whose vents and drives are clear.
        shown: a signal's name and value in words.
        tell: is told what is waited for, and how long at most; also in another thread.
        ledger: where the operations of the relays are added up; None: nowhere.
    """

    def __init__(
        self,
        file: BenchFile,
        *,
        shown: Callable[[str, float], str],
        tell: Callable[[str], None],
        ledger: Path | None,
    ) -> None:
        self._file = file
        self._shown = shown
        self._tell = tell
        self._notes = _Notes()
        self._bench = HeldBench(file, self._notes, ledger)
        self._stirs = {name: _stir(signal) for name, signal in file.registers.items()}
        self._vents = [name for name, signal in file.registers.items() if signal.unit == "%"]
        self._unwatched = frozenset[str]()

    def __enter__(self) -> Self:
        """Open the bench. Raises BenchError."""
        self._bench.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave it safe. Raises BenchError where it may not be."""
        self._bench.__exit__(kind, error, trace)

    def open_vents(self, values: Mapping[str, float], *, restarted: bool = False) -> OpenedVents:
        """Write settings, and wait until every vent stands open.

        Args:
            values: by output; empty where the vents stand open by themselves.
            restarted: the unit has just lost its supply: it may begin late to move them.

        Raises:
            BenchError: the bench failed.
        """
        still_for_s = _CLOSED_FOR_S if restarted else _STILL_FOR_S

        async def work(rig: Rig) -> OpenedVents:
            self._unwatched = frozenset()
            await self._until(
                lambda: self._moves(1.0) is not None, _ANSWERS_WITHIN_S, "until the unit answers", lambda: ""
            )
            before = dict(self._notes.last)
            for name, value in values.items():
                await rig.outputs.level(name, value)
            began_s = now_s()
            give_up_s = began_s + _STIRS_WITHIN_S

            def met() -> bool:
                if not self._closed_vents():
                    return now_s() >= began_s + still_for_s and self._stands(still_for_s)
                return now_s() >= give_up_s and self._stands(_CLOSED_FOR_S)

            await self._until(met, _CALM_WITHIN_S, "until the vents stand open", self._vents_said)
            after = self._notes.last
            moved = [n for n, old in before.items() if abs(after[n] - old) > self._stirs[n]]
            return OpenedVents(tuple(self._closed_vents()), tuple(moved))

        return self._bench.do(work)

    def switch(
        self, output: str, patience: Patience, said: str, meanwhile: Callable[[], object] = lambda: None
    ) -> Tried:
        """Switch a contact away from its safe state and back, each for as long as signals move.

        Before it nothing moves any more; it is held until something answered and stands again; it is back when all that
        answered reads what it read before.

        Args:
            output: the contact.
            patience: how long is waited.
            said: what it is called on the screen.
            meanwhile: is done while it is held.

        Raises:
            BenchError: the bench failed, or the outputs may not be safe.
        """
        spec = self._file.outputs[output]
        assert isinstance(spec, ContactOutput), "only contacts are tried"
        away_closed = spec.safe == "open"

        async def there(rig: Rig) -> Window:
            await self._calm(patience)
            return await rig.outputs.contact(output, closed=away_closed)

        async def back(rig: Rig) -> Window:
            await self._held(switched, patience, said)
            return await rig.outputs.contact(output, closed=not away_closed)

        async def over(_: Rig) -> Tried:
            await self._until(
                lambda: self._over(switched, released),
                patience.answer_within_s,
                f"{said} is off; until all is back",
                lambda: self._not_back_said(switched, released),
            )
            return self._tried(switched, released)

        switched = self._bench.do(there)
        meanwhile()
        released = self._bench.do(back)
        return self._bench.do(over)

    async def _calm(self, patience: Patience) -> None:
        """Wait until nothing moves, or, where that is too long to wait for, nothing but vents."""
        self._forget()
        self._unwatched = frozenset() if patience.calm else frozenset(self._vents)
        for_s = _STILL_FOR_S if patience.calm else 1.0
        await self._until(
            lambda: self._stands(for_s), _CALM_WITHIN_S, "until nothing moves", self._moving_said
        )

    def _tried(self, switched: Window, released: Window) -> Tried:
        polls = self._notes.polls
        silent = not any(switched.latest_s <= poll.requested_s <= released.earliest_s - 1 for poll in polls)
        watched = {name: stir for name, stir in self._stirs.items() if name not in self._unwatched}
        return Tried(moved_signals(polls, switched, released, watched), silent, self._unwatched)

    async def _held(self, switched: Window, patience: Patience, said: str) -> None:
        def answered() -> frozenset[str]:
            return differing(self._notes.polls, switched, self._returning())

        def silent() -> bool:
            return not any(poll.requested_s >= switched.latest_s for poll in self._notes.polls[-1:])

        hold_until_s = switched.latest_s + patience.hold_s
        await self._until(
            lambda: now_s() >= hold_until_s and (bool(answered()) or silent()),
            max(patience.first_within_s - (now_s() - switched.latest_s), 0.0),
            f"{said} is on; until something answers",
            lambda: "",
        )
        if not answered():
            return
        await self._until(
            lambda: self._stands(_STILL_FOR_S if answered() & set(self._vents) else patience.hold_s),
            patience.answer_within_s,
            f"{said} is on; until what answers stands",
            lambda: self._said(sorted(answered())),
        )

    def _over(self, switched: Window, released: Window) -> bool:
        moved = moved_signals(self._notes.polls, switched, released, self._returning())
        if not any(one.answered for one in moved.values()):
            return now_s() >= released.latest_s + _QUIET_FOR_S
        waited = now_s() >= released.latest_s + _STILL_FOR_S
        return waited and self._stands() and not self._not_back(switched, released)

    def _not_back(self, switched: Window, released: Window) -> list[str]:
        moved = moved_signals(self._notes.polls, switched, released, self._returning())
        return [name for name, one in moved.items() if one.answered and not one.came_back]

    async def _until(
        self, met: Callable[[], bool], within_s: float, what: str, said: Callable[[], str]
    ) -> None:
        give_up_s = now_s() + within_s
        while not met() and (left_s := give_up_s - now_s()) > 0:
            reads = said()
            self._tell(f"{what}, at most {left_s:.0f} s more" + (f": {reads}" if reads else ""))
            await asyncio.sleep(_GLANCE_S)

    def _forget(self) -> None:
        """Forget what was read long ago: each look goes through all that is kept."""
        self._notes.polls[:] = [p for p in self._notes.polls if p.replied_s >= now_s() - _REMEMBERED_S]

    def _moves(self, for_s: float) -> frozenset[str] | None:
        return moving(self._notes.polls, self._stirs, for_s=for_s, now_s=now_s())

    def _stands(self, for_s: float = _STILL_FOR_S) -> bool:
        moves = self._moves(for_s)
        return moves is not None and moves <= self._unwatched

    def _returning(self) -> dict[str, float]:
        """Return what comes back by itself and is looked at, with its stir."""
        registers = self._file.registers
        return {
            name: stir
            for name, stir in self._stirs.items()
            if registers[name].unit != COUNT_UNIT and name not in self._unwatched
        }

    def _open_vents(self) -> list[str]:
        return [name for name in self._vents if self._notes.last.get(name, 0.0) >= _OPEN_PERCENT]

    def _closed_vents(self) -> list[str]:
        return [name for name in self._vents if self._notes.last.get(name, 0.0) < _OPEN_PERCENT]

    # what the screen shows

    def _said(self, names: Iterable[str]) -> str:
        return ", ".join(self._shown(name, self._notes.last[name]) for name in names)

    def _vents_said(self) -> str:
        return self._said(name for name in self._vents if name in self._notes.last)

    def _moving_said(self) -> str:
        moves = self._moves(_STILL_FOR_S)
        return self._said(sorted(moves)) if moves else ""

    def _not_back_said(self, switched: Window, released: Window) -> str:
        return self._said(self._not_back(switched, released))
