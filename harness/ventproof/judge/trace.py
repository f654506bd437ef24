"""One signal's evidence: takes its readings once, and serves every watch that is opened on it."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from itertools import repeat
from typing import TYPE_CHECKING, Final, final

from ventproof.deciders.formulas import Formula
from ventproof.envelope.envelope import Cones, Envelope, Pairs
from ventproof.envelope.jumps import Jumps
from ventproof.envelope.readings import Arrived, ReadingHistory
from ventproof.envelope.reckoned import Reckoned
from ventproof.envelope.spans import INF, Block, Piece, Reading, clip
from ventproof.judge.agreement import Tap
from ventproof.judge.contrast import Role
from ventproof.judge.watch import Watch, reading_error
from ventproof.judge.wording import STIMULUS, Since
from ventproof.verdict.finding import Rule
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from ventproof.envelope.spans import Floats

_LEAST: Final = 24
"""Fewer readings than this cost less one by one than as a block."""
_SINGLY: Final = 8
"""So many readings are taken one by one before it is tried again to take more."""
_FEW: Final = 2048
"""Readings that are looked at together after one that may have decided something; twice as many each time."""
_MOST: Final = 8192
"""Readings that are looked at together, at most."""
_AHEAD: Final = 400
"""Readings that are imagined ahead: a signal that stands is put by for as long at most."""
_STANDS: Final = 16
"""A signal stands after so many equal readings; where it did not help to look ahead, after twice as many each time."""
_WIDER: Final = 1.25
"""Readings this much farther apart than the last two are still put by."""


@final
@dataclass(slots=True)
class _PutBy:
    """Equal readings that decide nothing yet, and which of the next ones go with them.

    Attributes:
        value: of all.
        until_s: replied to no later.
        spacing_s: no farther apart.
        trip_s: from request to reply at most.
        last_s: when the last one was requested.
        requested_s: when each was requested.
        replied_s: when each was replied to.
    """

    value: float
    until_s: float
    spacing_s: float
    trip_s: float
    last_s: float
    requested_s: list[float] = field(default_factory=list)
    replied_s: list[float] = field(default_factory=list)

    def takes(self, value: float, requested_s: float, replied_s: float) -> bool:
        """Put a reading by if it goes with the others; return whether it does."""
        if (
            value != self.value
            or replied_s > self.until_s
            or replied_s - requested_s > self.trip_s
            or not 0.0 < requested_s - self.last_s <= self.spacing_s
        ):
            return False
        self.last_s = requested_s
        self.requested_s.append(requested_s)
        self.replied_s.append(replied_s)
        return True


@final
class SignalTrace:
    """Everything that was read of one signal, as far as it still matters.

    Feed it every reading and every gap in the order in which they came. Each costs the same however long
    the run is; memory is a short tail, unless `remember_from` asks for more.
    """

    def __init__(self, traits: SignalTraits) -> None:
        self.traits = traits
        self._envelope = _guarded_envelope(traits)
        self._error = reading_error(traits)
        self._history = ReadingHistory(self._error, traits.refreshed_every_s)
        self._drawn: ReadingHistory | None = None
        self._keep_from_s = INF
        self._watches: list[Watch | Tap] = []
        self._gap: Gap | None = None
        self._restarted = False
        self._lost = False
        self._count = 0.0
        self._last: Sample | None = None
        self._put_by: _PutBy | None = None
        self._equal, self._look_at = 0, _STANDS

    def puts_by(self, value: float, requested_s: float, replied_s: float) -> bool:
        """Put a reading by if it and others like it decide nothing; return whether they do not.

        What a watch says in between, other than its ruling, may lag behind until `settle`.
        """
        return self._put_by is not None and self._put_by.takes(value, requested_s, replied_s)

    def follow(self, sample: Sample) -> None:
        """Take one reading as `observe` does, after those that were put by, and look whether the next may be.

        Raises:
            EvidenceError: as `observe`.
            ValueError: as `observe`.
        """
        self.settle()
        last = self._last
        self.observe(sample)
        if last is None or sample.value != last.value:
            self._equal, self._look_at = 0, _STANDS
            return
        self._equal += 1
        if self._equal >= self._look_at:
            self._put_by = self._ahead(sample, sample.requested_s - last.requested_s)
            self._look_at = _STANDS if self._put_by else 2 * self._equal

    def settle(self) -> None:
        """Take what was put by."""
        put_by, self._put_by = self._put_by, None
        if put_by is not None and put_by.requested_s:
            values = repeat(put_by.value, len(put_by.requested_s))
            self.observe_block(Block.of(values, put_by.requested_s, put_by.replied_s))

    def observe(self, sample: Sample) -> None:
        """Take one reading and let the open watches draw their conclusions.

        Raises:
            EvidenceError: the readings contradict what the bench file declares of the signal.
            ValueError: the reading is older than the one before.
        """
        last = self._last
        if last and (sample.requested_s < last.requested_s or sample.replied_s < last.replied_s):
            raise ValueError(
                f"{self.traits.name}: a reading requested at {sample.requested_s!r} s came after "
                f"one requested at {last.requested_s!r} s; feed readings in the order of their polls"
            )
        arrived = self._arrival(sample, last)
        self._last = sample
        # The envelope first: it refuses what contradicts the bench file before any watch concludes anything from it.
        pieces = self._envelope.observe(arrived.sample, fresh=arrived.fresh)
        narrowed = self._envelope.narrowed
        self._history.add(arrived, pieces, narrowed, self._keep_from_s)
        if self._drawn is not None:
            self._drawn.add(arrived, pieces, narrowed, -INF)
        if self._watches:
            decided = False
            for watch in self._watches:
                watch.take(arrived, pieces, narrowed)
                decided = decided or watch.ruling is not None
            if decided:
                self._watches = [watch for watch in self._watches if watch.ruling is None]

    def observe_block(self, block: Block) -> None:
        """Take readings between which there was no gap; concludes what `observe` concludes from one after the other.

        Stretches in which nothing moves faster than a reading's own uncertainty hides, far from every decision,
        are taken at once; everything else goes the one way that there is.

        Raises:
            EvidenceError: as `observe`, at the same reading.
            ValueError: as `observe`, at the same reading.
        """
        # Readings before one that may decide something are taken singly while their pieces are not final before it.
        lag = self._envelope.lag
        least = _LEAST + lag
        breaks = self._breaks(block) if len(block) > least else [0, len(block)]
        at, ahead, singly = 0, _FEW, 2
        while at < len(block):
            for sample in block.part(at, at + singly):
                self.observe(sample)
            at += singly
            # A break at `at` itself leaves nothing to leap over: that reading goes singly.
            end = min(at + ahead, breaks[bisect_left(breaks, at)]) if at < len(block) else at
            done = self._leap(block.part(at, end)) if end - at >= least else 0
            if done:
                at += done
                self._last = block[at - 1]
            if done and at + lag == end:
                ahead, singly = min(2 * ahead, _MOST), 0
            else:
                ahead, singly = _FEW, 1 + lag if done else _SINGLY

    def gap(self, gap: Gap) -> None:
        """Note a span without evidence, before the first reading after it."""
        self.settle()
        self._gap = gap
        self._restarted = self._restarted or gap.reason == "restart"
        self._lost = self._lost or gap.reason in {"restart", "disconnected"}
        for watch in self._watches:
            watch.gap(gap)

    def withdraw(self, gap: Gap) -> None:
        """Take back the readings that were requested from the gap's begin on; no open watch goes on with the rest.

        What comes next is read as if it were the first.
        """
        self.settle()
        for history in (self._history, self._drawn):
            if history is not None:
                history.withdraw(gap.from_s)
        self._envelope = _guarded_envelope(self.traits)
        self._watches.clear()
        self._last = None
        self.gap(gap)
        self._lost = True

    def remember_from(self, t_s: float | None) -> None:
        """Keep readings from `t_s` on for watches that will be opened later; None: keep a short tail only."""
        self.settle()
        self._keep_from_s = INF if t_s is None else t_s
        self._history.forget(self._keep_from_s)

    def draw(self, each: int) -> None:
        """Keep all that comes to be drawn, of every `each` readings in which nothing happens the extremes alone."""
        self._drawn = ReadingHistory(self._error, self.traits.refreshed_every_s, each)

    def watch(
        self,
        formula: Formula,
        stimulus: Window,
        rule: Rule = Rule.GUARDED,
        since: Since = STIMULUS,
        *,
        role: Role = Role.CONDITION,
        until: Window | None = None,
        worded: bool = True,
    ) -> Watch:
        """Open a watch; readings since the stimulus that are still remembered count.

        Args:
            formula: what is demanded.
            stimulus: the window that contains the instant from which it counts.
            rule: how readings are judged.
            since: what happened then, for the ruling's sentence.
            role: what a pass has to show.
            until: the window in which the condition of an open-ended `Stays` ended, if it is over already.
            worded: whether its ruling says why, for which an open one is tried on other evidence.
        """
        self.settle()
        watch = Watch(formula, stimulus, rule, self.traits, self._envelope, since, role, worded=worded)
        since_s, enough_s = stimulus.earliest_s, INF
        if until is not None:
            # Before anything is replayed: what came after the end does not belong to the condition.
            watch.end_at(until.earliest_s, until.latest_s)
            enough_s = until.latest_s + self.traits.refreshed_every_s  # what came later is another stretch's
        history = self._history
        watch.replay(
            history.arrived(since_s, enough_s),
            history.pieces(since_s, enough_s),
            history.narrowed(since_s, enough_s),
        )
        if self._gap is not None:
            watch.gap(self._gap)
        if watch.ruling is None:
            self._watches.append(watch)
        return watch

    def tap(self, tap: Tap, since_s: float) -> None:
        """Let a watch on two signals take what is remembered since an instant, and all that comes."""
        self.settle()
        tap.replay(self._history.arrived(since_s), self._history.pieces(since_s))
        if self._gap is not None:
            tap.gap(self._gap)
        self._watches.append(tap)

    @property
    def envelope(self) -> Envelope:
        """What is known between the readings, of those that still matter."""
        self.settle()
        return self._envelope

    @property
    def last(self) -> Sample | None:
        """The last reading, as it was read; None before the first."""
        self.settle()
        return self._last

    @property
    def arrived(self) -> tuple[Arrived, ...]:
        """The readings that are remembered, or kept to be drawn, in order."""
        self.settle()
        return tuple((self._drawn or self._history).arrived(-INF))

    def pieces(self, until_s: float) -> list[Piece]:
        """Return the envelope over all that is remembered or kept to be drawn, as it stands now, up to `until_s`."""
        self.settle()
        return [*(self._drawn or self._history).pieces(-INF), *self._envelope.provisional(until_s)]

    def bounds_at(self, t_s: float) -> tuple[float, float]:
        """Return between which values the truth was at `t_s`, as far as known now; infinite where unknown."""
        pieces = self.pieces(t_s)
        if pieces and pieces[0].t0 > t_s:
            part: Piece | None = clip(self._envelope.before(pieces[0], t_s), t_s, t_s)
        else:
            part = next((found for piece in reversed(pieces) if (found := clip(piece, t_s, t_s))), None)
        if part is None and self._last is not None and isinstance(self._envelope, Cones):
            part = self._envelope.alone(t_s)
        return (part.l0, part.u0) if part is not None else (-INF, INF)

    def _arrival(self, sample: Sample, last: Sample | None) -> Arrived:
        traits = self.traits
        restarted, lost, gap = self._restarted, self._lost, self._gap
        self._restarted, self._lost, self._gap = False, False, None
        if traits.unit == "count":
            step = sample.value - last.value if last is not None else 0.0
            if traits.wraps_at and step < 0:
                step += traits.wraps_at
            # A step back, or one over half of the counter's range, is no count: the counter was set anew.
            if step < 0 or (traits.wraps_at and step > traits.wraps_at / 2):
                restarted, step = True, 0.0
            self._count = sample.value if last is None else self._count + (0.0 if restarted else step)
            sample = Sample(self._count, sample.requested_s, sample.replied_s)
            # A counter's own readings tell whether it was set anew; a lost connection alone loses no count.
            lost = restarted
        reading = Reading(
            sample.value - self._error,
            sample.value + self._error,
            sample.requested_s - traits.refreshed_every_s,
            sample.replied_s,
            lost,
            gap is not None,
        )
        return Arrived(sample, reading, lost, gap)

    def _ahead(self, last: Sample, spacing_s: float) -> _PutBy | None:
        """Return what readings may be put by after the last one; None where one of the next may decide something.

        The bounds that readings leave lie between those of the widest that are put by, and of the narrowest, which are
        instants. What neither decides, these do not.
        """
        import numpy as np  # noqa: PLC0415 - with the first ruling

        if any(isinstance(watch, Tap) for watch in self._watches):
            return None  # what one signal shows depends on the other
        spacing_s, trip_s = _WIDER * spacing_s, 2 * (last.replied_s - last.requested_s)
        requested_s: Floats = last.requested_s + spacing_s * np.arange(float(_AHEAD))
        values = np.full(_AHEAD, last.value)
        until_s = min(self._calm_until_s(Block(values, requested_s, requested_s + s)) for s in (trip_s, 0.0))
        return _PutBy(last.value, until_s, spacing_s, trip_s, last.requested_s) if until_s > -INF else None

    def _calm_until_s(self, block: Block) -> float:
        """Return when the last reply comes that certainly decides nothing; -inf where that is too soon to matter.

        Args:
            block: the last reading, and others like it.
        """
        if not self._envelope.still or self._breaks(block) != [0, len(block)]:
            return -INF
        ahead = self._standing(block.part(1, len(block)))
        count = len(ahead)
        if self._watches:
            corners = self._envelope.preview(ahead)
            count = min(watch.calm(ahead, corners) for watch in self._watches)
        count -= self._envelope.lag
        return float(ahead.replied_s[count - 1]) if count >= _LEAST else -INF

    def _standing(self, block: Block) -> Block:
        """Return quiet readings as they are judged; those of a counter are all the same: the count so far."""
        return block.with_values(block.values * 0 + self._count) if self.traits.unit == "count" else block

    def _leap(self, block: Block) -> int:
        """Take as many of the next readings at once as certainly change no verdict; return how many."""
        if not self._envelope.still:
            return 0
        block = self._standing(block)  # of a counter the first went singly
        corners = self._envelope.preview(block)
        count = len(block)
        for watch in self._watches:
            count = min(count, watch.calm(block, corners))
        count -= self._envelope.lag
        if count < _LEAST:
            return 0
        block = block.part(0, count)
        corners = corners.until(float(self._envelope.instants(block)[-1]))
        for watch in self._watches:
            # Every watch agreed to all of them, so every watch takes all of them.
            watch.take_block(block, corners)
        self._envelope.skip(block)
        self._history.fold(block, corners, self._keep_from_s)
        if self._drawn is not None:
            self._drawn.fold(block, corners, -INF)
        return count

    def _breaks(self, block: Block) -> list[int]:
        """Return which readings cannot be taken together with those before them; the first never can."""
        quiet = self._envelope.quiet(block)
        quiet &= block.requested_s[1:] >= block.requested_s[:-1]
        quiet &= block.replied_s[1:] >= block.replied_s[:-1]
        if self.traits.unit == "count":
            quiet &= block.values[1:] == block.values[:-1]
        for watch in self._watches:
            watch.still_quiet(block, quiet)
        return [0, *((~quiet).nonzero()[0] + 1).tolist(), len(block)]


def _guarded_envelope(traits: SignalTraits) -> Envelope:
    if isinstance(traits, ReckonedTraits):
        return Reckoned(traits)
    if traits.rate_per_s is not None and not is_discrete(traits.unit):
        return (Jumps if traits.jumps_to else Cones)(traits, traits.rate_per_s)
    return Pairs(traits, always_known=traits.unit == "count")
