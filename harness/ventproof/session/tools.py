"""The small tools of a bench: look at what is read, and switch one output once."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.clock import now_s, run, sleep_until
from ventproof_bench.base.errors import FileError, LinkError, Problem, Refusal
from ventproof_bench.base.evidence import Gap, Poll, Window
from ventproof_bench.base.interrupts import unless_interrupted
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.drivers.people import hardware_of
from ventproof_bench.rig.build import assemble
from ventproof_bench.rig.looking import Looker, RegisterPlace, Seen, place_of
from ventproof_bench.rig.session import RigSession, UnrecordedWatcher
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


_FIRST_WITHIN_S: Final = 5.0
_AFTER_S: Final = 1.0
"""How long what answers is waited for once the output is back."""


def look(
    bench: Loaded[BenchFile],
    names: Sequence[str],
    *,
    every_s: float,
    times: int | None,
    show: Callable[[Sequence[Seen]], None],
) -> bool:
    """Look at signals and registers again and again; drives nothing.

    Args:
        bench: a bench on real wires.
        names: signals, and places such as `unit:input:0-5@1`; all signals in registers if there are none.
        every_s: seconds from one look to the next.
        times: how often; until it is interrupted if None.
        show: takes what each look brought.

    Returns:
        Whether everything answered at the last look.

    Raises:
        FileError: a name is neither a signal nor a place, or the bench has no real wires.
        LinkError: a port or host cannot be opened.
    """
    _on_wires(bench, "read")
    signals, places = _sought(bench.model, names)

    async def main() -> bool:
        looker, done = Looker(bench.model, signals, places), 0
        try:
            await looker.open()
            begun_s = now_s()
            while True:
                seen = await looker.look()
                show(seen)
                done += 1
                if done == times:
                    return not any(one.trouble for one in seen)
                await sleep_until(max(now_s(), begun_s + done * every_s))
        finally:
            await looker.close()

    return run(main(), virtual=False)


def _sought(file: BenchFile, names: Sequence[str]) -> tuple[list[str], list[RegisterPlace]]:
    """Return the signals and the places that are named; all signals in registers if none is."""
    signals = [name for name in names if name in file.registers] if names else list(file.registers)
    places, problems = list[RegisterPlace](), list[Problem]()
    for name in names:
        if name in file.registers:
            continue
        if ":" not in name:
            reason = f"there is no signal {name!r} in registers"
            problems.append(Problem(name, None, None, reason, nearest(name, file.registers)))
            continue
        try:
            places.append(place_of(name, file.buses))
        except ValueError as error:
            wrong = Refusal.of(error)
            problems.append(Problem(name, None, None, wrong.reason, wrong.hint))
    if problems:
        raise FileError(problems)
    return signals, places


@final
@dataclass(frozen=True, slots=True)
class Switched:
    """What one switch of an output did.

    Attributes:
        there: when the output changed.
        back: when it changed back.
        changed: the signals that read otherwise meanwhile or afterwards: name, value before, first other value.
    """

    there: Window
    back: Window | None
    changed: tuple[tuple[str, float, float], ...]


@final
@dataclass(slots=True)
class _Hand(UnrecordedWatcher):
    """Notes what is read; lets a person's switch be the work of an ordinary rig session."""

    wanted: frozenset[str]
    all_read: asyncio.Event = field(default_factory=asyncio.Event)
    before: dict[str, float] = field(default_factory=dict)
    other: dict[str, float] = field(default_factory=dict)
    moved: bool = False

    def saw(self, evidence: Poll | Gap) -> None:
        """Keep the last value before the switch, and the first other one after it."""
        if not isinstance(evidence, Poll):
            return
        for name, value in evidence.values.items():
            if not self.moved:
                self.before[name] = value
            elif name not in self.other and value != self.before.get(name, value):
                self.other[name] = value
        if self.wanted <= self.before.keys():
            self.all_read.set()


def switch(bench: Loaded[BenchFile], output: str, *, for_s: float, ledger: Path | None = None) -> Switched:
    """Switch a contact once, away from its safe state and back, and see what answers.

    Args:
        bench: a bench on real wires, whose vents and drives are clear.
        output: the contact.
        for_s: how long it is held.
        ledger: where the operation of its relay is added; None: nowhere.

    Raises:
        FileError: the bench has no such contact, or no real wires.
        BenchError: the bench failed, or the outputs may not be safe.
        KeyboardInterrupt: it was interrupted; the outputs are safe.
    """
    _on_wires(bench, "switch")
    spec = _contact(bench, output)
    unless_interrupted()

    async def main() -> Switched:
        rig = assemble(hardware_of(bench.model), seed=0, ledger=ledger)
        hand = _Hand(frozenset(bench.model.registers))
        session, windows = RigSession(rig, hand), list[Window]()

        async def work() -> None:
            with suppress(TimeoutError):
                await asyncio.wait_for(hand.all_read.wait(), _FIRST_WITHIN_S)
            hand.moved = True
            windows.append(await rig.outputs.contact(output, closed=spec.safe == "open"))
            await asyncio.sleep(for_s)
            windows.append(await rig.outputs.contact(output, closed=spec.safe == "closed"))
            await asyncio.sleep(_AFTER_S)

        await session.run(work)
        if session.ended.abort is not None:
            raise LinkError(session.ended.abort.text)
        changed = tuple((name, hand.before[name], value) for name, value in hand.other.items())
        return Switched(windows[0], windows[1], changed)

    return run(main(), virtual=False)


def _contact(bench: Loaded[BenchFile], output: str) -> ContactOutput:
    played = bench.model.played_outputs
    contacts = {
        n: o
        for n, o in hardware_of(bench.model).outputs.items()
        if isinstance(o, ContactOutput) and n not in played
    }
    if output in contacts:
        return contacts[output]
    reason = f"bench {bench.path} has no contact {output!r}"
    if output in played:
        reason = f"output {output!r} shows where vent {played[output]!r} stands, as the bench plays it"
    if output in bench.model.by_hand:
        reason = f"output {output!r} is what a person does"
    raise FileError([Problem(output, None, None, reason, nearest(output, contacts))])


def _on_wires(bench: Loaded[BenchFile], what: str) -> None:
    if bench.model.virtual:
        hint = "serve it with `ventproof mock`, and name the bench file that this writes"
        reason = f"the mock inside the process is nothing to {what} by hand"
        raise FileError([Problem(bench.path, None, None, reason, hint)])
