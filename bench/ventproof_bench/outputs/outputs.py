"""All outputs of a bench in one process: contacts with rest state, delays and bounce; trains; safe states."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import replace
from functools import partial
from math import inf
from typing import TYPE_CHECKING, Final, cast, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.edges import Edge, check_plan
from ventproof_bench.base.errors import BenchError, DriverError, LimitError
from ventproof_bench.base.evidence import DrivenOutput, EdgeReport, FoundSetting, Window
from ventproof_bench.base.protocols import SettingDriver
from ventproof_bench.benchfile.model import (
    BusSpec,
    ContactOutput,
    OutputSpec,
    RegisterOutput,
    SupplyOutput,
)
from ventproof_bench.drivers.driver import Remarks, Shared, Wiring, fastest_edge_s, find
from ventproof_bench.drivers.serial_ports import Ports
from ventproof_bench.outputs.boards import clear_all
from ventproof_bench.outputs.lines import (
    ContactLine,
    LevelLine,
    Repeats,
    driven_safe,
    once_more,
)
from ventproof_bench.outputs.links import (
    FIRST_WAIT_S,
    LONGEST_WAIT_S,
    BusLink,
    KeptLink,
    LinkKeeper,
    as_lost,
    in_doubt,
    links_of,
)
from ventproof_bench.outputs.settings import SettingLine
from ventproof_bench.outputs.wear import ContactWear, Ledger, count_earlier
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence
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


_KEPT: Final = 0.5  # of the time between two edges that is kept at least when the first of them was late
_OPENS_WITHIN_S: Final = (
    0.5  # what fails as the bench opens is tried once more, and again where that fails fast
)
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
        broke: takes why the run cannot go on, as it happens: a link was lost.
        remark: takes what else the record should say, as it happens.

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
        self.broke: Callable[[BenchError], None] = lambda _: None
        self.remark: Callable[[str], None] = self.notes.append
        self.lost = None  # these outputs live and die with their process
        self.longest_silence_s = 0.0
        self._vents = vents
        self._spin_s = spin_s
        self._boards = boards or {}
        self._starving: asyncio.Task[BoardStarved] | None = None
        self._contacts: dict[str, ContactLine] = {}
        self._levels: dict[str, LevelLine] = {}
        self._settings: dict[str, SettingLine] = {}
        self._opened: list[Contact | Level] = []
        self._rescuing = False  # whether each output is opened as its turn comes
        self._asked = 0  # how often anything was to be driven
        self._safe_since: int | None = None  # that number, when all was made safe last
        self._halts = 0  # how often make_safe was called: a train that began before plays no further edge
        self._specs = outputs
        self._buses = buses
        self._ports = Ports()
        self._keepers: list[asyncio.Task[NoReturn]] = []
        wiring = partial(Wiring, buses=buses, specs=specs, inputs=inputs, ports=self._ports, people=people)
        for name, spec in outputs.items():
            try:
                self._add(name, spec, wiring(name=name, output=spec))
            except ValueError as error:
                raise ValueError(f"output {name}: {error}") from error

    def _add(self, name: str, spec: OutputSpec, wiring: Wiring) -> None:
        driver = find(spec.driver)
        # What shows a vent is not shown again: the vent has moved on meanwhile.
        played = self._vents is not None and name in self._vents.outputs
        repeats = Repeats(None if played else self._remarked)
        if spec.kind not in driver.serves:
            raise ValueError(
                f"driver {spec.driver!r} serves `kind: {driver.serves[0]}`, not `kind: {spec.kind}`"
            )
        made = driver.build(driver.options_of(spec.wired), wiring)
        if isinstance(spec, ContactOutput):
            contact = cast("Contact", made)
            count = self._ledger.count if self._ledger is not None else lambda _: None
            wear = ContactWear(name, spec, count, self._driven_too_long)
            edge_s = fastest_edge_s(spec, wiring.specs)
            self._contacts[name] = ContactLine(
                spec, contact, edge_s, driver.reads_back, wear=wear, repeats=repeats
            )
        elif isinstance(spec, RegisterOutput):
            if not isinstance(made, SettingDriver):
                said = f"driver {spec.driver!r} cannot read what it writes, as `kind: register` needs"
                raise ValueError(said)  # noqa: TRY004 - the bench file's fault, as above
            self._settings[name] = SettingLine(name, spec, made, self._told, repeats)
        else:
            self._levels[name] = LevelLine(spec, cast("Level", made), driver.reads_back, repeats=repeats)

    def _driven_too_long(self, name: str) -> None:
        """Make a contact safe at once; the next look ends the run."""
        line = self._contacts[name]
        self._over = line.wear.over() if line.wear is not None else None
        line.stop()
        rescue = asyncio.get_running_loop().create_task(line.to_safe())
        self._rescues.add(rescue)
        rescue.add_done_callback(self._rescues.discard)

    def _remarked(self, said: str) -> None:
        self.remark(said)

    def _told(self, done: FoundSetting | DrivenOutput) -> None:
        self.tell(done)

    @property
    def shared(self) -> bool:
        """Whether a run must look: others could move a relay, over a network, or its board; or it has limits."""
        return bool(self._boards) or any(
            line.look_s is not None or line.spec.limits is not None for line in self._contacts.values()
        )

    async def open(self) -> None:
        """Open every output, read the settings, and drive all else to its safe state. What fails leaves nothing open.

        Raises:
            LinkError: a port cannot be opened.
            DriverError: hardware does not answer, or cannot be made safe.
        """
        if self._ledger is not None:
            self._keeping = asyncio.get_running_loop().create_task(self._ledger.keep())
            self.notes += await count_earlier(self._ledger, [line.wear for line in self._contacts.values()])
        try:
            for driver in self._drivers:
                self._opened.append(driver)  # before it is open: a half-open port wants closing too
                await once_more(driver.open)
                if isinstance(driver, Remarks):
                    self.notes.extend(driver.notes)
            for guard in self._boards.values():
                await once_more(guard.set_up)
            await self._find()
            self.driven = True
            await self._all_safe("open", patience_s=_OPENS_WITHIN_S)
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
        self._keep_links()

    async def rescue(self, owed: Mapping[str, Sequence[int]], *, patience_s: float) -> None:
        """Take over from a process that was lost: open what can be opened, make it safe, put back what it wrote.

        Nothing stands in the way of anything else; what fails is tried again until the patience is over.

        Args:
            owed: the settings that it may have written, with the registers that it found, empty where it could not read
                them.
            patience_s: how long what fails is tried again, seconds.

        Raises:
            BenchError: an output cannot be made safe.
        """
        self._rescuing = self.driven = True
        for name, found in owed.items():
            self._settings[name].owe(found)
        for bus in self._buses.values():
            with suppress(BenchError):
                await bus.open()
        try:
            await self._all_safe("safe", patience_s=patience_s)
        finally:
            await self._let_go()

    @property
    def _drivers(self) -> list[Contact | Level]:
        drivers: list[Contact | Level] = [line.driver for line in self._terminals.values()]
        return drivers + [line.driver for line in self._settings.values()]

    @property
    def _terminals(self) -> dict[str, ContactLine | LevelLine]:
        return {**self._contacts, **self._levels}

    def _keep_links(self) -> None:
        """Watch what carries contacts and levels, and bring it back when it is lost."""
        links: dict[str, KeptLink] = {name: BusLink(name, bus) for name, bus in self._buses.items()}
        links |= self._ports.used
        # What shows a vent is shown again, and the vents end the run themselves when they cannot for too long.
        played = self._vents.outputs if self._vents is not None else frozenset[str]()
        lines = {n: line for n, line in self._terminals.items() if n not in played}
        for name, link in links.items():
            on_it = [output for output, spec in self._specs.items() if name in links_of(spec)]
            carried = {output: lines[output] for output in on_it if output in lines}
            settings = {output: self._settings[output] for output in on_it if output in self._settings}
            if carried:
                keeper = LinkKeeper(link, carried, settings, self._back_to_safe)
                keeping = asyncio.get_running_loop().create_task(keeper.keep(self.broke, self.remark))
                keeping.add_done_callback(self._kept_no_more)
                self._keepers.append(keeping)

    def _kept_no_more(self, keeper: asyncio.Task[NoReturn]) -> None:
        error = None if keeper.cancelled() else keeper.exception()
        if error is not None:  # a fault of ours: nobody watches that link any more
            self.broke(BenchError(f"{type(error).__name__} in the process that drives: {error}"))

    async def _back_to_safe(self, lines: Mapping[str, ContactLine | LevelLine]) -> None:
        """Drive outputs whose link came back to their safe states; a board that went safe by itself is cleared."""
        for _ in range(2):
            ways = [line.to_safe() for line in lines.values()]
            outcomes = await asyncio.gather(*ways, return_exceptions=True)
            if not any(isinstance(outcome, BaseException) for outcome in outcomes):
                return
            await clear_all(self._boards)
        raise next(outcome for outcome in outcomes if isinstance(outcome, BaseException))

    async def _find(self) -> None:
        for line in self._settings.values():
            await line.find()

    async def contact(self, name: str, *, closed: bool) -> Window:
        """Make a contact closed or open now; the window holds the electrical edge, bounce included."""
        line, asked_s = self._contact(name), now_s()
        if line.held is not None:
            raise line.held
        try:
            return await line.drive(closed=closed)
        except BenchError as error:
            raise as_lost(error, asked_s) from error.__cause__

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
        asked_s = now_s()
        if isinstance(line, LevelLine) and line.held is not None:
            raise line.held
        try:
            return await line.put(value)
        except BenchError as error:
            raise as_lost(error, asked_s) from error.__cause__

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
        reports, missed_s, free_s = list[EdgeReport](), list[float](), inf
        async with line.turn:
            for number, edge in enumerate(edges, start=1):
                due_s = line.next_s = start_s + edge.at_s
                # After a late edge the rest does not bunch up: a relay that is hurried skips edges.
                plays = partial(line.plays, due_s, stops)
                at_s = max(due_s, line.free_from_s)
                reached = await line.reached(at_s, edge, plays, spin_s=self._spin_s)
                # After the wait, since the outputs may have been made safe during it, and that is the last word.
                self._require_unbroken(line, halts, f"output {name}, before edge {number}")
                if not reached:
                    line.free_from_s = min(line.free_from_s, free_s)  # no width is to be kept
                    break
                try:
                    window = await line.drive(closed=edge.closed)
                except BenchError as error:
                    missed_s.append(due_s)
                    # One may be noise, and the next edge puts it right; after the last one nothing would.
                    enough = 1 if isinstance(error, LimitError) else _MISSED_IN_A_ROW
                    if len(missed_s) >= enough or number == len(edges):
                        raise as_lost(error, missed_s[0], f"edge {number} of {len(edges)}") from error
                    self.remark(f"an edge is not confirmed to have left the bench: {error}")
                    reports.append(EdgeReport(edge.closed, due_s, None))
                else:
                    missed_s.clear()
                    asked_s = edges[number].at_s - edge.at_s if number < len(edges) else 0.0
                    free_s = window.earliest_s + line.fastest_edge_s
                    line.free_from_s = max(free_s, window.earliest_s + _KEPT * asked_s)
                    reports.append(EdgeReport(edge.closed, due_s, window))
        return reports

    def _require_unbroken(self, line: ContactLine, halts: int, said: str) -> None:
        """Raise a `DriverError` where a train's link was lost, or the outputs were made safe since it began."""
        if line.held is not None:
            raise line.held
        if self._halts != halts:
            raise DriverError(f"{said}: the train was broken off, outputs were made safe")

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

    async def make_safe(self, *, vents_play_on: bool = False, patience_s: float = 0.0) -> None:
        """Break off trains, drive contacts and levels to their safe states, then put back what was written of settings.

        Every output is tried whatever becomes of the others; then the first error is raised.

        Args:
            vents_play_on: leave the outputs of vents that are played to them; otherwise these are played no more.
            patience_s: how long what fails is tried again, over links that are brought back, seconds.
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
        await asyncio.shield(self._all_safe("safe", left, patience_s=patience_s))
        if self._ledger is not None:  # whoever is killed is made safe, and counts all the same
            await self._ledger.write()

    async def _all_safe(self, why: DrivenWhy, left: Collection[str] = (), *, patience_s: float = 0.0) -> None:
        asked, self._safe_since, begun_s = self._asked, None, now_s()
        lines = self._terminals
        failed = await self._try_all({n: line for n, line in lines.items() if n not in left}, why)
        wait_s, give_up_s = FIRST_WAIT_S, now_s() + patience_s
        if failed and self._boards:
            # One that went safe by itself takes no command until it is cleared.
            await clear_all(self._boards)
            failed = await self._try_all({n: lines[n] for n in failed}, why, begun_s)
        while failed and now_s() + wait_s <= give_up_s:
            await asyncio.sleep(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)
            await self._open_links_again()
            await clear_all(self._boards)
            failed = await self._try_all({n: lines[n] for n in failed}, why, begun_s)
        doubts = in_doubt(lines, failed, self.remark)
        for name, error in doubts.items():
            window = Window(begun_s, now_s())
            self.tell(
                replace(driven_safe(name, lines[name], why, window), read_back=False, trouble=str(error))
            )
        errors = [*doubts.values(), *await self._put_back(now_s() + patience_s)]
        if errors:
            raise errors[0]
        self._safe_since = None if left else asked

    async def _try_all(
        self, lines: Mapping[str, ContactLine | LevelLine], why: DrivenWhy, since_s: float = inf
    ) -> dict[str, BaseException]:
        """Drive outputs to their safe states, each whatever becomes of the others; returns what failed.

        Args:
            lines: the outputs, by name.
            why: is told with each that was driven.
            since_s: when it was tried first, loop time; it may have been done then.
        """
        ways = (self._made_safe(name, line, why, since_s) for name, line in lines.items())
        outcomes = await asyncio.gather(*ways, return_exceptions=True)
        return {n: error for n, error in zip(lines, outcomes, strict=True) if error is not None}

    async def _put_back(self, give_up_s: float) -> list[BaseException]:
        # After all else: the unit's supply may be one of the contacts, and it answers again once it has booted.
        supplies = (line.moved_s for line in self._contacts.values() if line.spec.safe == "closed")
        give_up_s = max(give_up_s, max(supplies, default=-inf) + _BOOTS_WITHIN_S)
        if any(isinstance(line.spec, SupplyOutput) and line.moved for line in self._levels.values()):
            give_up_s = max(give_up_s, now_s() + _BOOTS_WITHIN_S)
        back = (line.put_back(give_up_s) for line in self._settings.values())
        outcomes = await asyncio.gather(*back, return_exceptions=True)
        return [outcome for outcome in outcomes if outcome is not None]

    async def _open_links_again(self) -> None:
        for link in (*(BusLink(name, bus) for name, bus in self._buses.items()), *self._ports.used.values()):
            if link.lost:
                with suppress(BenchError):
                    await link.open_again()

    async def _made_safe(
        self, name: str, line: ContactLine | LevelLine, why: DrivenWhy, since_s: float
    ) -> None:
        if self._rescuing and line.driver not in self._opened:
            try:
                await line.driver.open()
            except BenchError:
                await line.driver.close()  # a half-open port wants closing too
                raise
            self._opened.append(line.driver)
        # It takes the output's lock, and so comes after a command that is under way and undoes it.
        window = await line.to_safe()
        if window is not None:
            window = Window(min(since_s, window.earliest_s), window.latest_s)
            self.tell(driven_safe(name, line, why, window))

    async def close(self) -> None:
        """Make safe, unless all is, and let go of every port; safe to call twice. Ports are let go of in any case."""
        try:
            if self._opened and self._safe_since != self._asked:
                await self.make_safe()
        finally:
            await self._let_go()

    async def _let_go(self) -> None:
        for keeper in self._keepers:
            keeper.cancel()
        await asyncio.gather(*self._keepers, return_exceptions=True)
        self._keepers.clear()
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
