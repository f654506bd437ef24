"""One open question on one signal: feeds a decider until it has a verdict, and words the ruling."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, final

from ventproof.deciders import formulas
from ventproof.deciders.band import StaysDecider
from ventproof.deciders.base import BEYOND_S, Readings, bounds_if_finite
from ventproof.deciders.choose import decider_of
from ventproof.deciders.flags import FlagDecider, Kept
from ventproof.deciders.formulas import Formula
from ventproof.envelope.envelope import Envelope, Pairs, Polyline
from ventproof.envelope.readings import Arrived, ReadingStats, as_read
from ventproof.envelope.spans import EPS_S, INF, Block, Corners, Piece, Reading
from ventproof.judge import wording
from ventproof.judge.contrast import Role, contrast_of
from ventproof.judge.misses import miss_of, wrong_of
from ventproof.judge.reasons import in_its_range, witness_of
from ventproof.judge.reckoning import believed
from ventproof.judge.wording import STIMULUS, Since
from ventproof.verdict.finding import Rule, Ruling, Verdict
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from ventproof.envelope.spans import Flags


def reading_error(traits: SignalTraits) -> float:
    """Return how far the truth may be from one reading; infinite where a reading by itself says nothing of it."""
    if isinstance(traits, ReckonedTraits):
        return INF
    return 0.0 if is_discrete(traits.unit) else traits.error


def simple_envelope(traits: SignalTraits) -> Envelope:
    """Return the envelope of readings that are judged as they stand; it takes what `as_read` makes of them."""
    if is_discrete(traits.unit):
        return Pairs(replace(traits, refreshed_every_s=0.0), always_known=True)
    return Polyline()


def judged_window(stimulus: Window, rule: Rule) -> Window:
    """Return the window of the stimulus as a rule takes it: readings as they stand are judged from its middle on."""
    if rule is not Rule.SIMPLE:
        return stimulus
    middle = (stimulus.earliest_s + stimulus.latest_s) / 2
    return Window(middle, middle)


@final
class Watch:
    """A formula being decided. Made by `SignalTrace.watch`.

    Attributes:
        formula: what is demanded.
        stimulus: the window that contains the instant from which it counts.
        rule: how readings are judged.
        ruling: None while undecided. Once it is pass or fail it never changes; it is inconclusive only when no
            further evidence can matter.
        seen: how densely the signal was read.
    """

    def __init__(  # noqa: PLR0917 - made in one place only
        self,
        formula: Formula,
        stimulus: Window,
        rule: Rule,
        traits: SignalTraits,
        envelope: Envelope,
        since: Since = STIMULUS,
        role: Role = Role.CONDITION,
        *,
        worded: bool = True,
    ) -> None:
        self.formula = formula
        self.stimulus = stimulus
        self.rule = rule
        self.ruling: Ruling | None = None
        self._traits = traits
        simple = rule is Rule.SIMPLE
        self._own = simple_envelope(traits) if simple else None
        self._envelope = self._own or envelope
        self._error, self._age_s = (0.0, 0.0) if simple else (reading_error(traits), traits.refreshed_every_s)
        # Readings as they stand are asked whether they are the value: 1 or 0. Else the decider knows what to ask.
        self._equals, asked = None, formula
        if simple and isinstance(formula, formulas.EqualsFormula):
            self._equals, asked = formula.value, replace(formula, value=1.0)
        judged = judged_window(stimulus, rule)
        self._since, self._role, self._worded = since, role, worded
        # A jump is bounded by no rate.
        self._rate_per_s = None if simple or traits.jumps_to else traits.rate_per_s
        kept = None
        if not simple and traits.unit in {"flag", "state"}:
            kept = Kept(traits.keeps_for_s or 0.0, flag=traits.unit == "flag")
        self._decider = decider_of(
            asked, judged, self._rate_per_s, continuous=self._envelope.continuous, kept=kept
        )
        self._contrast = contrast_of(asked, judged.earliest_s, since.event, role)
        self._reckoned = isinstance(traits, ReckonedTraits)
        self._begun = False
        self._fed_s = INF  # how far the decider has been told
        self._ahead: tuple[Block, Corners, Readings]  # what `calm` was asked of last, as it is judged
        self._other: Sample | None = None  # the last reading of another value than demanded
        self.seen = ReadingStats(judged.earliest_s)

    @property
    def judged_from_s(self) -> float:
        """Earliest instant that is judged, loop time: that of the stimulus."""
        return self._decider.s1

    @property
    def judged_to_s(self) -> float:
        """Last instant that the formula speaks of, loop time; infinite for a span without an end."""
        return self._decider.end_s

    @property
    def horizon_s(self) -> float:
        """Latest loop time at which evidence still matters; infinite for a span without an end."""
        traits = self._traits
        # Until the last pieces are final: two cones cut each other until the rate bridges twice the error, a pair
        # waits for as long as a value is kept. Four polls on top.
        settling = traits.refreshed_every_s + 4 * (self.seen.spacing_s or 1.0)
        if traits.rate_per_s:
            settling += 2 * traits.error / traits.rate_per_s
        elif traits.keeps_for_s:
            settling += traits.keeps_for_s
        return self._decider.end_s + settling

    @property
    def surely_to_s(self) -> float:
        """Last instant at which the demand is in force for certain, loop time."""
        decider = self._decider
        return decider.last_s if isinstance(decider, StaysDecider | FlagDecider) else decider.end_s

    def end_at(self, earliest_s: float, latest_s: float | None = None) -> None:
        """Say between which instants the condition of an open-ended `Stays` ended.

        Say it before readings that were replied to after the earliest are fed: what they show may no longer belong to
        the condition. While the latest is not known, it is infinite.

        Args:
            earliest_s: until then the condition held for certain.
            latest_s: from then on it did not; None: it ended at the earliest.
        """
        decider = self._decider
        if isinstance(decider, StaysDecider | FlagDecider):
            decider.end_at(earliest_s, earliest_s if latest_s is None else latest_s)
            if isinstance(decider, StaysDecider) and decider.frontier_s >= decider.end_s:
                decider.finish()
            self._conclude()

    def close(self, now_s: float) -> Ruling:
        """Decide on what there is: no more evidence will come.

        A span without an end is judged up to the last reading if that is as recent as the polling lets
        expect, otherwise up to `now_s`, so that a silent bus leaves it open.
        """
        if self.ruling is None:
            decider = self._decider
            if decider.end_s == INF:
                self.end_at(self.seen.last_recent_s(now_s) - self._traits.refreshed_every_s)
            # A grid step of log time beyond the end: rounding must leave no instant of the span uncovered.
            self._pieces(self._envelope.provisional(decider.end_s + 1e-6))
            if decider.verdict is None:
                decider.finish()
            self._conclude()
        assert self.ruling is not None
        return self.ruling

    def take(self, arrived: Arrived, pieces: Iterable[Piece], narrowed: Iterable[Reading]) -> None:
        """Take one reading, and the pieces and narrowed readings that it made final; for the trace."""
        if self.ruling is not None:
            return
        reading = arrived.reading
        if self._own is not None:
            sample = as_read(arrived.sample)
            if self._equals is not None:
                sample = sample._replace(value=float(sample.value == self._equals))
            pieces, narrowed = self._own.observe(sample, fresh=arrived.gap is not None), ()
            t, value = sample.requested_s, sample.value
            reading = Reading(value, value, t, t, reading.fresh, reading.gap)
        # Readings before pieces: the piece up to a reading is not final before later readings have come.
        self._reading(arrived, reading)
        for reading in narrowed:
            self._decider.reading(reading)
        if self._reckoned:
            self._compare(pieces)
        self._pieces(pieces)
        if self._decider.verdict is not None:
            # A reading decides ahead of the pieces: the numbers take in what these say so far.
            self._conclude([*pieces, *self._envelope.provisional(arrived.sample.replied_s)])

    def still_quiet(self, block: Block, quiet: Flags) -> None:
        """Clear the flags of readings that are not quiet in the watch's own envelope; for the trace."""
        if self._own is not None:
            quiet &= self._own.quiet(self._as_read(block))

    def calm(self, block: Block, corners: Corners) -> int:
        """Return how many of the next readings, all quiet, cannot decide anything; for the trace."""
        if not (self._begun or self._decider.by_readings):
            return 0
        if self._own is not None:
            if not self._own.still:
                return 0
            block = self._as_read(block)
            corners = self._own.preview(block)
        lo, hi = block.values - self._error, block.values + self._error
        readings = Readings(lo, hi, block.requested_s - self._age_s, block.replied_s)
        decider = self._decider
        if min(corners.t[0], readings.a[0]) < decider.s2:
            return 0
        until_s = min(decider.calm_until_s(corners, readings), decider.end_s - BEYOND_S)
        self._ahead = block, corners, readings
        ends = self._envelope.instants(block), readings.b
        return int(min(end.searchsorted(until_s, "right") for end in ends))

    def take_block(self, block: Block, corners: Corners) -> None:
        """Take the first of the readings that were asked of last, all calm, and their pieces; for the trace."""
        own_block, own_corners, readings = self._ahead
        readings = Readings(*(column[: len(block)] for column in readings))
        self.seen.block(block)
        if self._contrast is not None and not self._reckoned:
            self._contrast.reading(readings.hull())
        if isinstance(self.formula, formulas.EqualsFormula):
            others = (block.values != self.formula.value).nonzero()[0]
            self._other = block[int(others[-1])] if len(others) else self._other
        if self._own is not None:
            own_block = own_block.part(0, len(block))
            corners = own_corners.until(float(own_block.requested_s[-1]))
            self._own.skip(own_block)
        self._decider.stretch(corners, readings)
        self._fed_s = float(corners.t[-1])

    def replay(
        self, arrived: Iterable[Arrived], pieces: Iterable[Piece], narrowed: Iterable[Reading]
    ) -> None:
        """Take what the trace remembers; for the trace."""
        if self._own is not None:
            for item in arrived:
                self.take(item, (), ())
            return
        pieces = list(pieces)
        for item in arrived:
            self._reading(item, item.reading)
        for reading in narrowed:
            self._decider.reading(reading)
        if self._reckoned:
            self._compare(pieces)
        self._pieces(pieces)
        self._conclude(pieces)

    def gap(self, gap: Gap) -> None:
        """Note a gap, before the first reading after it."""
        self.seen.gap(gap)
        if self._contrast is not None and not self._reckoned:
            self._contrast.gap(gap)

    def _compare(self, pieces: Iterable[Piece]) -> None:
        """Let the bounds show what differs where no reading can; they tell of gaps themselves."""
        if self._contrast is not None:
            for piece in pieces:
                self._contrast.reading(Reading(piece.l1, piece.u1, piece.t1, piece.t1))

    def _reading(self, arrived: Arrived, reading: Reading) -> None:
        if self._contrast is not None and not self._reckoned:
            if arrived.gap is not None:
                self._contrast.gap(arrived.gap)
            self._contrast.reading(reading)
        if isinstance(self.formula, formulas.EqualsFormula) and arrived.sample.value != self.formula.value:
            self._other = arrived.sample
        self.seen.reading(arrived.sample, arrived.gap)
        self._decider.reading(reading)

    def _as_read(self, block: Block) -> Block:
        """Return readings as the watch's own envelope takes them."""
        block = block.as_read()
        return block if self._equals is None else block.with_values((block.values == self._equals) * 1.0)

    def _pieces(self, pieces: Iterable[Piece]) -> None:
        decider = self._decider
        if decider.by_readings or decider.verdict is not None:
            return
        begun, fed_s, enough_s = self._begun, self._fed_s, decider.end_s + BEYOND_S
        for piece in pieces:
            if not begun:
                if piece.t1 < decider.s1:
                    continue
                # Invariant: the decider gets pieces without a hole from s1 on; before the first one there is its open
                # cone at most.
                begun = self._begun = True
                if piece.t0 > decider.s1:
                    decider.piece(self._envelope.before(piece, decider.s1))
            elif piece.t0 > fed_s + EPS_S:  # readings in between were withdrawn
                decider.piece(Piece(fed_s, -INF, INF, piece.t0, -INF, INF))
            decider.piece(piece)
            self._fed_s = fed_s = piece.t1
            if fed_s >= enough_s and decider.verdict is None:
                decider.finish()
            if decider.verdict is not None:
                return

    def _conclude(self, later: Iterable[Piece] = ()) -> None:
        decider = self._decider
        if decider.verdict is None or self.ruling is not None:
            return
        for piece in later:
            decider.fill_in(piece)
        margin, slack, response = decider.measures()
        seen = None if self._equals is not None else bounds_if_finite(decider.seen_low, decider.seen_high)
        if seen is not None and seen.low > seen.high:
            seen = None
        witness = None
        if decider.verdict is Verdict.FAIL:
            witness = witness_of(self.formula, decider, margin, self._other, self.seen.last_s)
        found = Ruling(decider.verdict, "", margin, slack, response, seen, witness)
        if self._worded:
            found = self._told(found)
        found = believed(found, self.formula, self._traits, self._role)
        self.ruling = self._contrast.weighed(found, decider.end_s) if self._contrast is not None else found

    def _told(self, found: Ruling) -> Ruling:
        """Return a ruling with what went wrong, by how much, and why, in words."""
        decider, witness = self._decider, found.witness
        if witness is not None:
            witness = in_its_range(witness, decider, self._traits)
        if found.verdict is not Verdict.PASS:
            wrong = wrong_of(self.formula, witness, self._traits)
            miss = miss_of(self.formula, witness, self._traits, decider.s1) if witness else None
            found = replace(found, witness=witness, wrong=wrong, miss=miss)
        why = wording.why(
            found,
            self.formula,
            decider,
            self._traits,
            self.seen,
            rate_per_s=self._rate_per_s,
            since=self._since,
        )
        return replace(found, why=why)
