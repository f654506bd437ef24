"""The waivers file: which known fails are accepted, why, by whom and until when. A waived fail is never a pass."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final, Self, final

from pydantic import Field, model_validator

from ventproof.log.events import PinnedText
from ventproof.verdict.finding import Status
from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import canonical_symbol
from ventproof_bench.yamlfile.fields import AnyQuantity, Day, FileModel, Line
from ventproof_bench.yamlfile.load import Loaded, checked_document, load_checked

if TYPE_CHECKING:
    from ventproof.verdict.finding import Finding, Key
    from ventproof_bench.base.errors import Problem


ACCEPTED: Final = "accepted deviation"
"""What a waived fail is called, and a run of which nothing else failed or stayed open."""


class WaiverSpec(FileModel):
    """One known fail that is accepted."""

    id: Line
    """What reports and people call it, such as W-01; each waiver has its own."""
    requirement: Line | None = None
    """A requirement that responses name; the waiver is for each of these, in any profile unless stated."""
    profile: Line | None = None
    """Name of the profile, as its first line states it."""
    step: Line | None = None
    """Name of the step, `start` for the start state, `always` for what must always hold; any step unless stated."""
    response: Line | None = None
    """The signal and the kind of the response, such as `roof_vent reaches`; `roof_vent always` is what must always
    hold. A signal may fail in several ways, and each is accepted by itself."""
    margin_at_least: AnyQuantity | None = None
    """Worst margin that is accepted, in the signal's unit, such as -3 %, or in seconds to its deadline, such as -2 s. A
    fail by more, or by an unknown margin, is not accepted. Any fail of the response is accepted unless stated."""
    unit: Line | None = None
    """Serial number of the unit that it is for; every unit unless stated."""
    firmware: Line | None = None
    """Firmware version that it is for; every version unless stated."""
    reason: Line
    """Why the unit fails, and why this can be accepted."""
    disposition: Line
    """What is done about it, such as "use as is" or "correct in the next version"."""
    owner: Line
    """Who sees to that."""
    approved_by: Line
    """Who accepted it."""
    retest_by: Day
    """Last day on which it holds. For later runs the fail counts as a fail again."""

    @model_validator(mode="after")
    def _says_which_response(self) -> Self:
        if self.requirement is None and (self.profile is None or self.response is None):
            hint = "write `profile` and `response`, or `requirement`"
            raise Refusal("the waiver does not say which response it is for", hint)
        if self.response is not None and len(self.response.split()) != 2:  # noqa: PLR2004 - a signal and a kind
            reason = f"{self.response!r} is not a signal with a kind of response"
            raise Refusal(reason, "write both, such as `roof_vent reaches`", key="response")
        return self

    def covers(self, run: WaivableRun, finding: Finding) -> bool:
        """Return whether it is for a response of a run, however that ended."""
        signal, kind = self.response.split() if self.response else (finding.signal, finding.kind)
        named = run.requirements.get((finding.step, finding.number), ())
        step = {0: "start", None: "always"}.get(finding.step, finding.step_name)
        return (
            signal == finding.signal
            and (self.requirement is None or self.requirement in named)
            and self.profile in {None, run.profile}
            and kind == finding.kind
            and self.step in {None, step, finding.step_name}
            and self.unit in {None, run.unit}
            and self.firmware in {None, run.firmware}
        )

    def refused(self, run: WaivableRun, finding: Finding) -> str:
        """Return why it does not accept a fail that it covers; empty where it does."""
        if run.day > self.retest_by:
            return f"expired on {self.retest_by}"
        least = self.margin_at_least
        if least is None:
            return ""
        unit = canonical_symbol(least.dimension)
        if unit not in {finding.unit, "s"}:
            return f"accepts a margin in {unit}, and {finding.signal} is in {finding.unit}"
        margin = finding.margin if unit == finding.unit else finding.slack_s
        if margin is None:
            return f"accepts a margin of {least.text}, and no margin in {unit} is known"
        return f"accepts a margin of {least.text} at worst" if margin.low < least.value else ""


class WaiversFile(FileModel):
    """Known fails that are accepted. Inconclusive and aborted runs cannot be waived."""

    waivers: Annotated[list[WaiverSpec], Field(min_length=1, max_length=1000)]
    """The waivers, each for one response of one profile."""


Waivers = Loaded[WaiversFile]


@final
@dataclass(frozen=True, slots=True)
class WaivableRun:
    """What a waiver asks of a run.

    Attributes:
        profile: the profile's name.
        unit: serial number of the unit.
        firmware: its firmware version.
        day: on which it was made; of a run in virtual time, which has none, today.
        requirements: those that its responses name, by step and place.
    """

    profile: str
    unit: str
    firmware: str
    day: dt.date
    requirements: Mapping[tuple[int | None, int], Sequence[str]] = field(default_factory=dict)


@final
@dataclass(frozen=True, slots=True)
class Waived:
    """What waivers make of the findings of a run.

    Attributes:
        accepted: the waiver of each fail that is accepted.
        refused: for each fail that a waiver covers and none accepts: the waiver, and why it does not.
        passed: ids of the waivers that cover a response of the run which passed.
        open: ids of those that cover one that did not pass.
        undecided: what they cover that is inconclusive or was not run, each with its waiver in a sentence.
    """

    accepted: Mapping[Key, WaiverSpec]
    refused: Mapping[Key, tuple[WaiverSpec, str]]
    passed: frozenset[str]
    open: frozenset[str]
    undecided: tuple[str, ...] = ()

    def result(self, findings: Iterable[Finding]) -> str:
        """Return how the run ended: `fail`, `inconclusive`, `pass`, or `ACCEPTED` where all fails are accepted.

        What is inconclusive or was not run stays so: a waiver accepts what was seen and never what was not.
        """
        left = {finding.verdict for finding in findings if finding.key not in self.accepted}
        worst = next((word for word in ("fail", "inconclusive") if word in left), "pass")
        return ACCEPTED if worst == "pass" and self.accepted else worst


NONE_WAIVED: Final = Waived({}, {}, frozenset(), frozenset())


def waived(waivers: Sequence[WaiverSpec], run: WaivableRun, findings: Iterable[Finding]) -> Waived:
    """Return what waivers make of the findings of a run; the first that accepts a fail counts.

    Args:
        waivers: the waivers.
        run: of what they must be.
        findings: what was found.
    """
    accepted: dict[Key, WaiverSpec] = {}
    refused: dict[Key, tuple[WaiverSpec, str]] = {}
    others: dict[bool, set[str]] = {True: set(), False: set()}
    undecided: list[str] = []
    for finding in findings:
        for waiver in (one for one in waivers if one.covers(run, finding)):
            others[finding.status is Status.PASS].add(waiver.id)
            if how := _UNDECIDED.get(finding.status):
                place = f"{run.profile}: {finding.step_name}: {finding.signal} {finding.kind}"
                undecided.append(f"waiver {waiver.id} accepts a fail alone, and {place} {how}")
            if finding.status is not Status.FAIL:
                continue
            if reason := waiver.refused(run, finding):
                refused.setdefault(finding.key, (waiver, reason))
            else:
                accepted.setdefault(finding.key, waiver)
    refused = {key: told for key, told in refused.items() if key not in accepted}
    return Waived(accepted, refused, frozenset(others[True]), frozenset(others[False]), tuple(undecided))


_UNDECIDED: Final = {Status.INCONCLUSIVE: "is inconclusive", Status.NOT_RUN: "was not run"}


def not_waivable(runs: Iterable[Waived]) -> Iterator[str]:
    """Yield a sentence for each response that a waiver covers and that is inconclusive or was not run."""
    for said, many in Counter(line for run in runs for line in run.undecided).items():
        yield f"{said} in {many} runs" if many > 1 else said


def too_broad(runs: Sequence[Waived]) -> Iterator[str]:
    """Yield a sentence for each waiver that accepts several fails of one run: it was written for one."""
    most: Counter[str] = Counter()
    for run in runs:
        most |= Counter(one.id for one in run.accepted.values())
    for waiver, many in most.items():
        if many > 1:
            yield f"waiver {waiver} accepts {many} fails in one run; state its step, or write a waiver for each"


def unneeded(waivers: Sequence[WaiverSpec], runs: Sequence[Waived]) -> Iterator[str]:
    """Yield a sentence on the waivers that cover nothing in some runs, and one on those that cover passes alone."""
    needed = {one.id for run in runs for one in run.accepted.values()}
    needed |= {one.id for run in runs for one, _ in run.refused.values()}
    needed |= {one for run in runs for one in run.open}
    passed = {one for run in runs for one in run.passed}
    nothing = [one for one in waivers if one.id not in needed | passed]
    over = [one.id for one in waivers if one.id in passed - needed]
    if len(nothing) == 1:
        (one,) = nothing
        where = ": ".join(name for name in (one.requirement, one.profile, one.step, one.response) if name)
        hint = "correct the names, unit or firmware that it states"
        yield f"waiver {one.id} covers no response of these runs ({where}); {hint}"
    elif nothing:
        ids = ", ".join(one.id for one in nothing)
        hint = "correct the names, units or firmware that they state, or run their profiles"
        yield f"waivers {ids} cover no response of these runs; {hint}"
    if over:
        subject = f"waiver {over[0]} is" if len(over) == 1 else f"waivers {', '.join(over)} are"
        yield f"{subject} not needed: only passes are covered; remove {'it' if len(over) == 1 else 'them'}"


def load_waivers(path: Path) -> Waivers:
    """Load a waivers file.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return load_checked(path, WaiversFile, _problems)


def pinned_paper(paper: Loaded[FileModel] | None) -> PinnedText | None:
    """Return a paper as a log pins it: by the name of its file, wherever that lay."""
    return paper and PinnedText(Path(paper.path).name, paper.digest, paper.text)


@lru_cache(maxsize=4)
def read_waivers(path: str, text: str) -> Waivers:
    """Read the text of a waivers file, as `load_waivers` does; `path` only names it in messages.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    return checked_document(path, text, WaiversFile, _problems)


def _problems(waivers: Waivers) -> Iterator[Problem]:
    first: dict[str, int] = {}
    for number, one in enumerate(waivers.model.waivers):
        if first.setdefault(one.id, number) != number:
            line, _ = waivers.locate(("waivers", first[one.id], "id"))
            reason = f"waiver {one.id!r} stands in line {line}, too"
            yield waivers.problem(("waivers", number, "id"), reason, "give each waiver an id of its own")
