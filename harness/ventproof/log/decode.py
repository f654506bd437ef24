"""The fields of a log's lines to events, each checked once (pure)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import isfinite
from typing import Final, Literal, TypeGuard, TypeVar, cast, final, get_args

from ventproof.log import events as e
from ventproof.log import plan as planned
from ventproof.log.events import CheckHeader, Header, PinnedCheck, PinnedText, TimeKind
from ventproof.log.plan import ORDER, Attempt, Plan, PlannedClaim, PlannedProfile, PlannedRun
from ventproof.verdict.finding import Bounds, Finding, NotRun, Status, Verdict
from ventproof.verdict.old_names import kind_now
from ventproof_bench.base.asking import Prompt, PromptKind
from ventproof_bench.base.errors import Abort, AbortKind
from ventproof_bench.base.evidence import (
    DrivenOutput,
    DrivenWhy,
    EdgeReport,
    FoundSetting,
    Gap,
    GapReason,
    Poll,
    Unread,
    Window,
)
from ventproof_bench.yamlfile.value_errors import show

_T = TypeVar("_T")

LATEST_S: Final = 1e9
"""A run that took thirty years has not been run."""

GREATEST: Final = 1e30
"""No register gives a greater value, whatever its scale."""


class LineError(Exception):
    """A line holds something that no such event holds; the text says what."""


@final
class LineFields:
    """A line's fields, each checked as it is taken."""

    __slots__ = ("_fields",)

    def __init__(self, fields: Mapping[str, object]) -> None:
        self._fields = fields

    @property
    def all(self) -> Mapping[str, object]:
        """All of them, unchecked."""
        return self._fields

    def __contains__(self, key: str) -> bool:
        return key in self._fields

    def raw(self, key: str) -> object:
        """Return what stands there."""
        if key not in self._fields:
            raise LineError(f"it has no `{key}`")
        return self._fields[key]

    def wrong(self, key: str, expected: str) -> LineError:
        """Return the error of a field that is not what is expected."""
        return LineError(f"its `{key}`: expected {expected}, found {show(self._fields[key])}")

    def text(self, key: str) -> str:
        """Return a text."""
        value = self.raw(key)
        if type(value) is not str:
            raise self.wrong(key, "text")
        return value

    def word(self, key: str, words: Sequence[str]) -> str:
        """Return one of some words."""
        value = self.raw(key)
        if type(value) is not str or value not in words:
            raise self.wrong(key, f"one of {', '.join(words)}")
        return value

    def flag(self, key: str) -> bool:
        """Return true or false."""
        value = self.raw(key)
        if type(value) is not bool:
            raise self.wrong(key, "true or false")
        return value

    def whole(self, key: str, least: int | None = None, most: int = 2**31 - 1) -> int:
        """Return a whole number; from `least` to `most`, which a history can hold, where a least one is given."""
        value = self.raw(key)
        if type(value) is not int:
            raise self.wrong(key, "a whole number" if least is None else f"a whole number from {least} up")
        if least is not None and not least <= value <= most:
            raise self.wrong(key, f"a whole number from {least} to {most}")
        return value

    def number(self, key: str, least: float = -GREATEST, most: float = GREATEST) -> float:
        """Return a number from `least` to `most`."""
        value = self.raw(key)
        if not is_number(value) or not least <= value <= most:
            raise self.wrong(key, "a number" if most == GREATEST else f"a number from {least:g} to {most:g}")
        return value

    def time_s(self, key: str) -> float:
        """Return a log time, s."""
        value = self.raw(key)
        if not is_number(value) or not -LATEST_S <= value <= LATEST_S:
            raise self.wrong(key, "a log time, seconds,")
        return value

    def window(self) -> Window:
        """Return the window from `from` to `to`."""
        from_s, to_s = self.time_s("from"), self.time_s("to")
        if to_s < from_s:
            raise LineError(f"it lasts from {from_s} s to {to_s} s")
        return Window(from_s, to_s)

    def bounds(self, key: str) -> Bounds | None:
        """Return a span, or None where null stands."""
        pair = self.raw(key)
        if pair is None:
            return None
        if not isinstance(pair, list) or len(pair) != 2 or not all(map(is_number, pair)) or pair[0] > pair[1]:  # noqa: PLR2004 - a pair
            raise self.wrong(key, "a span, [lowest, highest]")
        return Bounds(pair[0], pair[1])

    def texts(self, key: str) -> Mapping[str, str]:
        """Return a mapping of texts."""
        value = self.raw(key)
        if not isinstance(value, dict) or not all(type(text) is str for text in value.values()):
            raise self.wrong(key, "a mapping of texts")
        return value

    def items(self, key: str) -> list[object]:
        """Return a list, its items unchecked."""
        value = self.raw(key)
        if not isinstance(value, list):
            raise self.wrong(key, "a list")
        return value

    def part(self, key: str) -> LineFields:
        """Return the fields of an object within the line."""
        value = self.raw(key)
        if not isinstance(value, dict):
            raise self.wrong(key, "a mapping")
        return LineFields(value)

    def parts(self, key: str) -> list[LineFields]:
        """Return a list of such."""
        value = self.items(key)
        if not all(isinstance(one, dict) for one in value):
            raise self.wrong(key, "a list of mappings")
        return [LineFields(cast("Mapping[str, object]", one)) for one in value]

    def maybe(self, key: str, take: Callable[[str], _T]) -> _T | None:
        """Take a field that may be null."""
        return None if self.raw(key) is None else take(key)


def is_number(value: object) -> TypeGuard[float]:
    """Return whether a JSON value is a finite number."""
    kind = type(value)
    return kind is int or (kind is float and isfinite(cast("float", value)))


def event_of(name: str, t_s: float, fields: Mapping[str, object]) -> e.Event:
    """Return the event of a line; one of a name that is not known keeps its fields as they stand.

    Args:
        name: of the event.
        t_s: log time of the event.
        fields: the line's fields; more of them than the event has are left out.

    Raises:
        LineError: a field is missing, or is not what it must be.
    """
    take = _TAKE.get(name)
    if take is None:
        return e.OtherEvent(t_s, name, fields)
    try:
        return take(t_s, LineFields(fields))
    except LineError as error:
        raise LineError(f"{error}: no ventproof writes such a `{name}`") from None


def _which(line: LineFields) -> e.StimulusId:
    label = line.maybe("label", line.text) if "label" in line else None
    return e.StimulusId(line.whole("step", 0), line.whole("stimulus", 0), label)


def _poll(t_s: float, line: LineFields) -> e.PollSeen:
    values = line.raw("values")
    if not isinstance(values, dict) or not all(
        is_number(value) and -GREATEST <= value <= GREATEST for value in values.values()
    ):
        raise line.wrong("values", "a mapping of numbers")
    window = line.window()
    unread = line.parts("unread") if "unread" in line else ()
    return e.PollSeen(
        t_s,
        Poll(
            line.text("bus"),
            window.earliest_s,
            window.latest_s,
            values,
            line.text("table"),
            line.whole("address", 0),
            _words(line),
            tuple(Unread(one.text("signal"), one.text("reason")) for one in unread),
            _shown(line) if "shown" in line else {},
        ),
    )


def _shown(line: LineFields) -> Mapping[str, float | bool]:
    shown = line.raw("shown")
    if not isinstance(shown, dict) or not all(
        type(value) is bool or (is_number(value) and -GREATEST <= value <= GREATEST)
        for value in shown.values()
    ):
        raise line.wrong("shown", "a mapping of levels, and true or false of contacts")
    return shown


def _words(line: LineFields) -> tuple[int, ...]:
    words = line.items("words")
    # Not `isinstance`: true and false are ints to Python, and no registers.
    if not all(type(word) is int for word in words):
        raise line.wrong("words", "a list of whole numbers")
    return cast("tuple[int, ...]", tuple(words))


def _gap(t_s: float, line: LineFields) -> e.GapSeen:
    window, why = line.window(), cast("GapReason", line.word("reason", get_args(GapReason)))
    return e.GapSeen(t_s, Gap(line.text("bus"), window.earliest_s, window.latest_s, why, line.text("detail")))


def _run_begin(t_s: float, line: LineFields) -> e.RunBegin:
    check = line.maybe("selfcheck", line.part)
    table = line.maybe("table", line.part) if "table" in line else None
    header = Header(
        format=line.whole("format"),
        clock=cast("TimeKind", line.word("clock", get_args(TimeKind))),
        decision=line.word("decision", ("guarded", "simple")),
        started=_started(line),
        unit=line.text("unit"),
        firmware=line.text("firmware"),
        operator=line.text("operator"),
        repeat=line.whole("repeat", 1),
        seed=line.whole("seed"),
        place=_place(line.part("plan")) if "plan" in line else None,
        token=line.text("token") if "token" in line else "",
        use=line.texts("use"),
        selfcheck=check and _pinned_check(check),
        table=table and _pinned(table),
        acceptance=_pinned(line.part("acceptance")) if "acceptance" in line else None,
        waivers=_pinned(line.part("waivers")) if "waivers" in line else None,
        profile=_pinned(line.part("profile")),
        bench=_pinned(line.part("bench")),
        versions=_versions(line),
    )
    return e.RunBegin(t_s, header)


def _place(line: LineFields) -> PlannedRun:
    plan, run = plan_of(line), line.whole("run", 1)
    if run > plan.runs:
        raise line.wrong("run", f"a run from 1 to {plan.runs}")
    earlier = line.parts("earlier") if "earlier" in line else []
    return PlannedRun(plan, run, tuple(Attempt(one.text("log"), one.text("digest")) for one in earlier))


def plan_of(line: LineFields) -> Plan:
    """Return the plan that an object tells of.

    Raises:
        LineError: it is none, or its digest is of another one.
    """
    line.word("order", (ORDER,))
    claim = line.maybe("claim", line.part)
    profiles = tuple(PlannedProfile(one.text("name"), one.text("sha256")) for one in line.parts("profiles"))
    plan = Plan(
        profiles=profiles,
        bench_sha256=line.text("bench_sha256"),
        started=_started(line),
        unit=line.text("unit"),
        firmware=line.text("firmware"),
        repeats=line.whole("repeats", 1),
        seed=line.whole("seed"),
        claim=claim and PlannedClaim(claim.number("reliability", 0, 1), claim.number("confidence", 0, 1)),
        part=_part(line.part("part_of")) if "part_of" in line else None,
    )
    if not 0 < plan.runs <= planned.MOST_RUNS:
        raise line.wrong("repeats", f"a plan of 1 to {planned.MOST_RUNS} runs")
    for key, right in (("runs", plan.runs), ("sha256", plan.sha256)):
        if line.raw(key) != right:
            raise line.wrong(key, f"{right}, which follows from the rest of the plan")
    return plan


def _part(line: LineFields) -> planned.PlanPart:
    whole: planned.Whole = "rack" if "rack" in line else "campaign"
    return planned.PlanPart(whole, line.text(whole), line.whole("plans", 1), line.text("id"))


def _check_begin(t_s: float, line: LineFields) -> e.CheckBegin:
    header = CheckHeader(
        format=line.whole("format"),
        kind=cast('Literal["bench", "unit"]', line.word("kind", ("bench", "unit"))),
        clock=cast("TimeKind", line.word("clock", get_args(TimeKind))),
        started=_started(line),
        seed=line.whole("seed"),
        bench=_pinned(line.part("bench")),
        versions=_versions(line),
    )
    return e.CheckBegin(t_s, header)


def _started(line: LineFields) -> str | None:
    text = line.maybe("started", line.text)
    try:
        if text is None or dt.datetime.fromisoformat(text).tzinfo is not None:
            return text
    except ValueError:
        pass
    raise line.wrong("started", "a date and time with its zone")


def _versions(line: LineFields) -> Mapping[str, str]:
    versions = line.texts("versions")
    if "ventproof" not in versions:
        raise line.wrong("versions", "the version of ventproof, among others,")
    return versions


def _pinned(line: LineFields) -> PinnedText:
    attached, given = (line.texts(key) if key in line else {} for key in ("attached", "set"))
    file_sha256 = line.text("file_sha256") if given else ""
    return PinnedText(line.text("name"), line.text("sha256"), line.text("text"), attached, given, file_sha256)


def _pinned_check(line: LineFields) -> PinnedCheck:
    started, result = line.maybe("started", line.text), line.text("result")
    if "kind" not in line:  # before format 4
        return PinnedCheck(line.text("sha256"), started, result)
    kind = cast('Literal["bench", "unit"]', line.word("kind", ("bench", "unit")))
    left = tuple(map(str, line.items("left")))
    return PinnedCheck(line.text("sha256"), started, result, kind, left)


def _found(t_s: float, line: LineFields) -> e.SettingFound:
    setting = line.text("output"), line.text("unit"), line.window()
    if "unread" in line:
        return e.SettingFound(t_s, FoundSetting(*setting, trouble=line.text("unread")))
    return e.SettingFound(t_s, FoundSetting(*setting, _words(line), line.maybe("value", line.number)))


def _driven(line: LineFields) -> DrivenOutput:
    driven = DrivenOutput(
        line.text("output"),
        cast("DrivenWhy", line.word("why", get_args(DrivenWhy))),
        line.window(),
        unit=line.text("unit") if "unit" in line else "",
        read_back=line.flag("read_back") if "read_back" in line else False,
        trouble=line.text("trouble") if "trouble" in line else "",
    )
    if "closed" in line:
        return replace(driven, closed=line.flag("closed"))
    if "level" in line:
        return replace(driven, level=line.number("level"))
    return replace(driven, words=_words(line), value=line.maybe("value", line.number))


def _command(t_s: float, line: LineFields) -> e.ContactCommand:
    states = line.items("states")
    if not all(type(state) is bool for state in states):
        raise line.wrong("states", "a list of true and false")
    return e.ContactCommand(
        t_s,
        line.whole("step", 0),
        line.whole("stimulus", 0),
        line.text("output"),
        line.text("said"),
        cast("list[bool]", states),
        line.time_s("at"),
    )


def _stimulus(t_s: float, line: LineFields) -> e.StimulusApplied:
    edges = [_edge_report(edge) for edge in line.parts("edges")] if "edges" in line else []
    if "edges" in line and not edges:
        raise line.wrong("edges", "at least one edge")
    goes_on = "goes_on" in line and line.flag("goes_on")
    return e.StimulusApplied(
        t_s,
        _which(line) if "step" in line else None,
        line.text("output"),
        line.text("said"),
        edges,
        None if edges else line.window(),
        line.number("value") if "value" in line else None,
        line.number("level") if "level" in line else None,
        goes_on,
        line.maybe("until", line.time_s) if goes_on else None,
    )


def _edge_report(line: LineFields) -> EdgeReport:
    window = line.window() if line.raw("from") is not None else None
    if window is not None and "again" in line:
        window = replace(window, again=line.flag("again"))
    return EdgeReport(line.flag("closed"), line.time_s("due"), window)


def _stimulus_end(t_s: float, line: LineFields) -> e.StimulusEnd:
    numbers = line.whole("closures", 0), line.number("latest")
    return e.StimulusEnd(t_s, _which(line), line.text("output"), *numbers, line.window())


def _played(t_s: float, line: LineFields) -> e.EdgesPlayed:
    due, early, late = (_microseconds(line, key) for key in ("due_us", "from_us", "to_us"))
    if not len(due) == len(early) == len(late) or None in due:
        raise LineError("its edges have not each an instant and a window")
    # An edge that never left has neither end of a window; one end alone is no edge that ventproof writes.
    if any(
        (a is None) is not (b is None) or (b is not None and b < 0) for a, b in zip(early, late, strict=True)
    ):
        raise LineError("the window of an edge has no end, or one before its beginning")
    which, closed = _which(line), line.flag("closed")
    return e.EdgesPlayed(t_s, which, line.text("output"), closed, cast("list[int]", due), early, late)


def _microseconds(line: LineFields, key: str) -> list[int | None]:
    found = line.items(key)
    most = LATEST_S * e.GRID
    if not all(one is None or (type(one) is int and -most <= one <= most) for one in found):
        raise line.wrong(key, "a list of microseconds")
    return cast("list[int | None]", found)


def _wandered(t_s: float, line: LineFields) -> e.LevelWandered:
    numbers = line.number("error"), line.number("level")
    return e.LevelWandered(t_s, _which(line), line.text("output"), *numbers, line.window())


def _prompt(t_s: float, line: LineFields) -> e.PromptShown:
    choices = line.items("choices")
    if not all(type(choice) is str for choice in choices):
        raise line.wrong("choices", "a list of texts")
    prompt = Prompt(
        who=line.text("who"),
        text=line.text("text"),
        kind=cast("PromptKind", line.word("kind", get_args(PromptKind))),
        of=line.text("of"),
        unit=line.text("unit"),
        resolution=line.number("resolution", 0.0),
        choices=cast("tuple[str, ...]", tuple(choices)),
        within_s=line.maybe("within", line.number),
    )
    return e.PromptShown(t_s, line.whole("number", 1), prompt)


def _finding(t_s: float, line: LineFields) -> e.FindingMade:
    status = Status(line.word("status", tuple(Status)))
    reason = line.word("not_run", tuple(NotRun)) if status is Status.NOT_RUN else None
    response = line.bounds("response")
    finding = Finding(
        step=line.maybe("step", lambda key: line.whole(key, 0)),
        step_name=line.text("in"),
        number=line.whole("number", 0),
        signal=line.text("signal"),
        unit=line.text("unit"),
        kind=kind_now(line.text("kind")) if "kind" in line else "",
        demand=line.text("demand"),
        status=status,
        not_run=None if reason is None else NotRun(reason),
        why=line.text("why"),
        margin=line.bounds("margin"),
        slack_s=line.bounds("slack"),
        response_s=None if response is None else Window(*response),
        seen=line.bounds("seen"),
        conformance=line.maybe("conformance", lambda key: line.number(key, 0.0, 1.0)),
        proves=line.text("proves"),
        hollow="hollow" in line and line.flag("hollow"),  # formats before 4 do not tell
    )
    # The verdict follows from the status. A line in which they differ is refused, lest two readers tell two stories.
    if line.raw("verdict") != finding.verdict:
        raise line.wrong("verdict", f"{finding.verdict}, for its status is {status}")
    return e.FindingMade(t_s, finding)


def _run_end(t_s: float, line: LineFields) -> e.RunEnd:
    verdict = line.maybe("verdict", lambda key: line.word(key, tuple(Verdict)))
    return e.RunEnd(t_s, None if verdict is None else Verdict(verdict), _abort(line, verdict, "a verdict"))


def _check_end(t_s: float, line: LineFields) -> e.CheckEnd:
    result = line.maybe("result", lambda key: line.word(key, get_args(e.CheckOutcome)))
    return e.CheckEnd(t_s, cast("e.CheckOutcome | None", result), _abort(line, result, "a result"))


def _abort(line: LineFields, outcome: str | None, what: str) -> Abort | None:
    """Return why there is no outcome; a line that closes a log gives the one or the other."""
    if ("aborted" in line) is (outcome is not None):
        raise LineError(f"it gives both {what} and why there is none, or neither")
    if outcome is not None:
        return None
    return Abort(AbortKind(line.word("abort", tuple(AbortKind))), line.text("aborted"))


def _figures(name: str) -> Callable[[float, LineFields], e.CheckFigures]:
    """Return what takes the figures of one name: those that a report shows are checked, the others are for people."""

    def take(t_s: float, line: LineFields) -> e.CheckFigures:
        for key, check in _SHOWN.get(name, {}).items():
            check(line, key)
        return e.CheckFigures(t_s, name, line.all)

    return take


def _quantiles(line: LineFields, key: str) -> None:
    part = line.part(key)
    for one in ("median_s", "p95_s", "p99_s", "worst_s"):
        part.maybe(one, part.number)


def _maybe_number(line: LineFields, key: str) -> None:
    line.maybe(key, line.number)


def _expanded(line: LineFields, key: str) -> None:
    part = line.part(key)
    part.maybe("expanded", part.number)


_SHOWN: Final[Mapping[str, Mapping[str, Callable[[LineFields, str], object]]]] = {
    "bus": {"bus": LineFields.text, "round_trip": _quantiles, "late": _quantiles},
    "edges": {"output": LineFields.text, "late": _quantiles, "width": _quantiles},
    "board": {"board": LineFields.text, "after_s": LineFields.number, "within_s": _maybe_number},
    "decidable": {
        "signal": LineFields.text,
        "unit": LineFields.text,
        "lacks": LineFields.text,
        "tolerance": lambda line, key: line.maybe(key, line.number),
        "deadline_s": lambda line, key: line.maybe(key, line.number),
        "value": _expanded,
        "instant": _expanded,
    },
}

_TAKE: Final[Mapping[str, Callable[[float, LineFields], e.Event]]] = {
    "poll": _poll,
    "gap": _gap,
    "run_begin": _run_begin,
    "found": _found,
    "driven": lambda t, line: e.OutputDriven(t, _driven(line)),
    "undriven": lambda t, line: e.OutputUndriven(t, _driven(line)),
    "note": lambda t, line: e.Note(t, line.text("text")),
    "step_begin": lambda t, line: e.StepBegin(t, line.whole("step", 0), line.text("name"), line.window()),
    "step_end": lambda t, line: e.StepEnd(t, line.whole("step", 0)),
    "idle_begin": lambda t, line: e.IdleBegin(
        t, line.whole("step", 0), line.whole("stimulus", 0), line.window()
    ),
    "idle_end": lambda t, line: e.IdleEnd(t, line.whole("step", 0), line.whole("stimulus", 0), line.window()),
    "command": _command,
    "stimulus": _stimulus,
    "settled": lambda t, line: e.StimulusSettled(t, _which(line), line.text("output"), line.window()),
    "stimulus_end": _stimulus_end,
    "played": _played,
    "wandered": _wandered,
    "prompt": _prompt,
    "answer": lambda t, line: e.AnswerGiven(t, line.whole("number", 1), line.text("who"), line.text("text")),
    "prompt_over": lambda t, line: e.PromptOver(t, line.whole("number", 1)),
    "finding": _finding,
    "evidence_end": lambda t, _: e.EvidenceEnd(t),
    "safe": lambda t, _: e.OutputsSafe(t),
    "not_safe": lambda t, line: e.OutputsUnsafe(t, line.text("reason")),
    "nothing_driven": lambda t, _: e.NothingDriven(t),
    "run_end": _run_end,
    "selfcheck_begin": _check_begin,
    **{name: _figures(name) for name in e.FIGURES},
    "shortfall": lambda t, line: e.Shortfall(t, line.text("text")),
    "wrong": lambda t, line: e.WrongHookup(t, line.text("text"), line.whole("line") if "line" in line else 0),
    "not_judged": lambda t, line: e.NotJudged(
        t,
        cast('Literal["output", "signal"]', line.word("what", ("output", "signal"))),
        line.text("of"),
        line.text("why"),
        line.flag("left"),
    ),
    "selfcheck_end": _check_end,
}
"""What makes the event of a line, by its name."""
