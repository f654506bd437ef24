"""What is miswired (pure)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.base.quantities import Dimension
from ventproof_bench.modbus.register_map import decode, resolve, width

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from ventproof_bench.base.evidence import Poll
    from ventproof_bench.benchfile.model import Answer, BenchFile, HookUp, SignalSpec


_SHARE: Final = 0.1  # of the change that is expected: how far off a value may be and still be meant
_SCALES: Final = (10.0, 100.0, 0.1, 0.01)

Kind = Literal["right", "none", "backwards", "mirrored", "scaled", "other"]


@final
@dataclass(frozen=True, slots=True)
class UnitReadings:
    """What every signal read at a moment, and the polls that it came in."""

    values: dict[str, float]
    polls: tuple[Poll, ...] = ()


@final
@dataclass(frozen=True, slots=True)
class Exercised:
    """One output that was exercised: what was read before and after, and when each signal changed.

    Attributes:
        output: its name.
        before: what was read in the known state.
        after: what was read when the answers had had their time.
        delays: of each signal that changed, how long after the output it did: at least and at most, seconds.
    """

    output: str
    before: UnitReadings
    after: UnitReadings
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
    if wanted.values[0].dimension is Dimension.PERCENT:
        ways.append((Found("mirrored"), 100 - first, 100 - second, slack))
    ways += [(Found("scaled", k), k * first, k * second, k * slack) for k in _SCALES]
    for found, low, high, within in ways:
        if abs(before - low) <= within and abs(after - high) <= within:
            return found
    return Found("none" if abs(after - before) <= 2 * error else "other")


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


def _read_at(state: UnitReadings, signal: str, spec: SignalSpec, address: int) -> float | None:
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


def diagnose(file: BenchFile, exercised: Mapping[str, Exercised]) -> list[str]:
    """Return a sentence for each thing that is wrong; none when everything answered as the bench file says."""
    said, swapped = list[str](), set[str]()
    for one, two in _swapped(file, exercised):
        said.append(f"outputs {one!r} and {two!r} are swapped: each brings about what the other should")
        swapped |= {one, two}
    for one in exercised:
        if one not in swapped and (
            others := [two for two in exercised if _brings(file, exercised[one], two, one)]
        ):
            said.append(
                f"output {one!r} is on the wrong terminals: it brings about what {listed(others)} should, "
                "and nothing of its own"
            )
            swapped.add(one)
    explained = set[str]()  # signals of which a sentence tells already
    for name, tried in exercised.items():
        hookup = file.outputs[name].hookup
        if hookup is not None and name not in swapped:
            said += _of_output(file, hookup, tried, explained)
    return said


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


def _swapped(file: BenchFile, exercised: Mapping[str, Exercised]) -> Iterator[tuple[str, str]]:
    """Yield pairs of outputs each of which brings about the other's answers."""
    names = list(exercised)
    for i, one in enumerate(names):
        for two in names[i + 1 :]:
            if _brings(file, exercised[one], two, one) and _brings(file, exercised[two], one, two):
                yield one, two


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


def _of_output(file: BenchFile, hookup: HookUp, tried: Exercised, explained: set[str]) -> list[str]:
    """Return what is wrong with one output's answers; adds to `explained` the signals that the sentences tell of."""
    name, results = tried.output, _results(file, hookup, tried)
    wrong = {s: found for s, found in results.items() if found.kind != "right" and s not in explained}
    if not wrong:
        return []
    flags = {s for s in results if file.signals[s].unit == "flag"}
    if flags and all(results[s].kind == "backwards" for s in flags):
        text = (
            f"output {name!r} works the wrong way round: what should answer when it closes answers when it opens; "
            "the normally open contact is taken for the normally closed one, or `at_rest` in the bench file is wrong"
        )
        return [text]
    if all(found.kind == "none" for found in results.values()) and not tried.delays:
        return [f"nothing answers output {name!r}: a dead channel, a wire that is off, or the wrong terminal"]
    moved = lost_and_found(file, hookup, wrong, results, tried)
    said = moved_sentences(file, moved)
    explained |= alike(file, moved) if off_alike(moved) else set(moved)
    rest = {s: found for s, found in wrong.items() if s not in explained}
    right = [s for s in results if results[s].kind == "right"]
    still = [s for s, found in rest.items() if found.kind == "none"]
    if right and still and set(right) <= flags and all(s in still for s in results if s not in flags):
        said.append(
            f"output {name!r} is answered by {listed(right)}, but not by {listed(still)}: the unit sees the input and "
            "does not act on it; is the input, or its override, enabled in the unit?"
        )
        rest = {s: found for s, found in rest.items() if s not in still}
    alone = all(found.kind == "none" for found in results.values())
    if alone and len(rest) > 1:
        said.append(
            f"output {name!r} is answered by none of {listed(rest)}: it is on the wrong terminals, or they are read "
            "from wrong addresses"
        )
        rest = {}
    said += [_sentence(file, tried, s, hookup.answers[s], found, alone=alone) for s, found in rest.items()]
    explained |= {s for s in rest if rest[s].kind != "none"}
    return said


def _sentence(
    file: BenchFile, tried: Exercised, signal: str, wanted: Answer, found: Found, *, alone: bool
) -> str:
    name = tried.output
    before, after = tried.before.values.get(signal), tried.after.values.get(signal)
    if before is None or after is None:
        return f"{signal!r} cannot be read, so that nothing is known of its answer to output {name!r}"
    unit = file.signals[signal].unit
    reads = (
        f"{signal!r} reads {before:g} and then {after:g} {unit} where output {name!r} should bring {wanted}"
    )
    if found.kind == "none":
        wire = ", or the output is on the wrong terminals" if alone else ""
        return f"{reads}: it does not answer; wrong address or bit, or it is stuck in the unit{wire}"
    if found.kind in ("backwards", "mirrored"):
        return f"{reads}: it is reversed; open and closed are exchanged at its drive or its position sensor"
    if found.kind == "scaled":
        scale = file.signals[signal].scale / found.factor
        return f"{reads}: it is {found.factor:g} times what it should be; `scale: {scale:g}` would be right"
    return f"{reads}: it answers, but otherwise than the bench file says"
