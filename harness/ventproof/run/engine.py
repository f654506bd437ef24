"""The engine: brings the unit to its known state, applies the stimuli, and records. It does not judge.

It asks the running loop for the time and sleeps with asyncio only, so a virtual loop serves it as well as the clock.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Concatenate, Final, ParamSpec, final

from ventproof.case.case import Case, Result
from ventproof.case.findings import finding_of
from ventproof.case.items import START
from ventproof.case.withdrawn import require_unchanged
from ventproof.log.clockwork import Clockwork
from ventproof.log.events import (
    ContactCommand,
    Event,
    EvidenceEnd,
    FindingMade,
    Header,
    IdleBegin,
    IdleEnd,
    Note,
    NothingDriven,
    OutputsSafe,
    OutputsUnsafe,
    RunBegin,
    RunEnd,
    StepBegin,
    StepEnd,
    StimulusApplied,
    StimulusId,
)
from ventproof.profile.model import Profile, Step
from ventproof.profile.stimulus import (
    CloseContact,
    Idle,
    OpenContact,
    PulseContact,
    Stimulus,
    Wait,
    WriteValue,
)
from ventproof.run.prompts import Prompts
from ventproof.run.readings import ToldReadings
from ventproof.run.stimuli import contact_plan
from ventproof.run.weather import PlayedWeather
from ventproof.verdict.finding import Ruling, Verdict
from ventproof.verdict.text import seconds
from ventproof_bench.base.clock import now_s, sleep_until
from ventproof_bench.base.errors import Abort, RecordError, StimulusError
from ventproof_bench.base.evidence import TAKEN_BACK, DrivenOutput, EdgeReport, FoundSetting, Gap, Poll
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.modbus.link import framing_of
from ventproof_bench.outputs.trains import LATEST_S, LEAD_S, play
from ventproof_bench.rig.build import Rig
from ventproof_bench.rig.session import Ended, RigSession
from ventproof_bench.yamlfile.fields import ContactState

Recorder = Callable[[Event], None]

_READ_BEFORE_S: Final = 10.0  # the end of idle time
_LOG_STEP_S: Final = 2e-6  # instants in the log are no nearer to each other than half of this

_P = ParamSpec("_P")


@final
@dataclass(frozen=True, slots=True)
class Outcome:
    """How a run ended: with a verdict, or aborted for a reason.

    Attributes:
        verdict: None when it was aborted.
        abort: why it was; None when it has a verdict.
        unsafe: why its outputs may not be in their safe state; empty when they are.
        cause: the error behind the abort; None likewise.
    """

    verdict: Verdict | None
    abort: Abort | None = None
    unsafe: str = ""
    cause: BaseException | None = None

    @property
    def aborted(self) -> str:
        """Why there is no verdict; empty when there is one."""
        return self.abort.text if self.abort else ""


@final
class Engine:
    """Runs one profile on one rig.

    Args:
        profile: what to do.
        rig: the bench, not yet open.
        case: the same profile, following the events; it says when a step is decided.
        record: takes every event as it happens (the log, a view).
        prompts: carries questions to people; nobody is asked unless given.
        output_names: the bench's output names, by the profile's.
        vent_names: the bench's names of the vents that it plays, by the profile's; none unless given.
        notes: what the record should say of the profile on this bench.
    """

    def __init__(
        self,
        profile: Profile,
        rig: Rig,
        case: Case,
        *,
        record: Recorder,
        prompts: Prompts | None = None,
        output_names: Mapping[str, str],
        vent_names: Mapping[str, str] | None = None,
        notes: Sequence[str] = (),
    ) -> None:
        self._profile = profile
        self._rig = rig
        self._case = case
        self._record = record
        self._prompts = prompts or Prompts()
        self._output_names, self._vent_names = output_names, vent_names or {}
        self._notes = notes
        self._noted: set[str] = set()
        self._clockwork: Clockwork
        self._awaits: Callable[[], bool] = bool  # whether what is waited for has come; nothing is
        self._came: asyncio.Future[None] | None = None
        self._written: dict[int, Ruling | None] = {}
        self._session: RigSession
        self._weather: PlayedWeather
        self._told: ToldReadings

    async def run(self, header: Header) -> Outcome:
        """Run to the end; on every way out the outputs are safe and the log has its closing line.

        Args:
            header: what the first line of the log pins.

        Raises:
            asyncio.CancelledError: the run was interrupted; the outputs are safe and the log says so.
            DriverError: the run was interrupted, and the outputs may not be in their safe state.
        """
        self._clockwork = Clockwork(now_s())
        self._session = session = RigSession(self._rig, self)
        self._weather = PlayedWeather(
            self._rig,
            self._output_names,
            self._vent_names,
            tell=self._emit,
            times=self._clockwork,
            broken=session.break_off,
        )
        self._told = ToldReadings(
            self._rig.people,
            self._case,
            hand_on=session.saw,
            broken=session.break_off,
            times=self._clockwork,
        )
        self._prompts.tell = self._emit
        try:
            self._emit(RunBegin, header)
        except RecordError:
            with suppress(RecordError):
                self._emit_left(session.ended)
            raise
        try:
            with self._prompts.desks():
                await session.run(self._all_steps)
        finally:
            self._close(session.ended)
        ended = session.ended
        if ended.abort is not None:
            return Outcome(None, ended.abort, ended.unsafe, ended.cause)
        return Outcome(self._case.verdict)

    # what the session tells

    def did(self, done: FoundSetting | DrivenOutput) -> None:
        """Write down what was found in the unit, or what the bench drove of its own accord."""
        self._take(self._clockwork.done(now_s(), done))

    def opened(self) -> None:
        """Write down what is known of the bench."""
        for note in self._notes:
            self._emit(Note, note)
        self._note_bench()

    def _note_bench(self) -> None:
        """Write down what is known of the bench and was not written yet."""
        for note in self._rig.notes:
            if note not in self._noted:
                self._noted.add(note)
                self._emit(Note, note)

    def saw(self, evidence: Poll | Gap) -> None:
        """Take what was seen; samples that contradict the bench file are the bench's fault."""
        belied = len(self._case.belied)
        self._take(
            self._clockwork.poll(evidence) if isinstance(evidence, Poll) else self._clockwork.gap(evidence)
        )
        withdrawn = isinstance(evidence, Gap) and evidence.reason in TAKEN_BACK
        if withdrawn or len(self._case.belied) > belied:
            require_unchanged(self._case.results, self._written)
        if self._came is not None and not self._came.done() and self._awaits():
            self._came.set_result(None)

    def spoilt(self, error: StimulusError) -> bool:
        """Write it down; what the evidence before does not decide stays open, and that is no abort."""
        self._emit(Note, str(error))
        return True

    def ends(self, *, aborted: bool) -> None:
        """Drive nothing more, and close what is being watched before the outputs move back to safe."""
        self._weather.drop()
        self._told.drop()
        if not aborted:
            self._emit(EvidenceEnd)

    async def gone(self) -> None:
        """Wait until nothing of the weather goes on, and nobody is asked to read anything."""
        await self._weather.gone()
        await self._told.gone()

    def _close(self, ended: Ended) -> None:
        """Write what is still to be said, and the closing line."""
        try:
            self._note_bench()
            if ended.abort is not None:
                self._report(self._decided_before())
        finally:  # whoever follows is told of the outputs, also where the log takes nothing more
            self._emit_left(ended)
        if ended.abort is not None:
            self._emit(RunEnd, None, ended.abort)
        else:
            self._report(r for r in self._case.results if id(r) not in self._written)
            self._emit(RunEnd, self._case.verdict)

    def _emit_left(self, ended: Ended) -> None:
        if ended.unsafe:
            self._emit(OutputsUnsafe, ended.unsafe)
        else:
            self._emit(OutputsSafe if ended.driven else NothingDriven)

    def _decided_before(self) -> Iterator[Result]:
        """Yield what an aborted run showed for certain and has not said yet.

        On a serial line nothing is certain of a step before it was heard out (`RigSession.hear_out`).
        """
        if all(framing_of(read.spec) == "tcp" for read in self._rig.reads):
            for result in self._case.results:
                decided = result.ruling is not None and result.ruling.verdict is not Verdict.INCONCLUSIVE
                if decided and not result.not_run and id(result) not in self._written:
                    yield result

    def _emit(
        self, kind: Callable[Concatenate[float, _P], Event], /, *args: _P.args, **fields: _P.kwargs
    ) -> None:
        self._take(kind(self._clockwork.late(now_s()), *args, **fields))

    def _take(self, event: Event) -> None:
        # Recorded before it is judged: evidence that contradicts the bench file ends the run, and the log must hold
        # it.
        self._record(event)
        self._case.feed(event)
        self._told.turn()

    async def _all_steps(self) -> None:
        await self._start()
        for number, step in enumerate(self._profile.steps, start=START + 1):
            if not self._case.step_passed():
                break  # what follows would start from a state that nobody described
            await self._step(number, step)
        await self._weather.stop()
        await self._session.hear_out()

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
        await self._told.all_of(self._profile.needs.signals)
        # Of a flag or counter nothing is known before it was read first; the log may round its reply up.
        await self._until(self._all_read, now_s() + self._rig.slowest_evidence_s)
        await sleep_until(now_s() + _LOG_STEP_S)
        self._begin_step(START, "start")
        self._told.begin()
        await self._until_decided(START)

    def _safe_states(self) -> dict[str, ContactState]:
        """Return the safe state of every contact that the profile needs, by the profile's names."""
        outputs = {name: self._rig.file.outputs[at] for name, at in self._output_names.items()}
        return {name: output.safe for name, output in outputs.items() if isinstance(output, ContactOutput)}

    async def _step(self, number: int, step: Step) -> None:
        # What people read was as they say before anything is done: only that shows that it came of it.
        if self._rig.people is not None:
            await self._told.all_of(name for response in step.expect for name in response.signals)
        # The log may round the last reading up: in virtual time, too, it is from before what is done now.
        await sleep_until(now_s() + _LOG_STEP_S)
        began_s = self._begin_step(number, step.step)
        again = False
        for index, stimulus in enumerate(step.do):
            # From the step's begin, so that what one stimulus takes delays no other.
            await sleep_until(began_s + stimulus.at)
            planned_s = began_s + stimulus.at if stimulus.at else None
            if again and planned_s is not None and now_s() > planned_s + LATEST_S:
                said = f"a stimulus planned {seconds(stimulus.at)} into step {step.step!r} came late"
                raise StimulusError(f"{said}: a reply to the one before it was lost", since_s=planned_s)
            again |= await self._apply(number, index, stimulus, planned_s)
        await self._until_decided(number)

    async def _idle(self, step: int, index: int, for_s: float) -> None:
        """Leave the unit alone; the pollers rest until shortly before the end, so that its state is known again."""
        began_s = now_s()
        self._emit(Note, f"nothing was read for {seconds(for_s)}: nothing is shown of that time")
        self._emit(IdleBegin, step, index, self._clockwork.instant(began_s))
        self._session.rest.until_s = began_s + for_s - _READ_BEFORE_S
        await sleep_until(began_s + for_s)
        self._emit(IdleEnd, step, index, self._clockwork.instant(now_s()))

    def _begin_step(self, number: int, name: str) -> float:
        began_s = now_s()
        self._emit(StepBegin, number, name, self._clockwork.instant(began_s))
        return began_s

    def _all_read(self) -> bool:
        return all(trace.last is not None for trace in self._case.traces.values())

    async def _until_decided(self, number: int) -> None:
        """Wait until every response of the step is decided, or until no evidence can come that would matter."""
        # Again, since the horizon moves: what begins or ends meanwhile may open watches that end later.
        while not self._case.step_decided():
            give_up_s = self._clockwork.loop_s(self._case.step_horizon_s()) + self._rig.slowest_evidence_s
            if now_s() >= give_up_s or self._told.over:
                break
            await self._until(lambda: self._case.step_decided() or self._told.over, give_up_s)
        await self._session.hear_out()
        self._emit(StepEnd, number)
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
            self._written[id(result)] = result.ruling
            self._emit(FindingMade, finding_of(result))

    async def _apply(self, step: int, index: int, stimulus: Stimulus, planned_s: float | None = None) -> bool:
        """Apply one stimulus and record it with the window that holds it; whether a command for it was given again.

        Args:
            step: number of the step.
            index: the stimulus' number there.
            stimulus: what to do.
            planned_s: loop time for which the profile plans it; None: whenever its turn comes.
        """
        if isinstance(stimulus, Wait):
            await asyncio.sleep(stimulus.wait)
            return False
        if isinstance(stimulus, Idle):
            await self._idle(step, index, stimulus.idle)
            return False
        if not isinstance(stimulus, CloseContact | OpenContact | PulseContact):
            return await self._weather.apply(step, index, stimulus)
        outputs, of = self._rig.outputs, StimulusId(step, index, stimulus.label)
        name, said, edges = contact_plan(stimulus)
        if self._weather.hides(of, name, said, closed=edges[-1].closed):
            return False
        start_s = now_s() + (LEAD_S if len(edges) > 1 else 0.0)
        states = sorted({edge.closed for edge in edges})
        # Before the contact moves: no invariant may be judged by what is read while it may have moved already.
        self._emit(ContactCommand, step, index, name, said, states, self._clockwork.early(start_s))
        if len(edges) == 1:
            window = await outputs.contact(self._output_names[name], closed=edges[0].closed)
            reports = [EdgeReport(edges[0].closed, start_s if planned_s is None else planned_s, window)]
        else:
            reports = await play(outputs, self._output_names[name], edges, start_s=start_s)
        self._emit(StimulusApplied, of, name, said, self._clockwork.edges(reports))
        return any(report.window is not None and report.window.again for report in reports)
