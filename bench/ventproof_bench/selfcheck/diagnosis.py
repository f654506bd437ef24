"""What is miswired (pure)."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.base.quantities import PLAIN_UNITS, Dimension, dimension_of
from ventproof_bench.benchfile.hookup import Answer
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.modbus.register_map import resolve
from ventproof_bench.selfcheck.slips import (
    Slip,
    bank_of,
    beside,
    elsewhere,
    others,
    place_of,
    recoded,
    turned,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.signals import SignalSpec
    from ventproof_bench.selfcheck.slips import Place, UnitReadings


_SHARE: Final = 0.1  # of the change that is expected: how far off a value may be and still be meant
_SCALES: Final = (10.0, 100.0, 0.1, 0.01)

Kind = Literal["right", "none", "backwards", "mirrored", "scaled", "other"]
At = tuple[str, ...]
"""Keys that lead to the line of a bench file to look at."""


@final
@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing that is wired, or declared, wrong.

    Attributes:
        text: what it looks like.
        at: where in the bench file to look.
    """

    text: str
    at: At


@final
@dataclass(frozen=True, slots=True)
class Exercised:
    """One output that was exercised: what was read before and after, and when each signal changed.

    Attributes:
        output: its name.
        before: what was read in the known state.
        after: what was read when the answers had had their time.
        delays: of each signal that changed, how long after the output it did: at least and at most, seconds.
        wanted: what the bench file says that answers.
        how: whether it was driven, the wire of its sensor broken, or its closures counted once they had their time; or
            what feedback of a vent was spoiled: `output` is the vent then.
    """

    output: str
    before: UnitReadings
    after: UnitReadings
    delays: Mapping[str, tuple[float, float]]
    wanted: Mapping[str, Answer]
    how: Literal["driven", "broken", "counted", "vent"] = "driven"


@final
@dataclass(frozen=True, slots=True)
class Found:
    """How one signal answered; `factor` when it is scaled."""

    kind: Kind
    factor: float = 1.0


def answered(wanted: Answer, before: float | None, after: float | None, spec: SignalSpec) -> Found:
    """Say how a signal answered.

    Args:
        wanted: what the bench file says of it.
        before: its reading before the output was driven; None when there was none.
        after: likewise afterwards.
        spec: the signal.
    """
    if before is None or after is None:
        return Found("other")
    still = abs(after - before) <= 2 * error_of(spec)
    ends = ends_of(wanted, spec)
    if ends is None:
        return Found(_went(wanted, before, after, spec, still=still))
    first, second = ends
    slack = slack_of(ends, spec)
    ways: list[tuple[Found, float, float, float]] = [
        (Found("right"), first, second, slack),
        (Found("backwards"), second, first, slack),
    ]
    if dimension_of(spec.unit) is Dimension.PERCENT:
        ways.append((Found("mirrored"), 100 - first, 100 - second, slack))
    if spec.unit not in PLAIN_UNITS:
        ways += [
            (Found("scaled", k), k * first, k * second, k * slack)
            for k in _SCALES
            if k * abs(second - first) > 4 * error_of(spec)  # else it is as good as no change
        ]
    for found, low, high, within in ways:
        if abs(before - low) <= within and abs(after - high) <= within:
            return found
    return Found("none" if still else "other")


def _went(wanted: Answer, before: float, after: float, spec: SignalSpec, *, still: bool) -> Kind:
    """Say how a signal answered of which the bench file gives a way, or by how much it counts on."""
    if wanted.way == "stays":
        return "right" if still else "other"
    if wanted.more is not None:
        wraps_at = spec.traits("").wraps_at
        counted = int(after - before) % wraps_at if wraps_at else int(after - before)
        return "right" if counted == wanted.more else "none" if still else "other"
    if still:
        return "none"
    return "right" if (after > before) == (wanted.way in ("on", "up")) else "backwards"


def error_of(spec: SignalSpec) -> float:
    """Return how far off a reading may be: half the resolution plus the accuracy, in the signal's unit."""
    return spec.traits("").error


def ends_of(wanted: Answer, spec: SignalSpec) -> tuple[float, float] | None:
    """Return the values before and after; None where the bench file gives a way only."""
    if wanted.states is not None and spec.states is not None:
        return float(spec.states[wanted.states[0]]), float(spec.states[wanted.states[1]])
    return None if wanted.values is None else (wanted.values[0].value, wanted.values[1].value)


def slack_of(ends: tuple[float, float], spec: SignalSpec) -> float:
    """Return how far off a value may be and still be meant."""
    if spec.unit in PLAIN_UNITS:
        return 0.0
    return 2 * error_of(spec) + _SHARE * abs(ends[1] - ends[0])


Case = tuple[Exercised, Answer]


def cases_of(tries: Iterable[Exercised]) -> dict[str, list[Case]]:
    """Return for each signal the exercises that it takes part in, with what it should have done."""
    cases = defaultdict(list)
    for tried in tries:
        for signal, wanted in tried.wanted.items():
            cases[signal].append((tried, wanted))
    return cases


def found_of(file: BenchFile, signal: str, case: Case) -> Found:
    """Say how a signal answered in one exercise."""
    tried, wanted = case
    before, after = tried.before.values.get(signal), tried.after.values.get(signal)
    found = answered(wanted, before, after, file.registers[signal])
    return found if found.kind != "right" or _in_time(file, tried, signal, wanted) else Found("other")


def _in_time(file: BenchFile, tried: Exercised, signal: str, wanted: Answer) -> bool:
    """Whether a signal may have begun to answer when it should, and a flag that should stay never changed meanwhile."""
    if tried.how == "counted" or signal not in tried.delays:
        return True
    if wanted.way == "stays":
        return file.registers[signal].unit != "flag"
    least_s, most_s = tried.delays[signal]
    return most_s >= wanted.after_s and least_s <= wanted.within_s


def explains(file: BenchFile, signal: str, slip: Slip, cases: Iterable[Case]) -> bool:
    """Whether a signal would have answered as it should in every exercise, had it been read otherwise."""
    spec = file.registers[signal]
    return all(
        answered(
            wanted,
            slip.read(signal, tried.before, spec.offset),
            slip.read(signal, tried.after, spec.offset),
            spec if slip.spec is None else slip.spec,
        ).kind
        == "right"
        and _in_time(file, tried, slip.owner, wanted)
        for tried, wanted in cases
    )


def diagnose(file: BenchFile, tries: Iterable[Exercised]) -> list[Wrong]:
    """Return a sentence for each thing that is wrong; none when everything answered as the bench file says."""
    return _Diagnosis(file, tuple(tries)).wrongs()


def wrong_signals(file: BenchFile, tries: Iterable[Exercised]) -> set[str]:
    """Return the signals that answered otherwise than the bench file says."""
    return {
        signal
        for signal, cases in cases_of(tries).items()
        if any(found_of(file, signal, case).kind != "right" for case in cases)
    }


def listed(names: Iterable[str], *, quoted: bool = True) -> str:
    """Return names as messages list them."""
    return ", ".join(repr(name) if quoted else name for name in names)


@final
class _Diagnosis:
    """One finding out of what is wrong; the outputs first, since what they bring about says nothing of the signals."""

    def __init__(self, file: BenchFile, tries: tuple[Exercised, ...]) -> None:
        self._file = file
        self._tries = tries
        self._plain = {tried.output: tried for tried in tries if tried.how == "driven"}
        self._said: list[Wrong] = []
        self._explained = set[str]()  # signals of which a sentence tells already
        self._blamed = set[str]()  # outputs likewise

    def wrongs(self) -> list[Wrong]:
        self._outputs_exchanged()
        for name, tried in self._plain.items():
            if name not in self._blamed:
                self._output(name, tried)
        self._signals()
        for tried in self._tries:
            if tried.output not in self._blamed:
                self._rest(tried)
        return self._said

    def _say(self, text: str, *at: str) -> None:
        self._said.append(Wrong(text, at))

    def _results(self, tried: Exercised, wanted: Mapping[str, Answer] | None = None) -> dict[str, Found]:
        """Return how each signal answered that should have; one that should have stayed tells of others only."""
        return {
            signal: found_of(self._file, signal, (tried, answer))
            for signal, answer in (wanted or tried.wanted).items()
            if answer.way != "stays"
        }

    # outputs

    def _outputs_exchanged(self) -> None:
        names = list(self._plain)
        for i, one in enumerate(names):
            for two in names[i + 1 :]:
                if self._brings(one, two) and self._brings(two, one):
                    self._blamed |= {one, two}
                    text = f"outputs {one!r} and {two!r} are swapped: each causes the response of the other"
                    self._say(text, "outputs", one, "wired")
        for one in names:
            theirs = [
                two for two in names if two != one and one not in self._blamed and self._brings(one, two)
            ]
            if theirs:
                self._blamed.add(one)
                where = "on the wrong terminals" if self._wired(one) else "written to the wrong place"
                brings = f"it causes the response of {listed(theirs)}, and none of its own"
                text = f"output {one!r} is {where}: {brings}"
                self._say(text, "outputs", one, "wired")

    def _brings(self, own: str, theirs: str) -> bool:
        """Whether an output brings about another's answers and none of its own."""
        tried, other = self._plain[own], self._plain[theirs]
        results = self._results(tried), self._results(tried, other.wanted)
        only_mine, only_other = (set(results[i]) - set(results[1 - i]) for i in (0, 1))
        if not only_mine or not only_other:
            return False
        brought = sum(results[1][s].kind == "right" for s in only_other)
        return all(results[0][s].kind == "none" for s in only_mine) and 2 * brought > len(only_other)

    def _wired(self, output: str) -> bool:
        return self._file.outputs[output].kind != "register"

    def _output(self, name: str, tried: Exercised) -> None:
        """Say what is wrong with an output as a whole, if something is."""
        results, wired = self._results(tried), self._wired(name)
        flags = {s for s in results if self._file.registers[s].unit == "flag"}
        numbers = {found.kind for s, found in results.items() if s not in flags}
        if flags and all(results[s].kind == "backwards" for s in flags) and "right" not in numbers:
            self._blame(name, _REVERSED.format(name), "at_rest")
        elif results and all(f.kind == "none" for f in results.values()) and not tried.delays:
            why = (
                "a dead channel, a wire that is off, or the wrong terminal"
                if wired
                else ("it is written to another register than the unit reads it from")
            )
            self._blame(name, f"nothing answers output {name!r}: {why}", "wired")
        elif wrong := self._written_otherwise(name, results):
            self._blame(name, wrong, "wired", "scale")

    def _blame(self, name: str, text: str, *keys: str) -> None:
        self._blamed.add(name)
        self._say(text, "outputs", name, *keys)

    def _written_otherwise(self, name: str, results: Mapping[str, Found]) -> str:
        """Return what is wrong with the scale of a register output: what it shows is off, and so is what follows."""
        output = self._file.outputs[name]
        if self._wired(name) or isinstance(output, ContactOutput):
            return ""
        alike = {s for s in results if self._file.registers[s].unit == output.unit}
        off = {results[s].factor for s in alike if results[s].kind == "scaled"}
        rest = [found.kind for s, found in results.items() if s not in alike]
        if len(off) != 1 or not rest or "right" in rest:
            return ""
        factor = off.pop()
        return (
            f"output {name!r} is written {factor:g} times too large: {listed(sorted(alike))} shows that, and what "
            "should follow does not; look at `scale` below its `wired:`"
        )

    # signals

    def _signals(self) -> None:
        """Say which signals are read from the wrong place, or otherwise wrong in every exercise alike."""
        cases = {
            signal: [case for case in cases if case[0].output not in self._blamed]
            for signal, cases in cases_of(self._tries).items()
        }
        wrong, right = dict[str, list[Case]](), set[str]()
        for signal, its in cases.items():
            kinds = {found_of(self._file, signal, case).kind for case in its}
            if kinds - {"right"}:
                wrong[signal] = its
            elif kinds:
                right.add(signal)
        moved = self._moved(wrong, right)
        self._say_moved(moved, wrong)
        tables = {bank_of(self._file.registers[s]) for s in self._off_alike(moved)}
        self._explained |= {s for s, spec in self._file.registers.items() if bank_of(spec) in tables}
        self._explained |= set(moved)

    def _alone(self, signal: str, cases: Iterable[Case]) -> bool:
        """Whether a wrong scale, or a sense the wrong way round, is all that is wrong with a signal."""
        spec = self._file.registers[signal]
        return any(explains(self._file, signal, slip, cases) for slip in turned(spec))

    def _moved(self, wrong: Mapping[str, list[Case]], right: set[str]) -> dict[str, Slip]:
        """Return where the answers of signals turned up whose own place does not show them.

        Numbers are looked for at the addresses around. A bit says little, so flags are looked for in their own
        register and as far off as numbers were found, and only then around.
        """
        taken = {place_of(self._file.registers[s]) for s in right}
        flags = {s: its for s, its in wrong.items() if self._file.registers[s].unit == "flag"}
        numbers = {s: its for s, its in wrong.items() if s not in flags}
        moved = {
            signal: slip
            for signal, cases in numbers.items()
            if not self._alone(signal, cases) and (slip := self._number(signal, cases, taken))
        }
        found = Counter(slip_shift(self._file, s, slip) for s, slip in moved.items())
        shifts = (0, *found.keys() - {0})
        if off := [shift for shift in shifts if shift and found[shift] > 1]:
            # Others that are off as far, and could be wrong in another way by themselves.
            for signal, cases in numbers.items():
                for slip in elsewhere(self._file, signal, (off[0],)):
                    if explains(self._file, signal, slip, cases):
                        moved[signal] = slip
        for signal, cases in flags.items():
            if slip := self._flag(signal, cases, taken, shifts):
                moved[signal] = slip
        return {signal: moved[signal] for signal in wrong if signal in moved}

    def _number(self, signal: str, cases: list[Case], taken: set[Place]) -> Slip | None:
        spec = self._file.registers[signal]
        if not any(ends_of(answer, spec) or answer.more for _, answer in cases):
            return None  # whatever moves would do
        there = chain(recoded(spec), elsewhere(self._file, signal), others(self._file, signal), beside(spec))
        return next((slip for slip in there if self._shows(signal, slip, cases, taken)), None)

    def _flag(
        self, signal: str, cases: list[Case], taken: set[Place], shifts: tuple[int, ...]
    ) -> Slip | None:
        spec = self._file.registers[signal]
        nearby: tuple[Iterable[Slip], ...] = (
            chain(elsewhere(self._file, signal, shifts), beside(spec)),
            (slip for slip in elsewhere(self._file, signal) if slip.spec and slip.spec.bit == spec.bit),
        )
        for there in nearby:
            if near := [slip for slip in there if self._shows(signal, slip, cases, taken)]:
                return near[0] if len(near) == 1 else None
        return None

    def _shows(self, signal: str, slip: Slip, cases: list[Case], taken: set[Place]) -> bool:
        if slip.spec is not None and slip.kind == "place" and place_of(slip.spec) in taken:
            return False
        return explains(self._file, signal, slip, cases)

    def _off_alike(self, moved: Mapping[str, Slip]) -> list[str]:
        """Return several signals that are all off by one and the same number of addresses."""
        shifts = {s: slip_shift(self._file, s, slip) for s, slip in moved.items()}
        off = [s for s, shift in shifts.items() if shift]
        return off if len(off) > 1 and len({shifts[s] for s in off}) == 1 else []

    def _say_moved(self, moved: Mapping[str, Slip], cases: Mapping[str, list[Case]]) -> None:
        off = self._off_alike(moved)
        if off:
            shift = slip_shift(self._file, off[0], moved[off[0]])
            text = (
                f"{listed(off)} are read from the wrong address: their answers stand {abs(shift)} "
                f"{'higher' if shift > 0 else 'lower'}, as where counting from 1 is mixed with counting from 0"
            )
            self._say(text, "signals", off[0], "address")
        told = set(off)
        for signal, slip in moved.items():
            back = moved.get(slip.owner)
            if signal in told:
                continue
            if back is not None and back.owner == signal:
                told |= {signal, slip.owner}
                one, two = sorted((signal, slip.owner))
                text = f"signals {one!r} and {two!r} are exchanged: each shows what the other should"
                self._say(text, "signals", signal, "address")
            else:
                alike = [
                    f"`{one.right}`"
                    for one in recoded(self._file.registers[signal])
                    if one != slip and explains(self._file, signal, one, cases[signal])
                ]
                also = f", and so it does with {listed(alike, quoted=False)}" if alike else ""
                self._say(_moved_said(self._file, signal, slip, also), "signals", signal, slip.key)

    # what neither explains

    def _rest(self, tried: Exercised) -> None:
        name, results = tried.output, self._results(tried)
        flags = {s for s in results if self._file.registers[s].unit == "flag"}
        rest = {
            s: found
            for s, found in results.items()
            if found.kind != "right" and s not in self._explained and not self._clearer(s, found)
        }
        right = [s for s in results if results[s].kind == "right"]
        still = [s for s, found in rest.items() if found.kind == "none"]
        if right and still and set(right) <= flags and all(s in still for s in results if s not in flags):
            text = (
                f"output {name!r} is answered by {listed(right)}, but not by {listed(still)}: the unit sees the input "
                "and does not act on it; is the input, or its override, enabled in the unit?"
            )
            self._say(text, "outputs", name, "hookup", "answers")
            rest = {s: found for s, found in rest.items() if s not in still}
        alone = all(found.kind == "none" for found in results.values())
        if alone and len(rest) > 1:
            text = (
                f"output {name!r} is answered by none of {listed(rest)}: it is on the wrong terminals, or they are "
                "read from wrong addresses"
            )
            self._say(text, "outputs", name, "wired")
            rest = {}
        for signal, found in rest.items():
            self._say(*self._sentence(tried, signal, found, alone=alone))
        self._explained |= set(rest)
        for signal, answer in tried.wanted.items():
            if answer.way == "stays" and signal not in self._explained:
                found = found_of(self._file, signal, (tried, answer))
                if found.kind != "right":
                    self._say(*self._sentence(tried, signal, found, alone=False))
                    self._explained.add(signal)

    def _clearer(self, signal: str, found: Found) -> bool:
        """Whether another exercise shows better what is wrong with a signal."""
        return found.kind in ("none", "other") and any(
            found_of(self._file, signal, (tried, tried.wanted[signal])).kind
            in ("scaled", "backwards", "mirrored")
            for tried in self._tries
            if signal in tried.wanted and tried.output not in self._blamed
        )

    def _sentence(self, tried: Exercised, signal: str, found: Found, *, alone: bool) -> tuple[str, ...]:
        name, wanted, spec = tried.output, tried.wanted[signal], self._file.registers[signal]
        at = "signals", signal
        before, after = tried.before.values.get(signal), tried.after.values.get(signal)
        if before is None or after is None:
            return (
                f"{signal!r} cannot be read, so that nothing is known of its answer to output {name!r}",
                *at,
            )
        does = "whose wire is broken should bring" if tried.how == "broken" else "should bring"
        reads = f"{signal!r} reads {before:g} and then {after:g} {spec.unit} where output {name!r} {does} {wanted}"
        if found.kind != "none" and self._right_by_others(signal, name):
            why = "other outputs bring it what they should; look at the range, scale, sensor and wires of this one"
            return f"{reads}: {why}", "outputs", name
        why, *keys = self._why(tried, signal, found, alone=alone)
        return f"{reads}: {why}", *at, *keys

    def _right_by_others(self, signal: str, output: str) -> bool:
        """Whether a number answers another output with the right values, so that it is read right."""
        return any(
            ends_of(tried.wanted[signal], self._file.registers[signal]) is not None
            and found_of(self._file, signal, (tried, tried.wanted[signal])).kind == "right"
            for tried in self._tries
            if tried.output != output and signal in tried.wanted
        )

    def _why(self, tried: Exercised, signal: str, found: Found, *, alone: bool) -> tuple[str, ...]:
        """Return what the readings look like, and the key of the signal to look at."""
        wanted, spec = tried.wanted[signal], self._file.registers[signal]
        place = "bit" if spec.bit is not None else "address"
        match found.kind:
            case "none":
                on = spec.unit == "flag" and tried.before.values[signal] == float(wanted.way == "on")
                state = f"it was {wanted} before; something else holds it, or " if on else ""
                wire = ", or the output is on the wrong terminals" if alone else ""
                why = f"{state}it does not answer; wrong address or bit, or it is stuck in the unit{wire}"
            case "scaled":
                scale = spec.scale / found.factor
                why = f"it is {found.factor:g} times what it should be; `scale: {scale:g}` would be right"
                place = "scale"
            case "backwards" if spec.unit == "flag":
                why = (
                    "it is inverted; the unit shows it the other way round, or `bit` is that of the opposite"
                )
            case "backwards" | "mirrored":
                why = "it is reversed; open and closed are exchanged at its drive or its position sensor"
            case _ if wanted.more is not None:
                why = f"closures made: {wanted.more}; look at its type, `word_order` and address"
            case _ if wanted.way == "stays" and tried.before.values[signal] == tried.after.values[signal]:
                why = (
                    "it changed and changed back in between; its value is wrong, or belongs to another signal"
                )
            case _ if wanted.way == "stays":
                why = "what answers is another signal's; look at its address and bit"
            case _:
                why = "it responds, but not as declared; check its address and type"
        return why, place


_REVERSED: Final = (
    "output {!r} works the wrong way round: what should answer when it closes answers when it opens; "
    "the normally open contact is taken for the normally closed one, or `at_rest` in the bench file is wrong"
)


def slip_shift(file: BenchFile, signal: str, slip: Slip) -> int:
    """Return how many addresses higher a signal should be read; 0 where its place is not what is wrong."""
    if slip.spec is None or slip.kind != "place":
        return 0
    return resolve(slip.spec)[1] - resolve(file.registers[signal])[1]


def _moved_said(file: BenchFile, signal: str, slip: Slip, also: str) -> str:
    if slip.kind != "place" or slip.spec is None:
        what = {"type": "type", "word_order": "word order", "table": "table"}[slip.kind]
        return f"{signal!r} is read with the wrong {what}: with `{slip.right}` it answers as it should{also}"
    table, address = resolve(slip.spec)
    bit = "" if slip.spec.bit == file.registers[signal].bit else f", bit {slip.spec.bit}"
    kind = "" if slip.spec.type == file.registers[signal].type else f", as type {slip.spec.type}"
    other = "" if table == resolve(file.registers[signal])[0] else f" of table {table}"
    return f"{signal!r} is read from the wrong address: its answer stands at {address}{other}{bit}{kind}"
