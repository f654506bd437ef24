"""Where a run is: profile, step, what it waits for, what each signal does about its response, and how long it takes."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite
from typing import TYPE_CHECKING, Final, final

from ventproof.case.items import START
from ventproof.deciders import formulas
from ventproof.log.events import (
    ContactCommand,
    EvidenceEnd,
    FindingMade,
    GapSeen,
    IdleBegin,
    IdleEnd,
    OutputDriven,
    PollSeen,
    RunBegin,
    SettingFound,
    StepBegin,
    StepEnd,
    StimulusApplied,
)
from ventproof.profile.duration import Span, in_all, left_of, part_spans, stimulus_times
from ventproof.run.stimuli import said_of
from ventproof.verdict.finding import Bounds
from ventproof.verdict.text import about, range_text, reading_text, seconds
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from ventproof.case.case import Case
    from ventproof.case.items import Item
    from ventproof.log.events import Event


_STALE_S: Final = 3.0  # a reading older than this is shown with its age
_MOVED_IN_S: Final = 2.0  # what did not change for this long stands


@final
@dataclass(frozen=True, slots=True)
class Row:
    """One signal: what it reads, and of one of its responses what is demanded and how far that has come.

    Attributes:
        signal: its name.
        reading: its last one, in words; with its age where it is old.
        demand: what is demanded of it now; empty where nothing is.
        state: how far that has come, in words.
        verdict: what was found; empty while that is open.
    """

    signal: str
    reading: str
    demand: str = ""
    state: str = ""
    verdict: str = ""


@final
class Following:
    """Follows the events of the runs of a plan.

    Args:
        profiles: how long each profile of the plan takes, at the earliest and at the latest; none where not known.

    Attributes:
        name: of the profile that runs.
        t_s: log time of the last event.
        run: which run of the plan this is, from 1.
        runs: how many there are.
        step: number of the step; None before the start state.
        remark: what was done last.
        done: verdicts so far, by the steps' names.
    """

    def __init__(self, profiles: Sequence[Span] = ()) -> None:
        self._profiles = tuple(profiles)
        self._case: Case
        self.run, self.runs = 1, 1
        self._repeats = 1
        self._clear()

    def _clear(self) -> None:
        self.t_s = self._step_s = 0.0
        self.step: int | None = None
        self.remark = ""
        self.done: dict[str, Counter[str]] = {}
        self._doing = "opening the bench"
        self._applied = -1
        self._silent: dict[str, str] = {}
        self._seen: dict[str, deque[tuple[float, float]]] = {}
        self._entered: dict[int, float] = {}

    def begin(self, name: str, case: Case) -> None:
        """A profile begins."""
        self.name, self._case = name, case
        self._parts = list(part_spans(case.profile))
        self._clear()

    def take(self, event: Event) -> None:
        """Take the next event."""
        self.t_s = max(self.t_s, event.t_s)
        match event:
            case PollSeen(poll=poll):
                self._silent.pop(poll.bus, None)
                for bench_name, value in poll.values.items():
                    if bench_name in self._case.names:
                        self._read(self._case.names[bench_name], value, event.t_s)
            case GapSeen(gap=gap):
                self._silent[gap.bus] = gap.reason
            case RunBegin(header=header) if header.place is not None:
                self.run, self.runs = header.place.run, header.place.plan.runs
                self._repeats = header.place.plan.repeats
            case FindingMade(finding=finding):
                self.done.setdefault(finding.step_name, Counter())[finding.verdict] += 1
            case _:
                self._turn(event)

    def _turn(self, event: Event) -> None:
        match event:
            case StepBegin(step=step):
                self.step, self._step_s, self._applied, self._doing = step, event.t_s, -1, ""
            case StepEnd():
                self._doing = "replies that may still be under way"
            case IdleBegin():
                self._doing = "the unit is left alone, nothing is read"
            case IdleEnd():
                self._doing = ""
            case ContactCommand(said=said, stimulus=number):
                self.remark, self._applied = said, number
            case StimulusApplied(of=of, said=said):
                self.remark = said
                self._applied = self._applied if of is None else of.stimulus
            case EvidenceEnd():
                self._doing = "the outputs go to their safe states, settings are put back"
            case SettingFound() | OutputDriven() if self.step is None:
                self._doing = "the unit goes to its start state"
            case _:
                pass

    def _read(self, name: str, value: float, t_s: float) -> None:
        seen = self._seen.setdefault(name, deque())
        seen.append((t_s, value))
        while len(seen) > 1 and seen[1][0] <= t_s - _MOVED_IN_S:
            seen.popleft()

    @property
    def place(self) -> str:
        """Which profile of the plan runs, and which repeat of it, where there are several; empty otherwise."""
        profiles, repeat = self.runs // self._repeats, (self.run - 1) % self._repeats + 1
        which = f"profile {(self.run - 1) // self._repeats + 1} of {profiles}" if profiles > 1 else ""
        again = f"repeat {repeat} of {self._repeats}" if self._repeats > 1 else ""
        return ", ".join(filter(None, [which, again]))

    # how long

    @property
    def steps(self) -> int:
        """How many steps the profile has, the start state not among them."""
        return len(self._parts) - 1

    @property
    def step_name(self) -> str:
        """Name of the step; empty before the first."""
        if self.step is None:
            return ""
        return "start state" if self.step == START else self._case.profile.steps[self.step - 1].step

    def left(self) -> Span:
        """Return how long this profile still takes, at the earliest and at the latest, seconds."""
        return left_of(self._parts, self.step, self.t_s - self._step_s)

    def left_in_all(self) -> Span:
        """Return the same with the runs of the plan that come after this one."""
        if not self._profiles:
            return self.left()
        after = range(self.run, self.runs)
        return in_all([self.left(), *(self._profiles[number // self._repeats] for number in after)])

    # what it waits for

    def waits(self) -> str:
        """Return what the run waits for."""
        if self._silent:
            return "; ".join(f"no readings from bus {bus}: {why}" for bus, why in self._silent.items())
        if self._doing:
            return self._doing
        if self.step is None:
            return ""
        open_items = [item for item in self._case.of_step(self.step) if item.ruling is None]
        watched = [item for item in open_items if item.watch is not None]
        following = self._next()
        if following and (not watched or len(watched) < len(open_items)):
            return following
        if not watched:
            return "the readings that end the step"
        last = max(watched, key=_end_s)
        state = self._state(last)
        return f"{last.signal}, {state} ({last.wording})" if state else f"{last.signal}, {last.wording}"

    def _next(self) -> str:
        """Return the stimulus that comes next in the step, and in how long; empty where none does."""
        if not self.step:
            return ""
        stimuli = self._case.profile.steps[self.step - 1].do
        times = list(stimulus_times(stimuli))
        for number in range(self._applied + 1, len(stimuli)):
            in_s = self._step_s + times[number][0] - self.t_s
            if said := said_of(stimuli[number]):
                return f"{said}, in {in_s:.0f} s" if in_s > 1 else said
        if self._applied >= 0 and (left_s := self._step_s + times[self._applied][1] - self.t_s) > 0:
            return f"{self.remark}, {left_s:.0f} s more"
        return ""

    # what the signals do

    def rows(self) -> list[Row]:
        """Return a row for each response of the step, in the profile's order, then one for each other signal."""
        items = self._case.of_step(-1 if self.step is None else self.step)
        rows = [self._row(item) for item in items]
        named = {item.signal for item in items}
        rows += [Row(name, self.reading(name)) for name in self._case.traits if name not in named]
        return rows

    def _row(self, item: Item) -> Row:
        verdict = "" if item.ruling is None else str(item.ruling.verdict)
        return Row(
            item.signal, self.reading(item.signal), item.wording, verdict or self._state(item), verdict
        )

    def reading(self, name: str) -> str:
        """Return what a signal reads, in words."""
        traits = self._case.traits[name]
        if isinstance(traits, ReckonedTraits):
            return self._reckoned(name, traits)
        seen = self._seen.get(name)
        if not seen:
            return "–"
        at_s, value = seen[-1]
        old_s = self.t_s - at_s
        return reading_text(value, traits.unit) + (f", {old_s:.0f} s old" if old_s > _STALE_S else "")

    def _reckoned(self, name: str, traits: ReckonedTraits) -> str:
        """Return where a vent is by its contacts as they were read last."""
        trace = self._case.traces[name]
        if trace.last is None:
            return "–"
        bounds = Bounds(*trace.bounds_at(trace.last.requested_s - traits.refreshed_every_s))
        return range_text(bounds, f" {traits.unit}", 1)

    def _value(self, name: str) -> float | None:
        seen = self._seen.get(name)
        return seen[-1][1] if seen else None

    def _moves(self, name: str) -> bool:
        """Whether a signal changed lately by more than its readings may differ by themselves."""
        values = [value for _, value in self._seen.get(name, ())]
        return bool(values) and max(values) - min(values) > self._case.traits[name].error

    def _state(self, item: Item) -> str:  # noqa: PLR0911 - a table of kinds
        """Return how far an open response has come, in words."""
        if item.watch is None:
            return "awaits its stimulus"
        left_s = _end_s(item) - self.t_s
        match item.watch.formula:
            case formulas.ReachesFormula(target=target, tolerance=tolerance, holds_s=holds_s):
                return self._on_its_way(item, target, tolerance, holds_s, left_s - holds_s)
            case formulas.ReturnsFormula(target=target, tolerance=tolerance, not_before_s=early_s):
                if (stays_s := item.watch.judged_from_s + early_s - self.t_s) > 0:
                    return f"must stay out, {_span(stays_s)} more"
                return self._on_its_way(item, target, tolerance, 0.0, left_s)
            case formulas.EqualsFormula() | formulas.StartsMovingFormula():
                return _left("not yet", left_s)
            case formulas.MovesAtFormula():
                return _left("travelling" if self._moves(item.signal) else "standing", left_s)
            case formulas.CountsFormula():
                return _left("counting", left_s)
            case formulas.UnchangedFormula() if isfinite(left_s):
                return f"standing still, {_span(left_s)} more"
            case _:
                return f"so far so good, {_span(left_s)} more" if isfinite(left_s) else ""

    def _on_its_way(self, item: Item, target: float, tolerance: float, holds_s: float, left_s: float) -> str:
        value = self._value(item.signal)
        if value is None or abs(value - target) > tolerance:
            self._entered.pop(id(item), None)
            return _left("travelling" if self._moves(item.signal) else "standing", left_s)
        held_s = self.t_s - self._entered.setdefault(id(item), self.t_s)
        return f"holding, {_span(holds_s - held_s)} more" if holds_s > held_s else "holding"


def _end_s(item: Item) -> float:
    return inf if item.watch is None else item.watch.judged_to_s


def _left(what: str, left_s: float) -> str:
    return f"{what}, {_span(left_s)} left" if left_s > 0 else f"{what}, time is up"


def _span(span_s: float) -> str:
    return about(max(0.0, round(span_s, 1) if span_s < 10 else round(span_s)))  # noqa: PLR2004 - tenths, then seconds


def span_said(span: Span) -> str:
    """Return a shortest and a longest time in words: `6.2 to 12 min`."""
    shortest, longest = (about(round(span_s)) for span_s in span)
    return longest if shortest == longest else f"{shortest} to {longest}"


def planned_said(profiles: Sequence[Span], repeats: int) -> str:
    """Return how long the runs of a plan take in all, for a person who is about to start them."""
    runs = len(profiles) * repeats
    many = f"{runs} runs, " if runs > 1 else ""
    longest = in_all(span for span in profiles for _ in range(repeats))
    return f"{many}{span_said(longest)} as planned, without opening and closing the bench"


def begun_said(following: Following) -> str:
    """Return the line with which a run begins where nothing is drawn anew."""
    place = f"{following.place}: " if following.place else ""
    rest = f"; all that is left {span_said(following.left_in_all())}" if following.runs > 1 else ""
    return f"{place}{following.name}  ({span_said(following.left())}{rest})"


def step_said(following: Following) -> str:
    """Return the line with which a step begins."""
    if not following.step:
        return following.step_name
    return f"step {following.step} of {following.steps}: {following.step_name}"


def wait_said(following: Following) -> str:
    """Return a line for somebody who waits: what for, and how long at most."""
    return f"waits: {following.waits()}; at most {seconds(round(following.left()[1]))} left of this profile"
