"""What is wrong with a hook-up, in sentences, from what answered when its outputs were exercised (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from bench.registers import decode, resolve, width

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bench.hookup import Answer, HookUp
    from bench.samples import Poll
    from bench.wiring import BenchFile, SignalSpec

_SHARE: Final = 0.1  # of the change that is expected: how far off a value may be and still be meant
_SCALES: Final = (10.0, 100.0, 0.1, 0.01)
_FAR: Final = 10  # addresses to either side that are searched for a lost signal

Kind = Literal["right", "none", "backwards", "mirrored", "scaled", "other"]


@final
@dataclass(frozen=True, slots=True)
class Seen:
    """What every signal read at a moment, and the polls that it came in."""

    values: dict[str, float]
    polls: tuple[Poll, ...] = ()


@final
@dataclass(frozen=True, slots=True)
class Exercised:
    """One output that was exercised: what was read before and after, and when each signal began to change.

    Attributes:
        output: its name.
        before: what was read in the known state.
        after: what was read when the answers had had their time.
        delays: of each signal that changed, how long after the output it did: at least and at most, seconds.
    """

    output: str
    before: Seen
    after: Seen
    delays: Mapping[str, tuple[float, float]]


@final
@dataclass(frozen=True, slots=True)
class Found:
    """How one signal answered; `factor` when it is scaled."""

    kind: Kind
    factor: float = 1.0


def answered(wanted: Answer, before: float | None, after: float | None, error: float) -> Found:
    """Say how a signal answered.

    Args:
        wanted: what the bench file says of it.
        before: its reading before the output was driven; None when there was none.
        after: likewise afterwards.
        error: half the resolution plus the accuracy, in the signal's unit.
    """
    if before is None or after is None:
        return Found("other")
    if wanted.values is None:
        if abs(after - before) <= 2 * error:
            return Found("none")
        return Found("right" if (after > before) == (wanted.way in ("on", "up")) else "backwards")
    first, second = (v.value for v in wanted.values)
    slack = 2 * error + _SHARE * abs(second - first)
    ways: list[tuple[Found, float, float, float]] = [
        (Found("right"), first, second, slack),
        (Found("backwards"), second, first, slack),
    ]
    if wanted.values[0].text.endswith("%"):
        ways.append((Found("mirrored"), 100 - first, 100 - second, slack))
    ways += [(Found("scaled", k), k * first, k * second, k * slack) for k in _SCALES]
    for found, low, high, within in ways:
        if abs(before - low) <= within and abs(after - high) <= within:
            return found
    return Found("none" if abs(after - before) <= 2 * error else "other")


def diagnose(file: BenchFile, exercised: Mapping[str, Exercised]) -> list[str]:
    """Return a sentence for each thing that is wrong; none when everything answered as the bench file says."""
    hookups = {name: file.outputs[name].hookup for name in exercised}
    said = list(_swapped(file, exercised))
    for name, tried in exercised.items():
        hookup = hookups[name]
        if hookup is not None and not any(f"{name!r}" in sentence for sentence in said):
            said += _of_output(file, name, hookup, tried)
    return list(dict.fromkeys(said))


def _results(file: BenchFile, hookup: HookUp, tried: Exercised) -> dict[str, Found]:
    return {
        signal: answered(
            wanted,
            tried.before.values.get(signal),
            tried.after.values.get(signal),
            file.signals[signal].traits(signal).error,
        )
        for signal, wanted in hookup.answers.items()
    }


def _swapped(file: BenchFile, exercised: Mapping[str, Exercised]) -> Iterator[str]:
    """Yield pairs of outputs each of which brings about the other's answers."""
    names = list(exercised)
    for i, one in enumerate(names):
        for two in names[i + 1 :]:
            if _brings(file, exercised[one], two, one) and _brings(file, exercised[two], one, two):
                yield f"outputs {one!r} and {two!r} are swapped: each brings about what the other should"


def _brings(file: BenchFile, tried: Exercised, theirs: str, own: str) -> bool:
    """Whether an output brings about another's flags and none of its own."""
    mine, other = file.outputs[own].hookup, file.outputs[theirs].hookup
    if mine is None or other is None:
        return False
    only_mine = {s for s in mine.answers if s not in other.answers}
    only_other = {s for s in other.answers if s not in mine.answers}
    if not only_mine or not only_other:
        return False
    results = _results(file, mine, tried), _results(file, other, tried)
    return all(results[0][s].kind == "none" for s in only_mine) and any(
        results[1][s].kind == "right" for s in only_other
    )


def _of_output(file: BenchFile, name: str, hookup: HookUp, tried: Exercised) -> list[str]:
    results = _results(file, hookup, tried)
    wrong = {signal: found for signal, found in results.items() if found.kind != "right"}
    if not wrong:
        return []
    flags = {s for s in results if file.signals[s].unit == "flag"}
    if flags and all(results[s].kind == "backwards" for s in flags):
        text = (
            f"output {name!r} works the wrong way round: what should answer when it closes answers when it opens; "
            "the normally open contact is taken for the normally closed one, or `at_rest` in the bench file is wrong"
        )
        return [text]
    moved = _lost_and_found(file, hookup, wrong, results, tried)
    rest = {signal: found for signal, found in wrong.items() if signal not in moved}
    said = _moved_sentences(file, moved)
    if rest and all(found.kind == "none" for found in results.values()) and not tried.delays:
        return [f"nothing answers output {name!r}: a dead channel, a wire that is off, or the wrong terminal"]
    right = [signal for signal in results if results[signal].kind == "right"]
    still = [signal for signal, found in rest.items() if found.kind == "none"]
    acts = [signal for signal in results if signal not in flags or signal in still]
    if right and set(right) <= flags and still and all(s in still for s in acts):
        said.append(
            f"{_list(right)} answers output {name!r}, but {_list(still)} does not: the unit sees the input and "
            "does not act on it; is the input, or its override, enabled in the unit?"
        )
        rest = {signal: found for signal, found in rest.items() if signal not in still}
    said += [_sentence(file, tried, signal, hookup.answers[signal], found) for signal, found in rest.items()]
    return said


def _sentence(file: BenchFile, tried: Exercised, signal: str, wanted: Answer, found: Found) -> str:
    name = tried.output
    before, after = tried.before.values.get(signal), tried.after.values.get(signal)
    if before is None or after is None:
        return f"{signal!r} cannot be read, so that nothing is known of its answer to output {name!r}"
    unit = file.signals[signal].unit
    reads = (
        f"{signal!r} reads {before:g} and then {after:g} {unit} where output {name!r} should bring {wanted}"
    )
    if found.kind == "none":
        return f"{reads}: it does not answer; wrong address or bit, or it is stuck in the unit"
    if found.kind in ("backwards", "mirrored"):
        return f"{reads}: it is reversed; open and closed are exchanged at its drive or its position sensor"
    if found.kind == "scaled":
        scale = file.signals[signal].scale / found.factor
        return f"{reads}: it is {found.factor:g} times what it should be; `scale: {scale:g}` would be right"
    return f"{reads}: it answers, but otherwise than the bench file says"


# signals that are read from the wrong place


@final
@dataclass(frozen=True, slots=True)
class _Place:
    """Where a signal's expected answer was found instead, and which signal is read from there, if one is."""

    shift: int
    bit: int | None
    owner: str


def _lost_and_found(
    file: BenchFile,
    hookup: HookUp,
    wrong: Mapping[str, Found],
    results: Mapping[str, Found],
    tried: Exercised,
) -> dict[str, _Place]:
    """Return where the answers of signals turned up whose own place does not show them."""
    taken = {_where(file.signals[s]) for s, found in results.items() if found.kind == "right"}
    found = {}
    for signal, how in wrong.items():
        if how.kind in ("none", "other", "backwards"):
            place = _search(file, signal, hookup.answers[signal], tried, taken)
            if place is not None:
                found[signal] = place
    return found


def _where(spec: SignalSpec) -> tuple[str, int, str, int, int | None]:
    table, address = resolve(spec)
    return spec.bus, spec.unit_id, table, address, spec.bit


def _search(
    file: BenchFile,
    signal: str,
    wanted: Answer,
    tried: Exercised,
    taken: set[tuple[str, int, str, int, int | None]],
) -> _Place | None:
    spec = file.signals[signal]
    if wanted.way in ("up", "down"):
        return None  # anything that goes up would do
    bus, unit_id, table, address, bit = _where(spec)
    owners = {_where(other): name for name, other in file.signals.items()}
    shifts = sorted(range(-_FAR, _FAR + 1), key=abs)
    bits = [bit] if bit is None else [bit, *(b for b in range(16) if b != bit)]
    for other_bit in bits:
        for shift in shifts:
            place = bus, unit_id, table, address + shift, other_bit
            if (shift == 0 and other_bit == bit) or place in taken:
                continue
            moved = spec.model_copy(update={"bit": other_bit})
            values = [
                _read_at(state, signal, moved, address + shift) for state in (tried.before, tried.after)
            ]
            if answered(wanted, values[0], values[1], spec.traits(signal).error).kind == "right":
                return _Place(shift, other_bit if other_bit != bit else None, owners.get(place, ""))
    return None


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


def _moved_sentences(file: BenchFile, moved: Mapping[str, _Place]) -> list[str]:
    shifts = {place.shift for place in moved.values() if place.bit is None}
    if len(moved) > 1 and len(shifts) == 1 and all(place.bit is None for place in moved.values()):
        shift = shifts.pop()
        text = (
            f"{_list(moved)} are read from the wrong address: their answers stand {abs(shift)} "
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
    return said


def _list(names: Mapping[str, object] | list[str]) -> str:
    return ", ".join(repr(name) for name in names)
