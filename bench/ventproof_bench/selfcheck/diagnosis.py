"""Signals that are read from the wrong place: where their answers stand instead (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from bench.answers import Exercised, Found, Seen, answered
from bench.registers import decode, resolve, width

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from bench.hookup import Answer, HookUp
    from bench.wiring import BenchFile, SignalSpec

_FAR: Final = 10  # addresses to either side that are searched for a lost signal
_SHIFTS: Final = tuple(sorted(range(-_FAR, _FAR + 1), key=abs))

_Where = tuple[str, int, str, int, int | None]  # bus, unit, table, address, bit


@final
@dataclass(frozen=True, slots=True)
class _Place:
    """Where a signal's expected answer was found instead, and which signal is read from there, if one is."""

    shift: int
    bit: int | None
    owner: str


def lost_and_found(
    file: BenchFile,
    hookup: HookUp,
    wrong: Mapping[str, Found],
    results: Mapping[str, Found],
    tried: Exercised,
) -> dict[str, _Place]:
    """Return where the answers of signals turned up whose own place does not show them.

    Numbers are looked for at the addresses around. A bit says little, so flags are looked for in their own register
    and as far off as numbers were found.

    Args:
        file: the bench file.
        hookup: what was expected.
        wrong: signals that did not answer as expected.
        results: how every signal answered.
        tried: what was read.
    """
    taken = {_where(file.signals[s]) for s, how in results.items() if how.kind == "right"}
    lost = [s for s, how in wrong.items() if how.kind in ("none", "other", "backwards")]
    found: dict[str, _Place] = {}
    for signal in lost:
        if hookup.answers[signal].values is not None:
            near = _search(file, signal, hookup.answers[signal], tried, taken, _SHIFTS)
            if near:
                found[signal] = near[0]
    shifts = [0, *{place.shift for place in found.values()}]
    for signal in lost:
        if file.signals[signal].unit == "flag":
            near = _search(file, signal, hookup.answers[signal], tried, taken, shifts)
            if len(near) == 1:
                found[signal] = near[0]
    return found


def off_alike(moved: Mapping[str, _Place]) -> bool:
    """Whether several signals are all off by one and the same number of addresses."""
    return len(moved) > 1 and len({place.shift for place in moved.values() if place.shift}) == 1


def alike(file: BenchFile, moved: Mapping[str, _Place]) -> set[str]:
    """Return the signals that are read from the same tables as these, and so are off with them."""
    tables = {_where(file.signals[s])[:3] for s in moved}
    return {s for s, spec in file.signals.items() if _where(spec)[:3] in tables}


def _where(spec: SignalSpec) -> _Where:
    table, address = resolve(spec)
    return spec.bus, spec.unit_id, table, address, spec.bit


def _search(  # noqa: PLR0917 - one call, one meaning
    file: BenchFile,
    signal: str,
    wanted: Answer,
    tried: Exercised,
    taken: set[_Where],
    shifts: Sequence[int],
) -> list[_Place]:
    """Return the places that show what the signal should, the nearest first."""
    spec = file.signals[signal]
    bus, unit_id, table, address, bit = own = _where(spec)
    owners = {_where(other): name for name, other in file.signals.items()}
    bits = [bit] if bit is None else [bit, *(b for b in range(16) if b != bit)]
    found = []
    for shift, other_bit in ((shift, b) for shift in shifts for b in bits):
        place = bus, unit_id, table, address + shift, other_bit
        if place == own or place in taken:
            continue
        moved = spec.model_copy(update={"bit": other_bit})
        before, after = (
            _read_at(state, signal, moved, address + shift) for state in (tried.before, tried.after)
        )
        if answered(wanted, before, after, spec.traits(signal).error).kind == "right":
            found.append(_Place(shift, None if other_bit == bit else other_bit, owners.get(place, "")))
    return found


def _read_at(state: Seen, signal: str, spec: SignalSpec, address: int) -> float | None:
    """Return what the signal would read from another address of the polls that hold it."""
    for poll in state.polls:
        at = address - poll.address
        if signal in poll.values and 0 <= at <= len(poll.words) - width(spec):
            try:
                return decode(spec, poll.words[at : at + width(spec)])
            except ValueError:
                return None
    return None


def moved_sentences(file: BenchFile, moved: Mapping[str, _Place]) -> list[str]:
    """Say where signals are read from that should be read elsewhere."""
    if off_alike(moved):
        shift = next(iter(moved.values())).shift
        text = (
            f"{listed(moved)} are read from the wrong address: their answers stand {abs(shift)} "
            f"{'higher' if shift > 0 else 'lower'}, as where counting from 1 is mixed with counting from 0"
        )
        return [text]
    said: list[str] = []
    for signal, place in moved.items():
        other = moved.get(place.owner)
        if other is not None and other.owner == signal:
            one, two = sorted((signal, place.owner))
            said.append(f"signals {one!r} and {two!r} are exchanged: each shows what the other should")
        else:
            address = resolve(file.signals[signal])[1] + place.shift
            bit = "" if place.bit is None else f", bit {place.bit}"
            said.append(f"{signal!r} is read from the wrong address: its answer stands at {address}{bit}")
    return list(dict.fromkeys(said))


def listed(names: Iterable[str]) -> str:
    """Return names as messages list them."""
    return ", ".join(repr(name) for name in names)
