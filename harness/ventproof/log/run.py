"""What a log holds of one run, as plain typed data: what comparisons, trends and the history are made from (pure)."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING, Final, final

from ventproof.log.events import FindingMade, RunEnd
from ventproof.log.plan import PlannedRun
from ventproof.log.read import header_of
from ventproof.verdict.brief import brief
from ventproof.verdict.finding import WORST_FIRST, Finding, Verdict
from ventproof_bench.mock.faults.fault import GivenFault, faults_in
from ventproof_bench.yamlfile.tree import data_in

if TYPE_CHECKING:
    from ventproof.log.read import LogState


ABORTED: Final = "aborted"
"""What stands in the place of a verdict when a run has none."""

VIRTUAL: Final = "Run in virtual time against the software mock: no evidence about a real unit."
UNMEASURED: Final = (
    "no self-check stands behind this run: the bench's declared facts are as stated, not measured"
)
"""What is said of a run on real wires whose bench nobody measured."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """One run, as its log tells it.

    Attributes:
        digest: digest of the log's last intact line; it stands for the whole log.
        lines: lines of the intact part.
        closed: whether the closing line is there and the chain intact.
        verdict: `pass`, `fail`, `inconclusive` or `aborted`; aborted too where the findings do not bear out the log's.
        reason: why it has no verdict; empty when it has one.
        profile: the profile's name.
        profile_sha256: digest of the profile's text.
        bench: the bench file's name.
        bench_sha256: digest of the bench file's text.
        unit: serial number of the unit under test.
        firmware: its firmware version.
        operator: who ran the test.
        started: date and time in ISO 8601, UTC; None for a run in virtual time, which has none.
        clock: `virtual` or `wall`.
        decision: the rule of decision, `guarded` or `simple`.
        repeat: which repeat it was, from 1.
        seed: of what is random on a virtual bench.
        duration_s: log time of the last line.
        selfcheck_sha256: digest of the self-check that stood behind it; empty without one.
        version: of the ventproof that ran it.
        findings: its responses, in the log's order.
        place: its place in the plan of the command that ran it; None where its log is older than plans.
        given: names and values that were given in place of the profile's, as its log says; a history does not.
        faults: those that the bench file gives the mock unit, by name; None where nobody knows, the bench file being
            none that can be read, or the history older than this column.
    """

    digest: str
    lines: int
    closed: bool
    verdict: str
    reason: str
    profile: str
    profile_sha256: str
    bench: str
    bench_sha256: str
    unit: str
    firmware: str
    operator: str
    started: str | None
    clock: str
    decision: str
    repeat: int
    seed: int
    duration_s: float
    selfcheck_sha256: str
    version: str
    findings: tuple[Finding, ...]
    place: PlannedRun | None = None
    given: tuple[tuple[str, str], ...] = ()
    faults: tuple[GivenFault, ...] | None = ()

    @property
    def failed(self) -> bool:
        """Whether a response failed, whatever became of the run."""
        return any(finding.verdict is Verdict.FAIL for finding in self.findings)

    @property
    def unmeasured(self) -> str:
        """That nobody measured its bench; empty where a self-check did, and of a mock, which is as its file says."""
        return "" if self.selfcheck_sha256 or self.clock == "virtual" else UNMEASURED


def given_pairs(given: Sequence[tuple[str, str]]) -> str:
    """Return which values were given in place of a profile's: `release_delay = 20 min`."""
    return ", ".join(f"{name} = {value}" for name, value in given)


def given_text(given: Sequence[tuple[str, str]]) -> str:
    """Return the same in a sentence."""
    return f"Values of the profile were set for the run: {given_pairs(given)}"


def results_of(state: LogState, name: str = "the log") -> RunRecord:
    """Return what a log holds of its run. Nothing is judged again.

    Args:
        state: the log, read.
        name: how errors call it.

    Raises:
        FileError: it is no log of a run.
    """
    header = header_of(state, name, "name logs of `ventproof run`")
    findings = with_last_readings(state, (e.finding for e in state.rare if isinstance(e, FindingMade)))
    reason = _why_aborted(state) or _why_unbelievable(state.outcome, findings)
    return RunRecord(
        digest=state.digest,
        lines=state.lines,
        closed=state.closed,
        verdict=ABORTED if reason else state.outcome,
        reason=reason,
        profile=header.profile.name,
        profile_sha256=header.profile.sha256,
        given=tuple(header.profile.given.items()),
        bench=header.bench.name,
        bench_sha256=header.bench.sha256,
        unit=header.unit,
        firmware=header.firmware,
        operator=header.operator,
        started=header.started and dt.datetime.fromisoformat(header.started).astimezone(dt.UTC).isoformat(),
        clock=header.clock,
        decision=header.decision,
        repeat=header.repeat,
        seed=header.seed,
        duration_s=float(state.events[-1].t_s),
        selfcheck_sha256=header.selfcheck.sha256 if header.selfcheck else "",
        version=header.versions["ventproof"],
        findings=findings,
        place=header.place,
        faults=_faults_in(header.bench.text) if header.clock == "virtual" else (),
    )


@lru_cache(maxsize=32)
def _faults_in(bench: str) -> tuple[GivenFault, ...] | None:
    """Return the faults that the text of a bench file gives the mock; the runs of a set share it."""
    held = data_in(bench)
    for key in ("mock", "faults"):
        held = held.get(key, {}) if isinstance(held, dict) else None
    return faults_in(held)


def bench_but_faults(bench: str) -> str:
    """Return a digest of what the text of a bench file says but for the faults of the mock; empty of no such text."""
    held = data_in(bench)
    if not isinstance(held, dict):
        return ""
    mock = held.get("mock")
    if isinstance(mock, dict):
        held = held | {"mock": {key: value for key, value in mock.items() if key != "faults"}}
    return sha256(json.dumps(held, sort_keys=True, default=str).encode()).hexdigest()


def evidence_key(run: RunRecord) -> Hashable:
    """Return what two runs share that are one piece of evidence.

    In virtual time the same seed gives the same run again, which is no further evidence; only another seed is.
    """
    if run.clock != "virtual":
        return run.digest, run.verdict
    return (
        run.profile_sha256,
        run.bench_sha256,
        run.unit,
        run.firmware,
        run.seed,
        run.verdict,
        run.version,
    )


def trouble(record: RunRecord, most: int = 3) -> list[str]:
    """Return why a run did not pass: its reason, then responses that did not, at most so many, the worst first.

    Those that passed and show nothing come last.
    """
    bad = [f for f in record.findings if f.explained and not f.skipped]
    worst = sorted(bad, key=lambda finding: WORST_FIRST.index(finding.verdict))[:most]
    said = [f"{f.verdict}: {f.step_name}: {f.signal} {f.demand}: {f.why}" for f in worst]
    return [record.reason, *said] if record.reason else said


def reason_text(record: RunRecord) -> str:
    """Return why a run has no verdict, and what had failed in it all the same; empty where it has one."""
    failed = dict.fromkeys(brief(finding) for finding in record.findings if finding.verdict is Verdict.FAIL)
    if not record.reason or not failed:
        return record.reason
    return f"{record.reason.removesuffix('.')}; failed: {'; '.join(failed)}"


def _why_aborted(state: LogState) -> str:
    if state.broken_at is not None:
        return f"line {state.broken_at} breaks the chain: {state.reason}"
    if not state.closed:
        return "the closing line is missing: the run died, goes on, or the log was cut"
    match state.events[-1]:
        case RunEnd(verdict=None, abort=abort):
            return abort.text if abort else ""
        case _:
            return ""


def _why_unbelievable(outcome: str, findings: Sequence[Finding]) -> str:
    """Return why a verdict is not borne out by the findings in the same log; empty if it is, or if there is none."""
    if outcome == ABORTED:
        return ""
    found = {finding.verdict for finding in findings}
    if outcome == "pass" and found != {Verdict.PASS}:
        told = "not all of its findings do" if found else "it holds no finding"
        return f"the closing line says pass, and {told}: ventproof writes no such log"
    if outcome == "fail" and Verdict.FAIL not in found:
        return "the closing line says fail, and none of its findings does: ventproof writes no such log"
    return ""


def with_last_readings(state: LogState, findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings of a log's run with the last reading of the step that each belongs to."""
    use, at_end = header_of(state).use, state.told.at_end

    def stood(finding: Finding) -> float | None:
        values = {} if finding.step is None else at_end.get(finding.step, {})
        value = values.get(use.get(finding.signal, finding.signal))
        return None if value is None else float(value)

    return tuple(replace(finding, stood=stood(finding)) for finding in findings)
