"""What a report says; QR (pure)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final, final

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from ventproof.oracle.proofs import Shown
    from ventproof.papers.fingerprint import FoundSettings


@final
@dataclass(frozen=True, slots=True)
class Fact:
    """A name and what is to be said under it."""

    name: str
    value: str


@final
@dataclass(frozen=True, slots=True)
class ReportedTable:
    """A table of texts; each row is as long as the head."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


@final
@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing and what it says to whoever cannot see it."""

    svg: str
    alt: str


@final
@dataclass(frozen=True, slots=True)
class ReportedResponse:
    """One response or invariant, as the log has it.

    Attributes:
        ident: what links point to; unique in the report.
        place: number of its step, `A` for what must always hold, and its place there: `1.2`.
        named: what documents call it; empty where the profile does not state it.
        requirements: the requirements that it tests, as documents call them.
        signal: the signal that had to respond.
        demand: what was demanded of it, with its limits.
        proves: what it is there for, as the profile says.
        verdict: pass, fail or inconclusive, as the log says.
        why: the reason, in a sentence.
        took: response time, as the window that holds it.
        seen: lowest and highest value while it was judged.
        margin: what was left to the limits in the worst case, or by how much they were missed.
        chance: probability of conformance, where the verdict is open.
        again: what judging again found, where that is something else.
        brief: what went wrong in a few words, alike in every profile; empty for a pass that shows something.
        by: by how much it missed its limit; 0 where no number says it.
        hollow: whether it is a pass that shows nothing.
        used: which share of its limit a pass used in the worst case, and of which limit.
        figure: the drawing of it, where the run came so far.
    """

    ident: str
    place: str
    named: str
    requirements: tuple[str, ...]
    signal: str
    demand: str
    proves: str
    verdict: str
    why: str
    took: str
    seen: str
    margin: str
    chance: str
    again: str
    brief: str
    by: float
    hollow: bool
    used: tuple[float, str] | None
    figure: Figure | None


@final
@dataclass(frozen=True, slots=True)
class ReportedDeviation:
    """A response that failed and that a waiver covers.

    Attributes:
        ident: of the response.
        run: of its run.
        waiver: id of the waiver.
        response: profile, step and requirement.
        reason: why it is accepted.
        disposition: what is done about it, and by whom.
        approved: who accepted it.
        retest_by: the last day of the waiver.
        state: `ACCEPTED`, or that it counts as a fail and why.
    """

    ident: str
    run: str
    waiver: str
    response: str
    reason: str
    disposition: str
    approved: str
    retest_by: str
    state: str


@final
@dataclass(frozen=True, slots=True)
class ReportedStep:
    """A step: its name, what was done, and what was expected; the reasons of what was not run are told once."""

    name: str
    done: tuple[str, ...]
    responses: tuple[ReportedResponse, ...]


@final
@dataclass(frozen=True, slots=True)
class Chapter:
    """One run.

    Attributes:
        ident: what links point to; unique in the report.
        profile: the profile's name, with its decision rule where that is not the guarded one.
        about: what the profile proves, in its author's words.
        standing: one of `STANDINGS`.
        says: what the standing means here, in a sentence.
        alarms: what a reader must not miss.
        notes: what else there is to know.
        conditions: what was otherwise than usual: values that were set; faults of the mock unit, as notes say them.
        overdue: the equipment whose calibration was overdue, a sentence each.
        repeat: which repeat of the profile it is.
        seed: of what was random on a virtual bench.
        identity: unit, firmware, operator, when, bench, self-check: what a report has in common or not.
        facts: how it was run.
        steps: the start state, the steps, and what must always hold.
        tables: who was asked what, and answered what when.
        overview: the drawing of the whole run.
        digest: of the log's last intact line.
        code: the digest's first digits, to be read aloud.
        qr: the digest as a QR code.
        log: name of the log file, with the folders that tell it from others of the report.
        test: what documents call the test; empty where its profile does not state it.
        proves: the lines of an override table, and the requirements, that the profile claims to prove.
        shown: what the run shows of these lines, where the table is in the log.
        used: the bench's names of the outputs and signals that the profile needs.
        settings: of the unit, as the run found them.
        deviations: the responses that failed and that waivers cover.
    """

    ident: str
    profile: str
    about: str
    standing: str
    says: str
    alarms: tuple[str, ...]
    notes: tuple[str, ...]
    conditions: tuple[str, ...]
    overdue: tuple[str, ...]
    repeat: int
    seed: int
    identity: Mapping[str, str]
    facts: tuple[Fact, ...]
    steps: tuple[ReportedStep, ...]
    tables: tuple[ReportedTable, ...]
    overview: Figure | None
    digest: str
    code: str
    qr: Figure
    log: str
    test: str
    proves: tuple[str, ...]
    shown: tuple[Shown, ...]
    used: tuple[str, ...]
    settings: FoundSettings
    deviations: tuple[ReportedDeviation, ...] = ()


@final
@dataclass(frozen=True, slots=True)
class Complaint:
    """What did not pass, as the first page tells it: `brief` in a few words, `by` how much it missed its limit."""

    ident: str
    run: str
    profile: str
    step: str
    response: str
    verdict: str
    margin: str
    why: str
    brief: str
    by: float


@final
@dataclass(frozen=True, slots=True)
class ComplaintGroup:
    """What went wrong alike in several runs: its verdict, what it is, where, and in how many profiles or runs."""

    verdict: str
    brief: str
    complaints: tuple[Complaint, ...]
    count: str


@final
@dataclass(frozen=True, slots=True)
class ReportedMark:
    """Mark of a response, a run or a test: where it leads, its verdict (`hollow`: a pass that shows nothing), words."""

    ident: str
    verdict: str
    said: str


@final
@dataclass(frozen=True, slots=True)
class ReportedRow:
    """A profile in the matrix.

    Attributes:
        ident: of its worst run.
        test: its id in the report.
        profile: its name.
        standing: of its worst run.
        runs: the marks of all of its runs, in the order of the report.
        cells: the marks of the worst run's responses, a cell a column.
        failures: how many of them did not pass.
        used: the greatest share of a limit that a response used, and of which limit; None where one failed.
        past: the marks of the last firmware versions before, the oldest first.
    """

    ident: str
    test: str
    profile: str
    standing: str
    runs: tuple[ReportedMark, ...]
    cells: tuple[tuple[ReportedMark, ...], ...]
    failures: int
    used: tuple[float, str] | None
    past: tuple[ReportedMark, ...]


@final
@dataclass(frozen=True, slots=True)
class ReportedMatrix:
    """The profiles and what of them passed, by signal.

    Attributes:
        signals: the columns.
        rows: the profiles.
        several: whether some profile was run more than once.
        past: whether versions before are known of some profile.
    """

    signals: tuple[str, ...]
    rows: tuple[ReportedRow, ...]
    several: bool
    past: bool


@final
@dataclass(frozen=True, slots=True)
class ReportedRequirement:
    """A requirement of a test: its number in the report, its step, what was required and measured, and how it stands.

    Attributes:
        ident: of the response.
        number: what documents call it, or test, step and place: `T1.2.1`.
        step: the step's name.
        required: the signal and what was required of it.
        measured: what was observed.
        margin: to the nearest limit in the worst case.
        verdict: its verdict; `hollow` for a pass that shows nothing.
    """

    ident: str
    number: str
    step: str
    required: str
    measured: str
    margin: str
    verdict: str


@final
@dataclass(frozen=True, slots=True)
class ReportedTest:
    """A profile as a test: its id, its worst run, and every requirement of that."""

    ident: str
    number: str
    profile: str
    standing: str
    requirements: tuple[ReportedRequirement, ...]


@final
@dataclass(frozen=True, slots=True)
class ReportedTrace:
    """A requirement that tests claim to prove, with a mark for each test that says its id."""

    name: str
    tests: tuple[ReportedMark, ...]


@final
@dataclass(frozen=True, slots=True)
class ReportedPaper:
    """What makes a report the paper of an acceptance.

    Attributes:
        formal: whether the runs belong to an acceptance test, so that every blank is shown on a screen, too.
        heading: which test it is, and for whom.
        meanings: what the verdicts mean, a line each.
        tests: every requirement of every profile, and what was measured.
        traces: which test proves which requirement.
        deviations: the fails that waivers cover; None where there is none.
        of_waivers: what is to be said of waivers that are over or that no run needs.
        settings: of the unit, as the runs found them; without rows where none was read.
        changed: what is to be said of settings that changed.
        signers: what stands below the lines to sign on.
    """

    formal: bool
    heading: str
    meanings: tuple[str, ...]
    tests: tuple[ReportedTest, ...]
    traces: tuple[ReportedTrace, ...]
    deviations: ReportedTable | None
    of_waivers: tuple[str, ...]
    settings: ReportedTable
    changed: tuple[str, ...]
    signers: tuple[str, ...]


@final
@dataclass(frozen=True, slots=True)
class ReportedOverlay:
    """The runs of one profile in one picture.

    Attributes:
        profile: its name.
        counts: how many runs stand how.
        says: what is drawn, in sentences.
        wrong: the runs that did not pass, each with its name.
        figure: the picture.
    """

    profile: str
    counts: str
    says: str
    wrong: tuple[ReportedMark, ...]
    figure: Figure


@final
@dataclass(frozen=True, slots=True)
class ReportedEntry:
    """One run in the first page's list; a file that is no log has no `ident` and is named in the profile's place."""

    ident: str
    profile: str
    standing: str
    when: str
    repeat: str
    code: str


@final
@dataclass(frozen=True, slots=True)
class ReportedCover:
    """The first page.

    Attributes:
        title: unit and firmware, or that there are several.
        standing: of all runs together.
        of_set: how the set of logs stands, whatever its runs: `broken`, `incomplete`, or empty.
        says: how many runs stand how.
        cause: what most of those that did not pass have in common, in a sentence; empty where all passed.
        conditions: what a reader must know before the runs: faults of the mock, what was done to the set, virtual time.
        alarms: what a reader must not miss.
        notes: what else there is to know.
        facts: which unit, by whom, when, where, for whom; without a value what is to be filled in by hand.
        groups: what did not pass, what went wrong alike together.
        hollow: the passes that show nothing.
        matrix: profiles and their responses.
        paper: what makes the report the paper of an acceptance.
        entries: the runs.
    """

    title: str
    standing: str
    of_set: str
    says: str
    cause: str
    conditions: tuple[str, ...]
    alarms: tuple[str, ...]
    notes: tuple[str, ...]
    facts: tuple[Fact, ...]
    groups: tuple[ComplaintGroup, ...]
    hollow: tuple[Complaint, ...]
    matrix: ReportedMatrix
    paper: ReportedPaper
    entries: tuple[ReportedEntry, ...]

    @property
    def complaints(self) -> tuple[Complaint, ...]:
        """What did not pass, and by how much, one by one."""
        return tuple(one for group in self.groups for one in group.complaints)


@final
@dataclass(frozen=True, slots=True)
class ReportedIndex:
    """A page that lists some of the runs: its name, where the first page finds it, how they stand, and its SHA-256."""

    name: str
    link: str
    says: str
    sha256: str


@final
@dataclass(frozen=True, slots=True)
class Section:
    """A part after the runs: a bench and its uncertainty, or an annex."""

    ident: str
    title: str
    sentences: tuple[str, ...]
    facts: tuple[Fact, ...]
    tables: tuple[ReportedTable, ...]


@final
@dataclass(frozen=True, slots=True)
class Report:
    """Everything a report says.

    Attributes:
        cover: the first page.
        overlays: one a profile that was run more than once.
        chapters: one a run.
        sections: benches, and annexes.
        complete: whether every response is drawn, and not only what did not pass.
        cautions: what to mind around vents and drives.
        date: of the last run, `2026-05-01`; empty when all were in virtual time.
        maker: the program that made it.
        pages: where the page of each run is, by ident; empty where it stands in the first page.
        indexes: the pages that list the runs, where these are too many for the first page.
    """

    cover: ReportedCover
    overlays: tuple[ReportedOverlay, ...]
    chapters: tuple[Chapter, ...]
    sections: tuple[Section, ...]
    complete: bool
    cautions: tuple[str, ...]
    date: str
    maker: str
    pages: Mapping[str, str]
    indexes: tuple[ReportedIndex, ...] = ()


Past = Mapping[tuple[str, str], Sequence[tuple[str, str]]]
"""By unit, empty where none was stated, and profile: the firmware versions, the oldest first, each with its verdict."""


NO_PAST: Final[Past] = {}


def shown(text: str) -> str:
    """Return a text from a file or a unit as it can be shown.

    Characters that cannot be seen, that turn the direction of what follows, or that no page may hold are named
    instead: `⟨U+202E⟩`. Line breaks and tabs become spaces.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_visible(c) if c in _BLANKS or not c.isprintable() else c for c in text)


_BLANKS: Final = frozenset("\t\n\r\u2028\u2029")


def _visible(character: str) -> str:
    if character in _BLANKS or character.isspace():
        return " "
    return f"⟨U+{ord(character):04X}⟩"


def plain(told: DataclassInstance) -> dict[str, Any]:
    """Return a report, or a sheet, as JSON holds it, with every text fit to be shown; drawings keep line breaks."""
    cleaned = _plain(asdict(told))
    assert isinstance(cleaned, dict)
    return cleaned


def _plain(value: object) -> object:
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, Mapping):
        return {
            key: "\n".join(map(shown, str(part).split("\n"))) if key == "svg" else _plain(part)
            for key, part in value.items()
        }
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return value


def short_code(digest: str) -> str:
    """Return the first sixteen digits of a digest in groups of four."""
    return " ".join(digest[at : at + 4] for at in range(0, 16, 4))


def qr_figure(digest: str) -> Figure:
    """Return a digest as a QR code (ISO/IEC 18004), dark on light whatever the page."""
    import segno  # noqa: PLC0415 - only reports need it

    drawn = BytesIO()
    segno.make(digest, error="m", micro=False).save(
        drawn,
        kind="svg",
        scale=3,
        border=4,
        light="#fff",
        xmldecl=False,
        nl=False,
        omitsize=False,
        svgclass=None,
    )
    return Figure(drawn.getvalue().decode("utf-8"), f"QR code of the log's digest {digest}")
