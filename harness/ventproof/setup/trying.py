"""Switches one relay of a bench that is being set up, there and back, and records what the unit then shows."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, final

from ventproof.firstbench.responses import MovedSignal, differing, moved_signals, still
from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.errors import LinkError
from ventproof_bench.base.evidence import Gap, Poll, Window
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.rig.build import Rig, assemble
from ventproof_bench.rig.session import RigSession, UnrecordedWatcher
from ventproof_bench.yamlfile.fields import COUNT_UNIT

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.signals import SignalSpec

_GLANCE_S: Final = 0.2
_OPEN_PERCENT: Final = 20.0
_STIR: Final = {"%": 0.5, "°C": 0.2, "m/s": 0.5, "°": 5.0}
_STILL_FOR_S: Final = 4.0


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
    """

    signals: dict[str, MovedSignal]
    fell_silent: bool


@final
@dataclass(slots=True)
class _Notes(UnrecordedWatcher):
    """Keeps what is read."""

    polls: list[Poll] = field(default_factory=list)

    def saw(self, evidence: Poll | Gap) -> None:
        """Keep a poll."""
        if isinstance(evidence, Poll):
            self.polls.append(evidence)


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long a trial waits, seconds.

    Attributes:
        calm_within_s: at most, until nothing moves, before the relay is switched.
        hold_s: how long it is held at least, and how long nothing moves any more before it is let go.
        answer_within_s: at most, for what answers, and for what answered to come back.
    """

    calm_within_s: float
    hold_s: float
    answer_within_s: float


def try_relay(
    file: BenchFile,
    output: str,
    patience: Patience,
    *,
    first: Mapping[str, float],
    tell: Callable[[str], None],
) -> Tried:
    """Switch a contact away from its safe state and back, each for as long as signals move.

    Before it nothing moves any more; it is held until something answered and stands again; it is back when all that
    answered reads what it read before. None of these is waited for without end.

    Args:
        file: a bench on real wires, whose vents and drives are clear.
        output: the contact.
        patience: how long is waited.
        first: values that are written before, by output; all vents come to rest then.
        tell: is told what goes on.

    Raises:
        BenchError: the bench failed, or the outputs may not be safe.
        KeyboardInterrupt: it was interrupted; the outputs are safe.
    """

    async def main() -> Tried:
        rig, notes = assemble(file, seed=0), _Notes()
        session, trial = RigSession(rig, notes), _Trial(rig, output, patience, notes, tell)
        await session.run(lambda: trial.go(first))
        if session.ended.abort is not None:
            raise LinkError(session.ended.abort.text)
        return trial.tried

    return run(main(), virtual=False)


@final
class _Trial:
    """One trial on an open rig."""

    def __init__(
        self, rig: Rig, output: str, patience: Patience, notes: _Notes, tell: Callable[[str], None]
    ) -> None:
        spec = rig.file.outputs[output]
        assert isinstance(spec, ContactOutput), "only contacts are tried"
        self._rig = rig
        self._output = output
        self._away_closed = spec.safe == "open"
        self._patience = patience
        self._notes = notes
        self._tell = tell
        self._stirs = {name: _stir(signal) for name, signal in rig.file.registers.items()}
        returning = {name for name, signal in rig.file.registers.items() if signal.unit != COUNT_UNIT}
        self._returning = {name: stir for name, stir in self._stirs.items() if name in returning}
        self._positions = {name for name, signal in rig.file.registers.items() if signal.unit == "%"}
        self._windows: list[Window] = []

    async def go(self, first: Mapping[str, float]) -> None:
        """Carry it out."""
        hold_s, within_s = self._patience.hold_s, self._patience.answer_within_s
        for name, value in first.items():
            await self._rig.outputs.level(name, value)
        self._tell("waiting until nothing moves")
        await asyncio.sleep(_STILL_FOR_S)
        await self._until(
            lambda: self._stands() and (not first or self._is_open()), self._patience.calm_within_s
        )
        self._tell(f"{self._output} is switched")
        self._windows.append(await self._rig.outputs.contact(self._output, closed=self._away_closed))
        await asyncio.sleep(hold_s)
        await self._until(lambda: bool(self._otherwise()) and self._stands(hold_s), within_s)
        self._tell(f"{self._output} is back")
        self._windows.append(await self._rig.outputs.contact(self._output, closed=not self._away_closed))
        await asyncio.sleep(_STILL_FOR_S)
        await self._until(lambda: self._stands() and self._is_back(), within_s)

    @property
    def tried(self) -> Tried:
        """What it brought, once it is over."""
        there, back = self._windows
        polls = self._notes.polls
        silent = not any(there.latest_s <= poll.requested_s <= back.earliest_s - 1 for poll in polls)
        return Tried(moved_signals(polls, there, back, self._stirs), silent)

    @staticmethod
    async def _until(met: Callable[[], bool], within_s: float) -> None:
        give_up_s = now_s() + within_s
        while not met() and now_s() < give_up_s:  # noqa: ASYNC110 - what was read is looked at now and then
            await asyncio.sleep(_GLANCE_S)

    def _stands(self, for_s: float = _STILL_FOR_S) -> bool:
        return still(self._notes.polls, self._stirs, for_s=for_s, now_s=now_s())

    def _is_open(self) -> bool:
        """Whether a vent stands open: after a loss of supply a unit may keep them closed for a while."""
        last: dict[str, float] = {}
        for poll in self._notes.polls:
            last.update(poll.values)
        return any(value >= _OPEN_PERCENT for name, value in last.items() if name in self._positions)

    def _is_back(self) -> bool:
        there, back = self._windows
        moved = moved_signals(self._notes.polls, there, back, self._returning)
        return all(one.came_back for one in moved.values() if one.answered)

    def _otherwise(self) -> frozenset[str]:
        return differing(self._notes.polls, self._windows[0], self._returning)
