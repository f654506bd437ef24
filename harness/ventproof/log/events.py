"""Event types of the log, and what its first line pins (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, Final, Literal, final

from ventproof.log.plan import PlannedRun
from ventproof.verdict.finding import Finding, Verdict
from ventproof_bench.base.asking import Prompt
from ventproof_bench.base.errors import Abort
from ventproof_bench.base.evidence import DrivenOutput, EdgeReport, FoundSetting, Gap, Poll, Window

TimeKind = Literal["virtual", "wall"]
"""Whether time was virtual, against a mock inside the process, or the clock's."""


@final
@dataclass(frozen=True, slots=True)
class PinnedText:
    """A file as it was used.

    Attributes:
        name: its own name.
        sha256: digest of its text.
        text: the text.
        attached: texts of the files that it names.
        given: values that were given in place of the file's, by name; they stand in `text`.
        file_sha256: digest of the file itself, where values were given; empty otherwise.
    """

    name: str = ""
    sha256: str = ""
    text: str = ""
    attached: Mapping[str, str] = field(default_factory=dict)
    given: Mapping[str, str] = field(default_factory=dict)
    file_sha256: str = ""


@final
@dataclass(frozen=True, slots=True)
class PinnedCheck:
    """The self-check that stands behind a run.

    Attributes:
        sha256: digest of its log.
        started: date and time; None in virtual time.
        result: how it ended.
        kind: `bench`, the bench measured itself and its hook-up was tried, or `unit`, the hook-up alone.
        left: outputs and signals that it did not judge.
    """

    sha256: str
    started: str | None
    result: str
    kind: Literal["bench", "unit"] = "bench"
    left: Sequence[str] = ()


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """The first line of a run's log; of a run that nobody records it stays empty.

    Attributes:
        format: version of the log's vocabulary.
        clock: which time it ran in.
        decision: the rule of decision.
        started: local date and time in ISO 8601 with its offset from UTC; None in virtual time, which has none.
        unit: serial number of the unit under test, as stated.
        firmware: its firmware version, likewise.
        operator: who runs the test.
        repeat: which repeat it is, from 1.
        seed: of what is random on a virtual bench.
        place: the plan of the command that ran it, and which run of it this is; None where it is older.
        token: of the planned job of a campaign that moves something real, which begins once; empty otherwise.
        use: the bench's names, by the profile's, where they differ.
        selfcheck: the bench's self-check; None where nobody made one.
        table: the override table that the unit is held to; None where none was named.
        acceptance: the data of the acceptance test that the run belongs to; None likewise.
        waivers: the deviations that were accepted before; None likewise.
        profile: the profile, with the series that it plays.
        bench: the bench file.
        versions: of ventproof and what it runs on.
    """

    format: int = 0
    clock: TimeKind = "virtual"
    decision: str = "guarded"
    started: str | None = None
    unit: str = ""
    firmware: str = ""
    operator: str = ""
    repeat: int = 1
    seed: int = 0
    place: PlannedRun | None = None
    token: str = ""
    use: Mapping[str, str] = field(default_factory=dict)
    selfcheck: PinnedCheck | None = None
    table: PinnedText | None = None
    acceptance: PinnedText | None = None
    waivers: PinnedText | None = None
    profile: PinnedText = field(default_factory=PinnedText)
    bench: PinnedText = field(default_factory=PinnedText)
    versions: Mapping[str, str] = field(default_factory=dict)


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class CheckHeader:
    """The first line of a self-check's log; fields as for `Header`, and whether the bench or the hook-up is checked."""

    format: int
    kind: Literal["bench", "unit"]
    clock: TimeKind
    started: str | None
    seed: int
    bench: PinnedText
    versions: Mapping[str, str]


FORMAT: Final = 5
"""Version of the log's vocabulary."""

CheckOutcome = Literal["fine", "worse", "partial"]
"""How a self-check can end: as declared, worse than that, or not everything could be judged."""

GRID: Final = 1e6
"""Log times are whole microseconds, rounded so that a window never loses its instant."""


@final
@dataclass(frozen=True, slots=True)
class RunBegin:
    """A run begins."""

    name: ClassVar[str] = "run_begin"
    t_s: float
    header: Header


@final
@dataclass(frozen=True, slots=True)
class Note:
    """Something that readers of the record should know."""

    name: ClassVar[str] = "note"
    t_s: float
    text: str


@final
@dataclass(frozen=True, slots=True)
class SettingFound:
    """A setting of the unit was read before anything was written there, or could not be; in log time."""

    name: ClassVar[str] = "found"
    t_s: float
    found: FoundSetting


@final
@dataclass(frozen=True, slots=True)
class OutputDriven:
    """The bench drove an output of its own accord, as it opened or ended; by the bench's names, in log time."""

    name: ClassVar[str] = "driven"
    t_s: float
    driven: DrivenOutput


@final
@dataclass(frozen=True, slots=True)
class OutputUndriven:
    """The bench tried to drive an output of its own accord, and nothing proves that it was; `driven` says why."""

    name: ClassVar[str] = "undriven"
    t_s: float
    driven: DrivenOutput


@final
@dataclass(frozen=True, slots=True)
class StepBegin:
    """A step begins; the start state is number 0."""

    name: ClassVar[str] = "step_begin"
    t_s: float
    step: int
    step_name: str
    window: Window


@final
@dataclass(frozen=True, slots=True)
class StepEnd:
    """A step is decided, or no evidence can come that would matter to it."""

    name: ClassVar[str] = "step_end"
    t_s: float
    step: int


@final
@dataclass(frozen=True, slots=True)
class IdleBegin:
    """The unit is left alone from here on: nothing is read."""

    name: ClassVar[str] = "idle_begin"
    t_s: float
    step: int
    stimulus: int
    window: Window


@final
@dataclass(frozen=True, slots=True)
class IdleEnd:
    """The unit is read again."""

    name: ClassVar[str] = "idle_end"
    t_s: float
    step: int
    stimulus: int
    window: Window


@final
@dataclass(frozen=True, slots=True)
class StimulusId:
    """Which stimulus: its step, its number there, and the profile's label for it, if it has one."""

    step: int
    stimulus: int
    label: str | None = None


@final
@dataclass(frozen=True, slots=True)
class ContactCommand:
    """A contact is about to be moved, not before `from_s`; `states` are those that it will have."""

    name: ClassVar[str] = "command"
    t_s: float
    step: int
    stimulus: int
    output: str
    said: str
    states: Sequence[bool]
    from_s: float


@final
@dataclass(frozen=True, slots=True)
class StimulusApplied:
    """Something was done to the unit: a contact was moved, or else a value written, a weather begun, a sensor broken.

    Attributes:
        of: which stimulus of the profile; None in a self-check.
        output: the output, as the profile names it.
        said: what was done, for people.
        edges: of a contact, with their windows; empty for all else.
        window: that holds the instant of all else; None for edges.
        value: that was written, in the output's unit; None where none was.
        level: that was put on the terminals for it; None likewise.
        goes_on: whether it lasts, as rain and wind do.
        until_s: log time of the end that a response can count from; None for never.
    """

    name: ClassVar[str] = "stimulus"
    t_s: float
    of: StimulusId | None
    output: str
    said: str
    edges: Sequence[EdgeReport] = ()
    window: Window | None = None
    value: float | None = None
    level: float | None = None
    goes_on: bool = False
    until_s: float | None = None


@final
@dataclass(frozen=True, slots=True)
class StimulusSettled:
    """A wind that rose or fell blows evenly from here on."""

    name: ClassVar[str] = "settled"
    t_s: float
    of: StimulusId
    output: str
    window: Window


@final
@dataclass(frozen=True, slots=True)
class StimulusEnd:
    """A stimulus that went on is over: how many closures it made, and how late an edge was at most."""

    name: ClassVar[str] = "stimulus_end"
    t_s: float
    of: StimulusId
    output: str
    closures: int
    latest_s: float
    window: Window


@final
@dataclass(frozen=True, slots=True)
class EdgesPlayed:
    """Edges of a stimulus that goes on; they take turns and are packed, in whole microseconds.

    Attributes:
        closed: state after the first edge.
        due_us: when each was due: the first from the begin of the run, each other from the one before.
        from_us: earliest instant, from when it was due; None for an edge that never left for certain.
        to_us: latest instant, from the earliest; None likewise.
    """

    name: ClassVar[str] = "played"
    t_s: float
    of: StimulusId
    output: str
    closed: bool
    due_us: Sequence[int]
    from_us: Sequence[int | None]
    to_us: Sequence[int | None]

    @property
    def edges(self) -> Iterator[EdgeReport]:
        """Yield the edges, unpacked."""
        closed, at_us = self.closed, 0
        for due_us, from_us, to_us in zip(self.due_us, self.from_us, self.to_us, strict=True):
            at_us += due_us
            window = None
            if from_us is not None and to_us is not None:
                window = Window((at_us + from_us) / GRID, (at_us + from_us + to_us) / GRID)
            yield EdgeReport(closed, at_us / GRID, window)
            closed = not closed


@final
@dataclass(frozen=True, slots=True)
class LevelWandered:
    """Now `level` is on the terminals: a sensor that fails is wrong by `error`, or one follows a wind that changes."""

    name: ClassVar[str] = "wandered"
    t_s: float
    of: StimulusId
    output: str
    error: float
    level: float
    window: Window


@final
@dataclass(frozen=True, slots=True)
class PollSeen:
    """One answered read, in log time."""

    name: ClassVar[str] = "poll"
    t_s: float
    poll: Poll


@final
@dataclass(frozen=True, slots=True)
class GapSeen:
    """A span without evidence, in log time."""

    name: ClassVar[str] = "gap"
    t_s: float
    gap: Gap


@final
@dataclass(frozen=True, slots=True)
class PromptShown:
    """A person is asked something."""

    name: ClassVar[str] = "prompt"
    t_s: float
    number: int
    prompt: Prompt


@final
@dataclass(frozen=True, slots=True)
class AnswerGiven:
    """A person answered a prompt; `text` as it was given."""

    name: ClassVar[str] = "answer"
    t_s: float
    number: int
    who: str
    text: str


@final
@dataclass(frozen=True, slots=True)
class PromptOver:
    """A prompt was taken back, or its time was over: nobody answered it."""

    name: ClassVar[str] = "prompt_over"
    t_s: float
    number: int


@final
@dataclass(frozen=True, slots=True)
class FindingMade:
    """What was found of a response."""

    name: ClassVar[str] = "finding"
    t_s: float
    finding: Finding


@final
@dataclass(frozen=True, slots=True)
class EvidenceEnd:
    """The run came to its end: what is read from here on counts for nothing.

    Attributes:
        aborted: whether the run broke off here; the log of such a run holds no such line, its closing line says so.
    """

    name: ClassVar[str] = "evidence_end"
    t_s: float
    aborted: bool = False


@final
@dataclass(frozen=True, slots=True)
class OutputsSafe:
    """All outputs are in their safe state."""

    name: ClassVar[str] = "safe"
    t_s: float


@final
@dataclass(frozen=True, slots=True)
class OutputsUnsafe:
    """Outputs may not be in their safe state."""

    name: ClassVar[str] = "not_safe"
    t_s: float
    reason: str


@final
@dataclass(frozen=True, slots=True)
class NothingDriven:
    """The bench was never opened: no output was driven."""

    name: ClassVar[str] = "nothing_driven"
    t_s: float


@final
@dataclass(frozen=True, slots=True)
class RunEnd:
    """The run is over: with a verdict, or without one for a reason."""

    name: ClassVar[str] = "run_end"
    t_s: float
    verdict: Verdict | None
    abort: Abort | None = None


@final
@dataclass(frozen=True, slots=True)
class CheckBegin:
    """A self-check begins."""

    name: ClassVar[str] = "selfcheck_begin"
    t_s: float
    header: CheckHeader


@final
@dataclass(frozen=True, slots=True)
class CheckFigures:
    """Figures that a self-check measured; its name, one of `FIGURES`, says of what they are."""

    t_s: float
    name: str
    fields: Mapping[str, Any]


@final
@dataclass(frozen=True, slots=True)
class Shortfall:
    """The bench is worse than its bench file declares."""

    name: ClassVar[str] = "shortfall"
    t_s: float
    text: str


@final
@dataclass(frozen=True, slots=True)
class WrongHookup:
    """Something is wired otherwise than the bench file says; `line` of it is where to look."""

    name: ClassVar[str] = "wrong"
    t_s: float
    text: str
    line: int


@final
@dataclass(frozen=True, slots=True)
class NotJudged:
    """An output or a signal was not judged.

    Attributes:
        what: which of the two.
        of: its name.
        why: why not, and what would let it be judged.
        left: whether the bench file leaves it out on purpose.
    """

    name: ClassVar[str] = "not_judged"
    t_s: float
    what: Literal["output", "signal"]
    of: str
    why: str
    left: bool


@final
@dataclass(frozen=True, slots=True)
class CheckEnd:
    """The self-check is over: with a result, or without one for a reason."""

    name: ClassVar[str] = "selfcheck_end"
    t_s: float
    result: CheckOutcome | None
    abort: Abort | None = None


@final
@dataclass(frozen=True, slots=True)
class OtherEvent:
    """An event that this ventproof does not know, with its fields as they stand."""

    t_s: float
    name: str
    fields: Mapping[str, object]


Event = (
    PollSeen
    | GapSeen
    | RunBegin
    | Note
    | SettingFound
    | OutputDriven
    | OutputUndriven
    | StepBegin
    | StepEnd
    | IdleBegin
    | IdleEnd
    | ContactCommand
    | StimulusApplied
    | StimulusSettled
    | StimulusEnd
    | EdgesPlayed
    | LevelWandered
    | PromptShown
    | AnswerGiven
    | PromptOver
    | FindingMade
    | EvidenceEnd
    | OutputsSafe
    | OutputsUnsafe
    | NothingDriven
    | RunEnd
    | CheckBegin
    | CheckFigures
    | Shortfall
    | WrongHookup
    | NotJudged
    | CheckEnd
    | OtherEvent
)
"""One event of a log."""

FIGURES: Final = ("bus", "edges", "feedback", "count", "loop", "refresh", "board", "hookup", "decidable")
"""Names of the events that hold a self-check's figures."""
