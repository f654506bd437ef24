"""From events to the fields of a log's lines, and to their text; of polls that came before, back again (pure)."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import singledispatch
from typing import Final, final

from ventproof.log import events as e
from ventproof.log.decode import LATEST_S
from ventproof.log.events import PinnedText
from ventproof.log.plan import Plan, PlannedRun
from ventproof_bench.base.errors import Abort
from ventproof_bench.base.evidence import EdgeReport, Poll, Window

Fields = Mapping[str, object]
"""What a line holds beside its number, time, name and digest: JSON values."""

to_json: Final = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode
"""Returns JSON values as a log holds them."""


@singledispatch
def fields_of(event: e.Event) -> Fields:
    """Return the fields of an event's line, in their order."""
    raise AssertionError(f"no line for {type(event).__name__}")


@fields_of.register
def _(event: e.PollSeen) -> Fields:
    poll = event.poll
    fields: dict[str, object] = {
        "bus": poll.bus,
        "from": poll.requested_s,
        "to": poll.replied_s,
        "values": poll.values,
        "table": poll.table,
        "address": poll.address,
        "words": poll.words,
    }
    if poll.unread:
        fields["unread"] = [{"signal": one.signal, "reason": one.reason} for one in poll.unread]
    if poll.shown:
        fields["shown"] = poll.shown
    return fields


@fields_of.register
def _(event: e.GapSeen) -> Fields:
    gap = event.gap
    return {"bus": gap.bus, "from": gap.from_s, "to": gap.to_s, "reason": gap.reason, "detail": gap.detail}


@fields_of.register
def _(event: e.RunBegin) -> Fields:
    header = event.header
    check, table = header.selfcheck, header.table
    papers = (("acceptance", header.acceptance), ("waivers", header.waivers))
    return {
        "format": header.format,
        "clock": header.clock,
        "decision": header.decision,
        "started": header.started,
        "unit": header.unit,
        "firmware": header.firmware,
        "operator": header.operator,
        "repeat": header.repeat,
        "seed": header.seed,
        **({"plan": place_fields(header.place)} if header.place else {}),
        **({"token": header.token} if header.token else {}),
        "use": header.use,
        "selfcheck": check
        and {
            "sha256": check.sha256,
            "started": check.started,
            "result": check.result,
            "kind": check.kind,
            "left": list(check.left),
        },
        "table": table and _text_fields(table),
        **{key: _text_fields(paper) for key, paper in papers if paper},
        "profile": _profile_fields(header.profile),
        "bench": _text_fields(header.bench),
        "versions": header.versions,
    }


def _profile_fields(profile: PinnedText) -> Fields:
    given = {"set": profile.given, "file_sha256": profile.file_sha256} if profile.given else {}
    return {**_text_fields(profile), "attached": profile.attached, **given}


def place_fields(place: PlannedRun) -> Fields:
    """Return a run's place in a plan, with the plan and its digest."""
    earlier = [{"log": one.log, "digest": one.digest} for one in place.earlier]
    return {"run": place.run, **({"earlier": earlier} if earlier else {}), **plan_fields(place.plan)}


def plan_fields(plan: Plan) -> Fields:
    """Return a plan with its digest; `log.decode.plan_of` reads it back."""
    return {"runs": plan.runs, "sha256": plan.sha256, **plan.fields}


@fields_of.register
def _(event: e.CheckBegin) -> Fields:
    header = event.header
    return {
        "format": header.format,
        "kind": header.kind,
        "clock": header.clock,
        "started": header.started,
        "seed": header.seed,
        "bench": _text_fields(header.bench),
        "versions": header.versions,
    }


@fields_of.register
def _(event: e.Note) -> Fields:
    return {"text": event.text}


@fields_of.register
def _(event: e.SettingFound) -> Fields:
    found = event.found
    fields = {"output": found.output, "unit": found.unit, **_span(found.window)}
    if found.trouble:
        return {**fields, "unread": found.trouble}
    return {**fields, "value": found.value, "words": found.words}


@fields_of.register(e.OutputDriven)
@fields_of.register(e.OutputUndriven)
def _(event: e.OutputDriven | e.OutputUndriven) -> Fields:
    driven = event.driven
    told = {"trouble": driven.trouble} if driven.trouble else {"read_back": driven.read_back}
    fields = {"output": driven.output, "why": driven.why, **_span(driven.window), **told}
    if driven.closed is not None:
        return {**fields, "closed": driven.closed}
    if driven.level is not None:
        return {**fields, "level": driven.level, "unit": driven.unit}
    return {**fields, "unit": driven.unit, "value": driven.value, "words": driven.words}


@fields_of.register
def _(event: e.StepBegin) -> Fields:
    return {"step": event.step, "name": event.step_name, **_span(event.window)}


@fields_of.register
def _(event: e.StepEnd) -> Fields:
    return {"step": event.step}


@fields_of.register(e.IdleBegin)
@fields_of.register(e.IdleEnd)
def _(event: e.IdleBegin | e.IdleEnd) -> Fields:
    return {"step": event.step, "stimulus": event.stimulus, **_span(event.window)}


@fields_of.register
def _(event: e.ContactCommand) -> Fields:
    return {
        "step": event.step,
        "stimulus": event.stimulus,
        "output": event.output,
        "said": event.said,
        "states": event.states,
        "at": event.from_s,
    }


@fields_of.register
def _(event: e.StimulusApplied) -> Fields:
    fields: dict[str, object] = {**(_of(event.of) if event.of else {}), "output": event.output}
    fields["said"] = event.said
    if event.value is not None:
        fields["value"] = event.value
    if event.level is not None:
        fields["level"] = event.level
    if event.goes_on:
        fields |= {"goes_on": True, "until": event.until_s}
    if event.window is None:
        return {**fields, "edges": [_edge(edge) for edge in event.edges]}
    return {**fields, **_span(event.window)}


@fields_of.register
def _(event: e.StimulusSettled) -> Fields:
    return {**_of(event.of), "output": event.output, **_span(event.window)}


@fields_of.register
def _(event: e.StimulusEnd) -> Fields:
    told = {"output": event.output, "closures": event.closures, "latest": event.latest_s}
    return {**_of(event.of), **told, **_span(event.window)}


@fields_of.register
def _(event: e.EdgesPlayed) -> Fields:
    packed = {"due_us": event.due_us, "from_us": event.from_us, "to_us": event.to_us}
    return {**_of(event.of), "output": event.output, "closed": event.closed, **packed}


@fields_of.register
def _(event: e.LevelWandered) -> Fields:
    told = {"output": event.output, "error": event.error, "level": event.level}
    return {**_of(event.of), **told, **_span(event.window)}


@fields_of.register
def _(event: e.PromptShown) -> Fields:
    prompt = event.prompt
    return {
        "number": event.number,
        "who": prompt.who,
        "text": prompt.text,
        "kind": prompt.kind,
        "of": prompt.of,
        "unit": prompt.unit,
        "resolution": prompt.resolution,
        "choices": prompt.choices,
        "within": prompt.within_s,
    }


@fields_of.register
def _(event: e.AnswerGiven) -> Fields:
    return {"number": event.number, "who": event.who, "text": event.text}


@fields_of.register
def _(event: e.PromptOver) -> Fields:
    return {"number": event.number}


@fields_of.register
def _(event: e.FindingMade) -> Fields:
    found = event.finding
    response = found.response_s
    return {
        "step": found.step,
        "number": found.number,
        "in": found.step_name,
        "signal": found.signal,
        "unit": found.unit,
        "kind": found.kind,
        "demand": found.demand,
        "verdict": str(found.verdict),
        "status": str(found.status),
        **({"not_run": str(found.not_run)} if found.not_run else {}),
        "why": found.why,
        "margin": found.margin,
        "slack": found.slack_s,
        "response": response and (response.earliest_s, response.latest_s),
        "seen": found.seen,
        "conformance": found.conformance,
        "proves": found.proves,
        "hollow": found.hollow,
    }


@fields_of.register(e.EvidenceEnd)
@fields_of.register(e.OutputsSafe)
@fields_of.register(e.NothingDriven)
def _(_event: e.EvidenceEnd | e.OutputsSafe | e.NothingDriven) -> Fields:
    return {}


@fields_of.register
def _(event: e.OutputsUnsafe) -> Fields:
    return {"reason": event.reason}


@fields_of.register
def _(event: e.RunEnd) -> Fields:
    return {"verdict": event.verdict, **_abort_fields(event.abort)}


@fields_of.register
def _(event: e.CheckEnd) -> Fields:
    return {"result": event.result, **_abort_fields(event.abort)}


@fields_of.register(e.Shortfall)
def _(event: e.Shortfall) -> Fields:
    return {"text": event.text}


@fields_of.register(e.WrongHookup)
def _(event: e.WrongHookup) -> Fields:
    return {"text": event.text, "line": event.line}


@fields_of.register(e.NotJudged)
def _(event: e.NotJudged) -> Fields:
    return {"what": event.what, "of": event.of, "why": event.why, "left": event.left}


@fields_of.register(e.CheckFigures)
@fields_of.register(e.OtherEvent)
def _(event: e.CheckFigures | e.OtherEvent) -> Fields:
    return event.fields


def _abort_fields(abort: Abort | None) -> Fields:
    return {} if abort is None else {"aborted": abort.text, "abort": abort.kind}


def _of(which: e.StimulusId) -> Fields:
    return {"step": which.step, "stimulus": which.stimulus, "label": which.label}


def _span(window: Window) -> Fields:
    return {"from": window.earliest_s, "to": window.latest_s}


def _edge(edge: EdgeReport) -> Fields:
    span = {"from": None, "to": None} if edge.window is None else _span(edge.window)
    again = {"again": True} if edge.window is not None and edge.window.again else {}
    return {"closed": edge.closed, "due": edge.due_s, **span, **again}


def _text_fields(pinned: PinnedText) -> Fields:
    return {"name": pinned.name, "sha256": pinned.sha256, "text": pinned.text}


@final
class PollText:
    """Writes the fields of polls, which are nearly all of a log: what the poll before read, too, is copied.

    The same registers with the same words hold the same values, and so the text of these is the same. JSON writes times
    as Python does: only a text in which that proved true is copied.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[str, str, int], tuple[tuple[int, ...], str, str]] = {}

    def of(self, event: e.PollSeen) -> str:
        """Return what `to_json` returns of an event's fields."""
        poll = event.poll
        times = f',"from":{poll.requested_s!r},"to":{poll.replied_s!r},'
        read = poll.bus, poll.table, poll.address
        words, before, after = self._known.get(read, ((), "", ""))
        if poll.words and poll.words == words:
            return before + times + after
        text = to_json(fields_of(event))
        before, found, after = text.partition(times)
        if found:
            self._known[read] = poll.words, before, after
        return text


_NUMBER: Final = rb"(-?(?:0|[1-9][0-9]{0,15})(?:\.[0-9]{1,20})?)"
_LINE: Final = re.compile(
    rb'\{"seq":(0|[1-9][0-9]{0,15}),"t":'
    + _NUMBER
    + rb',("event":"poll","bus":"[^"\\]*"),"from":'
    + _NUMBER
    + rb',"to":'
    + _NUMBER
    + rb",(.*)\}",
    re.DOTALL,
)
_MOST: Final = 16


@final
class KnownPolls:
    """The polls of a log that were decoded last, by the text of their lines without the times.

    Of a line whose text is known only the times are taken: it means what it meant before.
    """

    def __init__(self) -> None:
        self._known: dict[tuple[bytes, bytes], Poll | None] = {}  # None: it came once

    def event(self, body: bytes, seq: int) -> e.PollSeen | None:
        """Return the event of a line whose text is known; None: it has to be decoded.

        Args:
            body: the line's JSON object, without its digest.
            seq: the number that it must have.
        """
        match = _LINE.fullmatch(body)
        if match is None:
            return None
        poll = self._known.get((match[3], match[6]))
        if poll is None or int(match[1]) != seq:
            return None
        t_s, from_s, to_s = (float(match[group]) for group in (2, 4, 5))
        if not (-LATEST_S <= t_s <= LATEST_S and -LATEST_S <= from_s <= to_s <= LATEST_S):
            return None
        return e.PollSeen(t_s, poll._replace(requested_s=from_s, replied_s=to_s))

    def learn(self, body: bytes, event: e.Event) -> None:
        """Know the text of a line from now on, if it comes for the second time and ventproof writes the event so.

        Args:
            body: the line's JSON object, without its digest.
            event: that it was decoded to.
        """
        if not isinstance(event, e.PollSeen) or (match := _LINE.fullmatch(body)) is None:
            return
        text = match[3], match[6]
        if text not in self._known:
            if len(self._known) >= _MOST:
                self._known.clear()
            self._known[text] = None
            return
        fields = {"seq": int(match[1]), "t": event.t_s, "event": event.name, **fields_of(event)}
        if to_json(fields) == body.decode():
            self._known[text] = event.poll
