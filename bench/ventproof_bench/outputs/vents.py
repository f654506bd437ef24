"""The vents that the bench plays: what commands them is read, and where they then stand is played back, for ever.

A round begins with a reading of the drive's commands. The vent is moved by it, and what its sensors show in the middle
of the time until the next round is written. A round that is missed is left out: the readings are then further apart and
windows so much wider. What the unit was shown once is never taken back.
"""

from __future__ import annotations

import asyncio
from math import inf
from typing import TYPE_CHECKING, Final, Protocol, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import BenchError, BusFault, DriverError
from ventproof_bench.base.evidence import Gap, Poll, Window
from ventproof_bench.benchfile.feedback import PositionLevels
from ventproof_bench.benchfile.model import BenchFile, LevelOutput, ResistanceOutput
from ventproof_bench.benchfile.vents import FULL_PERCENT
from ventproof_bench.drivers.driver import bus_use, number_put
from ventproof_bench.modbus.polling import poll
from ventproof_bench.modbus.register_map import plan_reads
from ventproof_bench.plant.feedback import (
    EndSwitchTold,
    PositionTold,
    PotentiometerCondition,
    SwitchCondition,
)
from ventproof_bench.plant.played import PlayedVent
from ventproof_bench.plant.vent import Condition, VentTravel
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Mapping
    from typing import NoReturn

    from ventproof_bench.base.protocols import Bus, EvidenceSink, PartCondition, VentPart
    from ventproof_bench.benchfile.vents import VentSpec


PLAYED: Final = "played"
"""Stands where a reading's table stands, for the position of a vent that the bench plays: no register holds it."""

_TRIED: Final = (
    1009  # positions from end to end: a prime, so that they fall everywhere between the counts of an output
)

LONGEST_SILENCE_S: Final = 2.0
"""Without a reading of its commands, or without playing back anything, for longer than this nobody plays a vent."""


class Feedback(Protocol):
    """What plays back where vents stand: the bench's outputs."""

    async def contact(self, name: str, *, closed: bool) -> Window:
        """Make a contact closed or open; the window holds the electrical edge. Raises `DriverError`."""

    async def level(self, name: str, value: float) -> Window:
        """Put a level. Raises `DriverError`."""


def commanding_buses(file: BenchFile) -> frozenset[str]:
    """Return the buses that are read for what commands vents that the bench plays."""
    return frozenset(
        file.registers[signal].bus
        for vent in file.vents.values()
        if vent.plays is not None
        for signal in vent.commanded_by
    )


def held_off_percent(file: BenchFile, vent: VentSpec) -> float | None:
    """Return how far the position that a vent's output holds can be from what was asked, %; each write is read back.

    None where nothing of it goes over a bus, so that nothing is read back.
    """
    position = vent.plays.position if vent.plays is not None else None
    if position is None or bus_use(file.outputs[position.output]) is None:
        return None
    output = file.outputs[position.output]
    assert isinstance(output, LevelOutput | ResistanceOutput), "loading a bench file sees to it"
    scale = PositionLevels.of(output)
    tried = (FULL_PERCENT * k / _TRIED for k in range(_TRIED + 1))
    return max(abs(scale.percent(number_put(output, scale.level(percent))) - percent) for percent in tried)


@final
class RoundsTaken:
    """How late the rounds were in which vents are played.

    Args:
        file: the bench.
    """

    def __init__(self, file: BenchFile) -> None:
        self._every_s = {bus: file.buses[bus].poll_every for bus in sorted(commanding_buses(file))}
        self._asked_s: dict[tuple[str, str, int], float] = {}
        self._late_s: dict[str, float] = {}

    def saw(self, evidence: Poll | Gap) -> None:
        """Take what was read, or was not; a gap is told of by itself."""
        every_s = self._every_s.get(evidence.bus)
        if every_s is None:
            return
        if isinstance(evidence, Gap):
            self._asked_s.clear()
        elif evidence.table != PLAYED:
            place = evidence.bus, evidence.table, evidence.address
            late_s = evidence.requested_s - self._asked_s.get(place, evidence.requested_s) - every_s
            self._late_s[evidence.bus] = max(self._late_s.get(evidence.bus, 0.0), late_s)
            self._asked_s[place] = evidence.requested_s

    @property
    def notes(self) -> tuple[str, ...]:
        """What the record should say, a line for each bus that commands vents."""
        return tuple(
            f"bus {bus}: rounds in which vents are played were at most {late_s * 1000:.1f} ms late"
            for bus, late_s in self._late_s.items()
        )


@final
class PlayedVents:
    """The vents of a bench that the bench plays.

    Args:
        file: the bench.
        buses: its buses by name, those that command played vents among them; their owner opens and closes them.

    Attributes:
        outputs: the outputs that play back where they stand.
    """

    def __init__(self, file: BenchFile, buses: Mapping[str, Bus]) -> None:
        self.outputs = frozenset(file.played_outputs)
        self._file = file
        self._buses = buses
        self._rounds: dict[str, _Rounds] = {}
        self._stopped = False

    def stop(self) -> None:
        """Play back nothing more, from this moment on: the outputs are made safe."""
        self._stopped = True

    def rest(self) -> None:
        """Let the vents stand for a while: a board is left to itself, and nothing may be read or written."""
        for rounds in self._rounds.values():
            rounds.resting = True

    def go_on(self) -> None:
        """Play the vents again, and show anew where they stand."""
        for rounds in self._rounds.values():
            rounds.go_on()

    async def play(self, feedback: Feedback, sink: EvidenceSink) -> NoReturn:
        """Play all vents until cancelled; each stands where the bench file lets it start.

        Args:
            feedback: the outputs.
            sink: takes all that is read on the buses that command vents, and the vents' positions as they were played.

        Raises:
            BenchError: what commands a vent was not read for too long, or nothing could be played back.
        """
        self._rounds = {
            name: _Rounds(name, vent, self._file, feedback, sink, lambda: self._stopped)
            for name, vent in self._file.vents.items()
            if vent.plays is not None
        }
        ways: list[Coroutine[None, None, NoReturn]] = [
            self._poll(bus, sink) for bus in commanding_buses(self._file)
        ]
        ways += [rounds.run() for rounds in self._rounds.values()]
        tasks = [asyncio.ensure_future(way) for way in ways]
        try:
            over, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            raise next(error for task in over if (error := task.exception()) is not None)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def condition(self, vent: str, parts: Mapping[VentPart, PartCondition]) -> Window:
        """Set what has befallen parts of a vent, as `ventproof_bench.base.protocols.Outputs.condition` does.

        Raises:
            DriverError: no such vent is played.
        """
        try:
            rounds = self._rounds[vent]
        except KeyError:
            raise DriverError(f"no vent {vent!r} is played; {nearest(vent, self._rounds)}") from None
        return await rounds.condition(parts)

    async def _poll(self, bus: str, sink: EvidenceSink) -> NoReturn:
        spec = self._file.buses[bus]
        signals = {name: signal for name, signal in self._file.registers.items() if signal.bus == bus}
        commanded = [rounds for rounds in self._rounds.values() if rounds.bus == bus]

        def saw(evidence: Poll | Gap) -> None:
            sink(evidence)
            if isinstance(evidence, Poll):
                for rounds in commanded:
                    rounds.read(evidence)

        plan = plan_reads(signals, spec)
        await poll(self._buses[bus], plan, every_s=spec.poll_every, bus_spec=spec, sink=saw)


@final
class _Rounds:
    """The rounds of one vent.

    Attributes:
        bus: the bus over which its commands are read.
        resting: nothing is read or written, on purpose.
    """

    def __init__(  # noqa: PLR0917 - made in one place only
        self,
        name: str,
        spec: VentSpec,
        file: BenchFile,
        feedback: Feedback,
        sink: EvidenceSink,
        stopped: Callable[[], bool],
    ) -> None:
        self.bus = file.registers[spec.commanded_by[0]].bus
        self.resting = False
        self._name = name
        self._spec = spec
        self._commands = [(signal, file.registers[signal]) for signal in spec.commanded_by]
        self._signals = [signal for signal, its in file.positions.items() if its.position_of == name]
        self._keeps_s = min((s.keeps_for for _, s in self._commands if s.keeps_for is not None), default=inf)
        self._feedback = feedback
        self._sink = sink
        self._stopped = stopped
        now = now_s()
        self._vent = _played(spec, now)
        plays = spec.plays
        assert plays is not None, "only those are played"
        self._switches: dict[VentPart, EndSwitchTold] = {}
        if plays.closed_switch is not None:
            self._switches["closed_switch"] = EndSwitchTold(plays.closed_switch.at.value, "closed")
        if plays.open_switch is not None:
            self._switches["open_switch"] = EndSwitchTold(plays.open_switch.at.value, "open")
        self._potentiometer = PositionTold()
        self._scale = (
            None if plays.position is None else PositionLevels.of(file.outputs[plays.position.output])
        )
        self._unread = asyncio.Event()
        self._requested_s = now
        self._written: dict[str, float | bool] = {}
        self._shown = Window(now, now)
        self._every_s = file.buses[self.bus].poll_every
        self._takes_s, self._apart_s, self._begun_s = 0.0, 0.0, now
        self._waiting: list[asyncio.Future[float]] = []

    def go_on(self) -> None:
        """Play it again, and show anew where it stands."""
        self.resting = False
        self._written.clear()
        self._shown = Window(now_s(), now_s())

    def read(self, evidence: Poll) -> None:
        """Take a reading of the drive's commands, if it is one."""
        if not all(signal in evidence.values for signal, _ in self._commands):
            return
        apart_s = evidence.replied_s - self._requested_s
        if apart_s > self._keeps_s:
            detail = (
                f"what commands vent {self._name} was not read for {apart_s:.3g} s, and may change and change back "
                f"after {self._keeps_s:g} s: the vent did not move in that time"
            )
            self._sink(Gap(self.bus, self._requested_s, evidence.replied_s, "timeout", detail))
            self._vent.stand(evidence.requested_s)
        values = [evidence.values[signal] for signal, _ in self._commands]
        from_s = evidence.requested_s - max(spec.refreshed_every for _, spec in self._commands)
        if self._spec.follows is not None:
            self._vent.read_command(from_s, evidence.replied_s, values[0])
        else:
            opens, closes = (value == 1 for value in values)
            self._vent.read_contacts(from_s, evidence.replied_s, opens=opens, closes=closes)
        self._requested_s = evidence.requested_s
        self._unread.set()

    async def run(self) -> NoReturn:
        """Play one round after the other, each on the last reading.

        Raises:
            BenchError: there was no reading for too long, or nothing could be played back.
        """
        while True:
            try:
                async with asyncio.timeout(LONGEST_SILENCE_S):
                    await self._unread.wait()
            except TimeoutError:
                if self.resting:
                    continue
                raise BenchError(
                    f"what commands vent {self._name} was not read for {LONGEST_SILENCE_S:g} s: nothing plays it"
                ) from None
            self._unread.clear()
            try:
                if not self.resting:
                    await self._round()
            except DriverError as error:
                if not self.resting:
                    self._missed(error)

    async def condition(self, parts: Mapping[VentPart, PartCondition]) -> Window:
        """Set what has befallen parts of the vent, and wait until that was played."""
        asked_s = now_s()
        from_s = max((self._befall(part, fields) for part, fields in parts.items()), default=asked_s)
        self._written.clear()
        played = asyncio.get_running_loop().create_future()
        self._waiting.append(played)
        return Window(asked_s, max(from_s, await played))

    def _befall(self, part: VentPart, fields: PartCondition) -> float:
        """Set what has befallen a part; returns from when on it is so, at the earliest."""
        if part == "drive":
            return self._vent.apply(Condition(**fields))
        if part == "position":
            self._potentiometer.apply(PotentiometerCondition(**fields))
        elif part in self._switches:
            self._switches[part].condition = SwitchCondition(**fields)
        return now_s()

    async def _round(self) -> None:
        """Play back what sensors show in the middle of the time until this is done in the next round."""
        begun_s = now_s()
        # Of the last two, since a single long one was a fault, and several are a bus that falls behind.
        hold_s = max(self._every_s, min(self._apart_s, begun_s - self._begun_s))
        self._apart_s, self._begun_s = begun_s - self._begun_s, begun_s
        middle_s = begun_s + self._takes_s + hold_s / 2
        middle_s = self._vent.show(middle_s)
        shown = self._shows(middle_s)
        windows = [
            await self._write(name, shown[name]) for name in shown if self._written.get(name) != shown[name]
        ]
        if windows:
            self._takes_s = windows[-1].latest_s - begun_s
        earliest_s = min((window.earliest_s for window in windows), default=begun_s)
        latest_s = max((window.latest_s for window in windows), default=begun_s)
        self._shown = Window(earliest_s, max(self._shown.latest_s, latest_s))
        percent = self._vent.vent.position_at(min(self._shown.latest_s, middle_s))
        position = dict.fromkeys(self._signals, percent)
        if position:
            window = self._shown
            self._sink(
                Poll(self.bus, window.earliest_s, window.latest_s, position, PLAYED, 0, (), shown=shown)
            )
        waiting, self._waiting = self._waiting, []
        for played in waiting:
            if not played.done():
                played.set_result(self._shown.latest_s)

    async def _write(self, name: str, value: float | bool) -> Window:  # noqa: FBT001 - a contact's state or a level
        """Write what an output shows; until that is acknowledged nobody knows what it shows."""
        self._written.pop(name, None)
        if self._stopped():
            await asyncio.Future()  # until whoever plays the vents is cancelled
        if isinstance(value, bool):
            window = await self._feedback.contact(name, closed=value)
        else:
            window = await self._feedback.level(name, value)
        self._written[name] = value
        return window

    def _missed(self, error: DriverError) -> None:
        """Take note that nothing proves what an output shows; the next round tries again.

        Raises:
            BenchError: it has been so for too long.
        """
        cause, now = error.__cause__, now_s()
        if now - self._shown.latest_s > LONGEST_SILENCE_S:
            raise BenchError(
                f"vent {self._name} could not be played for {LONGEST_SILENCE_S:g} s: {error}"
            ) from error
        reason = cause.kind if isinstance(cause, BusFault) else "mismatch"
        self._sink(
            Gap(self.bus, self._shown.latest_s, now, reason, f"vent {self._name} was not played: {error}")
        )

    def _shows(self, at_s: float) -> dict[str, float | bool]:
        """Return what each output shows of the vent at an instant."""
        plays, vent = self._spec.plays, self._vent.vent
        assert plays is not None, "only those are played"
        drive_percent = vent.drive_at(at_s)
        shown: dict[str, float | bool] = {}
        for part, told in self._switches.items():
            switch = plays.closed_switch if part == "closed_switch" else plays.open_switch
            assert switch is not None, "only those that are played are told of"
            shown[switch.output] = told.reached(at_s, drive_percent) == (switch.reached == "closed")
        if plays.position is not None and (scale := self._scale) is not None:
            of_drive = plays.position.seen_from == "drive"
            seen = self._potentiometer.shows(drive_percent if of_drive else vent.position_at(at_s))
            failed = {"open": scale.broken, "short": scale.shorted}
            shown[plays.position.output] = scale.level(seen) if isinstance(seen, float) else failed[seen]
        return shown


def _played(spec: VentSpec, start_s: float) -> PlayedVent:
    # A vent that is played has one value of each.
    travel = VentTravel(
        open_s=spec.full_travel.open[0],
        close_s=spec.full_travel.close[0],
        dead_time_s=spec.dead_time[0],
        coast_s=spec.coast[0],
        play_percent=spec.play[0],
        both=spec.both,
    )
    return PlayedVent(
        travel,
        start_s,
        percent=spec.starts_at.value if spec.starts_at is not None else 0.0,
        deadband_percent=spec.deadband.value if spec.deadband is not None else 0.0,
    )
