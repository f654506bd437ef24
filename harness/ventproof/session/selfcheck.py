"""Runs a self-check or a hook-up check on a bench and leaves its log behind."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from importlib.metadata import version
from math import isfinite
from pathlib import Path
from platform import python_version
from typing import Any, Concatenate, Final, Literal, ParamSpec, final

from ventproof.log.clockwork import Clockwork
from ventproof.log.encode import fields_of
from ventproof.log.events import (
    FORMAT,
    CheckBegin,
    CheckEnd,
    CheckFigures,
    CheckHeader,
    CheckOutcome,
    Event,
    Note,
    NothingDriven,
    NotJudged,
    OutputsSafe,
    OutputsUnsafe,
    PinnedCheck,
    PinnedText,
    Shortfall,
    StimulusApplied,
    WrongHookup,
)
from ventproof.log.left import LeftCounter
from ventproof.log.read import read_log
from ventproof.log.settings import OF_SETTINGS, SettingTold, settings_of
from ventproof.log.write import RecordLog, new_log
from ventproof.profile.weather import end_levels, level_of, pulses_of
from ventproof.run.ending import left_lines, telling_left
from ventproof_bench.base.clock import local_now, now_s
from ventproof_bench.base.clock import run as run_loop
from ventproof_bench.base.errors import FileError, Problem, RecordError, Refusal, StimulusError
from ventproof_bench.base.evidence import DrivenOutput, EdgeReport, FoundSetting, Gap, Poll, Window
from ventproof_bench.base.interrupts import held, unless_interrupted
from ventproof_bench.base.quantities import Quantity
from ventproof_bench.base.uncertainty import COVERAGE_FACTOR, UncertaintyBudget
from ventproof_bench.benchfile.model import (
    BenchFile,
    ContactOutput,
    TerminalOutput,
    ValueOutput,
)
from ventproof_bench.drivers.people import hardware_of
from ventproof_bench.rig.build import Rig, assemble
from ventproof_bench.rig.session import Ended, RigSession
from ventproof_bench.selfcheck.capability import Decidable, decidable, shortfalls
from ventproof_bench.selfcheck.coverage import Unjudged, unjudged
from ventproof_bench.selfcheck.diagnosis import Wrong, diagnose
from ventproof_bench.selfcheck.measure import Quantiles
from ventproof_bench.selfcheck.procedure import Measured, SelfCheck
from ventproof_bench.selfcheck.readings import BenchReadings
from ventproof_bench.selfcheck.vents import vents_unjudged, vents_wrong
from ventproof_bench.yamlfile.load import Loaded

Result = Literal["fine", "worse", "partial", "failed"]
Kind = Literal["bench", "unit"]

_P = ParamSpec("_P")
_DIGITS: Final = 9  # decimals of a measured figure in the log: nanoseconds


@final
@dataclass(frozen=True, slots=True)
class CheckResult:
    """One finished check.

    Attributes:
        kind: `bench`, the bench measured itself, or `unit`, the hook-up was tried.
        result: `fine`; `worse`: measured worse than declared, or something is wired wrong; `partial`: nothing was found
            wrong, but not everything could be judged; `failed`: the bench failed.
        aborted: why the bench failed; empty otherwise.
        unsafe: why the outputs may not be in their safe state; empty otherwise.
        log: path of the log.
        digest: digest of its last line.
        measured: what was measured; None when the bench failed.
        decidable: what the bench can decide, a signal each.
        sentences: what is worse than declared, then what is wired wrong.
        unjudged: what was not judged, what the bench file leaves out included.
        notes: what the bench itself had to say.
        settings: what became of the unit's settings.
        left: how the outputs were left: one line where all is well, else a line for each that is not.
    """

    kind: Kind
    result: Result
    aborted: str
    unsafe: str
    log: Path
    digest: str
    measured: Measured | None
    decidable: tuple[Decidable, ...]
    sentences: tuple[str, ...]
    unjudged: tuple[Unjudged, ...]
    notes: tuple[str, ...]
    settings: tuple[SettingTold, ...] = ()
    left: tuple[str, ...] = ()


def selfcheck(
    bench: Loaded[BenchFile],
    out: Path,
    *,
    kind: Kind,
    seed: int = 0,
    begins: Callable[[str, float], None] = lambda _what, _takes_s: None,
    follow: Callable[[Path], None] = lambda _: None,
    ledger: Path | None = None,
) -> CheckResult:
    """Check a bench, or how a unit is hooked up to it, and write the log.

    Args:
        bench: the bench file.
        out: folder for the log.
        kind: what is checked.
        seed: for what is random on a virtual bench.
        begins: is told of each part of the check that begins, and how many seconds it takes.
        follow: is given the path of the log that was just created, for who looks on.
        ledger: where the operations of relays are added up; None: nowhere.

    Raises:
        FileError: the bench file declares no hook-up to be tried, or the log cannot be created.
        KeyboardInterrupt: the operator broke it off; outputs are safe and the log is closed as aborted.
    """
    if kind == "unit" and not any(output.hookup for output in bench.model.outputs.values()):
        hint = "add `hookup:` to the outputs; `ventproof explain hookup` shows how"
        raise FileError(
            [Problem(bench.path, None, None, "no output declares which signals respond to it", hint)]
        )
    if problems := list(_level_problems(bench)):
        raise FileError(problems)
    hardware = hardware_of(bench.model)
    if not hardware.outputs or not hardware.signals:
        reason = "people do or read everything on this bench: there is nothing that could be measured"
        raise FileError([Problem(bench.path, None, None, reason)])
    stem = "selfcheck-bench" if kind == "bench" else "selfcheck-unit"
    unless_interrupted()
    with held(), new_log(out, stem) as log:
        left = LeftCounter()
        follow(log.path)

        async def main() -> CheckResult:
            return await _Checking(bench, kind, seed, log, begins, left=left, ledger=ledger).run()

        with telling_left(bench.model, left, log.path):
            result = run_loop(main(), virtual=bench.model.virtual)
            log.close()  # here, where what goes wrong with it is told with how the outputs were left
            return result


def _by_people(file: BenchFile) -> tuple[Unjudged, ...]:
    """Return what people do and read, which nothing measures."""
    acts = (Unjudged("output", n, "a person does it", left=True, at=("outputs", n)) for n in file.by_hand)
    told = (Unjudged("signal", n, "a person reads it", left=True, at=("signals", n)) for n in file.told)
    return (*acts, *told)


def _level_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield the values of hook-ups that their outputs' sensors cannot show."""
    outputs = bench.model.outputs
    for name, output in outputs.items():
        if output.hookup is None:
            continue
        values: list[tuple[str, tuple[str | int, ...], Quantity]] = []
        values += [(name, ("values", k), v) for k, v in enumerate(output.hookup.values or ())]
        values += [(other, ("first", other), v) for other, v in output.hookup.first.items()]
        for at, key, value in values:
            takes = outputs[at]
            try:
                if not isinstance(takes, ContactOutput):
                    level_of(takes, value.value)
                elif value.value:
                    pulses_of(takes, value.value)
            except ValueError as error:
                wrong = Refusal.of(error)
                yield bench.problem(("outputs", name, "hookup", *key), wrong.reason, wrong.hint)


@final
class _Terminals:
    """What the sensors of a bench put on the terminals."""

    def level(self, output: ValueOutput, value: float) -> float:
        return level_of(output, value)

    def broken(self, output: TerminalOutput) -> float:
        return end_levels(output).broken

    def pulses(self, output: ContactOutput, value: float) -> tuple[float, float]:
        return pulses_of(output, value)


@final
class _Checking:
    """One check being made; takes what it does and sees into the log."""

    def __init__(
        self,
        bench: Loaded[BenchFile],
        kind: Kind,
        seed: int,
        log: RecordLog,
        begins: Callable[[str, float], None],
        *,
        left: LeftCounter | None = None,
        ledger: Path | None = None,
    ) -> None:
        self.begins = begins
        self._left = left or LeftCounter()
        self._bench = bench
        self._kind = kind
        self._seed = seed
        self._log = log
        self._clockwork = Clockwork(now_s())
        self._hardware = hardware_of(bench.model)
        self._rig: Rig = assemble(self._hardware, seed=seed, ledger=ledger)
        self._readings = BenchReadings(self._hardware)
        self._check = SelfCheck(self._rig, self._readings, self, _Terminals())
        self._measured: Measured | None = None
        self._of_settings: list[Event] = []
        self._noted: set[str] = set()

    async def run(self) -> CheckResult:
        """Check to the end; on every way out the outputs are safe and the log has its closing line.

        Raises:
            asyncio.CancelledError: it was interrupted; the outputs are safe and the log says so.
            DriverError: it was interrupted, and the outputs may not be in their safe state.
        """
        session = RigSession(self._rig, self)
        try:
            self._emit(CheckBegin, self._header())
        except RecordError:
            with suppress(RecordError):
                self._emit_left(session.ended)
            raise
        try:
            await session.run(self._measure)
        finally:
            result = self._close(session.ended)
        return result

    async def _measure(self) -> None:
        self._measured = await (self._check.bench() if self._kind == "bench" else self._check.unit())

    def _close(self, ended: Ended) -> CheckResult:
        """Write what was found, and the closing line."""
        try:
            self._note()
        finally:  # whoever follows is told of the outputs, also where the log takes nothing more
            self._emit_left(ended)
        if ended.abort is not None:
            self._emit(CheckEnd, None, ended.abort)
            return self._result("failed", ended, None, (), (), ())
        measured = self._measured
        assert measured is not None, "the work was done"
        measured.silence_s = self._rig.outputs.longest_silence_s
        if self._kind == "bench":
            self._check.reckon(measured)
        file, tries = self._hardware, tuple(measured.exercised.values())
        found = tuple(what_it_decides(file, measured))
        short = tuple(shortfalls(file, measured)) if self._kind == "bench" else ()
        for name, fields in figures(measured, found if self._kind == "bench" else ()):
            self._emit(CheckFigures, name, fields)
        for sentence in short:
            self._emit(Shortfall, sentence)
        said = (
            *measured.wrongs,
            *diagnose(file, tries),
            *vents_wrong(file, measured.stood, measured.spoiled),
        )
        wrongs = [(one.text, self._line(one)) for one in said]
        for text, line in wrongs:
            self._emit(WrongHookup, text, line)
        missing = (
            *unjudged(file, (*tries, *measured.spoiled), measured.undriven),
            *vents_unjudged(file, measured.stood, measured.spoiled),
            *_by_people(self._bench.model),
        )
        for one in missing:
            self._emit(NotJudged, one.what, one.name, one.why, one.left)
        result: CheckOutcome = "partial" if any(not one.left for one in missing) else "fine"
        if short or wrongs:
            result = "worse"
        self._emit(CheckEnd, result)
        sentences = (*short, *(f"{text} (line {line} of the bench file)" for text, line in wrongs))
        return self._result(result, ended, measured, found, sentences, missing)

    def _emit_left(self, ended: Ended) -> None:
        if ended.unsafe:
            self._emit(OutputsUnsafe, ended.unsafe)
        else:
            self._emit(OutputsSafe if ended.driven else NothingDriven)

    def _line(self, wrong: Wrong) -> int:
        """Return the line of the bench file to look at: that of the key, or of what it would stand below."""
        return self._bench.problem(wrong.at, "", at_key=True).line or 1

    def _result(  # noqa: PLR0917 - called here only
        self,
        result: Result,
        ended: Ended,
        measured: Measured | None,
        found: tuple[Decidable, ...],
        sentences: tuple[str, ...],
        missing: tuple[Unjudged, ...],
    ) -> CheckResult:
        return CheckResult(
            self._kind,
            result,
            ended.abort.text if ended.abort else "",
            ended.unsafe,
            self._log.path,
            self._log.digest,
            measured,
            found,
            sentences,
            missing,
            self._rig.notes,
            settings_of(self._of_settings, {}),
            left_lines(self._bench.model, self._left),
        )

    # what happens, into the log

    def did(self, done: FoundSetting | DrivenOutput) -> None:
        """Write what was found in the unit, or what the bench drove of its own accord."""
        self._take(self._clockwork.done(now_s(), done))

    def opened(self) -> None:
        """Write what the bench itself has to say."""
        self._note()

    def _note(self) -> None:
        for note in self._rig.notes:
            if note not in self._noted:
                self._noted.add(note)
                self._emit(Note, note)

    def saw(self, evidence: Poll | Gap) -> None:
        """Keep a poll or a gap, and write it."""
        self._readings.add(evidence)
        self._take(
            self._clockwork.poll(evidence) if isinstance(evidence, Poll) else self._clockwork.gap(evidence)
        )

    def spoilt(self, error: StimulusError) -> bool:  # noqa: ARG002 - it is told by its end
        """Half a measurement is none."""
        return False

    def ends(self, *, aborted: bool) -> None:
        """Nothing: the measuring is over with its last reading."""

    async def gone(self) -> None:
        """Nothing: it begins nothing beside the measuring."""

    def moved(self, output: str, said: str, report: EdgeReport) -> None:
        """Write an edge of a contact."""
        self._emit(StimulusApplied, None, output, said, self._clockwork.edges([report]))

    def wrote(self, output: str, said: str, value: float, window: Window) -> None:
        """Write that a value was written."""
        shown = self._clockwork.window(window)
        self._emit(StimulusApplied, None, output, said, window=shown, value=value)

    def _emit(
        self, kind: Callable[Concatenate[float, _P], Event], /, *args: _P.args, **fields: _P.kwargs
    ) -> None:
        self._take(kind(self._clockwork.late(now_s()), *args, **fields))

    def _take(self, event: Event) -> None:
        if isinstance(event, OF_SETTINGS):
            self._of_settings.append(event)
        self._left.feed(event)
        self._log.write(event.name, event.t_s, fields_of(event))

    def _header(self) -> CheckHeader:
        virtual = self._bench.model.virtual
        return CheckHeader(
            format=FORMAT,
            kind=self._kind,
            clock="virtual" if virtual else "wall",
            started=None if virtual else local_now().isoformat(timespec="seconds"),
            seed=self._seed,
            bench=PinnedText(self._bench.model.bench, self._bench.digest, self._bench.text),
            versions={"ventproof": version("ventproof"), "python": python_version()},
        )


def what_it_decides(file: BenchFile, measured: Measured) -> Iterator[Decidable]:
    """Yield what a bench can decide of each of its signals, from what was measured of it."""
    buses = {bus.bus: bus for bus in measured.buses}
    seen_s = {refresh.signal: refresh.at_least_s for refresh in measured.refreshes}
    contacts = [output for output in file.outputs.values() if isinstance(output, ContactOutput)]
    declared_s = max((max(c.operate, c.release) + c.bounce for c in contacts), default=0.0)
    stimulus_s = max((edges.width.worst_s for edges in measured.edges), default=declared_s)
    for name, signal in file.registers.items():
        if signal.bus in buses:
            yield decidable(
                signal.traits(name),
                buses[signal.bus],
                every_s=file.buses[signal.bus].poll_every,
                refresh_s=max(signal.refreshed_every, seen_s.get(name, 0.0)),
                stimulus_s=stimulus_s,
                step=signal.step,
            )
    delays_s = {loop.signal: loop.delay.worst_s for loop in measured.loops}
    for name in file.positions:
        bus = file.bus_of(name)
        if bus in buses and name in delays_s:
            every_s = file.buses[bus].poll_every
            yield decidable(
                file.traits(name),
                buses[bus],
                every_s=every_s,
                refresh_s=delays_s[name],
                stimulus_s=stimulus_s,
                step=0.0,
            )


# the log's fields


def figures(measured: Measured, found: tuple[Decidable, ...]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the events that hold what was measured: name and fields, JSON values only."""
    for bus in measured.buses:
        yield (
            "bus",
            {
                "bus": bus.bus,
                "round_trip": _quantiles(bus.round_trip),
                "late": _quantiles(bus.late),
                "jitter_s": round(bus.jitter.standard, _DIGITS),
                "gaps": bus.gaps,
                "age_s": round(bus.age_s, _DIGITS),
            },
        )
    for edges in measured.edges:
        fields = {"late": _quantiles(edges.late), "width": _quantiles(edges.width), "missing": edges.missing}
        yield "edges", {"output": edges.output, **fields}
    for loop in measured.loops:
        delay = {"delay": _quantiles(loop.delay)}
        yield (
            "loop",
            _plain({"vent": loop.vent, "signal": loop.signal, "off_percent": loop.off_percent}) | delay,
        )
    for name, rows in (
        ("feedback", measured.echoes),
        ("count", measured.counts),
        ("refresh", measured.refreshes),
        ("board", measured.boards),
    ):
        for row in rows:
            yield name, _plain(asdict(row))
    for name, tried in measured.exercised.items():
        delays = {s: [round(t, _DIGITS) for t in bounds] for s, bounds in tried.delays.items()}
        states = {"before": dict(tried.before.values), "after": dict(tried.after.values)}
        yield "hookup", {"output": name, **states, "answers": delays}
    for one in found:
        yield (
            "decidable",
            {
                "signal": one.signal,
                "unit": one.unit,
                "tolerance": one.tolerance,
                "deadline_s": one.deadline_s,
                "lacks": one.lacks,
                "value": _budget(one.value),
                "instant": _budget(one.instant),
            },
        )


def _quantiles(found: Quantiles) -> dict[str, Any]:
    return _plain(asdict(found))


def _plain(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return fields as JSON can hold them: rounded, and null for what has no end."""
    return {
        key: (round(value, _DIGITS) if isfinite(value) else None) if isinstance(value, float) else value
        for key, value in fields.items()
    }


def _budget(budget: UncertaintyBudget) -> dict[str, Any]:
    parts = [_plain(asdict(part) | {"standard": part.standard}) for part in budget.components]
    totals = {"combined": budget.combined, "freedom": budget.freedom, "expanded": budget.expanded}
    return {"of": budget.of, "unit": budget.unit, "parts": parts, **_plain(totals), "k": COVERAGE_FACTOR}


# what a run says of it


def pinned(path: Path, bench: Loaded[BenchFile]) -> PinnedCheck:
    """Return what a run's first line says of the self-check of its bench.

    Raises:
        FileError: it is no finished self-check, its chain is broken, or it is of another bench file.
    """
    state = read_log(path)
    first = state.events[0]
    if not isinstance(first, CheckBegin):
        raise FileError(
            [
                Problem(
                    str(path),
                    None,
                    None,
                    "this is not a log of a self-check",
                    "make one: ventproof selfcheck",
                )
            ]
        )
    if state.broken_at is not None:
        raise FileError([Problem(str(path), state.broken_at, None, f"the log is broken: {state.reason}")])
    if state.outcome == "aborted":
        raise FileError([Problem(str(path), None, None, "the self-check was aborted", "make another")])
    if first.header.bench.sha256 != bench.digest:
        reason = f"it was made with another bench file than {bench.path}, or before that was changed"
        raise FileError([Problem(str(path), None, None, reason, "make another: ventproof selfcheck")])
    left = tuple(event.of for event in state.rare if isinstance(event, NotJudged))
    return PinnedCheck(state.digest, first.header.started, state.outcome, first.header.kind, left)
