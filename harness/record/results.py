"""What a log holds of one run, as plain typed data: what comparisons, trends and the history are made from (pure)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, final

from bench.errors import FileError, Problem
from bench.samples import Window
from harness.judge.verdict import Bounds, Verdict
from harness.run.text import NOT_RUN

if TYPE_CHECKING:
    from harness.record.read import LogState

ABORTED: Final = "aborted"
"""What stands in the place of a verdict when a run has none."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRecord:
    """One response of a run, and what was found.

    Attributes:
        step: number of its step, the start state being 0; None for an `always`.
        step_name: what the profile calls the step.
        number: 0-based place among the responses of its step.
        signal: the signal, as the profile names it.
        unit: the signal's unit; `flag`, `state` or `count` where it has none.
        kind: the profile's word for the kind of response (`reaches`, `stays_above`, …), `always` for an invariant;
            empty in logs that do not tell.
        demand: what was demanded, as one line.
        verdict: pass, fail or inconclusive.
        why: the verdict's reason.
        margin: worst and best margin that the evidence allows, in the signal's unit (`moves_at`: per second).
        slack_s: seconds left before the limit, worst and best.
        response_s: the window that holds the response time, s after the stimulus; None when it did not surely respond.
        seen: lowest and highest value that the evidence allows while it was judged, in the signal's unit.
        stood: the signal's last reading in its step, in its unit; None when there is none, or for an `always`.
        conformance: probability that the demand was met, all that the readings leave being equally likely.
        proves: what the profile says that it proves.
    """

    step: int | None
    step_name: str
    number: int
    signal: str
    unit: str
    kind: str
    demand: str
    verdict: Verdict
    why: str
    margin: Bounds | None
    slack_s: Bounds | None
    response_s: Window | None
    seen: Bounds | None
    stood: float | None
    conformance: float | None
    proves: str

    @property
    def identity(self) -> tuple[str, str, str, int]:
        """Return what makes it the same response in another run of the profile: step, signal, kind, place."""
        return self.step_name, self.signal, self.kind, self.number


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
    findings: tuple[FindingRecord, ...]


def results_of(state: LogState, name: str = "the log") -> RunRecord:
    """Return what a log holds of its run. Nothing is judged again.

    Args:
        state: the log, read.
        name: how errors call it.

    Raises:
        FileError: it is no log of a run, or its events are not what ventproof writes.
    """
    header = state.events[0]
    if header["event"] != "run_begin" or "profile" not in header:
        raise FileError(
            [Problem(name, 1, None, "it holds no run of a profile", "name logs of `ventproof run`")]
        )
    try:
        return _record(state, header)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
        reason = f"its events are not what ventproof writes ({type(error).__name__}: {error})"
        raise FileError([Problem(name, None, None, reason)]) from error


def trouble(record: RunRecord, most: int = 3) -> list[str]:
    """Return why a run did not pass: its reason, then responses that did not, at most so many; fails come first."""
    bad = [f for f in record.findings if f.verdict is not Verdict.PASS and not f.why.startswith(NOT_RUN)]
    worst = sorted(bad, key=lambda finding: finding.verdict is not Verdict.FAIL)[:most]
    said = [f"{f.verdict}: {f.step_name}: {f.signal} {f.demand}: {f.why}" for f in worst]
    return [record.reason, *said] if record.reason else said


def _record(state: LogState, header: Mapping[str, Any]) -> RunRecord:
    findings = tuple(_findings(state, header["use"]))
    reason = _why_aborted(state) or _why_unbelievable(state.outcome, findings)
    return RunRecord(
        digest=state.digest,
        lines=state.lines,
        closed=state.closed,
        verdict=ABORTED if reason else state.outcome,
        reason=reason,
        profile=str(header["profile"]["name"]),
        profile_sha256=str(header["profile"]["sha256"]),
        bench=str(header["bench"]["name"]),
        bench_sha256=str(header["bench"]["sha256"]),
        unit=str(header["unit"]),
        firmware=str(header["firmware"]),
        operator=str(header["operator"]),
        started=None if header["started"] is None else _utc(header["started"]),
        clock=str(header["clock"]),
        decision=str(header["decision"]),
        repeat=int(header["repeat"]),
        seed=int(header["seed"]),
        duration_s=float(state.events[-1]["t"]),
        selfcheck_sha256=str((header.get("selfcheck") or {}).get("sha256", "")),
        version=str(header["versions"]["ventproof"]),
        findings=findings,
    )


def _utc(text: str) -> str:
    moment = dt.datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} names no time zone")
    return moment.astimezone(dt.UTC).isoformat()


def _why_aborted(state: LogState) -> str:
    if state.broken_at is not None:
        return f"line {state.broken_at} breaks the chain: {state.reason}"
    if not state.closed:
        return "the closing line is missing: the run died, goes on, or the log was cut"
    return str(state.events[-1].get("aborted", "")) if state.outcome == ABORTED else ""


def _why_unbelievable(outcome: str, findings: Sequence[FindingRecord]) -> str:
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


def _findings(state: LogState, use: Mapping[str, str]) -> Iterator[FindingRecord]:
    """Yield the findings; a reading counts to the step that went on when it came."""
    last: dict[str, float] = {}
    at_end: dict[int, Mapping[str, float]] = {}
    for event in state.events:
        match event["event"]:
            case "poll":
                last.update(event["values"])
            case "step_begin":
                last.clear()
            case "step_end":
                at_end[event["step"]] = dict(last)
            case "finding":
                stood = at_end.get(event["step"], {}).get(use.get(event["signal"], event["signal"]))
                yield _finding(event, stood)


def _finding(event: Mapping[str, Any], stood: float | None) -> FindingRecord:
    response = _bounds(event["response"])
    return FindingRecord(
        step=None if event["step"] is None else int(event["step"]),
        step_name=str(event["in"]),
        number=int(event["number"]),
        signal=str(event["signal"]),
        unit=str(event["unit"]),
        kind=str(event.get("kind", "")),
        demand=str(event["demand"]),
        verdict=Verdict(event["verdict"]),
        why=str(event["why"]),
        margin=_bounds(event["margin"]),
        slack_s=_bounds(event["slack"]),
        response_s=None if response is None else Window(*response),
        seen=_bounds(event["seen"]),
        stood=None if stood is None else float(stood),
        conformance=None if event["conformance"] is None else float(event["conformance"]),
        proves=str(event["proves"]),
    )


def _bounds(pair: list[float] | None) -> Bounds | None:
    if pair is None:
        return None
    low, high = map(float, pair)
    if not low <= high:
        raise ValueError(f"{low} to {high} is no span")
    return Bounds(low, high)
