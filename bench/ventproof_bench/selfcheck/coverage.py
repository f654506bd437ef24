"""What a self-check has judged, and what it could not, since the bench file gives it too little to go by (pure).

A signal is judged when it answered as it should and would not have, had it been declared otherwise: whatever other
place, coding, scale or sense would have shown the same answers in every exercise may be the true one, so that the
readings do not tell a right bench file from a wrong one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.modbus.register_map import width
from ventproof_bench.selfcheck.diagnosis import cases_of, explains, found_of
from ventproof_bench.selfcheck.slips import (
    Slip,
    bank_of,
    elsewhere,
    extent,
    others,
    place_of,
    recoded,
    turned,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Sequence

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.signals import SignalSpec
    from ventproof_bench.selfcheck.diagnosis import At, Case, Exercised


@final
@dataclass(frozen=True, slots=True)
class Unjudged:
    """An output or a signal of which a self-check cannot say that it is hooked up right.

    Attributes:
        what: `output` or `signal`.
        name: its name.
        why: why not, and what would let it be judged.
        left: whether the bench file leaves it out on purpose.
        at: where in the bench file to look.
    """

    what: Literal["output", "signal"]
    name: str
    why: str
    left: bool
    at: At


_LEFT: Final = "the bench file leaves it out, `selfcheck: leave`"


def unjudged(
    file: BenchFile, tries: Sequence[Exercised], undriven: Collection[str] = ()
) -> tuple[Unjudged, ...]:
    """Return what was not judged, outputs first, each with what would let it be.

    Args:
        file: the bench file.
        tries: what was exercised.
        undriven: outputs that were not driven although they have a hook-up.
    """
    return (*_outputs(file, tries, undriven), *_signals(file, tries))


def _outputs(file: BenchFile, tries: Iterable[Exercised], undriven: Collection[str]) -> Iterator[Unjudged]:
    tried = {one.output for one in tries if one.how != "vent"}
    for name, output in file.outputs.items():
        at = "outputs", name
        if name in file.played_outputs:
            continue  # judged by what the vent does
        if name in undriven or (output.hookup is not None and name not in tried):
            yield Unjudged("output", name, "it was not driven", left=False, at=at)
        elif output.hookup is None:
            left = output.selfcheck == "leave"
            why = (
                _LEFT if left else "no `hookup:` states which signals respond; add one, or `selfcheck: leave`"
            )
            yield Unjudged("output", name, why, left=left, at=at)
        elif all(wanted.way == "stays" for wanted in output.hookup.answers.values()):
            why = "nothing answers it by its `hookup:`; name a signal that moves"
            yield Unjudged("output", name, why, left=False, at=(*at, "hookup", "answers"))


def _signals(file: BenchFile, tries: Sequence[Exercised]) -> Iterator[Unjudged]:
    cases = cases_of(tries)
    for name, spec in file.registers.items():
        at = "signals", name
        its = cases.get(name, [])
        if spec.selfcheck == "leave":
            yield Unjudged("signal", name, _LEFT, left=True, at=at)
        elif all(wanted.way == "stays" for _, wanted in its):
            why = "no `hookup:` lets it answer; name it among `answers`, or `selfcheck: leave`"
            yield Unjudged("signal", name, why, left=False, at=at)
        elif any(found_of(file, name, case).kind != "right" for case in its):
            yield Unjudged("signal", name, "it did not answer as it should", left=False, at=at)
        elif doubt := next(doubts(file, name, its, tries), None):
            yield Unjudged("signal", name, _doubted(file, name, its, doubt), left=False, at=at)


def doubts(file: BenchFile, signal: str, cases: Sequence[Case], tries: Sequence[Exercised]) -> Iterator[Slip]:
    """Yield other ways to read a signal that the readings do not rule out.

    Args:
        file: the bench file.
        signal: a signal that answered as it should.
        cases: the exercises that it takes part in.
        tries: everything that was exercised.
    """
    spec = file.registers[signal]
    likely = _Likely(spec, _numbers(file) if spec.type == "bit" else set())
    for slip in chain(turned(spec), recoded(spec), elsewhere(file, signal), others(file, signal)):
        if (
            likely.is_so(slip)
            and explains(file, signal, slip, cases)
            and _possible(file, signal, slip, tries)
        ):
            yield slip


@final
@dataclass(frozen=True, slots=True)
class _Likely:
    """Which slips a signal's author may have made; `numbers` are the registers in which no flag lies."""

    spec: SignalSpec
    numbers: set[tuple[str, int, str, int]]

    def is_so(self, slip: Slip) -> bool:
        """Whether it is another place or coding at all, and one that could be meant.

        Another bit of another register is two slips at once, which bits that nobody names would often seem to be; it is
        looked for only where the flag lies in a number, as none should.
        """
        own, there = self.spec, slip.spec
        if there is None:
            return True
        here, place = place_of(own), place_of(there)
        if (place, there.type, there.word_order) == (here, own.type, own.word_order):
            return False
        if place[:4] in self.numbers:
            return False
        near = place[:4] == here[:4] or there.bit == own.bit or here[:4] in self.numbers
        return near or bool(slip.owner)


def _numbers(file: BenchFile) -> set[tuple[str, int, str, int]]:
    """Return the registers that the bench file reads numbers from."""
    return {
        (*bank_of(spec), at)
        for spec in file.registers.values()
        if spec.type != "bit"
        for at in range(place_of(spec)[3], place_of(spec)[3] + width(spec))
    }


def _possible(file: BenchFile, signal: str, slip: Slip, tries: Iterable[Exercised]) -> bool:
    """Whether a signal read so would have been within what is possible whenever it was looked at."""
    spec = file.registers[signal]
    low, high = extent(spec)
    seen = (slip.read(signal, state, spec.offset) for tried in tries for state in (tried.before, tried.after))
    return all(value is None or low <= value <= high for value in seen)


def _doubted(file: BenchFile, signal: str, cases: Sequence[Case], slip: Slip) -> str:
    spec = file.registers[signal]
    weak = all(wanted.values is None and wanted.states is None for _, wanted in cases) and spec.unit != "flag"
    if weak:
        cure = "write its value before and after among `answers`, as '0 % to 92 %'"
    elif slip.kind == "type":
        cure = "let it show a value that only one of them can hold, one below 0 say, or declare its `range:`"
    elif slip.kind == "place":
        whose = f"{slip.owner!r}" if slip.owner else "the other"
        cure = f"add a hook-up that only one of it and {whose} answers: `{signal}: stays` where {whose} does"
    else:
        cure = "write values farther apart"
    said = f"with `{slip.right}` the response would have been the same"
    return f"{said}; {cure}"
