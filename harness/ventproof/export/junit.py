"""Runs as JUnit XML, which CI servers show as tests: a suite a run, a test a response (pure).

The format has no standard; the elements and attributes used here are those that its readers agree on. A test has four
ways to end: it passed, `failure` (the unit failed), `error` (inconclusive or aborted), `skipped` (the run never came to
it). Of an aborted run nothing counts as passed. Servers show skipped tests as harmless: a run that is no pass has a
failure or an error beside them.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree

from ventproof.log.gaps import gaps_text
from ventproof.log.run import ABORTED, given_pairs
from ventproof.verdict.finding import Finding, Verdict
from ventproof.verdict.text import margin_text, response, took_text
from ventproof_bench.base.text import clean, one_line

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.log.run import RunRecord
    from ventproof.rejudge.batch import Batch, Logged
    from ventproof.runset.completeness import SetCheck


WHOLE_RUN: Final = "the whole run"
"""Name of the test that stands for a run without a verdict."""


THE_SET: Final = "the set of runs"
EVERY_RUN: Final = "every planned run is here, as it was left"
"""Name of the test that fails where that is not so."""


def junit(batch: Batch) -> str:
    """Return the runs as a JUnit XML document; what is planned and not here, and what is no log, are errors."""
    root = ElementTree.Element("testsuites", name="ventproof")
    _of_set(root, batch.whole)
    for logged, title in zip(batch.runs, batch.names, strict=True):
        _suite(root, logged, title)
    for lost in batch.lost:
        _missing(
            root, lost.log, "unreadable", f"this file is missing, and its content is unknown: {lost.reason}"
        )
    _count(root)
    root.set("time", f"{sum(logged.run.duration_s for logged in batch.runs):.3f}")
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _suite(root: ElementTree.Element, logged: Logged, title: str) -> None:
    run = logged.run
    suite = ElementTree.SubElement(root, "testsuite", name=one_line(title))
    if run.started is not None:
        suite.set("timestamp", run.started[:19])  # readers expect no zone
    suite.set("time", f"{run.duration_s:.3f}")
    properties = ElementTree.SubElement(suite, "properties")
    for name, value in _facts(logged):
        ElementTree.SubElement(properties, "property", name=name, value=one_line(value))
    taken: Counter[str] = Counter()
    for name, finding in _tests(run):
        taken[name] += 1
        unique = f"{name} ({taken[name]})" if taken[name] > 1 else name
        case = ElementTree.SubElement(suite, "testcase", classname=one_line(title), name=unique)
        _end(case, logged, finding)
    _count(suite)


def _of_set(root: ElementTree.Element, whole: SetCheck) -> None:
    """Add what there is to say of the set of logs, before any of them: an error for each run that is not here."""
    if whole.says:
        suite = ElementTree.SubElement(root, "testsuite", name=THE_SET)
        properties = ElementTree.SubElement(suite, "properties")
        for remark in whole.remarks:
            ElementTree.SubElement(properties, "property", name="remark", value=one_line(remark))
        if loud := [*whole.wrong, *whole.missing]:
            case = ElementTree.SubElement(suite, "testcase", classname=THE_SET, name=EVERY_RUN)
            ElementTree.SubElement(case, "error", type=whole.standing, message=one_line(" ".join(loud)))
        _count(suite)
    for profile in whole.absent:
        _missing(root, profile, "incomplete", "this run was planned and is not here")


def _missing(root: ElementTree.Element, name: str, kind: str, why: str) -> None:
    suite = ElementTree.SubElement(root, "testsuite", name=one_line(name))
    case = ElementTree.SubElement(suite, "testcase", classname=one_line(name), name=WHOLE_RUN)
    ElementTree.SubElement(case, "error", type=kind, message=one_line(why))
    _count(suite)


def _facts(logged: Logged) -> Iterator[tuple[str, str]]:
    run = logged.run
    yield from (("verdict", run.verdict), ("standing", logged.standing))
    yield from (("unit", run.unit), ("firmware", run.firmware), ("operator", run.operator))
    yield from (("bench", run.bench), ("decision", run.decision))
    yield "self-check", run.unmeasured or run.selfcheck_sha256
    yield from (("seed", str(run.seed)), ("repeat", str(run.repeat)), ("started", run.started or ""))
    yield from (("log", logged.log), ("digest", run.digest), ("ventproof", run.version))
    yield from (("profile digest", run.profile_sha256), ("bench digest", run.bench_sha256))
    if run.given:
        yield "values set", given_pairs(run.given)
    if run.faults:
        yield "faults of the mock", ", ".join(fault.text for fault in run.faults)
    if logged.gaps:
        yield "gaps", gaps_text(logged.gaps)


def _tests(run: RunRecord) -> Iterator[tuple[str, Finding | None]]:
    """Yield the tests of a run with their names; None stands for the whole run, when it has no verdict of its own.

    That is so when it was aborted, and when its log says other than pass though nothing that it came to did not pass.
    """
    bad = any(f.verdict is not Verdict.PASS and not f.skipped for f in run.findings)
    explained = bad or (run.verdict == "pass" and all(f.verdict is Verdict.PASS for f in run.findings))
    if run.verdict == ABORTED or not explained or not run.findings:
        yield WHOLE_RUN, None
    for finding in run.findings:
        if run.verdict != ABORTED or finding.verdict is not Verdict.PASS:
            yield one_line(f"{finding.step_name}: {response(finding)}"), finding


def _end(case: ElementTree.Element, logged: Logged, finding: Finding | None) -> None:
    """Say how a test ended; a response that passed gets no element for it."""
    if finding is None:
        run, standing = logged.run, logged.standing
        reason = one_line(run.reason) or "the log names no reason"
        told = ElementTree.SubElement(case, "error", type=standing, message=f"{standing}: {reason}")
        passed = [f for f in run.findings if f.verdict is Verdict.PASS]
        lines = [f"passed before: {f.step_name}: {response(f)}" for f in passed]
        told.text = clean("\n".join(lines)) or None
        return
    if finding.skipped:
        ElementTree.SubElement(case, "skipped", message=one_line(finding.why))
    elif finding.verdict is not Verdict.PASS:
        tag = "failure" if finding.verdict is Verdict.FAIL else "error"
        message = one_line(finding.why) or "the log names no reason"
        told = ElementTree.SubElement(case, tag, type=str(finding.verdict), message=message)
        told.text = one_line(f"took {took_text(finding)}; margin {margin_text(finding)}")
    elif finding.hollow:
        ElementTree.SubElement(case, "system-out").text = one_line(finding.why)


def _count(parent: ElementTree.Element) -> None:
    cases = list(parent.iter("testcase"))
    parent.set("tests", str(len(cases)))
    parent.set("failures", str(sum(case.find("failure") is not None for case in cases)))
    parent.set("errors", str(sum(case.find("error") is not None for case in cases)))
    parent.set("skipped", str(sum(case.find("skipped") is not None for case in cases)))
