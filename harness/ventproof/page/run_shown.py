"""What a page shows of one run, made from the events of its log (pure)."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Final, final

from ventproof.case.case import Case, case_of
from ventproof.case.items import START, Item
from ventproof.figures.demand import figure_demand
from ventproof.log.events import (
    AnswerGiven,
    ContactCommand,
    FindingMade,
    IdleBegin,
    PollSeen,
    PromptOver,
    PromptShown,
    RunEnd,
    StepBegin,
    StimulusApplied,
)
from ventproof.page.signals import Json, SeenSignals, ShownNews, finite
from ventproof.profile.bind import bind
from ventproof.profile.duration import longest_s
from ventproof.profile.load import read_profile
from ventproof.verdict.text import response, titled
from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof.case.invariants import InvariantItem
    from ventproof.figures.demand import Demand
    from ventproof.judge.flags import AnyWatch
    from ventproof.log.events import Event, Header
    from ventproof_bench.base.evidence import Poll


_MOVES_FOR_S: Final = 1.5
"""A vent whose readings changed within this time is said to travel."""


@final
class ShownRun(ShownNews):
    """Follows one run and says what changed for those who look on.

    Args:
        header: the first line of its log.
        longest_s: how long each profile of the suite takes at most, in order; empty where nobody said.
    """

    def __init__(self, header: Header, longest_s: Sequence[float] = ()) -> None:
        profile = read_profile("profile in the log", header.profile.text, header.profile.attached)
        bench = read_bench("bench file in the log", header.bench.text)
        self._case: Case = case_of(bind(profile, bench, header.use))
        self._header = header
        super().__init__(SeenSignals(self._case.traits, self._case.states), bench.model, header.use)
        self._named = {at: name for at, name in self._case.names.items() if name in self._case.traits}
        self._values: dict[str, float] = {}
        self._changed_s: dict[str, float] = {}
        self._entered_s: dict[int, float] = {}
        self._stood: dict[tuple[int, float], tuple[float, float]] = {}
        self._judging = True
        self._news["run"] = self._begin(longest_s)
        self._told: list[Json] = []

    def _begin(self, longest: Sequence[float]) -> Json:
        header, place = self._header, self._header.place
        model = self._case.profile
        own_s, later_s = longest_s(model), 0.0
        if place is not None and len(longest) == len(place.plan.profiles):
            profile = (place.run - 1) // place.plan.repeats
            later_s = (place.plan.repeats - place.repeat) * longest[profile]
            later_s += place.plan.repeats * sum(longest[profile + 1 :])
        return {
            "title": titled(model.profile, model.decision),
            "unit": header.unit,
            "firmware": header.firmware,
            "bench": header.bench.name,
            "run": place.run if place else 1,
            "runs": place.plan.runs if place else 1,
            "steps": [step.step for step in model.steps],
            "longest_s": own_s,
            "later_s": later_s,
            "wall": header.clock == "wall",
            "signals": self._signals.described,
        }

    def _say(self, event: Event) -> None:
        if self._judging:
            try:
                self._case.feed(event)
            except EvidenceError:
                self._judging = False  # the run itself ends with it, and its log says why
        match event:
            case PollSeen(poll=poll):
                self._poll(event.t_s, poll)
            case StepBegin(step=number, step_name=name):
                self._news["step"] = {"number": number, "name": name}
                self._entered_s.clear()
            case FindingMade(finding=finding):
                why = finding.why if finding.explained else ""
                self._found(finding.step_name, response(finding), str(finding.verdict), why)
            case PromptShown(number=number, prompt=prompt):
                self._news.setdefault("prompts", {})[str(number)] = {
                    "number": number,
                    "who": prompt.who,
                    "text": prompt.text,
                    "unit": prompt.unit,
                    "resolution": prompt.resolution,
                    "choices": list(prompt.offered),
                }
            case AnswerGiven(t_s=t_s, number=number, who=who, text=text):
                self._news.setdefault("answered", []).append(number)
                self._happened(t_s, f"{who} answered: {text}")
            case PromptOver(number=number):
                self._news.setdefault("answered", []).append(number)
            case _:
                self._say_what_happened(event)

    def _say_what_happened(self, event: Event) -> None:
        match event:
            case ContactCommand(t_s=t_s, said=text):
                self._happened(t_s, text)
            case StimulusApplied(t_s=t_s, said=text, edges=edges) if not edges:
                self._happened(t_s, text)
            case IdleBegin(t_s=t_s):
                self._happened(t_s, "the unit is left alone; nothing is read")
            case RunEnd(verdict=verdict, abort=abort):
                self._ended(str(verdict) if verdict else None, abort.text if abort else "")
            case _:
                super()._say(event)

    def _poll(self, t_s: float, poll: Poll) -> None:
        for bench_name, value in poll.values.items():
            name = self._named.get(bench_name)
            if name is not None:
                if self._values.get(name, value) != value:
                    self._changed_s[name] = t_s
                self._values[name] = float(value)
                self._signals.read(name, t_s, value, value)
        for name, traits in self._case.traits.items():
            if isinstance(traits, ReckonedTraits) and all(flag in poll.values for flag in traits.flags):
                with suppress(ValueError):
                    self._signals.read(name, t_s, *self._case.traces[name].bounds_at(poll.requested_s))

    def news(self) -> Json:
        """Return what changed since the last call; empty when nothing did."""
        demands = [self._demand(item) for item in self._items()]
        if demands != self._told:
            self._told = self._news["demands"] = demands
        return super().news()

    def _items(self) -> list[Item | InvariantItem]:
        """Return what is demanded now: of the step, and always, while that applies or once it failed."""
        step = START if self._case.step is None else self._case.step
        always = [
            one
            for one in self._case.invariants
            if one.ruling is not None or (one.watch is not None and one.watch.ruling is None)
        ]
        return [*self._case.of_step(step), *always]

    def _demand(self, item: Item | InvariantItem) -> Json:
        said: Json = {
            "signals": list(item.signals),
            "text": item.wording,
            "always": not isinstance(item, Item),
            "verdict": str(item.ruling.verdict) if item.ruling else "",
            "why": item.ruling.why if item.ruling and item.ruling.verdict != "pass" else "",
        }
        watch = item.watch
        if watch is None:
            awaits = isinstance(item, Item) and item.awaits_s
            return said | {
                "state": "waits for the end of its stimulus" if awaits else "waits for its stimulus"
            }
        shown = self._geometry(item, watch)
        from_s = watch.stimulus.latest_s
        said |= {
            "from": round(from_s, 3),
            "to": _rounded(watch.judged_to_s),
            "low": _rounded(shown.low),
            "high": _rounded(shown.high),
            "leave": shown.leave,
            "levels": [_rounded(level) for level, _ in shown.levels],
            "limits": [[round(from_s + at_s, 3), label] for at_s, label in shown.limits],
            "holds": getattr(watch.formula, "holds_s", 0.0),
        }
        return said | self._progress(item, shown)

    def _geometry(self, item: Item | InvariantItem, watch: AnyWatch) -> Demand:
        unit, from_s = "" if is_discrete(item.unit) else item.unit, watch.stimulus.earliest_s
        # The closest that was known: in a long step the case forgets the readings around the stimulus.
        known = (self._case.traces[item.signal].bounds_at(from_s), self._stood.get((id(item), from_s)))
        stood = min((bounds for bounds in known if bounds is not None), key=lambda b: b[1] - b[0])
        self._stood[id(item), from_s] = stood
        return figure_demand(watch.formula, unit, stood)

    def _progress(self, item: Item | InvariantItem, shown: Demand) -> Json:
        """Return how the last reading stands to what is demanded, and since when it has been in the band."""
        value = self._values.get(item.signal)
        if value is None or (shown.low is None and shown.high is None) or len(item.signals) > 1:
            return {"state": "watched"}
        low = shown.low if shown.low is not None else value
        high = shown.high if shown.high is not None else value
        discrete = is_discrete(item.unit)
        if low <= value <= high:
            since_s = self._entered_s.setdefault(id(item), self._t_s)
            if shown.leave:
                return {"state": "not moved yet"}
            return {"state": "as required" if discrete else "in the band", "since": round(since_s, 3)}
        self._entered_s.pop(id(item), None)
        moves = self._t_s - self._changed_s.get(item.signal, -_MOVES_FOR_S) < _MOVES_FOR_S
        if shown.leave:
            return {"state": "moved"}
        return {"state": "not yet" if discrete else "travelling" if moves else "outside the band"}


def _rounded(value: float | None) -> float | None:
    kept = finite(value)
    return None if kept is None else round(kept, 3)
