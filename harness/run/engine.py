"""The engine: brings the unit to its known state, applies the stimuli, and records. It does not judge.

It asks the running loop for the time and sleeps with asyncio only, so a virtual loop serves it as well as the clock.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final, NoReturn, final

from bench.build import Rig
from bench.clock import now_s, sleep_until
from bench.errors import BenchError, DriverError, LinkError
from bench.fields import ContactState
from bench.polling import Rest, poll
from bench.samples import EdgeReport, Gap, Poll, Window
from bench.trains import LEAD_S, play
from bench.watching import interlock_healthy
from bench.wiring import ContactOutput
from harness.judge.verdict import Verdict
from harness.profile.model import Profile, Step
from harness.profile.stimulus import CloseContact, Idle, OpenContact, PulseContact, Stimulus, Wait, WriteValue
from harness.run.case import START, Case, Item, Result
from harness.run.compile import seconds
from harness.run.contacts import contact_plan
from harness.run.events import Clockwork, Event
from harness.run.findings import finding_fields
from harness.run.weather import Weather

Recorder = Callable[[Event], None]

_READ_BEFORE_S: Final = 10.0  # the end of idle time
_LOOK_EVERY_S: Final = 0.5
_LOG_STEP_S: Final = 2e-6  # instants in the log are no nearer to each other than half of this
_INTERRUPTED: Final = "interrupted by the operator"


@final
@dataclass(frozen=True, slots=True)
class Outcome:
    """How a run ended: with a verdict, or aborted for a reason; and why its outputs may not be safe, if so."""

    verdict: Verdict | None
    aborted: str = ""
    unsafe: str = ""


@final
class Engine:
    """Runs one profile on one rig.

    Args:
        profile: what to do.
        rig: the bench, not yet open.
        case: the same profile, following the events; it says when a step is decided.
        record: takes every event as it happens (the log, a view).
        output_names: the bench's output names, by the profile's.
        notes: what the record should say of the profile on this bench.
    """

    def __init__(
        self,
        profile: Profile,
        rig: Rig,
        case: Case,
        *,
        record: Recorder,
        output_names: Mapping[str, str],
        notes: Sequence[str] = (),
    ) -> None:
        self._profile = profile
        self._rig = rig
        self._case = case
        self._record = record
        self._output_names = output_names
        self._notes = notes
        self._clockwork: Clockwork
        self._awaits: Callable[[], bool] = bool  # whether what is waited for has come; nothing is
        self._came: asyncio.Future[None] | None = None
        self._broken: asyncio.Future[None]
        self._interlock_seen = asyncio.Event()
        self._reported: set[int] = set()
        self._opened = False
        self._unsafe = ""
        self._weather: Weather
        self._rest = Rest()

    async def run(self, header: Mapping[str, Any]) -> Outcome:
        """Run to the end; on every way out the outputs are safe and the log has its closing line.

        Args:
            header: what the first line of the log pins.

        Raises:
            asyncio.CancelledError: the run was interrupted; the outputs are safe and the log says so.
            DriverError: the run was interrupted, and the outputs may not be in their safe state.
        """
        self._clockwork = Clockwork(now_s())
        self._broken = asyncio.get_running_loop().create_future()
        self._weather = Weather(
            self._rig, self._output_names, tell=self._emit, times=self._clockwork, broken=self._break_off
        )
        self._emit("run_begin", **header)
        aborted = ""
        pollers: list[asyncio.Task[NoReturn]] = []
        try:
            await self._rig.open()
            self._opened = True
            for note in (*self._notes, *self._rig.notes):
                self._emit("note", text=note)
            pollers = self._start_polling()
            await self._unless_broken(self._interlock_healthy())
            await self._unless_broken(self._all_steps())
        except BenchError as error:
            aborted = str(error)
        except asyncio.CancelledError:
            aborted = _INTERRUPTED
            raise
        except BaseException:
            aborted = "ventproof itself failed"
            raise
        finally:
            aborted = await self._to_the_end(self._end(pollers, aborted))
        return Outcome(None, aborted, self._unsafe) if aborted else Outcome(self._case.verdict)

    async def _to_the_end(self, ending: Coroutine[Any, Any, str]) -> str:
        """Await the tidying up whatever happens: a cancellation in between is kept until it is done."""
        task = asyncio.get_running_loop().create_task(ending)
        cancelled = False
        while not task.done():
            try:
                await asyncio.shield(task)
            except asyncio.CancelledError:
                cancelled = True
            except BaseException:  # noqa: BLE001, S110 - the task's own; raised below
                pass
        result = task.result()
        if cancelled:
            raise asyncio.CancelledError
        return result

    async def _end(self, pollers: list[asyncio.Task[NoReturn]], aborted: str) -> str:
        """Make the outputs safe, let go of the bench, write the closing line; return why there is no verdict.

        Raises:
            DriverError: the run was interrupted, and the outputs may not be in their safe state.
        """
        if not aborted:
            aborted = self._end_of_evidence()
        self._unsafe = unsafe = await self._leave_bench(pollers)
        if unsafe:
            self._emit("not_safe", reason=unsafe)
        else:
            self._emit("safe")
        if aborted and unsafe:
            aborted = f"{aborted}; {unsafe}"
        aborted = aborted or unsafe
        if aborted:
            self._emit("run_end", verdict=None, aborted=aborted)
        else:
            self._report(r for r in self._case.results if id(r) not in self._reported)
            self._emit("run_end", verdict=str(self._case.verdict))
        if unsafe and aborted.startswith(_INTERRUPTED):
            raise DriverError(unsafe)
        return aborted

    def _end_of_evidence(self) -> str:
        """Close what is being watched before the outputs move back to safe; return why that cannot be recorded."""
        try:
            self._emit("evidence_end")
        except BenchError as error:
            return str(error)
        return ""

    async def _leave_bench(self, pollers: list[asyncio.Task[NoReturn]]) -> str:
        """Make the outputs safe and let go of everything, before anything is written; return what is unsafe."""
        unsafe = "" if self._opened else "the bench was not opened: the state of its outputs is unknown"
        for task in pollers:
            task.cancel()  # first: they must not ask a new line process anything
        self._weather.drop()
        try:
            await self._rig.outputs.make_safe()
        except BenchError as error:
            unsafe = f"the outputs may not be in their safe state: {error}"
        await asyncio.gather(*pollers, return_exceptions=True)
        with suppress(BenchError):
            await self._rig.close()
        return unsafe

    def _emit(self, name: str, /, **fields: Any) -> None:  # noqa: ANN401 - JSON values
        self._take(Event(name, self._clockwork.late(now_s()), fields))

    def _take(self, event: Event) -> None:
        self._record(event)
        self._case.feed(event)

    def _start_polling(self) -> list[asyncio.Task[NoReturn]]:
        tasks = []
        for read in self._rig.reads:
            polling = poll(
                read.bus,
                read.plan,
                every_s=read.spec.poll_every,
                bus_spec=read.spec,
                sink=self._saw,
                rest=self._rest,
            )
            task = asyncio.get_running_loop().create_task(polling)
            tasks.append(task)
        if self._rig.outputs.shared:
            tasks.append(asyncio.get_running_loop().create_task(self._look_at_relays()))
        for task in tasks:
            task.add_done_callback(self._polling_ended)
        return tasks

    async def _look_at_relays(self) -> NoReturn:
        """Look again and again whether the relays that others could move are as they were left."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            await self._rig.outputs.look()

    def _polling_ended(self, task: asyncio.Task[NoReturn]) -> None:
        error = None if task.cancelled() else task.exception()
        if error is not None:
            self._break_off(error)

    def _break_off(self, error: BaseException) -> None:
        if not self._broken.done():
            self._broken.set_exception(error)
            self._broken.exception()  # seen: what breaks while tidying up changes nothing any more

    def _saw(self, evidence: Poll | Gap) -> None:
        """Take what a poller saw; a contradiction, unguarded outputs or an unhealthy interlock break the run off."""
        event = (
            self._clockwork.poll(evidence) if isinstance(evidence, Poll) else self._clockwork.gap(evidence)
        )
        try:
            self._take(event)
            if self._rig.outputs.lost is not None:
                raise LinkError(self._rig.outputs.lost)
            self._watch_relays(evidence)
            if interlock_healthy(self._rig.file, evidence):
                self._interlock_seen.set()
        except BenchError as error:
            self._break_off(error)
        if self._came is not None and not self._came.done() and self._awaits():
            self._came.set_result(None)

    def _watch_relays(self, evidence: Poll | Gap) -> None:
        """A lost connection to relays is the end: nobody could put the contacts right any more."""
        if isinstance(evidence, Gap) and evidence.reason == "disconnected":
            contacts = [o for o in self._rig.file.outputs.values() if isinstance(o, ContactOutput)]
            if any(contact.wired.get("bus") == evidence.bus for contact in contacts):
                raise LinkError(f"bus {evidence.bus}, which carries contacts, is lost: {evidence.detail}")

    async def _interlock_healthy(self) -> None:
        if self._rig.file.interlock is not None:
            await self._interlock_seen.wait()

    async def _unless_broken(self, work: Coroutine[Any, Any, None]) -> None:
        """Await `work`, unless the run breaks first; then cancel it and raise what broke the run."""
        task = asyncio.get_running_loop().create_task(work)
        try:
            await asyncio.wait({task, self._broken}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)  # its own error beside that is no news
        if self._broken.done():
            self._broken.result()
        task.result()

    async def _all_steps(self) -> None:
        await self._start()
        for number, step in enumerate(self._profile.steps, start=START + 1):
            if not self._case.step_passed():
                break  # what follows would start from a state that nobody described
            await self._step(number, step)
        await self._weather.stop()
        await self._rig.outputs.look()

    async def _start(self) -> None:
        start = self._profile.start
        contacts = {**self._safe_states(), **start.set}
        setting: list[Stimulus] = [
            *(
                CloseContact(close=n) if state == "closed" else OpenContact(open=n)
                for n, state in contacts.items()
            ),
            *(WriteValue(write=name, value=value) for name, value in start.write.items()),
        ]
        for index, stimulus in enumerate(setting):
            await self._apply(START, index, stimulus)
        # Of a flag or counter nothing is known before it was read first; the log may round its reply up.
        await self._until(self._all_read, now_s() + self._rig.slowest_evidence_s)
        await sleep_until(now_s() + _LOG_STEP_S)
        self._begin_step(START, "start")
        await self._until_decided(START)

    def _safe_states(self) -> dict[str, ContactState]:
        """Return the safe state of every contact that the profile needs, by the profile's names."""
        outputs = {name: self._rig.file.outputs[at] for name, at in self._output_names.items()}
        return {name: output.safe for name, output in outputs.items() if isinstance(output, ContactOutput)}

    async def _step(self, number: int, step: Step) -> None:
        began_s = self._begin_step(number, step.step)
        for index, stimulus in enumerate(step.do):
            await sleep_until(began_s + stimulus.at)
            planned_s = began_s + stimulus.at if stimulus.at else None
            await self._apply(number, index, stimulus, planned_s)
        await self._until_decided(number)

    async def _idle(self, step: int, index: int, for_s: float) -> None:
        """Leave the unit alone; the pollers rest until shortly before the end, so that its state is known again."""
        began_s = now_s()
        at = {"step": step, "stimulus": index}
        self._emit("note", text=f"nothing was read for {seconds(for_s)}: nothing is shown of that time")
        self._emit("idle_begin", **at, **self._clockwork.window(Window(began_s, began_s)))
        self._rest.until_s = began_s + for_s - _READ_BEFORE_S
        await sleep_until(began_s + for_s)
        ended_s = now_s()
        self._emit("idle_end", **at, **self._clockwork.window(Window(ended_s, ended_s)))

    def _begin_step(self, number: int, name: str) -> float:
        began_s = now_s()
        self._emit("step_begin", step=number, name=name, **self._clockwork.window(Window(began_s, began_s)))
        return began_s

    def _all_read(self) -> bool:
        return all(trace.last is not None for trace in self._case.traces.values())

    async def _until_decided(self, number: int) -> None:
        """Wait until every response of the step is decided, or until no evidence can come that would matter."""
        while not self._case.step_decided():
            give_up_s = self._clockwork.loop_s(self._case.step_horizon_s()) + self._rig.slowest_evidence_s
            if now_s() >= give_up_s:
                break
            await self._until(self._case.step_decided, give_up_s)
        self._emit("step_end", step=number)
        self._report(self._case.of_step(number))

    async def _until(self, came: Callable[[], bool], give_up_s: float) -> None:
        """Wait until evidence has brought something about, or until it is too late for that."""
        if not came():
            self._awaits, self._came = came, asyncio.get_running_loop().create_future()
            with suppress(TimeoutError):
                async with asyncio.timeout_at(give_up_s):
                    await self._came

    def _report(self, results: Iterable[Result]) -> None:
        """Write down the findings of some responses, once each."""
        for result in results:
            self._reported.add(id(result))
            self._emit("finding", **finding_fields(result))
            if isinstance(result, Item) and result.hollow:
                said = f"{result.step_name}: {result.signal} {result.wording}"
                text = f"{said}: held already before, so its pass shows no effect"
                self._emit("note", text=text, step=result.step, number=result.number)

    async def _apply(self, step: int, index: int, stimulus: Stimulus, planned_s: float | None = None) -> None:
        """Apply one stimulus and record it with the window that holds it.

        Args:
            step: number of the step.
            index: the stimulus' number there.
            stimulus: what to do.
            planned_s: loop time for which the profile plans it; None: whenever its turn comes.
        """
        if isinstance(stimulus, Wait):
            await asyncio.sleep(stimulus.wait)
            return
        if isinstance(stimulus, Idle):
            await self._idle(step, index, stimulus.idle)
            return
        if not isinstance(stimulus, CloseContact | OpenContact | PulseContact):
            await self._weather.apply(step, index, stimulus)
            return
        outputs, fields = self._rig.outputs, {"step": step, "stimulus": index, "label": stimulus.label}
        name, said, edges = contact_plan(stimulus)
        start_s = now_s() + (LEAD_S if len(edges) > 1 else 0.0)
        states = sorted({edge.closed for edge in edges})
        self._emit(
            "command",
            step=step,
            stimulus=index,
            output=name,
            said=said,
            states=states,
            at=self._clockwork.early(start_s),
        )
        if len(edges) == 1:
            window = await outputs.contact(self._output_names[name], closed=edges[0].closed)
            reports = [EdgeReport(edges[0].closed, start_s if planned_s is None else planned_s, window)]
        else:
            reports = await play(outputs, self._output_names[name], edges, start_s=start_s)
        self._emit("stimulus", **fields, output=name, said=said, edges=self._clockwork.edges(reports))
