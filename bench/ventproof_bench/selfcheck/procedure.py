"""The bench measures itself: what its buses, contacts and pollers do, on real wires or in virtual time."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import DriverError
from ventproof_bench.base.evidence import Edge, EdgeReport, Gap, Poll, Sample, Window
from ventproof_bench.base.quantities import PLAIN_UNITS
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.outputs.trains import LEAD_S
from ventproof_bench.selfcheck.diagnosis import Exercised, UnitReadings
from ventproof_bench.selfcheck.measure import (
    BusMeasured,
    CountMeasured,
    EchoMeasured,
    EdgesMeasured,
    RefreshMeasured,
    bus_measured,
    delay_bounds,
    echo_measured,
    edges_measured,
    refresh_measured,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ventproof_bench.benchfile.model import BenchFile, HookUp, ValueOutput
    from ventproof_bench.rig.build import Rig


LISTEN_S: Final = 3.0
"""How long the buses are only listened to."""
_LISTEN_POLLS: Final = 20
_PULSES: Final = 6
# Long enough for debouncing, too short for entry delays: common practice, no source.
_HALF_PERIOD_S: Final = 0.25
_EDGES_A_RELAY: Final = 4  # times its fastest edge: unhurried
_CYCLES: Final = 3
_PATIENCE_S: Final = 0.5  # beyond what the bench file allows, for a reading to follow
_GLANCE_S: Final = 0.05  # from one look at what was read to the next


class Listener(Protocol):
    """Takes what is done, as it happens."""

    def begins(self, what: str, takes_s: float) -> None:
        """A part of the check begins, and how long it takes."""

    def moved(self, output: str, said: str, report: EdgeReport) -> None:
        """A contact was driven."""

    def wrote(self, output: str, said: str, value: float, window: Window) -> None:
        """A value was written, somewhere in the window."""


@final
@dataclass(slots=True)
class Measured:
    """What a self-check measured.

    Attributes:
        unread: signals of which nothing was ever read; of the check of a bench only.
    """

    buses: list[BusMeasured] = field(default_factory=list)
    edges: list[EdgesMeasured] = field(default_factory=list)
    echoes: list[EchoMeasured] = field(default_factory=list)
    counts: list[CountMeasured] = field(default_factory=list)
    refreshes: list[RefreshMeasured] = field(default_factory=list)
    exercised: dict[str, Exercised] = field(default_factory=dict)
    unread: list[str] = field(default_factory=list)


@final
class BenchReadings:
    """Everything that was seen on a bench so far.

    Args:
        file: the bench.

    Attributes:
        polls: what was read, by bus.
        gaps: spans without evidence, by bus.
    """

    def __init__(self, file: BenchFile) -> None:
        self.polls: dict[str, list[Poll]] = defaultdict(list)
        self.gaps: dict[str, list[Gap]] = defaultdict(list)
        self._file = file

    def add(self, evidence: Poll | Gap) -> None:
        """Take a poll or a gap."""
        if isinstance(evidence, Poll):
            self.polls[evidence.bus].append(evidence)
        else:
            self.gaps[evidence.bus].append(evidence)
            if evidence.reason == "withdrawn":
                polls = self.polls[evidence.bus]
                polls[:] = (poll for poll in polls if poll.requested_s < evidence.from_s)

    def samples(self, signal: str, since_s: float) -> tuple[Sample, ...]:
        """Return a signal's readings that were asked for at `since_s` or later."""
        polls = self.polls[self._file.signals[signal].bus]
        return tuple(
            Sample(p.values[signal], p.requested_s, p.replied_s)
            for p in polls
            if p.requested_s >= since_s and signal in p.values
        )

    def latest(self, signal: str) -> float | None:
        """Return a signal's last reading, or None when nothing was read since its bus last fell silent."""
        bus = self._file.signals[signal].bus
        silent_s = self.gaps[bus][-1].to_s if self.gaps[bus] else 0.0
        for seen in reversed(self.polls[bus]):
            if seen.requested_s < silent_s:
                return None
            if signal in seen.values:
                return seen.values[signal]
        return None

    def since(self, bus: str, since_s: float) -> Sequence[Poll]:
        """Return the polls of a bus that were asked for at `since_s` or later."""
        return [p for p in self.polls[bus] if p.requested_s >= since_s]

    async def until(self, met: Callable[[], bool], *, within_s: float) -> None:
        """Wait until `met`, at most `within_s`."""
        give_up_s = now_s() + within_s
        while not met():
            if now_s() >= give_up_s:
                return
            await asyncio.sleep(_GLANCE_S)


@final
class SelfCheck:
    """Measures an open rig that is being watched; outputs are left in their safe state.

    Args:
        rig: the rig.
        readings: what was seen of it so far, growing.
        listener: takes what is done.
        level_of: what an output's driver is given for a value: mA, V, ohm, or the value itself.
    """

    def __init__(
        self,
        rig: Rig,
        readings: BenchReadings,
        listener: Listener,
        level_of: Callable[[ValueOutput, float], float],
    ) -> None:
        self._rig = rig
        self._readings = readings
        self._listener = listener
        self._level_of = level_of

    async def bench(self) -> Measured:
        """Measure everything that the bench file gives something to measure with.

        Raises:
            BenchError: an output did not do what it was told.
        """
        measured = Measured()
        polls_s = _LISTEN_POLLS * max(read.spec.poll_every for read in self._rig.reads)
        listen_s = max(LISTEN_S, polls_s)
        self._listener.begins("listening to the buses", listen_s)
        await asyncio.sleep(listen_s)
        for name, output in self._rig.file.outputs.items():
            if isinstance(output, ContactOutput) and output.selfcheck == "pulse":
                await self._pulse(name, output, measured)
        await self._exercise_all(measured)
        for read in self._rig.reads:
            bus, every_s = read.plan.bus, read.spec.poll_every
            polls, gaps = self._readings.polls[bus], self._readings.gaps[bus]
            if found := bus_measured(bus, polls, gaps, every_s=every_s):
                measured.buses.append(found)
        self._refreshes(measured)
        measured.unread = [name for name in self._rig.file.signals if not self._readings.samples(name, 0.0)]
        return measured

    async def unit(self) -> Measured:
        """Exercise every output that has a hook-up declared, and nothing else."""
        measured = Measured()
        await self._exercise_all(measured)
        return measured

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
        wraps_at = self._rig.file.signals[signal].traits(signal).wraps_at
        return int(after - before) % wraps_at if wraps_at else int(after - before)

    def _shows_within_s(self, signal: str) -> float:
        spec = self._rig.file.signals[signal]
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
        echo = echo_measured(name, signal, edges, self._rig.file.signals[signal].refreshed_every)
        if not echo.followed:
            raise DriverError(
                f"output {name}: its feedback {signal} followed none of {2 * _CYCLES} edges: the contact does not do "
                "as it is told, or the feedback is wired to another"
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
        window = await self._rig.outputs.level(name, self._level_of(output, value))
        self._listener.wrote(name, f"write {value:g} to {name}", value, window)
        return window

    # hook-ups

    async def _exercise_all(self, measured: Measured) -> None:
        for name, output in self._rig.file.outputs.items():
            if output.hookup is not None:
                measured.exercised[name] = await self._exercise(name, output.hookup)

    async def _exercise(self, name: str, hookup: HookUp) -> Exercised:
        """Bring the unit to the known state, drive one output, see what answers, and drive it back."""
        self._listener.begins(f"{name}: the unit settles in its known state", hookup.settles)
        await self._rig.outputs.make_safe()
        await self._turn(name, hookup, on=False)
        for other, value in hookup.first.items():
            await self._put(other, value.value)
        await asyncio.sleep(hookup.settles)
        before, since_s = self._state(), now_s() - self._settled_s()
        window = await self._turn(name, hookup, on=True)
        self._listener.begins(f"{name}: driven; watching what answers", hookup.within)
        await asyncio.sleep(hookup.within)
        after = self._state()
        exercised = Exercised(name, before, after, self._delays(before, window, since_s))
        await self._turn(name, hookup, on=False)
        await self._rig.outputs.make_safe()
        return exercised

    async def _turn(self, name: str, hookup: HookUp, *, on: bool) -> Window:
        """Close or open a contact, or give an output the second or first of its values."""
        if hookup.values is None:
            return await self._drive(name, closed=on)
        return await self._put(name, hookup.values[on].value)

    def _settled_s(self) -> float:
        return 2 * max(read.spec.poll_every + read.spec.timeout for read in self._rig.reads)

    def _state(self) -> UnitReadings:
        """Return what everything reads now, registers included."""
        signals = {name: self._readings.latest(name) for name in self._rig.file.signals}
        values = {name: value for name, value in signals.items() if value is not None}
        polls = {
            (poll.bus, poll.table, poll.address, tuple(poll.values)): poll
            for read in self._rig.reads
            for poll in self._readings.since(read.plan.bus, now_s() - self._settled_s())
        }
        return UnitReadings(values, tuple(polls.values()))

    def _delays(self, before: UnitReadings, window: Window, since_s: float) -> dict[str, tuple[float, float]]:
        found = {}
        for name, old in before.values.items():
            spec = self._rig.file.signals[name]
            samples = self._readings.samples(name, since_s)
            bounds = delay_bounds(
                samples, window, old, refresh_s=spec.refreshed_every, error=spec.traits(name).error
            )
            if bounds is not None:
                found[name] = bounds
        return found

    def _refreshes(self, measured: Measured) -> None:
        for name, spec in self._rig.file.signals.items():
            if spec.unit in PLAIN_UNITS:
                continue  # what jumps by itself shows nothing of when it was copied
            found = refresh_measured(
                name,
                self._readings.samples(name, 0.0),
                step=spec.step,
                declared_s=spec.refreshed_every,
                travels=spec.full_travel is not None,
            )
            if found is not None:
                measured.refreshes.append(found)
