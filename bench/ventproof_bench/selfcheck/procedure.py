"""The bench measures itself: what its buses, contacts and pollers do, on real wires or in virtual time."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass, field
from math import inf
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.edges import Edge
from ventproof_bench.base.errors import BusFault, DriverError, LinkError
from ventproof_bench.base.evidence import BoardStarved, EdgeReport, Sample, Window
from ventproof_bench.base.protocols import PartCondition, ReadRequest, VentPart
from ventproof_bench.base.quantities import PLAIN_UNITS
from ventproof_bench.benchfile.hookup import Answer
from ventproof_bench.benchfile.model import ContactOutput, RegisterOutput
from ventproof_bench.outputs.boards import STARVED_FOR
from ventproof_bench.outputs.trains import LEAD_S
from ventproof_bench.outputs.vents import PLAYED, held_off_percent
from ventproof_bench.selfcheck.diagnosis import (
    Exercised,
    Wrong,
    ends_of,
    wrong_signals,
)
from ventproof_bench.selfcheck.known_state import unready, unready_sentence
from ventproof_bench.selfcheck.measure import (
    BusMeasured,
    CountMeasured,
    EchoMeasured,
    EdgesMeasured,
    LoopMeasured,
    RefreshMeasured,
    bus_measured,
    delay_bounds,
    echo_measured,
    edges_measured,
    loop_measured,
    refresh_measured,
)
from ventproof_bench.selfcheck.roll import roll_call
from ventproof_bench.selfcheck.slips import UnitReadings, other_table
from ventproof_bench.selfcheck.vents import VentStood, stood_after, stood_before

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from ventproof_bench.benchfile.hookup import HookUp
    from ventproof_bench.benchfile.model import (
        OutputSpec,
        TerminalOutput,
        ValueOutput,
    )
    from ventproof_bench.benchfile.vents import Plays
    from ventproof_bench.rig.build import Rig
    from ventproof_bench.selfcheck.readings import BenchReadings
    from ventproof_bench.selfcheck.slips import Bank


LISTEN_S: Final = 3.0
"""How long the buses are only listened to."""
_LISTEN_POLLS: Final = 20
_PULSES: Final = 6
# Long enough for debouncing, too short for entry delays: common practice, no source.
_HALF_PERIOD_S: Final = 0.25
_EDGES_A_RELAY: Final = 4  # times its fastest edge: unhurried
_CYCLES: Final = 3
_PATIENCE_S: Final = 0.5  # beyond what the bench file allows, for a reading to follow
_SHOWN: Final = 20
_SPOILED_S: Final = 15.0  # a unit that looks after its feedback says so by then: our own judgement, no source
_BOTH_ENDS: Final[Mapping[VentPart, PartCondition]] = {
    "closed_switch": {"stuck": "reached"},
    "open_switch": {"stuck": "reached"},
}
_OPEN_WIRE: Final[Mapping[VentPart, PartCondition]] = {"position": {"how": "open"}}
_GLANCE_S: Final = 0.05  # from one look at what was read to the next


class Listener(Protocol):
    """Takes what is done, as it happens."""

    def begins(self, what: str, takes_s: float) -> None:
        """A part of the check begins, and how long it takes."""

    def moved(self, output: str, said: str, report: EdgeReport) -> None:
        """A contact was driven."""

    def wrote(self, output: str, said: str, value: float, window: Window) -> None:
        """A value was written, somewhere in the window."""


class Terminals(Protocol):
    """What the sensors that outputs stand for put on the terminals; raises ValueError for what they cannot show."""

    def level(self, output: ValueOutput, value: float) -> float:
        """Return what an output's driver is given for a value: mA, V, ohm, or the value itself."""

    def broken(self, output: TerminalOutput) -> float:
        """Return what it is given for a broken wire."""

    def pulses(self, output: ContactOutput, value: float) -> tuple[float, float]:
        """Return the period of a contact's closures at a value of its sensor, and how long each lasts, seconds."""


@final
@dataclass(slots=True)
class Measured:
    """What a self-check measured.

    Attributes:
        exercised: by output, and by the same with `, broken` for one whose wire was then broken.
        wrongs: what was found wrong before anything could answer: who is silent, what was not in its known state.
        stood: where vents were while outputs were exercised.
        spoiled: what the unit showed while the feedback of a vent was spoiled.
        undriven: outputs that have a hook-up and were not driven.
        unread: signals of which nothing was ever read; of the check of a bench only.
        silence_s: how long the process that drives heard nothing of this one at most; 0 where it is this one.
    """

    buses: list[BusMeasured] = field(default_factory=list)
    edges: list[EdgesMeasured] = field(default_factory=list)
    echoes: list[EchoMeasured] = field(default_factory=list)
    counts: list[CountMeasured] = field(default_factory=list)
    loops: list[LoopMeasured] = field(default_factory=list)
    refreshes: list[RefreshMeasured] = field(default_factory=list)
    boards: list[BoardStarved] = field(default_factory=list)
    exercised: dict[str, Exercised] = field(default_factory=dict)
    wrongs: list[Wrong] = field(default_factory=list)
    stood: list[VentStood] = field(default_factory=list)
    spoiled: list[Exercised] = field(default_factory=list)
    undriven: set[str] = field(default_factory=set)
    unread: list[str] = field(default_factory=list)
    silence_s: float = 0.0


@final
class SelfCheck:
    """Measures an open rig that is being watched; outputs are left in their safe state.

    Args:
        rig: the rig.
        readings: what was seen of it so far, growing.
        listener: takes what is done.
        terminals: what goes to them for a value.
    """

    def __init__(
        self,
        rig: Rig,
        readings: BenchReadings,
        listener: Listener,
        terminals: Terminals,
    ) -> None:
        self._rig = rig
        self._readings = readings
        self._listener = listener
        self._terminals = terminals
        self._undisturbed_s = inf  # until then buses were left to their polls

    async def bench(self) -> Measured:
        """Measure everything that the bench file gives something to measure with.

        Raises:
            BenchError: an output did not do what it was told.
        """
        measured = Measured()
        if not await self._all_answer(measured):
            return measured
        polls_s = _LISTEN_POLLS * max(read.spec.poll_every for read in self._rig.reads)
        listen_s = max(LISTEN_S, polls_s)
        self._listener.begins("listening to the buses", listen_s)
        await asyncio.sleep(listen_s)
        played = self._rig.file.played_outputs
        for name, output in self._rig.file.outputs.items():
            if isinstance(output, ContactOutput) and output.selfcheck == "pulse" and name not in played:
                await self._pulse(name, output, measured)
        for name, vent in self._rig.file.vents.items():
            if vent.plays is not None:
                await self._show(name)
        await self._exercise_all(measured)
        self._undisturbed_s = now_s()
        for name in self._rig.file.boards:
            await self._starve(name, measured)
        return measured

    async def _show(self, vent: str) -> None:
        """Have a vent shown again and again, whether it moves or not."""
        self._listener.begins(f"{vent}: shown {_SHOWN} times", _SHOWN * _GLANCE_S)
        for _ in range(_SHOWN):
            await self._rig.outputs.condition(vent, {})

    def reckon(self, measured: Measured) -> None:
        """Add what was read all the while says of buses and refresh intervals.

        Takes a while, during which nobody would guard the outputs: for when these are safe.
        """
        self._buses(measured)
        self._loops(measured)
        self._refreshes(measured)
        measured.unread = [name for name in self._rig.file.registers if not self._readings.samples(name, 0.0)]

    async def unit(self) -> Measured:
        """Exercise every output that has a hook-up declared, and nothing else."""
        measured = Measured()
        if await self._all_answer(measured):
            await self._exercise_all(measured)
        return measured

    async def _all_answer(self, measured: Measured) -> bool:
        """Ask for everything once; where something does not answer nothing is driven, for it would be missed."""
        self._listener.begins("asking for everything once", 0.0)
        measured.wrongs += await roll_call(self._rig)
        if measured.wrongs:
            measured.undriven |= {name for name, output in self._rig.file.outputs.items() if output.hookup}
        return not measured.wrongs

    def _buses(self, measured: Measured) -> None:
        for read in self._rig.reads:
            bus, every_s = read.plan.bus, read.spec.poll_every
            polls = [
                p
                for p in self._readings.polls[bus]
                if p.replied_s <= self._undisturbed_s and p.table != PLAYED
            ]
            gaps = [gap for gap in self._readings.gaps[bus] if gap.to_s <= self._undisturbed_s]
            if found := bus_measured(bus, polls, gaps, every_s=every_s):
                measured.buses.append(found)

    def _loops(self, measured: Measured) -> None:
        file = self._rig.file
        for signal, position in file.positions.items():
            vent = file.vents[position.position_of]
            if vent.plays is None:
                continue
            polls = [
                p for p in self._readings.polls[file.bus_of(signal)] if p.replied_s <= self._undisturbed_s
            ]
            found = loop_measured(
                position.position_of,
                signal,
                polls,
                command=vent.commanded_by[0],
                off_percent=held_off_percent(file, vent),
            )
            if found is not None:
                measured.loops.append(found)

    async def _starve(self, name: str, measured: Measured) -> None:
        """Feed a board no longer and see it go safe, with a contact away from its safe state if one may be moved."""
        file = self._rig.file
        board, interlock = file.boards[name], file.interlock
        outputs = {output: file.outputs[output] for output in file.outputs_on(name)}
        contacts = [
            o
            for o, its in outputs.items()
            if isinstance(its, ContactOutput) and its.selfcheck == "pulse" and o not in file.played_outputs
        ]
        silent = board.fed_by == "any request"
        if silent and interlock is not None and file.registers[interlock.signal].bus == board.bus:
            contacts = []  # nobody could read the interlock while it is driven
        if not contacts and board.tripped is None:
            return
        contact = contacts[0] if contacts else None
        shares = STARVED_FOR if silent else STARVED_FOR[-1:]
        self._listener.begins(f"board {name}: no longer fed", sum(shares) * board.goes_safe_after)
        measured.boards.append(await self._rig.outputs.starve(name, contact))

    # edges, feedback and counts

    async def _pulse(self, name: str, output: ContactOutput, measured: Measured) -> None:
        from ventproof_bench.drivers.driver import fastest_edge_s  # noqa: PLC0415 - drivers load as they are found

        half_s = max(_HALF_PERIOD_S, _EDGES_A_RELAY * fastest_edge_s(output, self._rig.file.buses))
        self._listener.begins(f"{name}: {_PULSES} closures", 2 * _PULSES * half_s)
        safe = output.safe == "closed"
        plan = [Edge(k * half_s, closed=(k % 2 == 0) != safe) for k in range(2 * _PULSES)]
        before = await self._counter(output.counted_by)
        reports = await self._rig.outputs.train(name, plan, start_s=now_s() + LEAD_S)
        for report in reports:
            self._listener.moved(name, f"pulse {name}", report)
        if found := edges_measured(name, reports):
            measured.edges.append(found)
        if output.counted_by is not None:
            after = await self._counter(output.counted_by)
            counted = (
                None if before is None or after is None else self._advance(output.counted_by, before, after)
            )
            certain = all(report.window is not None for report in reports)
            count = CountMeasured(
                output=name, signal=output.counted_by, sent=_PULSES, counted=counted, certain=certain
            )
            measured.counts.append(count)
        if output.feedback is not None:
            measured.echoes.append(await self._echo(name, output, output.feedback))

    async def _counter(self, signal: str | None) -> float | None:
        """Return what a counter reads once everything that was sent must have arrived."""
        if signal is None:
            return None
        await asyncio.sleep(self._shows_within_s(signal))
        return self._readings.latest(signal)

    def _advance(self, signal: str, before: float, after: float) -> int:
        wraps_at = self._rig.file.registers[signal].traits(signal).wraps_at
        return int(after - before) % wraps_at if wraps_at else int(after - before)

    def _shows_within_s(self, signal: str) -> float:
        spec = self._rig.file.registers[signal]
        bus = self._rig.file.buses[spec.bus]
        return spec.refreshed_every + 2 * (bus.poll_every + bus.timeout) + _PATIENCE_S

    async def _echo(self, name: str, output: ContactOutput, signal: str) -> EchoMeasured:
        """Close and open a contact and see its feedback follow.

        Raises:
            DriverError: it followed none of the edges: the contact does not do as it is told, or is not wired so.
        """
        within_s = output.operate + output.release + output.bounce + self._shows_within_s(signal)
        safe, edges = output.safe == "closed", list[tuple[Window, tuple[Sample, ...], float]]()
        await asyncio.sleep(within_s)
        for k in range(2 * _CYCLES):
            closed = (k % 2 == 0) != safe
            since_s = now_s() - self._shows_within_s(signal)
            window = await self._drive(name, closed=closed)
            await self._readings.until(lambda: self._readings.latest(signal) == closed, within_s=within_s)  # noqa: B023 - used at once
            edges.append((window, self._readings.samples(signal, since_s), float(not closed)))
        echo = echo_measured(name, signal, edges, self._rig.file.registers[signal].refreshed_every)
        if not echo.followed:
            raise DriverError(
                f"output {name}: its feedback {signal} followed none of {2 * _CYCLES} edges: the contact does not "
                "follow its command, or the feedback is wired to another"
            )
        return echo

    async def _drive(self, name: str, *, closed: bool) -> Window:
        due_s = now_s()
        window = await self._rig.outputs.contact(name, closed=closed)
        said = f"{'close' if closed else 'open'} {name}"
        self._listener.moved(name, said, EdgeReport(closed, due_s, window))
        return window

    async def _put(self, name: str, value: float) -> Window:
        output = self._rig.file.outputs[name]
        assert not isinstance(output, ContactOutput), "loading a bench file sees to it"
        window = await self._rig.outputs.level(name, self._terminals.level(output, value))
        self._listener.wrote(name, f"write {value:g} to {name}", value, window)
        return window

    async def _break(self, name: str) -> Window:
        output = self._rig.file.outputs[name]
        assert not isinstance(output, ContactOutput | RegisterOutput), "loading a bench file sees to it"
        if output.breaks_with is not None:
            return await self._drive(output.breaks_with, closed=False)
        level = self._terminals.broken(output)
        window = await self._rig.outputs.level(name, level)
        self._listener.wrote(name, f"break the wire of {name}", level, window)
        return window

    async def _play(self, name: str, output: ContactOutput, value: float, lasts_s: float) -> list[EdgeReport]:
        """Play the pulses of a sensor for a while."""
        period_s, closed_s = self._terminals.pulses(output, value)
        times = max(1, int(lasts_s / period_s))
        starts = (k * period_s for k in range(times))
        plan = [edge for at in starts for edge in (Edge(at, closed=True), Edge(at + closed_s, closed=False))]
        reports = await self._rig.outputs.train(name, plan, start_s=now_s() + LEAD_S)
        for report in reports:
            self._listener.moved(name, f"pulse {name}", report)
        return reports

    # hook-ups

    async def _exercise_all(self, measured: Measured) -> None:
        outputs = self._rig.file.outputs
        needed = {name for output in outputs.values() if output.hookup for name in output.hookup.first}
        # Those first that bring about the known state of others.
        for name, output in sorted(outputs.items(), key=lambda item: item[0] not in needed):
            if output.hookup is None:
                continue
            if measured.undriven & output.hookup.first.keys():
                measured.undriven.add(name)
                continue
            try:
                await self._exercise(name, output, output.hookup, measured)
            except DriverError as error:
                if isinstance(output, ContactOutput):
                    raise
                measured.undriven.add(name)
                why = str(error).removeprefix(f"output {name}: ")
                text = f"output {name!r} cannot be written: {why}; look at what stands below its `wired:`"
                measured.wrongs.append(Wrong(text, ("outputs", name, "wired")))
            await self._rig.outputs.make_safe(vents_play_on=True)
        for vent, spec in self._rig.file.vents.items():
            if spec.plays is not None and spec.plays.spoiled:
                measured.spoiled.append(await self._spoil(vent, spec.plays))

    async def _spoil(self, vent: str, plays: Plays) -> Exercised:
        """Spoil what shows a vent to the unit for a while, and see what the unit says of it."""
        self._listener.begins(f"{vent}: what shows it is spoiled", 2 * _SPOILED_S)
        parts = _BOTH_ENDS if plays.both_ends else _OPEN_WIRE
        await asyncio.sleep(self._settled_s())
        before, since_s = self._state(), now_s() - self._settled_s()
        window = await self._rig.outputs.condition(vent, parts)
        await asyncio.sleep(_SPOILED_S)
        after = self._state()
        delays = self._delays(before, window, since_s)
        await self._rig.outputs.condition(vent, {key: {} for key in parts})
        await asyncio.sleep(_SPOILED_S)
        return Exercised(vent, before, after, delays, plays.spoiled, how="vent")

    async def _exercise(self, name: str, output: OutputSpec, hookup: HookUp, measured: Measured) -> None:
        """Bring the unit to the known state, drive one output, see what answers, and drive it back."""
        file, begun_s = self._rig.file, now_s()
        await self._settle(name, hookup)
        wanted = {signal: how for signal, how in hookup.answers.items() if signal in file.registers}
        vents = {signal: how for signal, how in hookup.answers.items() if signal in file.positions}
        before, since_s = self._state(), now_s() - self._settled_s()
        stood = stood_before(file, self._readings, name, vents, begun_s)
        known = wrong_signals(self._rig.file, measured.exercised.values())
        if lost := self._lost(wanted, before):
            before = await self._beside(before, lost)
        if off := (*unready(self._rig.file, wanted, before, known), *self._moving(wanted, since_s)):
            measured.undriven.add(name)
            measured.wrongs.append(unready_sentence(self._rig.file, name, wanted, before, off))
            measured.stood += stood
            return
        driven_s = now_s()
        self._listener.begins(f"{name}: driven; watching what answers", hookup.within)
        reports = await self._give(name, output, hookup)
        after = self._state()
        measured.stood += stood_after(file, self._readings, stood, driven_s)
        if lost:
            after = await self._beside(after, lost)
        windows = [report.window for report in reports if report.window is not None]
        delays = self._delays(before, windows[0], since_s)
        measured.exercised[name] = Exercised(name, before, after, delays, wanted)
        if isinstance(output, ContactOutput) and output.counted_by and len(windows) == len(reports):
            measured.exercised[f"{name}, counted"] = await self._counted(
                name, output.counted_by, before, reports
            )
        if hookup.broken:
            since_s = now_s() - self._settled_s()
            window = await self._break(name)
            self._listener.begins(f"{name}: its wire broken; watching what answers", hookup.within)
            await asyncio.sleep(hookup.within)
            broken = self._state()
            delays = self._delays(after, window, since_s)
            tried = Exercised(name, after, broken, delays, hookup.broken, how="broken")
            measured.exercised[f"{name}, broken"] = tried
        await self._turn(name, hookup, on=False)

    async def _settle(self, name: str, hookup: HookUp) -> None:
        """Bring the unit to the known state that an exercise begins from."""
        self._listener.begins(f"{name}: the unit settles in its known state", hookup.settles)
        await self._rig.outputs.make_safe(vents_play_on=True)
        await self._turn(name, hookup, on=False)
        for other, value in hookup.first.items():
            await self._put(other, value.value)
        await asyncio.sleep(hookup.settles)

    async def _counted(
        self, name: str, counter: str, before: UnitReadings, reports: Sequence[EdgeReport]
    ) -> Exercised:
        """Return what a counter made of an output's closures, once it has had its time."""
        await asyncio.sleep(self._shows_within_s(counter))
        closures = sum(report.closed for report in reports)
        more = {counter: Answer(f"{closures} more", more=closures)}
        return Exercised(name, before, self._state(), {}, more, how="counted")

    async def _give(self, name: str, output: OutputSpec, hookup: HookUp) -> list[EdgeReport]:
        """Give an output the second of its values, or close it, for as long as answers may take; returns the edges."""
        if isinstance(output, ContactOutput) and hookup.values is not None:
            return await self._play(name, output, hookup.values[1].value, hookup.within)
        due_s = now_s()
        window = await self._turn(name, hookup, on=True)
        await asyncio.sleep(hookup.within)
        return [EdgeReport(True, due_s, window)]  # noqa: FBT003 - the contact's state

    async def _turn(self, name: str, hookup: HookUp, *, on: bool) -> Window:
        """Close or open a contact, or give an output the second or first of its values."""
        output = self._rig.file.outputs[name]
        if hookup.values is None or isinstance(output, ContactOutput):
            return await self._drive(name, closed=on)
        return await self._put(name, hookup.values[on].value)

    def _lost(self, wanted: Mapping[str, Answer], state: UnitReadings) -> set[str]:
        """Return the signals that do not read what they should before anything is driven."""
        lost = set[str]()
        for signal, answer in wanted.items():
            ends, value = ends_of(answer, self._rig.file.registers[signal]), state.values.get(signal)
            if ends is not None and value is not None and abs(value - ends[0]) > abs(ends[1] - ends[0]) / 10:
                lost.add(signal)
        return lost

    def _moving(self, wanted: Mapping[str, Answer], since_s: float) -> Iterator[str]:
        """Yield the positions among what should answer that have not come to rest."""
        for signal in wanted:
            spec = self._rig.file.registers[signal]
            seen = {sample.value for sample in self._readings.samples(signal, since_s)}
            if (
                spec.full_travel is not None
                and seen
                and max(seen) - min(seen) > 2 * spec.traits(signal).error
            ):
                yield signal

    async def _beside(self, state: UnitReadings, signals: set[str]) -> UnitReadings:
        """Return a state with what the unit's other tables hold at the addresses of some signals."""
        registers = {bank: dict(words) for bank, words in state.registers.items()}
        for read in self._rig.reads:
            for planned in read.plan.reads:
                if signals.isdisjoint(name for name, _, _ in planned.fields):
                    continue
                asked = planned.request
                table = other_table(asked.table)
                with suppress(BusFault, LinkError):
                    reply = await read.bus.read(ReadRequest(asked.unit_id, table, asked.address, asked.count))
                    bank = registers.setdefault((read.plan.bus, asked.unit_id, table), {})
                    bank.update(enumerate(reply.words, start=asked.address))
        return UnitReadings(state.values, registers)

    def _settled_s(self) -> float:
        return 2 * max(read.spec.poll_every + read.spec.timeout for read in self._rig.reads)

    def _state(self) -> UnitReadings:
        """Return what everything reads now, registers included."""
        signals = {name: self._readings.latest(name) for name in self._rig.file.registers}
        values = {name: value for name, value in signals.items() if value is not None}
        registers: dict[Bank, dict[int, int]] = {}
        since_s = now_s() - self._settled_s()
        for read in self._rig.reads:
            polls = self._readings.since(read.plan.bus, since_s)
            for planned in read.plan.reads:
                asked, names = planned.request, {name for name, _, _ in planned.fields}
                seen = [
                    poll
                    for poll in polls
                    if (poll.table, poll.address) == (asked.table, asked.address)
                    and names == {*poll.values, *(unread.signal for unread in poll.unread)}
                ]
                if seen:
                    bank = registers.setdefault((read.plan.bus, asked.unit_id, asked.table), {})
                    bank.update(enumerate(seen[-1].words, start=asked.address))
        return UnitReadings(values, registers)

    def _delays(self, before: UnitReadings, window: Window, since_s: float) -> dict[str, tuple[float, float]]:
        found = {}
        for name, old in before.values.items():
            spec = self._rig.file.registers[name]
            samples = self._readings.samples(name, since_s)
            bounds = delay_bounds(
                samples, window, old, refresh_s=spec.refreshed_every, error=spec.traits(name).error
            )
            if bounds is not None:
                found[name] = bounds
        return found

    def _refreshes(self, measured: Measured) -> None:
        for name, spec in self._rig.file.registers.items():
            if spec.unit in PLAIN_UNITS:
                continue  # what jumps by itself shows nothing of when it was copied
            found = refresh_measured(
                name,
                self._readings.samples(name, 0.0),
                step=spec.step,
                declared_s=spec.refreshed_every,
                error=spec.traits(name).error,
                rate_per_s=spec.traits(name).rate_per_s,
            )
            if found is not None:
                measured.refreshes.append(found)
