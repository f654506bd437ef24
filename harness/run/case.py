"""One profile on one bench, followed through a log's events: opens the judge's watches and keeps what they find.

The engine feeds it while the run goes on; feeding it the events of a finished log decides the same again (pure).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, Literal, final

from bench.samples import Gap, Sample, SignalTraits, Window
from harness.judge.formulas import Formula
from harness.judge.spans import INF
from harness.judge.trace import SignalTrace
from harness.judge.track import Block
from harness.judge.verdict import Finding, Rule, Verdict
from harness.judge.watch import Watch
from harness.judge.wording import Since
from harness.profile.model import Profile, Step
from harness.profile.responses import kind_of
from harness.run.anchors import ALL_SET, Anchor, anchor_of, since
from harness.run.compile import States, formula_of, wording
from harness.run.events import Event
from harness.run.hollow import held_before, is_hollow
from harness.run.invariants import InvariantItem
from harness.run.movements import Movements, counted_contacts
from harness.run.played import spoiled
from harness.run.text import NOT_RUN

if TYPE_CHECKING:
    from harness.profile.bind import Bound

_Columns = tuple[list[float], list[float], list[float]]
"""A signal's values, and when each was requested and replied to."""

START = 0
"""Number of the start state among the steps; the profile's own steps count from 1."""


@final
@dataclass(slots=True)
class Item:
    """One response that the profile expects, and how far it has come."""

    step: int
    step_name: str
    number: int
    signal: str
    unit: str
    kind: str
    wording: str
    why: str
    anchor: Anchor
    open_watch: Callable[[Window], Watch]
    watch: Watch | None = None
    settled: Finding | None = None
    awaits_s: float = 0.0  # log time of the end of the stimulus that it counts from, while that goes on
    held: bool = False  # what is demanded held already before what it counts from

    @property
    def finding(self) -> Finding | None:
        """What was found; None while undecided."""
        return self.settled or (self.watch.finding if self.watch else None)

    @property
    def hollow(self) -> bool:
        """Whether it passed without showing anything of its stimulus."""
        return self.finding is not None and is_hollow(self.finding, held=self.held)

    def begin(self, window: Window, before: Sample | None) -> None:
        """Open the watch: the stimulus that it counts from happened within `window`, after the reading `before`."""
        self.watch = self.open_watch(window)
        self.held = self.step != START and held_before(self.watch.formula, before, window)

    def give_up(self, now_s: float, why: str) -> None:
        """Close the watch with the evidence there is, or say why there never was one."""
        if self.finding is None:
            self.settled = self.watch.close(now_s) if self.watch else undecided(why)


def undecided(why: str) -> Finding:
    """Return the finding for a response that nothing could decide."""
    return Finding(Verdict.INCONCLUSIVE, why)


Result = Item | InvariantItem
"""Whatever has a finding at the end."""


@final
@dataclass(slots=True)
class Case:
    """A profile with the traits of the signals it needs, and everything found so far.

    Args:
        profile: the profile.
        traits: by the profile's signal names.
        states: names of state values, by the profile's signal names.
        names: the profile's signal names, by the bench's.
        counted: the contacts that a counter counts, by the profile's names; a counter not named may count any.
        keeps_all: the traces keep every reading, to be drawn; otherwise only what can still matter.
    """

    profile: Profile
    traits: Mapping[str, SignalTraits]
    states: Mapping[str, States]
    names: Mapping[str, str]
    counted: Mapping[str, frozenset[str]] = field(default_factory=dict)
    keeps_all: bool = False
    items: list[Item] = field(init=False)
    invariants: list[InvariantItem] = field(init=False)
    traces: dict[str, SignalTrace] = field(init=False)
    step: int | None = field(init=False, default=None)
    _buses: dict[str, set[str]] = field(init=False, default_factory=dict)
    _undecided: list[Item] = field(init=False, default_factory=list)
    _movements: Movements = field(init=False)
    _ended: bool = field(init=False, default=False)
    _last_edges: dict[str, Sequence[Mapping[str, Any]]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.traces = {name: SignalTrace(traits) for name, traits in self.traits.items()}
        if self.keeps_all:
            self._remember_from(-INF)
        self._movements = Movements(self.profile, self.counted)
        start = Step.model_construct(step="start", do=[], expect=self.profile.start.until)
        self.items = list(self._items([start, *self.profile.steps]))
        self.invariants = [
            InvariantItem(
                number,
                invariant,
                self.traces[invariant.signal],
                self._rule,
                self.traits[invariant.signal].unit,
            )
            for number, invariant in enumerate(self.profile.always)
        ]

    @property
    def _rule(self) -> Rule:
        return Rule(self.profile.decision)

    def _items(self, steps: Sequence[Step]) -> Iterator[Item]:
        for number, step in enumerate(steps):
            for index, response in enumerate(step.expect):
                formula = formula_of(response, self.states.get(response.signal, {}))
                trace = self.traces[response.signal]
                anchor = anchor_of(response, step)
                after = ALL_SET if number == START else since(anchor)
                yield Item(
                    step=number,
                    step_name=step.step,
                    number=index,
                    signal=response.signal,
                    unit=self.traits[response.signal].unit,
                    kind=kind_of(response),
                    wording=wording(response),
                    why=response.why,
                    anchor=anchor,
                    open_watch=partial(self._watch, formula, trace, after),
                )

    def _watch(self, formula: Formula, trace: SignalTrace, since: Since, window: Window) -> Watch:
        formula = self._movements.since_played(formula, trace.traits.name)
        return trace.watch(formula, window, self._rule, since)

    def feed(self, event: Event) -> None:
        """Take the next event of the run.

        Raises:
            EvidenceError: samples contradict what the bench file declares of a signal.
        """
        handler = _HANDLERS.get(event.name)
        if handler is not None:
            handler(self, event.t_s, event.fields)
        self._movements.feed(event)

    def feed_all(self, events: Iterable[Event]) -> None:
        """Take the events of a finished log; finds what feeding them one by one finds, in less time.

        Raises:
            EvidenceError: samples contradict what the bench file declares of a signal.
        """
        columns: dict[str, _Columns] = {}
        for event in events:
            if event.name == "poll" and not self._ended:
                self._gather(event.fields, columns)
                if "unread" in event.fields:
                    self._take_columns(columns)
                    self._unread(event.fields)
            else:
                if event.name in _HANDLERS:
                    self._take_columns(columns)
                self.feed(event)
        self._take_columns(columns)

    def _gather(self, fields: Mapping[str, Any], columns: dict[str, _Columns]) -> None:
        for bench_name, value in fields["values"].items():
            name = self.names.get(bench_name)
            if name is None:
                continue
            if name not in columns:
                columns[name] = ([], [], [])
                self._buses.setdefault(fields["bus"], set()).add(name)
            values, starts_s, ends_s = columns[name]
            values.append(value)
            starts_s.append(fields["from"])
            ends_s.append(fields["to"])

    def _take_columns(self, columns: dict[str, _Columns]) -> None:
        for name, (values, starts_s, ends_s) in columns.items():
            self.traces[name].observe_block(Block.of(values, starts_s, ends_s))
        columns.clear()

    def _poll(self, _t_s: float, fields: Mapping[str, Any]) -> None:
        if self._ended:
            return
        values: Mapping[str, float] = fields["values"]
        start_s, end_s = fields["from"], fields["to"]
        for bench_name, value in values.items():
            name = self.names.get(bench_name)
            if name is not None:
                self.traces[name].observe(Sample(value, start_s, end_s))
                self._buses.setdefault(fields["bus"], set()).add(name)
        self._unread(fields)

    def _unread(self, fields: Mapping[str, Any]) -> None:
        """Registers that held no value leave a gap in the evidence of their signals, and of no others."""
        for text in fields.get("unread", ()):
            name = self.names.get(text.partition(":")[0])
            if name is not None:
                self.traces[name].gap(Gap(fields["bus"], fields["from"], fields["to"], "mismatch", text))

    def _gap(self, _t_s: float, fields: Mapping[str, Any]) -> None:
        gap = Gap(fields["bus"], fields["from"], fields["to"], fields["reason"], fields["detail"])
        for name in self._buses.get(gap.bus, ()):
            self.traces[name].gap(gap)

    def _step_begin(self, _t_s: float, fields: Mapping[str, Any]) -> None:
        self.step = fields["step"]
        self._last_edges.clear()
        if not self.keeps_all:
            self._remember_from(fields["from"])
        if self.step == START + 1:
            for invariant in self.invariants:
                invariant.run_begins(Window(fields["from"], fields["to"]))
        self._open(None, [(fields["from"], fields["to"])])

    def _remember_from(self, t_s: float) -> None:
        for trace in self.traces.values():
            trace.remember_from(t_s)

    def _command(self, _t_s: float, fields: Mapping[str, Any]) -> None:
        self._undecided = [item for item in self.of_step(fields["step"]) if item.finding is None]
        for invariant in self.invariants:
            invariant.contact_commanded(fields["output"], fields["states"], fields["at"])

    def _stimulus(self, _t_s: float, fields: Mapping[str, Any]) -> None:
        edges = fields.get("edges")
        windows = [(e["from"], e["to"]) for e in edges] if edges else [(fields["from"], fields["to"])]
        if edges:
            for invariant in self.invariants:
                invariant.contact_moved(fields["output"], edges)
        reason = spoiled([*self._last_edges.get(fields["output"], ()), *edges]) if edges else ""
        if edges:
            self._last_edges[fields["output"]] = edges[-1:]
        if reason:
            for item in self._undecided:
                item.settled = undecided(reason)
        elif fields["step"] != START:
            self._open(fields["stimulus"], windows, until_s=fields.get("until"))

    def _stimulus_end(self, _t_s: float, fields: Mapping[str, Any]) -> None:
        if fields["step"] == self.step:
            self._open(fields["stimulus"], [(fields["from"], fields["to"])], edge="last")

    def _open(
        self,
        stimulus: int | None,
        windows: Sequence[tuple[float, float]],
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
            window = Window(*windows[0 if item.anchor[0] == "first" else -1])
            item.begin(window, self.traces[item.signal].last)

    def _idle_begin(self, _t_s: float, fields: Mapping[str, Any]) -> None:
        for invariant in self.invariants:
            invariant.rest(fields["from"])

    def _idle_end(self, _t_s: float, fields: Mapping[str, Any]) -> None:
        for invariant in self.invariants:
            invariant.go_on(Window(fields["from"], fields["to"]))

    def _step_end(self, t_s: float, fields: Mapping[str, Any]) -> None:
        for item in self.items:
            if item.step == fields["step"]:
                item.give_up(t_s, "its stimulus was never applied")

    def _evidence_end(self, t_s: float, _fields: Mapping[str, Any]) -> None:
        self._ended = True
        for item in self.items:
            item.give_up(t_s, f"{NOT_RUN}: an earlier step did not pass")
        for invariant in self.invariants:
            invariant.close(t_s)

    def of_step(self, step: int) -> list[Item]:
        """Return the responses of one step, the start state being number 0."""
        return [item for item in self.items if item.step == step]

    def step_decided(self) -> bool:
        """Whether every response of the current step has its finding."""
        return all(item.finding is not None for item in self.items if item.step == self.step)

    def step_horizon_s(self) -> float:
        """Return the log time after which no evidence can matter to the current step."""
        return max(
            (i.watch.horizon_s if i.watch else i.awaits_s for i in self.items if i.step == self.step),
            default=0.0,
        )

    def step_passed(self) -> bool:
        """Whether every response of the current step passed."""
        return all(
            i.finding is not None and i.finding.verdict is Verdict.PASS for i in self.of_step(self.step or 0)
        )

    @property
    def results(self) -> list[Result]:
        """Everything that has or will have a finding, in the profile's order."""
        return [*self.items, *self.invariants]

    @property
    def verdict(self) -> Verdict:
        """The run's verdict: fail if anything failed, else inconclusive if anything is undecided, else pass.

        A start state that was not reached is no fail: nothing was tested.
        """
        found = [r.finding.verdict if r.finding else Verdict.INCONCLUSIVE for r in self.results]
        if any(v is not Verdict.PASS for v in found[: len(self.of_step(START))]):
            return Verdict.INCONCLUSIVE
        if Verdict.FAIL in found:
            return Verdict.FAIL
        return Verdict.PASS if all(v is Verdict.PASS for v in found) else Verdict.INCONCLUSIVE


def case_of(bound: Bound, *, keeps_all: bool = False) -> Case:
    """Return the case that follows a run of a profile on the bench that it is bound to.

    Args:
        bound: the profile on the bench.
        keeps_all: keep every reading, to be drawn.
    """
    import numpy  # noqa: F401, ICN001, PLC0415 - the judge's; loaded at the first finding it would hold up the polls

    signals = bound.bench.model.signals
    return Case(
        profile=bound.profile.model,
        traits={name: signals[at].traits(name) for name, at in bound.signals.items()},
        states={name: signals[at].states or {} for name, at in bound.signals.items()},
        names={at: name for name, at in bound.signals.items()},
        counted=counted_contacts(bound),
        keeps_all=keeps_all,
    )


_HANDLERS: dict[str, Callable[[Case, float, Mapping[str, Any]], None]] = {
    "poll": Case._poll,  # noqa: SLF001 - the table of the class's own handlers
    "gap": Case._gap,  # noqa: SLF001
    "step_begin": Case._step_begin,  # noqa: SLF001
    "command": Case._command,  # noqa: SLF001
    "stimulus": Case._stimulus,  # noqa: SLF001
    "stimulus_end": Case._stimulus_end,  # noqa: SLF001
    "settled": Case._stimulus_end,  # noqa: SLF001
    "step_end": Case._step_end,  # noqa: SLF001
    "idle_begin": Case._idle_begin,  # noqa: SLF001
    "idle_end": Case._idle_end,  # noqa: SLF001
    "evidence_end": Case._evidence_end,  # noqa: SLF001
}
