"""Follows events, decides steps.

The engine feeds it while the run goes on; feeding it the events of a finished log decides the same again (pure).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof.case.counting import Movements, counted_contacts, spoiled
from ventproof.case.demand import (
    ALL_SET,
    AnyFormula,
    States,
    anchor_of,
    flag_or_state,
    formula_of,
    invariant_formula,
    judged_together,
    role_of,
    since,
    wording,
)
from ventproof.case.invariants import InvariantItem
from ventproof.case.items import START, Item, Until
from ventproof.case.sources import Sources
from ventproof.case.withdrawn import take_gap
from ventproof.deciders.formulas import StaysFormula
from ventproof.drives.formulas import AgreesFormula, FlagsFormula
from ventproof.drives.holding import Holding, Turning
from ventproof.envelope.spans import INF, Block
from ventproof.judge.agreement import SignalPair
from ventproof.judge.contrast import Role
from ventproof.judge.facts import DeclaredFacts, steps
from ventproof.judge.flags import AnyWatch, FlagsTrace
from ventproof.judge.trace import SignalTrace
from ventproof.judge.wording import Since
from ventproof.log.events import (
    ContactCommand,
    Event,
    EvidenceEnd,
    GapSeen,
    IdleBegin,
    IdleEnd,
    PollSeen,
    StepBegin,
    StepEnd,
    StimulusApplied,
    StimulusEnd,
    StimulusId,
    StimulusSettled,
)
from ventproof.profile.check_responses import kind_of
from ventproof.profile.model import Invariant, Profile, Step, until_of
from ventproof.verdict.finding import NotRun, Rule, Verdict, undecided
from ventproof_bench.base.evidence import EdgeReport, Gap, Poll, Sample, SignalTraits, Window
from ventproof_bench.benchfile.signals import SignalSpec

if TYPE_CHECKING:
    from ventproof.profile.bind import Bound


_Columns = tuple[list[float], list[float], list[float]]
"""A signal's values, and when each was requested and replied to."""

Result = Item | InvariantItem
"""Whatever has a ruling at the end."""


@final
@dataclass(slots=True)
class Case:
    """A profile with the traits of the signals it needs, and everything found so far.

    Args:
        profile: the profile.
        traits: by the profile's signal names.
        states: names of state values, by the profile's signal names.
        names: the profile's signal names, by the bench's.
        bus_of: the bus of each register, by the profile's names.
        counted: the contacts that a counter counts, by the profile's names; a counter not named may count any.
        keeps_all: the traces keep every reading, to be drawn; otherwise only what can still matter.
        draws_each: what can still matter is kept, and besides, to be drawn, of so many readings the extremes; 0: not.
        in_batches: equal readings are judged together, once they matter: far less work in all, more of it at once.

    Attributes:
        belied: why what the bench declares of a signal cannot be true, by the profile's name of the signal.
    """

    profile: Profile
    traits: Mapping[str, SignalTraits]
    states: Mapping[str, States]
    names: Mapping[str, str]
    bus_of: Mapping[str, str] = field(default_factory=dict)
    counted: Mapping[str, frozenset[str]] = field(default_factory=dict)
    keeps_all: bool = False
    draws_each: int = 0
    in_batches: bool = False
    items: list[Item] = field(init=False)
    invariants: list[InvariantItem] = field(init=False)
    traces: dict[str, SignalTrace] = field(init=False)
    belied: dict[str, str] = field(init=False, default_factory=dict)
    _sources: Sources = field(init=False)
    _together: dict[tuple[str, ...], FlagsTrace] = field(init=False)
    _bench_names: dict[str, str] = field(init=False)
    _facts: dict[str, DeclaredFacts] = field(init=False)
    step: int | None = field(init=False, default=None)
    _buses: dict[str, set[str]] = field(init=False, default_factory=dict)
    _undecided: list[Item] = field(init=False, default_factory=list)
    _movements: Movements = field(init=False)
    _conditioned: list[Result] = field(init=False)
    _ended: bool = field(init=False, default=False)
    _lost: bool = field(init=False, default=False)
    _last_edges: dict[str, Sequence[EdgeReport]] = field(init=False, default_factory=dict)
    _moving: set[str] = field(init=False, default_factory=set)
    _kept_s: float = field(init=False, default=INF)

    def __post_init__(self) -> None:
        self.traces = {name: SignalTrace(traits) for name, traits in self.traits.items()}
        self._sources = Sources(self.names, self.traits)
        self._facts = {name: DeclaredFacts(traits) for name, traits in self.traits.items() if steps(traits)}
        self._bench_names = {name: at for at, name in self.names.items()}
        self._together = {
            signals: FlagsTrace([self.traits[name] for name in signals], self._rule)
            for signals in judged_together(self.profile)
        }
        if self.keeps_all:
            self._remember_from(-INF)
        for trace in self.traces.values() if self.draws_each else ():
            trace.draw(self.draws_each)
        self._movements = Movements(self.profile, self.counted)
        start = Step.model_construct(step="start", do=[], expect=self.profile.start.until)
        self.items = list(self._items([start, *self.profile.steps]))
        self.invariants = [
            InvariantItem(
                number,
                invariant,
                self._evidence_of(invariant),
                self._rule,
                self.traits[invariant.signal].unit,
                self._condition(invariant),
            )
            for number, invariant in enumerate(self.profile.always)
        ]
        conditioned = [invariant for invariant in self.invariants if invariant.condition is not None]
        self._conditioned = [*(item for item in self.items if item.until is not None), *conditioned]

    @property
    def _rule(self) -> Rule:
        return Rule(self.profile.decision)

    def _condition(self, invariant: Invariant) -> Holding | None:
        """Return what follows the signal of a condition; None where no signal is the condition."""
        condition = self.profile.signal_condition(invariant)
        return None if condition is None else Holding(*self._followed(*condition))

    def _followed(self, name: str, value: str | float) -> tuple[SignalTraits, float, bool]:
        """Return how a condition is followed: a signal, its value, and whether its readings count as they stand."""
        number = flag_or_state(value, self.states.get(name, {}))
        return self.traits[name], number, self._rule is Rule.SIMPLE

    def _evidence_of(self, invariant: Invariant) -> SignalTrace | FlagsTrace | SignalPair:
        match invariant_formula(invariant):
            case AgreesFormula():
                return self._pair(invariant.signals)
            case formula if isinstance(formula, FlagsFormula):
                return self._together[invariant.signals]
            case _:
                return self.traces[invariant.signal]

    def _pair(self, signals: tuple[str, ...]) -> SignalPair:
        return SignalPair(*(self.traces[name] for name in signals))

    def _items(self, steps: Sequence[Step]) -> Iterator[Item]:
        for number, step in enumerate(steps):
            for index, response in enumerate(step.expect):
                formula, until = formula_of(response, self.states.get(response.signal, {})), None
                for name, value in until_of(response).items():
                    assert isinstance(formula, StaysFormula)
                    until = Until(name, Turning(*self._followed(name, value)), formula.for_s or 0.0)
                    formula = replace(formula, for_s=None)
                anchor = anchor_of(response, step)
                after = ALL_SET if number == START else since(anchor)
                role = Role.CONDITION if number == START else role_of(response)
                yield Item(
                    step=number,
                    step_name=step.step,
                    number=index,
                    signals=response.signals,
                    unit=self.traits[response.signal].unit,
                    kind=kind_of(response),
                    wording=wording(response),
                    purpose=response.purpose,
                    anchor=anchor,
                    open_watch=partial(self._watch, formula, response.signals, after, role),
                    until=until,
                )

    def _watch(  # noqa: PLR0917 - the last two are known later
        self,
        formula: AnyFormula,
        signals: tuple[str, ...],
        since: Since,
        role: Role,
        window: Window,
        until: Window | None,
    ) -> AnyWatch:
        if isinstance(formula, FlagsFormula):
            return self._together[signals].watch(formula, window, self._rule, since, role=role)
        if isinstance(formula, AgreesFormula):
            return self._pair(signals).watch(formula, window, self._rule, since, role=role)
        trace = self.traces[signals[0]]
        formula = self._movements.since_played(formula, trace.traits.name)
        return trace.watch(formula, window, self._rule, since, role=role, until=until)

    def feed(self, event: Event) -> None:
        """Take the next event of the run.

        Raises:
            EvidenceError: samples contradict what the bench file declares of a signal.
        """
        if isinstance(event, PollSeen):
            self._poll(event.poll)
            return
        if isinstance(event, _TURNING):
            self._settle()
        match event:
            case GapSeen(gap=gap):
                self._gap(gap)
            case ContactCommand():
                self._command(event)
            case StimulusApplied():
                self._stimulus(event)
            case StimulusEnd(of=of, window=window) | StimulusSettled(of=of, window=window):
                self._stimulus_end(of, window)
            case StepBegin() | StepEnd() | IdleBegin() | IdleEnd() | EvidenceEnd():
                self._turn(event)
            case _:
                pass
        # Last: a count that begins with this event asks what was played before it.
        self._movements.feed(event)
        if isinstance(event, StepBegin | StimulusApplied | StimulusEnd | StimulusSettled):
            self._forget()

    def _gap(self, gap: Gap) -> None:
        names = self._buses.get(gap.bus, set())
        if gap.reason == "exception":
            names = names | self._refused(gap.bus)
        results = [r for r in self.results if names.intersection(r.rests_on)]
        take_gap(gap, [self.traces[n] for n in names], self._flags_on(names), results)
        for result in self._conditioned:
            result.condition_gap(gap, names)
        for name in self._facts.keys() & names:
            self._facts[name].interrupt()
        self._lost = self._lost or gap.reason == "void"

    def _refused(self, bus: str) -> set[str]:
        """Return the signals of a bus that were not read once: what the unit refuses may be theirs."""
        read = set[str]().union(*self._buses.values())
        return {name for name, its in self.bus_of.items() if its == bus} - read

    def _settle(self) -> None:
        """Judge every reading that came."""
        for trace in self.traces.values():
            trace.settle()

    def _turn(self, event: StepBegin | StepEnd | IdleBegin | IdleEnd | EvidenceEnd) -> None:
        match event:
            case StepBegin():
                self._step_begin(event)
            case StepEnd(t_s=t_s, step=step):
                for item in self.of_step(step):
                    item.give_up(t_s, NotRun.NEVER_APPLIED)
            case IdleBegin(window=window):
                for invariant in self.invariants:
                    invariant.rest(window.earliest_s)
            case IdleEnd(window=window):
                for invariant in self.invariants:
                    invariant.go_on(window)
            case EvidenceEnd(t_s=t_s, aborted=aborted):
                unasked = NotRun.LOST if self._lost else NotRun.EARLIER_STEP
                self._evidence_end(t_s, NotRun.ABORTED if aborted else unasked)

    def feed_all(self, events: Iterable[Event]) -> None:
        """Take the events of a finished log; finds what feeding them one by one finds, in less time.

        Raises:
            EvidenceError: samples contradict what the bench file declares of a signal.
        """
        columns: dict[str, _Columns] = {}
        polls: list[Poll] = []
        for event in events:
            if isinstance(event, PollSeen) and not self._ended and not self._turns_condition(event.poll):
                self._gather(event.poll, columns)
                polls.append(event.poll)
                if event.poll.unread or len(polls) == _TAKEN:
                    # What was read before goes first: a gap belongs to the reading after it.
                    self._take_columns(columns, polls)
                    self._unread(event.poll)
            else:
                if isinstance(event, _TURNING):
                    self._take_columns(columns, polls)
                self.feed(event)
        self._take_columns(columns, polls)

    def _gather(self, poll: Poll, columns: dict[str, _Columns]) -> None:
        for name, value in self._sources.values(poll):
            if name not in columns:
                columns[name] = ([], [], [])
                self._buses.setdefault(poll.bus, set()).add(name)
            values, starts_s, ends_s = columns[name]
            values.append(value)
            starts_s.append(poll.requested_s)
            ends_s.append(poll.replied_s)

    def _take_columns(self, columns: dict[str, _Columns], polls: list[Poll]) -> None:
        for name, (values, starts_s, ends_s) in columns.items():
            block = Block.of(values, starts_s, ends_s)
            self.traces[name].observe_block(block)
            if name in self._facts:
                self._doubt(name, self._facts[name].observe_block(block))
        columns.clear()
        for poll in polls if self._together or self._conditioned else ():
            self._read_together(poll)
        polls.clear()

    def _read_together(self, poll: Poll) -> None:
        """Let what one request read of several flags count as one."""
        for signals, flags in self._together.items():
            values = [poll.values.get(self._bench_names[name]) for name in signals]
            if any(value is not None for value in values):
                flags.observe(values, poll.requested_s, poll.replied_s)
        for result, sample in self._conditions_in(poll):
            result.condition_read(sample)

    def _conditions_in(self, poll: Poll) -> Iterator[tuple[Result, Sample]]:
        """Yield what a poll read of the signals that say when something is required."""
        for result in self._conditioned:
            value = poll.values.get(self._bench_names[result.while_name])
            if value is not None:
                yield result, Sample(value, poll.requested_s, poll.replied_s)

    def _turns_condition(self, poll: Poll) -> bool:
        """Return whether a poll begins or ends the time in which something is required."""
        return any(result.turns(sample) for result, sample in self._conditions_in(poll))

    def _flags_on(self, names: Collection[str]) -> Iterator[tuple[FlagsTrace, list[int]]]:
        """Yield the flags that are judged together with one of some signals, and which of them these are."""
        for signals, flags in self._together.items():
            numbers = [number for number, name in enumerate(signals) if name in names]
            if numbers:
                yield flags, numbers

    def _poll(self, poll: Poll) -> None:
        if self._ended:
            return
        requested_s, replied_s = poll.requested_s, poll.replied_s
        if self._conditioned and self.in_batches and self._turns_condition(poll):
            self._settle()
        for name, value in self._sources.values(poll):
            trace, facts = self.traces[name], self._facts.get(name)
            put_by = trace.puts_by(value, requested_s, replied_s)
            if put_by and facts is None:
                continue
            sample = Sample(value, requested_s, replied_s)
            if not put_by:
                (trace.follow if self.in_batches else trace.observe)(sample)
                self._buses.setdefault(poll.bus, set()).add(name)
            if facts is not None:
                self._doubt(name, facts.observe(sample))
        if self._together or self._conditioned:
            self._read_together(poll)
        if poll.unread:
            self._unread(poll)

    def _unread(self, poll: Poll) -> None:
        """Registers that held no value leave a gap in the evidence of their signals, and of no others."""
        for name, why in self._sources.unread(poll):
            gap = Gap(poll.bus, poll.requested_s, poll.replied_s, "mismatch", why)
            self.traces[name].gap(gap)
            for flags, numbers in self._flags_on({name}):
                flags.gap(gap, numbers)
            if name in self._facts:
                self._facts[name].interrupt()

    def _doubt(self, name: str, why: str) -> None:
        """Leave open what rests on facts of a signal that its readings belie; the start state was no demand."""
        if not why or name in self.belied:
            return
        self.belied[name] = why
        now = self.step or START
        for item in self.items:
            if name in item.rests_on and min(now, START + 1) <= item.step <= now:
                item.settled = undecided(why)
        for invariant in self.invariants:
            if name in invariant.rests_on:
                invariant.doubt(why)

    def _step_begin(self, event: StepBegin) -> None:
        self.step = event.step
        self._last_edges.clear()
        if not self.keeps_all:
            needed_s = [result.needs_from_s for result in self._conditioned]
            self._remember_from(min([event.window.earliest_s, *needed_s]))
        if self.step == START + 1:
            for invariant in self.invariants:
                invariant.run_begins(event.window)
        self._open(None, [event.window])

    def _remember_from(self, t_s: float) -> None:
        self._keep_from(t_s)
        for flags in self._together.values():
            flags.remember_from(t_s)

    def _forget(self) -> None:
        """Keep a short tail only where whatever is still to be watched begins later than now.

        Otherwise a step of an hour would hold an hour of readings. What begins with a contact begins after its command.
        """
        begun = all(item.watch is not None for item in self.of_step(self.step or START))
        looks_back = any(i.invariant.while_ and len(i.rests_on) > 1 for i in self.invariants)
        if begun and not (self.keeps_all or self._moving or looks_back):
            self._keep_from(INF)

    def _keep_from(self, t_s: float) -> None:
        self._kept_s = t_s
        for trace in self.traces.values():
            trace.remember_from(t_s)

    def _command(self, event: ContactCommand) -> None:
        if not self.keeps_all:
            self._keep_from(min(self._kept_s, event.from_s))
        self._moving.add(event.output)
        # As it was before the contact moved: a stimulus that is spoiled takes nothing away from what was decided by
        # then.
        self._undecided = [item for item in self.of_step(event.step) if item.ruling is None]
        for invariant in self.invariants:
            invariant.contact_commanded(event.output, event.states, event.from_s)

    def _stimulus(self, event: StimulusApplied) -> None:
        edges, windows = event.edges, [event.window]
        reason = ""
        self._moving.discard(event.output)
        if edges:
            windows = [edge.window for edge in edges]
            for invariant in self.invariants:
                invariant.contact_moved(event.output, edges)
            # With the last edge before: how long the contact rested between two stimuli was asked for as well.
            reason = spoiled([*self._last_edges.get(event.output, ()), *edges])
            self._last_edges[event.output] = edges[-1:]
        if reason:
            for item in self._undecided:
                item.settled = undecided(reason)
        elif event.of is not None and event.of.step != START:
            self._open(event.of.stimulus, [w for w in windows if w is not None], until_s=event.until_s)

    def _stimulus_end(self, of: StimulusId, window: Window) -> None:
        # A weather of an earlier step may end in this one; its responses were given up with their step.
        if of.step == self.step:
            self._open(of.stimulus, [window], edge="last")

    def _open(
        self,
        stimulus: int | None,
        windows: Sequence[Window],
        *,
        until_s: float | None = None,
        edge: Literal["first", "last"] | None = None,
    ) -> None:
        """Open the watches that count from a stimulus of the current step, or from the step's begin.

        Args:
            stimulus: its index in the step.
            windows: of its edges.
            until_s: a stimulus that goes on: log time of its end, from which the watches of its last edge count.
            edge: only the watches that count from this edge.
        """
        for item in self.items:
            if item.step != self.step or item.anchor[1] != stimulus or edge not in {None, item.anchor[0]}:
                continue
            if edge is not None and item.watch is not None:
                continue  # a wind that has settled is over later
            if until_s is not None and item.anchor[0] == "last":
                item.awaits_s = until_s
                continue
            item.begin(windows[0 if item.anchor[0] == "first" else -1])

    def _evidence_end(self, t_s: float, not_run: NotRun) -> None:
        self._ended = True
        for item in self.items:
            item.give_up(t_s, not_run)
        for invariant in self.invariants:
            invariant.close(t_s)

    def of_step(self, step: int) -> list[Item]:
        """Return the responses of one step, the start state being number 0."""
        return [item for item in self.items if item.step == step]

    def step_decided(self) -> bool:
        """Whether every response of the current step has its ruling."""
        return all(item.ruling is not None for item in self.items if item.step == self.step)

    def step_horizon_s(self) -> float:
        """Return the log time after which no evidence can matter to the current step."""
        self._settle()
        return max(
            (i.watch.horizon_s if i.watch else i.awaits_s for i in self.items if i.step == self.step),
            default=0.0,
        )

    def step_passed(self) -> bool:
        """Whether every response of the current step passed."""
        return all(
            i.ruling is not None and i.ruling.verdict is Verdict.PASS for i in self.of_step(self.step or 0)
        )

    @property
    def results(self) -> list[Result]:
        """Everything that has or will have a ruling, in the profile's order."""
        return [*self.items, *self.invariants]

    @property
    def verdict(self) -> Verdict:
        """The run's verdict: fail if anything failed, else inconclusive if anything is undecided, else pass.

        A start state that was not reached is no fail: nothing was tested.
        """
        # Without a ruling nothing was shown, and what was not shown is never a pass.
        found = [r.ruling.verdict if r.ruling else Verdict.INCONCLUSIVE for r in self.results]
        # The items of the start state come first.
        if any(v is not Verdict.PASS for v in found[: len(self.of_step(START))]):
            return Verdict.INCONCLUSIVE
        if Verdict.FAIL in found:
            return Verdict.FAIL
        return Verdict.PASS if all(v is Verdict.PASS for v in found) else Verdict.INCONCLUSIVE


def case_of(bound: Bound, *, keeps_all: bool = False, draws_each: int = 0, in_batches: bool = False) -> Case:
    """Return the case that follows a run of a profile on the bench that it is bound to.

    Args:
        bound: the profile on the bench.
        keeps_all: keep every reading, to be drawn.
        draws_each: as `Case.draws_each`.
        in_batches: judge equal readings together.
    """
    import numpy  # noqa: F401, ICN001, PLC0415 - the judge's; loaded at the first ruling it would hold up the polls

    bench = bound.bench.model
    return Case(
        profile=bound.profile.model,
        traits={name: replace(bench.traits(at), name=name) for name, at in bound.signals.items()},
        states={name: bench.signals[at].states or {} for name, at in bound.signals.items()},
        names={at: name for name, at in bound.signals.items()},
        bus_of={
            name: one.bus
            for name, at in bound.signals.items()
            if isinstance(one := bench.signals[at], SignalSpec)
        },
        counted=counted_contacts(bound),
        keeps_all=keeps_all,
        draws_each=draws_each,
        in_batches=in_batches,
    )


_TAKEN: Final = 4096
"""Polls of a finished log that are held until they are taken together."""

_TURNING: Final = (
    PollSeen,  # one that turns a condition, or after the end
    GapSeen,
    StepBegin,
    StepEnd,
    ContactCommand,
    StimulusApplied,
    StimulusEnd,
    StimulusSettled,
    IdleBegin,
    IdleEnd,
    EvidenceEnd,
)
"""Events before which every reading that came must have been taken."""
