"""Runs as a Markdown summary that fits a comment on a pull request (pure)."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Final

from ventproof.log.gaps import gaps_text, together
from ventproof.log.run import ABORTED, UNMEASURED, VIRTUAL, given_text
from ventproof.verdict.finding import Finding, Verdict
from ventproof.verdict.text import ended_text, margin_text, response, skipped, took_text
from ventproof_bench.base.text import one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from ventproof.log.run import RunRecord
    from ventproof.rejudge.batch import Batch, Logged
    from ventproof.runset.completeness import SetCheck


LONGEST: Final = 60_000
"""Characters that a summary may have; comments on common servers end a little above."""

_SIGN: Final = {"pass": "✅", "fail": "❌", "inconclusive": "❔"}
_NO_VERDICT: Final = "⛔"
_MARKUP: Final = re.compile(r"([\\`*_\[\]|~$])")
_BECOMES_A_LINK: Final = re.compile(r"(@|#|:(?=//)|www(?=\.))")
_LONGEST_TEXT: Final = 300


def escaped(text: str, longest: int = _LONGEST_TEXT) -> str:
    """Return text from a file or a unit so that a Markdown page shows it as it stands, in one line.

    What servers turn into links (addresses, mentions, numbers of issues) is broken by an empty comment.
    """
    plain = one_line(text)
    if len(plain) > longest:
        plain = plain[: longest - 1] + "…"
    safe = plain.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return _BECOMES_A_LINK.sub(r"\1<!-- -->", _MARKUP.sub(r"\\\1", safe))


def markdown(batch: Batch) -> str:
    """Return the summary: how all ended, what did not pass, and a table of the runs.

    What does not fit is left out from the end, and the summary says so.
    """
    named = list(zip(batch.runs, batch.names, strict=True))
    return fitted([*_head(batch), *_open(named), *_table(named)])


def fitted(lines: Sequence[str]) -> str:
    """Return lines as one summary; what does not fit is left out from the end, and the summary says so."""
    size, kept = 0, []
    for number, line in enumerate(lines):
        size += len(line) + 1
        if size > LONGEST:
            kept.append(f"\n{len(lines) - number} more lines do not fit; the logs hold everything.")
            break
        kept.append(line)
    return "\n".join(kept) + "\n"


def _head(batch: Batch) -> Iterator[str]:
    yield f"### {_signed('ventproof: ', batch.standing)}"
    yield ""
    yield from _of_set(batch.whole)
    yield f"{batch.counted}. {_tested(logged.run for logged in batch.runs)}"
    if virtual := sum(logged.run.clock == "virtual" for logged in batch.runs):
        yield ""
        yield f"{VIRTUAL} ({virtual} of {len(batch.runs)} runs)"
    if unmeasured := sum(bool(logged.run.unmeasured) for logged in batch.runs):
        yield ""
        yield f"{UNMEASURED[0].upper()}{UNMEASURED[1:]} ({unmeasured} of {len(batch.runs)} runs)."
    for given, count in Counter(logged.run.given for logged in batch.runs).items():
        if given:
            yield ""
            yield f"**{escaped(given_text(given))}** ({count} of {len(batch.runs)} runs)."
    for faults, count in Counter(logged.run.faults for logged in batch.runs).items():
        if faults:
            yield ""
            named = escaped(", ".join(fault.text for fault in faults))
            yield f"**The mock unit had faults: {named}** ({count} of {len(batch.runs)} runs)."
    if gaps := together(logged.gaps for logged in batch.runs):
        yield ""
        yield f"No evidence at times: {escaped(gaps_text(gaps))}."
    for lost in batch.lost:
        yield ""
        yield f"**Missing**, content unknown: {escaped(lost.log)}: {escaped(lost.reason)}."


def _of_set(whole: SetCheck) -> Iterator[str]:
    """Yield what there is to say of the set of logs, before any of them is counted."""
    for sentence in whole.says:
        loud = "" if sentence in whole.remarks else "**"
        yield f"{loud}{escaped(sentence)}{loud}"
        yield ""


def sign_of(standing: str) -> str:
    """Return the sign of how something stands."""
    return _SIGN.get(standing, _NO_VERDICT)


def _signed(before: str, standing: str) -> str:
    return f"{sign_of(standing)} {before}{standing}"


def _tested(runs: Iterable[RunRecord]) -> str:
    """Say what was tested on what; of several kinds each is named."""
    kinds = dict.fromkeys((run.unit, run.firmware, run.bench) for run in runs)
    told = [
        f"Unit {escaped(unit) or 'not stated'}, firmware {escaped(firmware) or 'not stated'}, bench {escaped(bench)}."
        for unit, firmware, bench in kinds
    ]
    return told[0] if len(told) == 1 else " ".join(("**Not all of one kind:**", *told))


def _table(named: Sequence[tuple[Logged, str]]) -> Iterator[str]:
    yield ""
    yield "| profile | verdict | responses | digest |"
    yield "|---|---|---|---|"
    for logged, name in sorted(named, key=lambda one: one[0].run.verdict == "pass"):
        run = logged.run
        ended = _signed("", logged.standing)
        yield f"| {escaped(name)} | {ended} | {_share(run)} | `{run.digest[:16]}` |"


def _share(run: RunRecord) -> str:
    """Return how many responses passed; of a run without a verdict never as a share of all, which nobody knows."""
    if run.verdict == ABORTED:
        return ended_text(run.findings) or "none judged"
    passed = sum(finding.verdict is Verdict.PASS for finding in run.findings)
    return f"{passed} of {len(run.findings)} passed"


def _open(named: Sequence[tuple[Logged, str]]) -> Iterator[str]:
    """Yield what did not pass, or shows nothing, and why."""
    for logged, name in named:
        run = logged.run
        told = [f for f in run.findings if f.explained]
        if run.verdict == "pass" and not told:
            continue
        yield ""
        yield f"#### {_SIGN.get(run.verdict, _NO_VERDICT)} {escaped(name)}"
        if run.reason:
            yield f"- **{logged.standing}**: {escaped(run.reason)}"
        yield from _findings(told)
        yield f"- log {escaped(logged.log)}"


def _findings(findings: Sequence[Finding]) -> Iterator[str]:
    for finding in findings:
        if not finding.skipped:
            figures = f"took {took_text(finding)}, margin {margin_text(finding)}"
            where = escaped(f"{finding.step_name}: {response(finding)}")
            yield f"- **{finding.verdict}**: {where} ({escaped(figures)}). {escaped(finding.why)}"
    for reason, count in skipped(findings).items():
        yield f"- {count} more responses were {reason.text}"
