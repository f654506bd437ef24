"""A person moves the vents by hand, gives them back to the unit, and all that they read meanwhile is recorded."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof.firstbench.codings import Coding, RawReading, plausible_codings, position_fits
from ventproof.firstbench.movement import stands
from ventproof.setup.recording import Recording
from ventproof.verdict.text import number_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ventproof.firstbench.makers_list import ListedValue
    from ventproof.setup.dialogue import SetupAsker
    from ventproof_bench.base.protocols import ReadRequest
    from ventproof_bench.benchfile.model import BusSpec

_STANDS_FOR_S: Final = 4.0
_LOOK_S: Final = 0.5
_LOOKS: Final = 360
_LOOKS_FOR_A_BEGIN: Final = 12
_STANDS_NOW_S: Final = 1.0
_LATELY: Final = 200
"""So many readings reach back over a second and more."""
_BOTH_ENDS_AND_BETWEEN: Final = 3
_BY_HAND: Final = "all vents fully, by hand. When they stand still, press Enter."
_MOVES: Final = (
    f"Close {_BY_HAND}",
    f"Open {_BY_HAND}",
    "Turn every hand switch back to automatic, then press Enter. This bench waits until the vents stop.",
)
_OPENING: Final = 1


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class HandMovedVent:
    """A vent that is moved by hand.

    Attributes:
        listed: its position in the maker's list.
        request: what is read of it.
        alone: whether its second register belongs to no other value of the list.
    """

    listed: ListedValue
    request: ReadRequest
    alone: bool


def record_moves(
    asker: SetupAsker, spec: BusSpec, vents: Sequence[HandMovedVent]
) -> dict[str, tuple[list[RawReading], list[RawReading]]]:
    """Record while the person closes and opens the vents and turns their hand switches back to automatic.

    Args:
        asker: who moves them.
        spec: the bus that is read.
        vents: the vents.

    Returns:
        The opening of each, and what it did then, most often closing.
    """
    asker.say(
        "Keep people clear of the vents and drives. Nothing is written: you move them, this bench reads."
    )
    moves = list[Mapping[str, list[RawReading]]]()
    with Recording(spec, {vent.listed.name: vent.request for vent in vents}) as recording:
        for number, text in enumerate(_MOVES):
            move = _Move(recording, vents, moves, must_move=number == _OPENING)
            asker.wait(text, move.said, move.over)
            _see_out(asker, move, begins_later=number == len(_MOVES) - 1)
            moves.append(move.tracks())
    return {name: (moves[_OPENING].get(name, []), moves[-1].get(name, [])) for name in moves[0]}


def _see_out(asker: SetupAsker, move: _Move, *, begins_later: bool) -> None:
    """Wait for vents that still move: Enter may have come early, and a unit may begin a little later."""
    waiting = threading.Event()
    for look in range(_LOOKS):
        if not (move.moves() or (begins_later and look < _LOOKS_FOR_A_BEGIN)):
            return
        left_s = (_LOOKS - look) * _LOOK_S
        asker.glance(f"until all vents stand still, at most {left_s:.0f} s more: {move.said()}")
        waiting.wait(_LOOK_S)


@final
class _Move:
    """One movement of all vents.

    Args:
        recording: what is read.
        vents: the vents.
        before: the movements before.
        must_move: it is not over before every vent went from one end to the other.
    """

    def __init__(
        self,
        recording: Recording,
        vents: Sequence[HandMovedVent],
        before: Sequence[Mapping[str, list[RawReading]]],
        *,
        must_move: bool,
    ) -> None:
        self._recording = recording
        self._vents = vents
        self._before = before
        self._must_move = must_move
        self._marks = recording.mark()

    def tracks(self) -> dict[str, list[RawReading]]:
        """Return what was read since it began."""
        return self._recording.since(self._marks)

    def over(self) -> bool:
        """Whether it seems to be over: each vent moved, if it was to, and stands."""
        tracks = self.tracks()
        return all(self._is_over(tracks.get(vent.listed.name, [])) for vent in self._vents)

    def _is_over(self, track: Sequence[RawReading]) -> bool:
        moved = not self._must_move or len({one.words for one in track}) >= _BOTH_ENDS_AND_BETWEEN
        return moved and stands(track, _STANDS_FOR_S)

    def moves(self) -> bool:
        """Whether a vent moves now."""
        tracks = self.tracks()
        return any(
            bool(track) and not stands(track[-_LATELY:], _STANDS_NOW_S)
            for track in (tracks.get(vent.listed.name, []) for vent in self._vents)
        )

    def said(self) -> str:
        """Return what each vent reads, against what it read when this movement began."""
        if self._recording.trouble:
            return self._recording.trouble
        tracks = self.tracks()
        said = ";  ".join(self._vent_said(vent, tracks.get(vent.listed.name, [])) for vent in self._vents)
        by_hand = len(self._before) <= _OPENING
        return f"{said}.  All stand: press Enter" if by_hand and self.over() else said

    def _vent_said(self, vent: HandMovedVent, track: Sequence[RawReading]) -> str:
        label = vent.listed.label
        if not track:
            return f"{label} was not read yet"
        coding = self._coding(vent, track)
        was, now = coding.value(track[0].words), coding.value(track[-1].words)
        if was is None or now is None:
            return f"{label} reads no number"
        change = f"{'up' if now > was else 'down'} from {_number(was)}" if now != was else "as at the start"
        moves = "stands" if stands(track[-_LATELY:], _STANDS_NOW_S) else "moves"
        return f"{label} {_number(now)}, {change}, {moves}"

    def _coding(self, vent: HandMovedVent, track: Sequence[RawReading]) -> Coding:
        """Return the likeliest coding so far: it fits the opening, once that was seen, or else one reading."""
        if len(self._before) > _OPENING:
            opening = self._before[_OPENING].get(vent.listed.name, [])
            fits = position_fits(opening, listed=vent.listed.hints, alone=vent.alone)
            if fits:
                return fits[0].coding
        first = track[0].words
        likely = plausible_codings(first, "%", listed=vent.listed.hints, alone=vent.alone)
        return likely[0] if likely else Coding("u16")


def _number(value: float) -> str:
    return number_text(float(f"{value:.4g}"))
