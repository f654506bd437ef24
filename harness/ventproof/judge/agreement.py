"""Whether one signal agrees with another: takes the pieces of two traces."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol, final

from ventproof.drives.agreement import AgreementDecider
from ventproof.drives.base import JudgedTime
from ventproof.drives.formulas import AgreesFormula
from ventproof.envelope.readings import ReadingStats, as_read
from ventproof.envelope.spans import INF, Piece
from ventproof.judge.contrast import Role
from ventproof.judge.joint import JointWatch
from ventproof.judge.watch import judged_window, simple_envelope
from ventproof.judge.wording import STIMULUS, Since, nothing_read
from ventproof.verdict.finding import Bounds, Rule, Ruling, Verdict
from ventproof.verdict.text import decimals_for, number_text, value_text
from ventproof_bench.base.evidence import Gap, SignalTraits, Window

if TYPE_CHECKING:
    from ventproof.envelope.envelope import Envelope
    from ventproof.envelope.readings import Arrived
    from ventproof.envelope.spans import Block, Corners, Flags, Reading


@final
class Tap:
    """Takes the pieces of one trace for a watch on two."""

    def __init__(self, watch: AgreementWatch, traits: SignalTraits, envelope: Envelope) -> None:
        simple = watch.rule is Rule.SIMPLE
        self.traits = traits
        self.seen = ReadingStats(watch.judged_from_s)
        self.pieces: list[Piece] = []
        self._watch = watch
        self._from_s = watch.judged_from_s - watch.formula.lag_s  # from here on, before the first piece
        self._own = simple_envelope(traits) if simple else None
        self._envelope = self._own or envelope

    @property
    def ruling(self) -> Ruling | None:
        """What was found; None while undecided."""
        return self._watch.ruling

    def take(self, arrived: Arrived, pieces: Iterable[Piece], narrowed: Iterable[Reading]) -> None:  # noqa: ARG002 - pieces say it all
        """Take one reading, and the pieces that it made final; for the trace."""
        if self._own is not None:
            pieces = self._own.observe(as_read(arrived.sample), fresh=arrived.gap is not None)
        self.seen.reading(arrived.sample, arrived.gap)
        self._pass_on(pieces)

    def replay(self, arrived: Iterable[Arrived], pieces: Iterable[Piece]) -> None:
        """Take what the trace remembers."""
        for item in arrived:
            if self._own is not None:
                self._add(self._own.observe(as_read(item.sample), fresh=item.gap is not None))
            self.seen.reading(item.sample, item.gap)
        if self._own is None:
            self._add(pieces)

    def still_quiet(self, block: Block, quiet: Flags) -> None:
        """Clear the flags of readings that are not quiet in the tap's own envelope; for the trace."""
        if self._own is not None:
            quiet &= self._own.quiet(block.as_read())

    def calm(self, block: Block, corners: Corners) -> int:  # noqa: ARG002 - the trace asks every watch alike
        """Return how many of the next readings may be taken at once: all; for the trace."""
        return len(block) if self._own is None or self._own.still else 0

    def take_block(self, block: Block, corners: Corners) -> None:
        """Take quiet readings and their pieces; for the trace."""
        self.seen.block(block)
        if self._own is not None:
            block = block.as_read()
            corners = self._own.preview(block)
            self._own.skip(block)
        self._pass_on(corners)

    def gap(self, gap: Gap) -> None:
        """Note a gap, before the first reading after it."""
        self.seen.gap(gap)

    def end(self, until_s: float) -> None:
        """Take the pieces that are not final: there will be no more."""
        self._add(self._envelope.provisional(until_s))

    def _pass_on(self, pieces: Iterable[Piece]) -> None:
        self._add(pieces)
        self._watch.go_on()

    def _add(self, pieces: Iterable[Piece]) -> None:
        for piece in pieces:
            if self._from_s < piece.t0:
                # Before the first piece there is its open cone at most.
                self.pieces.append(self._envelope.before(piece, self._from_s))
            self._from_s = INF
            self.pieces.append(piece)


@final
class AgreementWatch(JointWatch[AgreesFormula]):
    """A demand on two signals being decided. Made by `SignalPair.watch`."""

    def __init__(  # noqa: PLR0917 - made in one place only
        self, formula: AgreesFormula, stimulus: Window, rule: Rule, pair: SignalPair, since: Since, role: Role
    ) -> None:
        super().__init__(formula, stimulus, rule, since, role)
        self._decider = AgreementDecider(formula, judged_window(stimulus, rule))
        self.taps = tuple(Tap(self, trace.traits, trace.envelope) for trace in pair.traces)

    @property
    def _judged(self) -> JudgedTime:
        return self._decider.judged

    @property
    def _read(self) -> Sequence[tuple[SignalTraits, ReadingStats]]:
        return tuple((tap.traits, tap.seen) for tap in self.taps)

    def _go_on_after_end(self) -> None:
        self.go_on()

    def close(self, now_s: float) -> Ruling:
        """Decide on what there is: no more evidence will come; see `Watch.close`."""
        if self.ruling is None:
            self._end_with_readings(now_s)
            for tap in self.taps:
                tap.end(self.judged_to_s + 1e-6)
            self.go_on()
            self._decider.finish()
            self._conclude()
        assert self.ruling is not None
        return self.ruling

    def go_on(self) -> None:
        """Judge what the taps have taken."""
        if self.ruling is None:
            one, other = self.taps
            self._decider.take(one.pieces, other.pieces)
            one.pieces, other.pieces = [], []
            self._conclude()

    def _conclude(self) -> None:
        decider = self._decider
        if decider.verdict is None or self.ruling is not None:
            return
        found = Ruling(decider.verdict, "", decider.margin)
        found = replace(found, why=_why(found, decider, self.taps, self._since))
        held = decider.judged.end_s >= decider.judged.s1
        if found.verdict is Verdict.PASS and held and not decider.moved:
            name, other = (tap.traits.name for tap in self.taps)
            said = (
                f"nothing shows that {other} moved enough since {self._since.event}: {name} might stand still"
            )
            found = self._shown(found, said, "require it of a travel over more than twice the tolerance")
        self.ruling = found


class Tapped(Protocol):
    """The trace of a signal, as far as a watch on two needs it."""

    traits: SignalTraits

    @property
    def envelope(self) -> Envelope:
        """What is known between the readings."""
        ...

    def tap(self, tap: Tap, since_s: float) -> None:
        """Let a tap take what is remembered since an instant, and all that comes."""


@final
class SignalPair:
    """Two signals of which the first must agree with the second."""

    def __init__(self, one: Tapped, other: Tapped) -> None:
        self.traces = (one, other)

    def watch(
        self,
        formula: AgreesFormula,
        stimulus: Window,
        rule: Rule = Rule.GUARDED,
        since: Since = STIMULUS,
        *,
        role: Role = Role.CONDITION,
        until: Window | None = None,
    ) -> AgreementWatch:
        """Open a watch; readings since the stimulus that are still remembered count. See `SignalTrace.watch`."""
        watch = AgreementWatch(formula, stimulus, rule, self, since, role)
        if until is not None:
            watch.end_at(until.earliest_s, until.latest_s)
        for tap, trace in zip(watch.taps, self.traces, strict=True):
            trace.tap(tap, stimulus.earliest_s - formula.lag_s)
        watch.go_on()
        return watch


def _why(  # noqa: PLR0911 - one line a cause
    found: Ruling, decider: AgreementDecider, taps: tuple[Tap, ...], since: Since
) -> str:
    """Return the sentence for a ruling."""
    one, other = (tap.traits for tap in taps)
    unit, decimals = one.unit, decimals_for(max(one.error, other.error))
    allowed = f"{value_text(decider.formula.tolerance, decimals)} {unit}"
    lag = f" of the last {number_text(decider.formula.lag_s)} s" if decider.formula.lag_s else ""
    margin = decider.margin
    if found.verdict is Verdict.FAIL:
        off = f"{value_text(decider.formula.tolerance - decider.high, decimals)} {unit}"
        after_s = decider.worst_s - decider.judged.s1 + since.judged_after_s
        said = f"was off from every {other.name}{lag} by {off} at least, {after_s:.2f} s after {since.event}"
        return f"{said}; {allowed} is allowed"
    if decider.judged.end_s < decider.judged.s1:
        return "not tested: the condition ended before the limit applied"
    if found.verdict is Verdict.PASS:
        off = f"{value_text(decider.formula.tolerance - decider.low, decimals)} {unit}"
        return f"agreed with {other.name}{lag}: off by {off} at most, {allowed} is allowed"
    for tap in taps:
        gap, name = tap.seen.longest_gap, tap.traits.name
        if not tap.seen.count:
            return nothing_read(f"nothing was read of {name} since {since.event}", gap)
        if tap.traits.rate_per_s is None and decider.low == -INF:
            return f"nothing says how far {name} moves between readings; declare its full_travel"
        if gap is not None:
            return (
                f"readings of {name} were missing for {gap.to_s - gap.from_s:.3g} s ({gap.reason}); "
                f"repeat the step with the bus in order"
            )
    if margin is None:
        return f"the readings of {one.name} and {other.name} do not cover the time; run the step to its end"
    return _open(margin, decider, taps, decimals)


def _open(margin: Bounds, decider: AgreementDecider, taps: tuple[Tap, ...], decimals: int) -> str:
    """Return what is possible, and the allowances that would decide it."""
    unit, formula = taps[0].traits.unit, decider.formula
    least = value_text(formula.tolerance - margin.high, decimals)
    most = value_text(formula.tolerance - margin.low, decimals)
    return (
        f"the readings leave it off by {least} to {most} {unit}, {value_text(formula.tolerance, decimals)} {unit} is "
        f"allowed; a tolerance of {most} {unit} would pass, or a longer `lag`; poll both more often"
    )
