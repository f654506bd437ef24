"""From one log to its part of a report."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Final, final

from ventproof.case.findings import findings_of
from ventproof.case.items import START
from ventproof.figures.decided_run import contact_words, decided_run
from ventproof.figures.response_figure import can_be_drawn, response_figure
from ventproof.figures.run_figure import run_figure
from ventproof.log.events import (
    AnswerGiven,
    FindingMade,
    Note,
    OutputsUnsafe,
    PromptOver,
    PromptShown,
    StimulusApplied,
)
from ventproof.log.gaps import gaps_text
from ventproof.log.left import left_of
from ventproof.log.read import header_of
from ventproof.log.run import UNMEASURED, VIRTUAL, given_pairs, given_text, results_of
from ventproof.log.settings import settings_of
from ventproof.papers.acceptance import told_of
from ventproof.papers.fingerprint import settings_found
from ventproof.rejudge.proofs import pinned_table, shown_by
from ventproof.rejudge.standing import attempt, is_whole, standing_of, with_evidence
from ventproof.report.alike import used_of
from ventproof.report.model import (
    Chapter,
    Fact,
    Figure,
    ReportedResponse,
    ReportedStep,
    ReportedTable,
    qr_figure,
    short_code,
)
from ventproof.report.papers import response_ident
from ventproof.run.ending import left_lines
from ventproof.verdict.brief import brief
from ventproof.verdict.finding import Status, Verdict
from ventproof.verdict.text import ended_text, margin_text, response, span_text, titled, took_text
from ventproof_bench.base.clock import offset_text
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.base.text import number_of
from ventproof_bench.benchfile.equipment import overdue

if TYPE_CHECKING:
    from ventproof.case.case import Result
    from ventproof.figures.decided_run import DecidedRun
    from ventproof.log.events import Header, PinnedCheck
    from ventproof.log.read import LogState
    from ventproof.log.run import RunRecord
    from ventproof.oracle.proofs import Shown
    from ventproof.profile.model import Invariant, ResponseCommon
    from ventproof.rejudge.standing import Standing
    from ventproof.verdict.finding import Finding, Key


NOT_STATED: Final = "not stated"
NO_DATE: Final = "virtual time, no date"
SIMPLE: Final = (
    "Decided by the simple rule: readings were taken as they stand, without their uncertainty. A guarded decision may "
    "come out otherwise."
)
UNMEASURED_NOTE: Final = f"{UNMEASURED[0].upper()}{UNMEASURED[1:]}."

_SAYS: Final = {
    "pass": "Every response passed. Judged again, the evidence says the same.",
    "fail": "{counted}. Judged again, the evidence says the same.",
    "inconclusive": "Nothing failed, but the evidence cannot decide everything. Judged again, it says the same.",
    "aborted": "The run did not finish. It has no verdict: not a pass.{ended}",
    "broken": "The log was changed or damaged after it was written. Not a pass.",
    "contradicted": "The log's evidence, judged again, contradicts the logged verdict. Not a pass.",
    "unconfirmed": "The log says {verdict}, but its evidence could not be judged again. Not a pass.",
}


@final
@dataclass(frozen=True, slots=True)
class Signing:
    """What is known of a log's signature: a sentence for the record, and what is wrong with it."""

    said: str
    wrong: str = ""


@final
@dataclass(frozen=True, slots=True)
class _Judged:
    """What judging again gave: each response, its drawing, what was required; nothing where it could not be done."""

    results: Mapping[Key, Result]
    figures: Mapping[Key | None, Figure]
    required: Mapping[tuple[int | None, int], ResponseCommon | Invariant]

    @classmethod
    def of(cls, run: DecidedRun | None, figures: Mapping[Key | None, Figure]) -> _Judged:
        """Return it of a run."""
        if run is None:
            return cls({}, figures, {})
        results = {(r.step, r.number, r.signal): r for r in run.case.results}
        return cls(results, figures, run.case.profile.required)


@final
@dataclass(frozen=True, slots=True)
class JudgedLog:
    """A log of a run, read, with what its evidence says; nothing, and why, where it cannot be judged again."""

    state: LogState
    run: DecidedRun | None
    trouble: str
    again: tuple[Finding, ...]

    @classmethod
    def of(cls, state: LogState) -> JudgedLog:
        """Judge a log again."""
        run, trouble = attempt(lambda: decided_run(state))
        return cls(state, run, trouble, findings_of(run.case) if run else ())

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is told of its responses."""
        found = (event.finding for event in self.state.rare if isinstance(event, FindingMade))
        return with_evidence(found, self.again, whole=is_whole(self.state))


def chapter_of(log: JudgedLog, name: str, ident: str, signing: Signing, *, complete: bool = True) -> Chapter:
    """Return what a report says of one run.

    Args:
        log: its log, judged again.
        name: what the log file is called.
        ident: begins everything that links point to.
        signing: what is known of its signature.
        complete: draw every response, and not only what did not pass.

    Raises:
        FileError: the log's first line or its findings are not what ventproof writes.
    """
    state, run = log.state, log.run
    header, told = header_of(state, name), log.findings
    record = replace(results_of(state, name), findings=told)
    stands = standing_of(state, run.case if run else None, log.again, log.trouble)
    standing = "broken" if signing.wrong else stands.word
    figures = _figures(run, stands.differing, complete=complete) if run else {}
    claims = _shown(run, header)
    alarms = [signing.wrong, *_alarms(state, record, stands, header.selfcheck), *_left(run, state, header)]
    return Chapter(
        ident=ident,
        profile=titled(record.profile, record.decision),
        about=_about(run),
        standing=standing,
        says=_says(standing, state.outcome, told),
        alarms=tuple(filter(None, alarms)),
        notes=tuple(_notes(state, record)),
        conditions=(*([given_text(record.given)] if record.given else []), *(run.bench.notes if run else ())),
        overdue=tuple(_overdue(run, header)),
        repeat=record.repeat,
        seed=record.seed,
        identity=_identity(record, header),
        facts=tuple(_all_facts(log, record, header, signing, claims)),
        steps=tuple(_steps(state, told, stands.differing, _Judged.of(run, figures), ident)),
        tables=tuple(_asked(state)),
        overview=figures.get(None),
        digest=state.digest,
        code=short_code(state.digest),
        qr=qr_figure(state.digest),
        log=name,
        test=run.case.profile.id if run else "",
        proves=(*run.case.profile.proves, *run.case.profile.requirements) if run else (),
        shown=claims,
        used=_used(run, header.use),
        settings=settings_found(state.rare),
    )


def _says(standing: str, outcome: str, told: Sequence[Finding]) -> str:
    """Return what a run came to; of one that failed, how many of its responses did."""
    counts = Counter(finding.status for finding in told)
    words = {Status.FAIL: "failed", Status.INCONCLUSIVE: "inconclusive", Status.NOT_RUN: "not run"}
    counted = ", ".join(f"{counts[status]} {word}" for status, word in words.items() if counts[status])
    whole = f"Of {number_of(len(told), 'response')} {counted}"
    ended = f" Its responses: {ended_text(told)}." if told else ""
    return _SAYS[standing].format(verdict=outcome, counted=whole, ended=ended)


def _all_facts(
    log: JudgedLog, record: RunRecord, header: Header, signing: Signing, claims: Sequence[Shown]
) -> Iterator[Fact]:
    yield from _named(log.run)
    yield from _facts(record, header, signing, gaps_text(log.state.told.gaps))
    yield from _settings(log.state, header)
    yield from _proved(log.run, header, claims)


def _named(run: DecidedRun | None) -> Iterator[Fact]:
    """Yield what documents call the test, and the requirements that it or one of its responses names."""
    if run is None:
        return
    profile = run.case.profile
    if profile.id:
        yield Fact("Test id", profile.id)
    asked = (name for one in profile.required.values() for name in one.requirements)
    if named := dict.fromkeys([*profile.requirements, *asked]):
        yield Fact("Requirements", ", ".join(named))


def _about(run: DecidedRun | None) -> str:
    return " ".join(run.case.profile.about.split()) if run else ""


def _shown(run: DecidedRun | None, header: Header) -> tuple[Shown, ...]:
    """Return what the run shows of the lines that its profile claims; a table that cannot be read is told elsewhere."""
    if run is None or header.table is None:
        return ()
    try:
        table = pinned_table(header.table.text)
    except FileError:
        return ()
    return shown_by(run.rare, run.bound, run.case, table)


def _proved(run: DecidedRun | None, header: Header, claims: Sequence[Shown]) -> Iterator[Fact]:
    claimed = run.case.profile.proves if run else ()
    if not claimed:
        return
    if header.table is None:
        yield Fact("Table lines claimed", f"{', '.join(claimed)} (not checked: no table is pinned)")
        return
    told = [its.line for its in claims if its.told]
    yield Fact("Table lines", ", ".join(told) or "none shown")
    if without := [line for line in claimed if line not in told]:
        yield Fact("Claimed, not shown", ", ".join(without))


def _settings(state: LogState, header: Header) -> Iterator[Fact]:
    if told := settings_of(state.rare, header.use):
        yield Fact("Settings of the unit", "; ".join(map(str, told)))


def _asked(state: LogState) -> Iterator[ReportedTable]:
    """Yield what people were asked, and what they answered; what nobody answered is told, too."""
    ends = {event.number: event for event in state.rare if isinstance(event, AnswerGiven | PromptOver)}
    rows = []
    for event in state.rare:
        if isinstance(event, PromptShown):
            prompt, end = event.prompt, ends.get(event.number)
            answer, after = "no answer before the log ended", ""
            if isinstance(end, AnswerGiven):
                unit = f" {prompt.unit}" if prompt.unit and end.text[-1:].isdigit() else ""
                answer, after = f"{end.text}{unit}", f"{end.t_s - event.t_s:.1f} s"
            elif end is not None:
                answer, after = "not answered", f"{end.t_s - event.t_s:.1f} s"
            rows.append((f"{event.t_s:.1f} s", prompt.who, prompt.text, answer, after))
    if rows:
        head = ("asked at", "whom", "what", "answer", "after")
        yield ReportedTable("Prompts and answers", head, tuple(rows))


def _used(run: DecidedRun | None, use: Mapping[str, str]) -> tuple[str, ...]:
    if run is None:
        return ()
    return (*run.case.names, *(use.get(name, name) for name in run.case.profile.needs.outputs))


def _figures(
    run: DecidedRun, differing: Mapping[Key, Finding | None], *, complete: bool
) -> dict[Key | None, Figure]:
    """Return the drawing of each response, or of what did not pass, and of the whole run under None."""
    name = run.case.profile.profile
    whole = Figure(run_figure(run), f"The whole run of {name}: vents, contacts and steps over time.")
    figures: dict[Key | None, Figure] = {None: whole}
    for result in run.case.results:
        if can_be_drawn(run, result) and result.ruling is not None:
            alt = f"{result.signal} {result.wording}: {result.ruling.verdict}. {result.ruling.why}."
            key = (result.step, result.number, result.signal)
            if not complete and result.ruling.verdict is Verdict.PASS and key not in differing:
                continue
            figures[key] = Figure(response_figure(run, result), alt)
    return figures


def _alarms(
    state: LogState, record: RunRecord, stands: Standing, selfcheck: PinnedCheck | None
) -> Iterator[str]:
    if state.broken_at is not None:
        yield (
            f"The chain of this log breaks at line {state.broken_at}: {state.reason}. Only the {state.lines} lines "
            f"before it are intact, and what is shown here is made from them alone."
        )
    elif not state.closed:
        yield "This log has no closing line: the run died, or the log was cut. It counts as aborted."
    elif state.outcome == "aborted":
        yield f"Aborted: {record.reason or 'no reason was written down'}."
    for event in state.rare:
        if isinstance(event, OutputsUnsafe):
            yield f"OUTPUTS MAY NOT HAVE BEEN SAFE after this run: {event.reason}."
    if stands.alarm:
        yield stands.alarm
    if stands.word == "contradicted":
        yield "The drawings show what is judged now."
    if selfcheck is not None:
        yield from _selfcheck_alarms(selfcheck)
    if any(f.step == START and f.status is not Status.PASS for f in record.findings):
        yield "The start state was not reached: nothing was tested."


def _left(run: DecidedRun | None, state: LogState, header: Header) -> Iterator[str]:
    """Yield how outputs were left of a run that does not say that all are safe."""
    left = left_of(state.rare, header.use)
    if left.safe:
        return
    if not state.closed:
        yield "The log does not say how its run left the outputs; the process that owns them makes them safe by itself."
    for line in left_lines(run.bench if run else None, left):
        yield f"Outputs: {line}."


def _overdue(run: DecidedRun | None, header: Header) -> Iterator[str]:
    """Yield which equipment was to be calibrated before the day of the run; a run in virtual time has none."""
    if run is not None and header.started:
        for said in overdue(run.bench.equipment, day_of(header.started)):
            yield f"{said[0].upper()}{said[1:]}, before the run."


def day_of(iso: str) -> dt.date:
    """Return the day of a date and time of the log, where the run was made."""
    return dt.datetime.fromisoformat(iso).date()


def _selfcheck_alarms(selfcheck: PinnedCheck) -> Iterator[str]:
    if selfcheck.result == "worse":
        yield "The bench was measured to be worse than its bench file declares, or hooked up wrong: see its self-check."
    elif selfcheck.result == "partial":
        yield f"The bench's self-check did not judge everything: not {', '.join(selfcheck.left)}."


def _notes(state: LogState, record: RunRecord) -> Iterator[str]:
    if record.clock == "virtual":
        yield VIRTUAL
    if record.decision == "simple":
        yield SIMPLE
    if record.unmeasured:
        yield UNMEASURED_NOTE
    if state.outcome == "aborted":
        yield "The findings below are what the evidence up to the end of the log proves."
    for event in state.rare:
        if isinstance(event, Note):
            yield event.text
    for finding in record.findings:
        if finding.hollow and finding.status is Status.PASS:
            yield f"{finding.step_name}: {response(finding)}: {finding.why}."


def _identity(record: RunRecord, header: Header) -> dict[str, str]:
    started = header.started
    return {
        "unit": record.unit or NOT_STATED,
        "firmware": record.firmware or NOT_STATED,
        "operator": record.operator or NOT_STATED,
        "when": date_text(started) if started else NO_DATE,
        "since": record.started or "",
        "waivers": "",
        **_acceptance(header),
        "bench": record.bench,
        "bench digest": record.bench_sha256,
        "faults": ", ".join(fault.text for fault in record.faults or ()),
        "self-check": selfcheck_text(header.selfcheck),
    }


def _acceptance(header: Header) -> Mapping[str, str]:
    """Return the data of the acceptance test; of a file that cannot be read nothing but that."""
    try:
        return told_of(header.acceptance)
    except FileError:
        return {**told_of(None), "document": "the acceptance file in the log cannot be read"}


def date_text(iso: str) -> str:
    """Return a date and time of the log as people write it, in local time: `2026-05-01 12:00:00 UTC+02:00`."""
    return offset_text(dt.datetime.fromisoformat(iso), seconds=True)


def selfcheck_text(pinned: PinnedCheck | None) -> str:
    """Return in a few words which self-check stands behind a run."""
    if pinned is None:
        return "none: the bench was not measured before"
    when = f" of {date_text(pinned.started)}" if pinned.started else ""
    what = "" if pinned.kind == "bench" else "hook-up only, "
    left = f", not judged: {', '.join(pinned.left)}" if pinned.left else ""
    return f"{what}{pinned.result}{when}{left}, digest {short_code(pinned.sha256)}"


def _facts(record: RunRecord, header: Header, signing: Signing, gaps: str) -> Iterator[Fact]:
    identity = _identity(record, header)
    for name in ("unit", "firmware", "operator", "when", "bench", "self-check"):
        yield Fact(name.capitalize(), identity[name])
    yield Fact("Duration", f"{record.duration_s:.1f} s, {record.lines} lines of log")
    yield Fact("Repeat", f"{record.repeat}, seed {record.seed}")
    if gaps:
        yield Fact("No evidence at times", gaps)
    if header.use:
        yield Fact("Names on the bench", ", ".join(f"{a} is {b}" for a, b in header.use.items()))
    profile = header.profile
    if profile.given:
        given = given_pairs(record.given)
        yield Fact(
            "Values set for this run", f"{given}; digest of the file: {short_code(profile.file_sha256)}"
        )
    yield Fact("Profile digest", short_code(record.profile_sha256))
    yield Fact("Bench digest", short_code(record.bench_sha256))
    yield Fact("Versions", ", ".join(f"{name} {version}" for name, version in header.versions.items()))
    yield Fact("Signature", signing.said)


def _steps(
    state: LogState,
    told: Sequence[Finding],
    differing: Mapping[Key, Finding | None],
    judged: _Judged,
    ident: str,
) -> Iterator[ReportedStep]:
    keys = {finding.key for finding in told}
    gone = [found for key, found in differing.items() if found and key not in keys]
    for (number, name), group in groupby([*told, *gone], key=lambda f: (f.step, f.step_name)):
        title = {START: "Start state", None: "Through the whole run"}.get(number, f"{number} {name}")
        responses = []
        for finding in group:
            key = finding.key
            responses.append(
                _response(
                    finding,
                    ident,
                    _again(finding, differing[key]) if key in differing else "",
                    judged,
                )
            )
        done = (
            f"{_stimulus_said(event)} (at {event.t_s:.1f} s)"
            for event in state.rare
            if isinstance(event, StimulusApplied) and event.of is not None and event.of.step == number
        )
        yield ReportedStep(title, tuple(done), tuple(responses))


def _stimulus_said(event: StimulusApplied) -> str:
    if len(event.edges) != 1:
        return event.said
    return contact_words(event.output, closed=event.edges[0].closed)


def _again(finding: Finding, now: Finding | None) -> str:
    if now is None:
        return "judged again: the profile has no such response"
    if now is finding:
        return "the log holds no finding for this response"
    return f"judged again: {now.verdict}: {now.why}"


def _response(finding: Finding, run: str, again: str, judged: _Judged) -> ReportedResponse:
    chance = finding.conformance
    unit = "" if is_discrete(finding.unit) else finding.unit
    shown = finding.verdict == "inconclusive" and not finding.skipped
    result = judged.results.get(finding.key)
    asked = judged.required.get((finding.step, finding.number))
    return ReportedResponse(
        ident=response_ident(run, finding.key),
        place=f"{'A' if finding.step is None else finding.step}.{finding.number + 1}",
        named=asked.id if asked else "",
        requirements=tuple(asked.requirements) if asked else (),
        signal=finding.signal,
        demand=finding.demand,
        proves=finding.proves,
        verdict=str(Status.NOT_RUN if finding.skipped else finding.verdict),
        why=finding.why,
        took=took_text(finding),
        seen=span_text(finding.seen, unit) if unit else "–",
        margin=margin_text(finding),
        chance=f"{100 * chance:.0f} %" if chance is not None and shown else "",
        again=again,
        brief=brief(finding),
        by=finding.miss.by if finding.miss else 0.0,
        hollow=finding.hollow and finding.status is Status.PASS,
        used=used_of(finding, result),
        figure=judged.figures.get(finding.key),
    )
