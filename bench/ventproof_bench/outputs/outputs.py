"""All outputs of a bench in one process: contacts with rest state, delays and bounce; trains; safe states."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import replace
from functools import partial
from math import inf
from typing import TYPE_CHECKING, Final, cast, final

from pydantic import ValidationError

from ventproof_bench.base.clock import now_s, sleep_until, spin_until
from ventproof_bench.base.errors import BenchError, DriverError, LimitError
from ventproof_bench.base.evidence import DrivenOutput, Edge, EdgeReport, FoundSetting, Window, check_plan
from ventproof_bench.base.protocols import SettingDriver
from ventproof_bench.base.quantities import canonical_symbol
from ventproof_bench.benchfile.model import (
    BusSpec,
    ContactOutput,
    OutputSpec,
    RegisterOutput,
)
from ventproof_bench.drivers.driver import Remarks, Shared, Wiring, fastest_edge_s, find
from ventproof_bench.drivers.serial_ports import Ports
from ventproof_bench.outputs.boards import clear_all
from ventproof_bench.outputs.lines import ContactLine, LevelLine
from ventproof_bench.outputs.settings import SettingLine
from ventproof_bench.outputs.wear import ContactWear, Ledger
from ventproof_bench.yamlfile.value_errors import nearest, word_errors

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Coroutine, Mapping, Sequence
    from typing import NoReturn

    from ventproof_bench.base.evidence import BoardStarved, DrivenWhy
    from ventproof_bench.base.protocols import (
        Bus,
        Contact,
        EvidenceSink,
        Level,
        MockInputs,
        PartCondition,
        VentPart,
    )
    from ventproof_bench.drivers.people import People
    from ventproof_bench.outputs.boards import BoardGuard
    from ventproof_bench.outputs.vents import PlayedVents


_BEFORE: Final = Window(0.0, 0.0)  # of what was not driven yet
_KEPT: Final = 0.5  # of the time between two edges that is kept at least when the first of them was late
_MISSED_IN_A_ROW: Final = 2  # edges; then the output is broken rather than the bus noisy
_BOOTS_WITHIN_S: Final = (
    20.0  # a unit whose supply a contact gave back answers again; our own judgement, no source
)


@final
class LocalOutputs:
    """Implements `ventproof_bench.base.protocols.Outputs` on the running loop.

    Args:
        outputs: what the bench file declares.
        buses: the bench's buses by name; their owner opens and closes them.
        specs: how those buses are declared.
        inputs: the mock's terminals, in process only.
        vents: the vents that are played with some of these outputs, if any are.
        spin_s: how long before an edge of a train to stop sleeping and watch the clock instead; 0 on a
            virtual loop, which is exact.
        boards: guards of the boards that go safe by themselves, by name.
        ledger: counts the operations of the relays; None: nobody does.
        people: who can be asked to do something.

    Attributes:
        notes: what the record should say of the outputs; complete once they are open.
        tell: takes what was found of the unit's settings and what was driven of the bench's own accord.
        driven: whether an output was commanded since they were opened.

    Raises:
        ValueError: an output's driver is unknown, or its options do not fit; the text names the output.
        DriverError: the registers of a setting cannot hold what the bench file leaves in them.
    """

    def __init__(
        self,
        outputs: Mapping[str, OutputSpec],
        *,
        buses: Mapping[str, Bus],
        specs: Mapping[str, BusSpec],
        inputs: MockInputs | None = None,
        vents: PlayedVents | None = None,
        spin_s: float = 0.0,
        boards: Mapping[str, BoardGuard] | None = None,
        ledger: Ledger | None = None,
        people: People | None = None,
    ) -> None:
        self._ledger = ledger
        self._keeping: asyncio.Task[NoReturn] | None = None
        self._over: DriverError | None = None  # a contact was driven for too long
        self._rescues: set[asyncio.Task[Window]] = set()
        self.notes: list[str] = []
        self.tell: Callable[[FoundSetting | DrivenOutput], None] = lambda _: None
        self.driven = False
        self.lost = None  # these outputs live and die with their process
        self._vents = vents
        self._spin_s = spin_s
        self._boards = boards or {}
        self._starving: asyncio.Task[BoardStarved] | None = None
        self._contacts: dict[str, ContactLine] = {}
        self._levels: dict[str, LevelLine] = {}
        self._settings: dict[str, SettingLine] = {}
        self._opened: list[Contact | Level] = []
        self._asked = 0  # how often anything was to be driven
        self._safe_since: int | None = None  # that number, when all was made safe last
        self._halts = 0  # how often make_safe was called: a train that began before plays no further edge
        ports = Ports()
        for name, spec in outputs.items():
            wiring = Wiring(
                name=name, output=spec, buses=buses, specs=specs, inputs=inputs, ports=ports, people=people
            )
            try:
                self._add(name, spec, wiring)
            except ValueError as error:
                raise ValueError(f"output {name}: {error}") from error

    def _add(self, name: str, spec: OutputSpec, wiring: Wiring) -> None:
        driver = find(spec.driver)
        if spec.kind not in driver.serves:
            raise ValueError(
                f"driver {spec.driver!r} serves `kind: {driver.serves[0]}`, not `kind: {spec.kind}`"
            )
        try:
            options = driver.options.model_validate(spec.wired)
        except ValidationError as error:
            reasons = (
                f"{'.'.join(map(str, fault.path)) or 'wired'}: {fault.reason}"
                + (f"; {fault.hint}" if fault.hint else "")
                for fault in word_errors(error, driver.options)
            )
            raise ValueError(", and ".join(reasons)) from None
        made = driver.build(options, wiring)
        if isinstance(spec, ContactOutput):
            contact = cast("Contact", made)
            count = self._ledger.count if self._ledger is not None else lambda _: None
            wear = ContactWear(name, spec, count, self._driven_too_long)
            edge_s = fastest_edge_s(spec, wiring.specs)
            self._contacts[name] = ContactLine(spec, contact, edge_s, driver.reads_back, wear=wear)
        elif isinstance(spec, RegisterOutput):
            if not isinstance(made, SettingDriver):
                said = f"driver {spec.driver!r} cannot read what it writes, as `kind: register` needs"
                raise ValueError(said)  # noqa: TRY004 - the bench file's fault, as above
            self._settings[name] = SettingLine(name, spec, made, self._told)
        else:
            self._levels[name] = LevelLine(spec, cast("Level", made), driver.reads_back)

    def _driven_too_long(self, name: str) -> None:
        """Make a contact safe at once; the next look ends the run."""
        line = self._contacts[name]
        self._over = line.wear.over() if line.wear is not None else None
        line.stop()
        rescue = asyncio.get_running_loop().create_task(
            line.drive(closed=line.spec.safe == "closed", to_safe=True)
        )
        self._rescues.add(rescue)
        rescue.add_done_callback(self._rescues.discard)

    def _told(self, done: FoundSetting | DrivenOutput) -> None:
        self.tell(done)

    @property
    def shared(self) -> bool:
        """Whether a run must look: others could move a relay, over a network, or its board; or it has limits."""
        return bool(self._boards) or any(
            line.look_s is not None or line.spec.limits is not None for line in self._contacts.values()
        )

    async def open(self, owed: Mapping[str, Sequence[int]] | None = None) -> None:
        """Open every output, read the settings, and drive all else to its safe state. What fails leaves nothing open.

        Args:
            owed: where a process was lost, the settings that it may have written, with the registers that it found,
                empty where it could not read them: nothing is read then, all is made safe, and these are put back.

        Raises:
            LinkError: a port cannot be opened.
            DriverError: hardware does not answer, or cannot be made safe.
        """
        if self._ledger is not None:
            self._keeping = asyncio.get_running_loop().create_task(self._ledger.keep())
        try:
            await self._open_drivers()
            for guard in self._boards.values():
                await guard.set_up()
            if owed is None:
                await self._find()
            for name, found in (owed or {}).items():
                self._settings[name].owe(found)
            self.driven = True
            await self._all_safe("open")
            if owed is None:
                # Again where nothing was read: a contact may have given the unit its supply.
                await self._find()
                for line in self._settings.values():
                    line.tell_unread()
        except BaseException:
            # While the ports are still open: once they are let go of, nothing can be made safe through them.
            if self.driven:
                with suppress(BenchError):
                    await self.make_safe()
            await self._let_go()
            raise

    async def _open_drivers(self) -> None:
        drivers: list[Contact | Level] = [line.driver for line in self._contacts.values()]
        drivers += [line.driver for line in self._levels.values()]
        drivers += [line.driver for line in self._settings.values()]
        for driver in drivers:
            self._opened.append(driver)  # before it is open: a half-open port wants closing too
            await driver.open()
            if isinstance(driver, Remarks):
                self.notes.extend(driver.notes)

    async def _find(self) -> None:
        for line in self._settings.values():
            await line.find()

    async def contact(self, name: str, *, closed: bool) -> Window:
        """Make a contact closed or open now; the window holds the electrical edge, bounce included."""
        return await self._contact(name).drive(closed=closed)

    async def level(self, name: str, value: float) -> Window:
        """Set a level output; the value is in mA, V or ohm. Or a setting of the unit, in its unit.

        Raises:
            DriverError: nothing proves that it was set; of a setting also that it could not be put back.
        """
        self._asked += 1
        lines: dict[str, LevelLine | SettingLine] = {**self._levels, **self._settings}
        try:
            line = lines[name]
        except KeyError:
            raise DriverError(f"there is no level output {name!r}; {nearest(name, lines)}") from None
        return await line.put(value)

    async def train(self, name: str, edges: Sequence[Edge], *, start_s: float) -> list[EdgeReport]:
        """Play edges at absolute deadlines; a late edge keeps the window in which it really went out.

        Several outputs may play at once. Trains asked for on one output play one after the other, so that a long
        one can be asked for in pieces, the next while the last one plays.
        An edge whose going out nothing proves is reported without a window, and the train goes on, so that
        what hangs on it is undecidable rather than wrong.

        Raises:
            DriverError: the plan is too fast; two edges in a row or the last one failed, so that the state of
                the contact is unknown; or the outputs were made safe meanwhile.
        """
        line = self._contact(name)
        # Before anything is awaited: what stops from here on is for this train, too.
        halts, stops = self._halts, len(line.ends_s)
        try:
            check_plan(edges, fastest_edge_s=line.fastest_edge_s)
        except ValueError as error:
            raise DriverError(f"output {name}: {error}") from None
        reports, missed, free_s = list[EdgeReport](), 0, inf
        async with line.turn:
            for number, edge in enumerate(edges, start=1):
                due_s = line.next_s = start_s + edge.at_s
                # After a late edge the rest does not bunch up: a relay that is hurried skips edges.
                reached = await self._reached(
                    line, max(due_s, line.free_from_s), partial(line.plays, due_s, stops), edge
                )
                # After the wait, since the outputs may have been made safe during it, and that is the last word.
                if self._halts != halts:
                    raise DriverError(
                        f"output {name}: the train was broken off before edge {number}, outputs were made safe"
                    )
                if not reached:
                    line.free_from_s = min(line.free_from_s, free_s)  # no width is to be kept
                    break
                try:
                    window = await line.drive(closed=edge.closed)
                except DriverError as error:
                    missed += _MISSED_IN_A_ROW if isinstance(error, LimitError) else 1
                    # One may be noise, and the next edge puts it right; after the last one nothing would.
                    if missed >= _MISSED_IN_A_ROW or number == len(edges):
                        raise type(error)(f"edge {number} of {len(edges)} failed: {error}") from error
                    reports.append(EdgeReport(edge.closed, due_s, None))
                else:
                    missed = 0
                    asked_s = edges[number].at_s - edge.at_s if number < len(edges) else 0.0
                    free_s = window.earliest_s + line.fastest_edge_s
                    line.free_from_s = max(free_s, window.earliest_s + _KEPT * asked_s)
                    reports.append(EdgeReport(edge.closed, due_s, window))
        return reports

    async def _reached(self, line: ContactLine, at_s: float, plays: Callable[[], bool], edge: Edge) -> bool:
        """Wait for an edge's instant; returns False when the train was stopped before a closure.

        An opening is waited for although the train was stopped: the pulse under way keeps its width.
        """
        if not edge.closed:
            await sleep_until(at_s - self._spin_s)
        while edge.closed and plays() and not await line.wait_until(at_s - self._spin_s):
            pass  # a stop that may not be for this train, or is for later closures
        if edge.closed and not plays():
            return False
        if self._spin_s:
            spin_until(at_s)
        return True

    async def stop(self, name: str, *, from_s: float | None = None) -> None:
        """End an output's trains: no further closure, or none that is due from an instant on.

        The pulse under way keeps its width. What was asked for returns what it played.
        """
        self._contact(name).stop(-inf if from_s is None else from_s)

    async def look(self) -> None:
        """Look whether the relays that others could move are as they were left; no edge of a train waits for it.

        Raises:
            DriverError: one is not, or could not be read three times in a row; a board went safe by itself; or a
                contact was driven for longer than its limit.
        """
        if self._over is not None:
            raise self._over
        for guard in self._boards.values():
            guard.check()
        for name, line in self._contacts.items():
            begun_s = now_s()
            # An edge of any contact counts: they may share the bus.
            if line.look_s is not None and not any(
                begun_s <= other.next_s <= begun_s + line.look_s for other in self._contacts.values()
            ):
                await line.look(name)

    async def play(self, sink: EvidenceSink) -> NoReturn:
        """Play the vents until cancelled, as `ventproof_bench.outputs.vents.PlayedVents.play` does."""
        if self._vents is None:
            raise DriverError("the bench plays no vent")
        await self._vents.play(self, sink)

    async def condition(self, vent: str, parts: Mapping[VentPart, PartCondition]) -> Window:
        """Set what has befallen parts of a played vent, as `ventproof_bench.outputs.vents.PlayedVents.condition` does.

        Raises:
            DriverError: no such vent is played.
        """
        if self._vents is None:
            raise DriverError("the bench plays no vent")
        return await self._vents.condition(vent, parts)

    async def starve(self, board: str, contact: str | None) -> BoardStarved:
        """Drive a contact away from its safe state, feed its board no longer, and see it go safe by itself.

        The contact is in its safe state again afterwards, and the board is fed again.

        Raises:
            DriverError: the board or the contact fails, or the outputs were made safe meanwhile.
        """
        self._asked += 1
        halts = self._halts
        self._starving = asyncio.get_running_loop().create_task(self._starve(self._boards[board], contact))
        if self._vents is not None:
            self._vents.rest()
        try:
            return await self._starving
        except asyncio.CancelledError:
            if self._halts == halts:
                raise
            raise DriverError(f"board {board}: broken off, outputs were made safe") from None
        finally:
            self._starving = None
            if self._vents is not None:
                self._vents.go_on()

    async def _starve(self, guard: BoardGuard, contact: str | None) -> BoardStarved:
        if contact is None:
            return await guard.starve(None, None)
        line = self._contact(contact)
        assert isinstance(line.driver, Shared), "a board's contact can be read back"
        try:
            await line.drive(closed=line.spec.safe != "closed")
            async with line.lock:  # nobody looks meanwhile whether it is as it was left
                return await guard.starve(contact, line.driver.is_on)
        finally:
            await line.drive(closed=line.spec.safe == "closed")

    async def make_safe(self, *, vents_play_on: bool = False) -> None:
        """Break off trains, drive contacts and levels to their safe states, then put back what was written of settings.

        Every output is tried whatever becomes of the others; then the first error is raised.

        Args:
            vents_play_on: leave the outputs of vents that are played to them; otherwise these are played no more.
        """
        if self._vents is not None and not vents_play_on:
            self._vents.stop()
        # First, so that a train that `stop` wakes up finds itself broken off.
        self._halts += 1
        for line in self._contacts.values():
            line.stop()
        if self._starving is not None:
            self._starving.cancel()
        # Shielded: who loses patience with this call must not leave half of the outputs driven.
        left = self._vents.outputs if self._vents is not None and vents_play_on else frozenset[str]()
        await asyncio.shield(self._all_safe("safe", left))
        if self._ledger is not None:  # whoever is killed is made safe, and counts all the same
            await self._ledger.write()

    async def _all_safe(self, why: DrivenWhy, left: Collection[str] = ()) -> None:
        asked, self._safe_since = self._asked, None
        outcomes = await asyncio.gather(*self._ways_to_safe(why, left), return_exceptions=True)
        if self._boards and any(outcomes):
            # One that went safe by itself takes no command until it is cleared.
            await clear_all(self._boards)
            outcomes = await asyncio.gather(*self._ways_to_safe(why, left), return_exceptions=True)
        # Then only: the unit's supply may be one of the contacts.
        boots_until_s = max((c.moved_s for c in self._contacts.values()), default=-inf) + _BOOTS_WITHIN_S
        back = (line.put_back(boots_until_s) for line in self._settings.values())
        outcomes += await asyncio.gather(*back, return_exceptions=True)
        for outcome in outcomes:
            if outcome is not None:
                raise outcome
        self._safe_since = None if left else asked

    def _ways_to_safe(self, why: DrivenWhy, left: Collection[str]) -> list[Coroutine[None, None, None]]:
        # Each takes its output's lock, and so comes after a command that is under way and undoes it.
        ways = [
            self._contact_safe(name, line, why) for name, line in self._contacts.items() if name not in left
        ]
        ways += [
            self._level_safe(name, line, safe, why)
            for name, line in self._levels.items()
            if (safe := line.spec.safe) is not None and name not in left
        ]
        return ways

    async def _contact_safe(self, name: str, line: ContactLine, why: DrivenWhy) -> None:
        closed = line.spec.safe == "closed"
        done = DrivenOutput(name, why, _BEFORE, closed=closed, read_back=line.reads_back)
        await self._told_when(line.drive(closed=closed, to_safe=True), done)

    async def _level_safe(self, name: str, line: LevelLine, level: float, why: DrivenWhy) -> None:
        unit = canonical_symbol(line.spec.carries)
        done = DrivenOutput(name, why, _BEFORE, level=level, unit=unit, read_back=line.reads_back)
        await self._told_when(line.put(level), done)

    async def _told_when(self, driving: Coroutine[None, None, Window], done: DrivenOutput) -> None:
        """Tell what was driven when it is, or why nothing proves that it was."""
        begun_s = now_s()
        try:
            self.tell(replace(done, window=await driving))
        except BenchError as error:
            window = Window(begun_s, now_s())
            self.tell(replace(done, window=window, read_back=False, trouble=str(error)))
            raise

    async def close(self) -> None:
        """Make safe, unless all is, and let go of every port; safe to call twice. Ports are let go of in any case."""
        try:
            if self._opened and self._safe_since != self._asked:
                await self.make_safe()
        finally:
            await self._let_go()

    async def _let_go(self) -> None:
        for line in self._contacts.values():
            if line.wear is not None:
                line.wear.let_go()
        if self._ledger is not None and self._keeping is not None:
            self._keeping.cancel()
            self._keeping = None
            await self._ledger.write()
            self.notes += [self._ledger.trouble] if self._ledger.trouble else []
        for guard in self._boards.values():
            guard.stop()
        opened, self._opened = self._opened, []
        for driver in opened:
            try:
                await driver.close()
            except BenchError as error:
                self.notes.append(str(error))

    def _contact(self, name: str) -> ContactLine:
        self._asked += 1  # whoever wants a contact drives it next
        try:
            return self._contacts[name]
        except KeyError:
            raise DriverError(f"there is no contact {name!r}; {nearest(name, self._contacts)}") from None
