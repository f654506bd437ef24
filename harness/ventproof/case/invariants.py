"""An always (pure)."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import final

from ventproof.case.demand import invariant_formula, invariant_wording
from ventproof.drives import formulas as drives
from ventproof.drives.holding import Held, Holding
from ventproof.envelope.spans import INF
from ventproof.judge.agreement import SignalPair
from ventproof.judge.flags import AnyWatch, FlagsTrace
from ventproof.judge.trace import SignalTrace
from ventproof.judge.wording import Since
from ventproof.profile.model import Invariant
from ventproof.verdict.finding import Rule, Ruling, Verdict, undecided
from ventproof_bench.base.evidence import EdgeReport, Gap, Sample, Window

_ORDER = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.PASS)


@final
@dataclass(slots=True)
class InvariantItem:
    """An invariant and what its watches found; it has no ruling before the run ends, unless one failed.

    Attributes:
        condition: when the signal of its condition had the value, if a signal is its condition. What must hold then is
            watched once that time is over: only then is it known when it was over.
    """

    number: int
    invariant: Invariant
    trace: SignalTrace | FlagsTrace | SignalPair
    rule: Rule
    unit: str
    condition: Holding | None = None
    _watches: list[AnyWatch] = field(default_factory=list)
    _began: Window | None = None
    _closed: bool = False
    _contact_closed: bool | None = None
    _unknown: str = ""
    _belied: str = ""
    step: None = None
    step_name: str = "always"
    kind: str = "always"
    not_run: None = None

    @property
    def signal(self) -> str:
        """The signal that it binds."""
        return self.invariant.signal

    @property
    def signals(self) -> tuple[str, ...]:
        """The signals that it binds."""
        return self.invariant.signals

    @property
    def rests_on(self) -> tuple[str, ...]:
        """The signals whose readings decide it: those that it binds, and that of its condition."""
        return self.signals if self.condition is None else (*self.signals, self.while_name)

    @property
    def while_name(self) -> str:
        """The contact or the signal that is its condition; empty where there is none."""
        return next(iter(self.invariant.while_ or {}), "")

    @property
    def needs_from_s(self) -> float:
        """From then on readings may still be judged by it once its condition is over."""
        if self.condition is None:
            return INF
        return self.condition.since_s - (self.invariant.lag or 0.0)

    @property
    def purpose(self) -> str:
        """What it is there for, as the profile says."""
        return self.invariant.purpose

    @property
    def wording(self) -> str:
        """What it demands, as one line."""
        return invariant_wording(self.invariant)

    @property
    def watch(self) -> AnyWatch | None:
        """The watch that is open, if its condition holds now."""
        return self._watches[-1] if self._watches else None

    @property
    def watches(self) -> tuple[AnyWatch, ...]:
        """One watch for each time that its condition held."""
        return tuple(self._watches)

    @property
    def ruling(self) -> Ruling | None:
        """The worst ruling of all its watches: at once when one failed, else when the run has ended."""
        if self._belied:
            return undecided(self._belied) if self._closed else None
        found = [w.ruling for w in self._watches if w.ruling is not None]
        failed = next((f for f in found if f.verdict is Verdict.FAIL), None)
        if failed is not None or not self._closed:
            return failed
        if self._unknown:
            return Ruling(Verdict.INCONCLUSIVE, self._unknown)
        # A span that was in force only perhaps cannot fail, and shows nothing by passing; but it may leave doubt.
        shown = [
            w.ruling
            for w in self._watches
            if w.ruling is not None
            and (w.stimulus.latest_s <= w.surely_to_s or w.ruling.verdict is not Verdict.PASS)
        ]
        if not shown:
            why = "its condition never held long enough in this run: nothing was shown"
            return Ruling(Verdict.INCONCLUSIVE, why)
        if all(ruling.hollow for ruling in shown):
            return replace(shown[0], verdict=Verdict.INCONCLUSIVE)
        shown = [ruling for ruling in shown if not ruling.hollow]
        return min(shown, key=lambda f: (_ORDER.index(f.verdict), f.margin.low if f.margin else 0.0))

    def run_begins(self, window: Window) -> None:
        """The start state is reached: from here on the invariant binds."""
        self._go_on(window, "the start state was reached")

    def _begin_if_so(self, window: Window, event: str) -> None:
        """Begin at once unless a condition must hold; whether a signal does is known later."""
        if self.condition is None and (self.invariant.while_ is None or self._contact_closed is self._wanted):
            self._begin(window, event)

    @property
    def _wanted(self) -> bool | None:
        return (
            None if self.invariant.while_ is None else next(iter(self.invariant.while_.values())) == "closed"
        )

    def turns(self, sample: Sample) -> bool:
        """Return whether a reading of the signal of its condition may begin or end the time in which it binds."""
        return self.condition is not None and self.condition.turns(sample.value)

    def condition_read(self, sample: Sample) -> None:
        """Take a reading of the signal of its condition; what was bound while that held is judged when it is over."""
        assert self.condition is not None
        for held in self.condition.observe(sample.value, sample.requested_s, sample.replied_s):
            self._bind(held)

    def condition_gap(self, gap: Gap, names: Collection[str]) -> None:
        """Note a span without readings of some signals, before the first reading after it."""
        if self.condition is not None and self.while_name in names:
            self.condition.gap(gap)

    def _bind(self, held: Held) -> None:
        began = self._began
        if began is None or held.ended.latest_s <= began.earliest_s:
            return
        window = Window(
            max(held.began.earliest_s, began.earliest_s), max(held.began.latest_s, began.latest_s)
        )
        value = (self.invariant.while_ or {})[self.while_name]
        self._begin(window, f"{self.while_name} was {value}", held.ended)

    def _condition_breaks(self) -> None:
        """Judge what the condition binds up to its last reading, and follow it anew."""
        if self.condition is not None:
            if (held := self.condition.going_on()) is not None:
                self._bind(held)
            self.condition.forget()

    def _begin(self, window: Window, event: str, until: Window | None = None) -> None:
        settle = self.invariant.applies_after
        shifted = Window(window.earliest_s + settle, window.latest_s + settle)
        if until is not None and shifted.earliest_s >= until.latest_s:
            return  # never in force
        since = Since(event, judged_after_s=settle)
        self._watches.append(self._watch(shifted, since, until))

    def _watch(self, window: Window, since: Since, until: Window | None) -> AnyWatch:
        formula = invariant_formula(self.invariant)
        if isinstance(self.trace, FlagsTrace):
            assert isinstance(formula, drives.FlagsFormula)
            return self.trace.watch(formula, window, self.rule, since, until=until)
        if isinstance(self.trace, SignalPair):
            assert isinstance(formula, drives.AgreesFormula)
            return self.trace.watch(formula, window, self.rule, since, until=until)
        assert not isinstance(formula, drives.FlagsFormula | drives.AgreesFormula)
        return self.trace.watch(formula, window, self.rule, since, until=until)

    def withdraw(self, gap: Gap, why: str) -> None:
        """Leave it open if it is watching, or was decided by readings that the gap takes back; it binds on after it."""
        kept = [w for w in self._watches if w.ruling is not None and not self._rests_on(w, gap.from_s)]
        if len(kept) == len(self._watches) and self.condition is None:
            return
        self._watches, self._unknown = kept, why
        if self.condition is not None:
            self.condition.forget()
        if self._began is not None:
            self._go_on(Window(gap.to_s, gap.to_s), "readings were withdrawn")

    def _rests_on(self, watch: AnyWatch, from_s: float) -> bool:
        return watch.seen.rests_on(from_s) or (self.condition is not None and watch.judged_to_s >= from_s)

    def doubt(self, why: str) -> None:
        """Leave it open whatever else is found: what it is judged by is not true."""
        self._belied = why

    def rest(self, at_s: float) -> None:
        """Nothing is read from `at_s` on, as the profile says: the invariant does not bind."""
        self._condition_breaks()
        self._began = None
        self._watches = [w for w in self._watches if w.stimulus.earliest_s < at_s]
        for watch in self._watches:
            watch.end_at(at_s)

    def go_on(self, window: Window) -> None:
        """It is read again: the invariant binds if its condition holds."""
        if self.condition is not None:
            self.condition.forget()
        self._go_on(window, "the idle time was over")

    def _go_on(self, window: Window, event: str) -> None:
        self._began = window
        self._begin_if_so(window, event)

    def contact_commanded(self, output: str, states: Sequence[bool], at_s: float) -> None:
        """A contact is about to be moved: from here on the condition may not hold, whatever is read meanwhile."""
        if (
            self.condition is None
            and output == self.while_name
            and any(closed is not self._wanted for closed in states)
        ):
            for watch in self._watches:
                watch.end_at(at_s, INF)  # the edge will tell when it was over

    def contact_moved(self, output: str, edges: Sequence[EdgeReport]) -> None:
        """A contact was moved: the condition held from each edge to the wanted state until the next edge."""
        if self.condition is not None or output != self.while_name:
            return
        # One edge to where the contact stands already interrupts nothing; of several the others do.
        held = self._contact_closed is self._wanted and len(edges) == 1
        self._contact_closed = edges[-1].closed
        if self._began is None:
            return
        windows = [edge.window for edge in edges if edge.window is not None]
        if len(windows) < len(edges):
            self._unknown = f"an edge of {output} is not confirmed: the start of its condition is unknown"
            return
        over_s = [
            window.latest_s
            for edge, window in zip(edges, windows, strict=True)
            if edge.closed is not self._wanted
        ]
        if over_s:
            self._watches = [
                w for w in self._watches if w.stimulus.earliest_s < over_s[0]
            ]  # else: never in force
            for watch in self._watches:
                watch.end_at(watch.surely_to_s, over_s[0])
        for edge, window, until in zip(edges, windows, [*windows[1:], None], strict=True):
            if edge.closed is self._wanted and not held:
                state = "closed" if edge.closed else "open"
                self._begin(window, f"{output} was {state}", until)

    def close(self, now_s: float) -> None:
        """The run is over. A watch whose condition had not settled by then, or by the last reading, shows nothing."""
        self._condition_breaks()
        self._watches = [w for w in self._watches if w.stimulus.earliest_s < now_s]
        for watch in self._watches:
            watch.close(now_s)
        # After closing: only then is it known up to where each was judged.
        self._watches = [w for w in self._watches if w.judged_from_s <= w.judged_to_s]
        self._closed = True
