"""What an acceptance adds to a report: data of the test with blanks to fill in, deviations, who signs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from ventproof.papers.waivers import ACCEPTED, WaivableRun, Waived, read_waivers, waived
from ventproof.report.model import Chapter, ReportedDeviation, ReportedPaper, ReportedTable, short_code
from ventproof.report.requirements import MEANINGS, required_of, traces_of
from ventproof_bench.base.clock import local_now
from ventproof_bench.base.errors import FileError

if TYPE_CHECKING:
    from ventproof.log.events import Header, PinnedText
    from ventproof.papers.fingerprint import FoundSettings, SettingsBefore
    from ventproof.papers.waivers import WaiverSpec
    from ventproof.verdict.finding import Finding, Key


BLANKS: Final = ("document", "order", "customer", "site", "hardware", "witness", "air")
"""Data of the test, by their names in `Chapter.identity`, that are filled in by hand where no run states them."""

_HEADING: Final = {"document": "document {}", "order": "order {}", "customer": "for {}", "site": "{}"}
_AGAIN: Final = "Judged again, the evidence says the same."


def response_ident(run: str, key: Key) -> str:
    """Return what links to a response point to, given what those to its run do."""
    step, number, _ = key
    return f"{run}-{'always' if step is None else step}-{number}"


def paper_of(
    chapters: Sequence[Chapter], of_waivers: Sequence[str], before: SettingsBefore | None
) -> ReportedPaper:
    """Return what makes the report of some runs the paper of an acceptance.

    Args:
        chapters: the runs.
        of_waivers: what is to be said of waivers that are over or that none of them needs.
        before: the last run of the unit before them; None where none is known.
    """
    identities = [chapter.identity for chapter in chapters]
    deviations = [one for chapter in chapters for one in chapter.deviations]
    return ReportedPaper(
        formal=any(identity["acceptance"] for identity in identities),
        heading=heading_of(identities),
        meanings=MEANINGS,
        tests=required_of(chapters),
        traces=traces_of(chapters),
        deviations=deviation_table(deviations) if deviations else None,
        of_waivers=tuple(of_waivers),
        settings=_settings_table(chapters, before),
        changed=tuple(_changed(chapters, before)),
        signers=signers_of(identities),
    )


def _settings_table(chapters: Sequence[Chapter], before: SettingsBefore | None) -> ReportedTable:
    """Return the settings of the unit with all values that the runs found, and that of the last run before."""
    every = _read(chapters)
    names = dict.fromkeys(name for found in every for name in (*found.values, *found.unread))
    earlier = before.told if before else None
    rows = tuple(
        (
            name,
            "; ".join(dict.fromkeys(found.said(name) for found in every)),
            *([earlier.said(name)] if earlier else []),
        )
        for name in names
    )
    digests = dict.fromkeys(short_code(found.sha256) for found in every if found.sha256)
    note = f"Digest of the registers that were read: {'; '.join(digests) or 'none, nothing was read'}."
    if not rows:
        note = "Settings not read. A bench file declares settings as outputs of `kind: register`."
    elif before and not earlier:
        note += (
            f" The log of the last run, {before.run}, is not here, or tells no settings: nothing is compared."
        )
    head = ("setting", "found", *([f"last run before, {before.run}"] if before and earlier else []))
    return ReportedTable("Settings of the unit", head, rows, note)


def _read(chapters: Sequence[Chapter]) -> list[FoundSettings]:
    """Return the settings of the runs that came so far as to look at them."""
    return [chapter.settings for chapter in chapters if chapter.settings.words or chapter.settings.unread]


def _changed(chapters: Sequence[Chapter], before: SettingsBefore | None) -> Iterator[str]:
    """Yield what settings differ between the runs, and from the last run before."""
    every = _read(chapters)
    between = dict.fromkeys(said for found in every[1:] for said in found.differing(every[0]))
    if between:
        yield f"Settings of the unit differ between these runs: {'; '.join(between)}."
    earlier = before.told if before else None
    if before and earlier and every and (since := [*every[0].differing(earlier)]):
        yield f"Settings of the unit changed since its last run before, {before.run}: {'; '.join(since)}."


def heading_of(identities: Sequence[Mapping[str, str]]) -> str:
    """Return what the report calls itself: the test, and for whom it is, as far as all runs agree."""
    kind = _agreed(identities, "acceptance")
    if not kind:
        return "Override test report"
    told = ((how, _agreed(identities, name)) for name, how in _HEADING.items())
    return ", ".join([f"{kind} report", *(how.format(value) for how, value in told if value)])


def _agreed(identities: Sequence[Mapping[str, str]], name: str) -> str:
    values = {identity[name] for identity in identities}
    return values.pop() if len(values) == 1 else ""


def blank_or(identities: Sequence[Mapping[str, str]], name: str) -> str:
    """Return what runs state of one of `BLANKS`; empty where none of them states it."""
    values = dict.fromkeys(identity[name] for identity in identities)
    return "; ".join(value or "not stated" for value in values) if any(values) else ""


def signers_of(identities: Sequence[Mapping[str, str]]) -> tuple[str, ...]:
    """Return what stands below each line to sign on."""
    witness = _agreed(identities, "witness")
    second = f"Witnessed by: {witness}, date, signature" if witness else "Checked by: name, date, signature"
    return "Tested by: name, date, signature", second, "Accepted by: name, date, signature"


def differing_papers(identities: Sequence[Mapping[str, str]]) -> Iterator[str]:
    """Yield that the runs were made for different acceptances."""
    told = {tuple(identity[name] for name in ("acceptance", *BLANKS)) for identity in identities}
    if len(told) > 1:
        yield f"The runs of this report name {len(told)} different sets of acceptance data."


@final
@dataclass(frozen=True, slots=True)
class Waiving:
    """Which known fails a report accepts.

    Attributes:
        given: the waivers file that the report was given; None: each run has the one that its log pins.
        today: the day that counts for runs in virtual time, which have no date.
    """

    given: PinnedText | None
    today: dt.date

    def file(self, header: Header) -> PinnedText | None:
        """Return the waivers file that counts for a run."""
        return self.given or header.waivers

    def of(self, header: Header) -> tuple[WaiverSpec, ...]:
        """Return the waivers of a run; those in a log that cannot be read accept nothing."""
        file = self.file(header)
        try:
            return tuple(read_waivers(file.name, file.text).model.waivers) if file else ()
        except FileError:
            return ()

    def made(
        self,
        header: Header,
        findings: Sequence[Finding],
        named: Mapping[tuple[int | None, int], Sequence[str]],
    ) -> Waived:
        """Return what they make of the findings of a run, whose responses name requirements by step and place."""
        day = dt.datetime.fromisoformat(header.started).date() if header.started else self.today
        run = WaivableRun(header.profile.name, header.unit, header.firmware, day, named)
        return waived(self.of(header), run, findings)


def waiving_today(given: PinnedText | None = None) -> Waiving:
    """Return what a report that is made today accepts."""
    return Waiving(given, local_now().date())


def deviating(
    chapter: Chapter,
    findings: Sequence[Finding],
    made: Waived,
    file: PinnedText | None,
    pinned: PinnedText | None,
) -> Chapter:
    """Return the chapter of a run with its accepted deviations; only a fail that is believed can be one.

    Args:
        chapter: what is said of the run.
        findings: as its log holds them.
        made: what waivers make of these.
        file: that holds the waivers; None where there is none.
        pinned: the waivers that the run was made with; None where there were none.
    """
    if file is not None:
        said = f"{file.name}, digest {short_code(file.sha256)}"
        if pinned is not None and pinned.sha256 != file.sha256:
            said += f"; the run was made with others: {pinned.name}, digest {short_code(pinned.sha256)}"
        chapter = replace(chapter, identity={**chapter.identity, "waivers": said})
    if chapter.standing != "fail":
        return chapter
    accepted = {response_ident(chapter.ident, key) for key in made.accepted}
    steps = tuple(
        replace(
            step,
            responses=tuple(
                replace(one, verdict=ACCEPTED) if one.ident in accepted else one for one in step.responses
            ),
        )
        for step in chapter.steps
    )
    standing = made.result(findings)
    told = tuple(_deviations(chapter, made))
    tables = (*chapter.tables, *([deviation_table(told)] if told else []))
    says = _SAYS.get(standing, chapter.says)
    return replace(chapter, standing=standing, says=says, steps=steps, deviations=told, tables=tables)


_SAYS: Final = {
    ACCEPTED: f"Every response that failed is an accepted deviation. This is not a pass. {_AGAIN}",
    "inconclusive": (
        "Every response that failed is an accepted deviation, and others are not decided or were not run. "
        f"This is not a pass. {_AGAIN}"
    ),
}


def _deviations(chapter: Chapter, made: Waived) -> Iterator[ReportedDeviation]:
    responses = {one.ident: (step.name, one) for step in chapter.steps for one in step.responses}
    told = [(key, waiver, "") for key, waiver in made.accepted.items()]
    told += [(key, waiver, why) for key, (waiver, why) in made.refused.items()]
    for key, waiver, refused in told:
        ident = response_ident(chapter.ident, key)
        step, response = responses[ident]
        yield ReportedDeviation(
            ident=ident,
            run=chapter.ident,
            waiver=waiver.id,
            response=f"{chapter.profile}: {step}: {response.signal} {response.demand}",
            reason=waiver.reason,
            disposition=f"{waiver.disposition} ({waiver.owner})",
            approved=waiver.approved_by,
            retest_by=f"{waiver.retest_by}",
            state=f"FAIL: the waiver {refused}" if refused else ACCEPTED,
        )


def deviation_table(deviations: Sequence[ReportedDeviation]) -> ReportedTable:
    """Return deviations as a table: those that still count as fails first."""
    head = ("waiver", "counts as", "response", "reason", "disposition (owner)", "approved by", "retest by")
    ordered = sorted(deviations, key=lambda one: one.state == ACCEPTED)
    rows = tuple(
        (one.waiver, one.state, one.response, one.reason, one.disposition, one.approved, one.retest_by)
        for one in ordered
    )
    note = "An accepted deviation is a response that failed. It is not a pass."
    return ReportedTable("Fails that waivers cover", head, rows, note)
