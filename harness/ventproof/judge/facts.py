"""Whether a travelling signal's readings belie what the bench file declares of it (pure).

What no course could show, the envelope refuses. This is about what a course could show, but no drive does again and
again by chance: steps that are all multiples of a coarse one, and stands with full jumps between them.
"""

from __future__ import annotations

from math import gcd, log
from typing import TYPE_CHECKING, Final, final

from ventproof.verdict.text import number_text, value_text
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from ventproof.envelope.spans import Block
    from ventproof_bench.base.evidence import Sample, SignalTraits

_COARSE: Final = 3
"""All steps are multiples of so many declared ones before anything is said: less is hardly a wrong fact."""
_CHANGES: Final = 20
"""Steps that each are such a multiple by one chance in `_COARSE`, or less: together one in three thousand million."""
_STEADY: Final = 0.4
"""Of the fastest: a drive that moves on less than this may have stood at each reading, by jogs of one length."""

_FULL: Final = 0.3
"""A jump is full when the travel that it needs leaves no more than this of the time that it can have taken."""
_BRISK: Final = 0.6
"""Of the fastest, the stand included: what jogs between two polls, and stands from one to the next, gets half of it."""
_HIT: Final = log(0.9 / _FULL)
_MISS: Final = log(0.1 / (1 - _FULL))
_ENOUGH: Final = log(1e9)
_MARGIN_S: Final = 1e-6  # of rounding in the log


def steps(traits: SignalTraits) -> bool:
    """Return whether readings of a signal go in steps that can belie what is declared of it.

    What is reckoned from contacts has none.
    """
    return bool(traits.rate_per_s) and not isinstance(traits, ReckonedTraits)


@final
class DeclaredFacts:
    """Resolution and refresh interval of one signal, held against its readings. The cost of each is constant.

    **Resolution.** The greatest common divisor of all differences, in declared steps. A drive at an even speed, read
    at an even interval, makes equal steps: a step counts only if it differs from the one before, or is longer than the
    drive gets from one reading to the next. Copied at an even interval it makes multiples of what it travels
    meanwhile: a divisor within that says nothing.

    **Refresh.** A reading that stays for longer than the refresh interval shows a stand. Of a drive that stands
    between jogs, a jog begins and ends at any moment between two polls, so that a part of it is mostly seen: chance
    gives a full jump at most `_FULL` of the time. A register that is copied seldom shows nothing else. The ratio of
    both likelihoods is a martingale for the true facts; it ever exceeds a thousand million with a chance of one in as
    many (Ville's inequality). Jogs that keep step with the polls are no chance, but slow: against the facts counts
    only what is brisk for all its stands.

    Args:
        traits: what the bench file declares.
    """

    __slots__ = (
        "_brisk",
        "_changes",
        "_divisor",
        "_evidence",
        "_first",
        "_last",
        "_left_s",
        "_longest_s",
        "_stood",
        "_traits",
        "_travel",
        "_unseen",
    )

    def __init__(self, traits: SignalTraits) -> None:
        self._traits = traits
        self._divisor = self._changes = 0
        self._evidence = self._longest_s = 0.0
        self.interrupt()

    def interrupt(self) -> None:
        """Note that readings are missing: what comes next follows nothing."""
        self._first: Sample | None = None
        self._last: Sample | None = None
        self._travel = 0.0  # the last step
        self._left_s = 0.0  # when the reading before the last step was requested
        self._unseen: float | None = (
            None  # of the time of the last step what its travel leaves; None without one
        )
        self._stood = False  # whether a stand was seen before the last step, on the way
        self._brisk = False  # whether the last step was brisk for the stand before it

    def observe(self, sample: Sample) -> str:
        """Take one reading; return why the facts cannot be true, as a sentence, or nothing."""
        last = self._last
        if last is None:
            self._first = sample
        elif sample.value != last.value:
            if self._jumped(last, sample):
                self.interrupt()
                self._first = self._last = sample
                return ""
            self._last = sample
            return self._step(last, sample)
        self._last = sample
        return ""

    def observe_block(self, block: Block) -> str:
        """Take readings without a gap between them; return what `observe` first returns of one after the other."""
        why, last = self.observe(block[0]), 0
        for index in (block.values[1:] != block.values[:-1]).nonzero()[0].tolist():
            if index > last:
                self._last = block[index]
            last = index + 1
            why = why or self.observe(block[last])
        self._last = block[-1]
        return why

    def _jumped(self, last: Sample, sample: Sample) -> bool:
        """Return whether a unit that reckons may have found its reference there: no drive made that step."""
        traits = self._traits
        near = (abs(sample.value - place) <= traits.error for place in traits.jumps_to)
        return any(near) and abs(sample.value - last.value) <= traits.jumps_by + 2 * traits.error

    def _step(self, last: Sample, sample: Sample) -> str:
        first, step = self._first, sample.value - last.value
        assert first is not None, "there was a reading before"
        self._first = sample
        goes_on = step * self._travel > 0
        why = self._resolution(first, last, sample, goes_on=goes_on) or self._refresh(
            first, last, sample, goes_on=goes_on
        )
        self._travel = step
        return why

    def _resolution(self, first: Sample, last: Sample, sample: Sample, *, goes_on: bool) -> str:
        traits, rate = self._traits, self._traits.rate_per_s or 0.0
        if not traits.step:
            return ""
        step = sample.value - last.value
        counts = round(step / traits.step)
        self._divisor = gcd(self._divisor, counts)
        coarse = self._divisor * traits.step
        if self._divisor < _COARSE or coarse <= rate * traits.refreshed_every_s + traits.step:
            self._changes = 0
            return ""
        if goes_on:
            uneven = counts != round(self._travel / traits.step)
            steady = abs(step) >= _STEADY * rate * (sample.replied_s - first.requested_s)
            far = abs(step) > rate * (sample.replied_s - last.requested_s)
            self._changes += (uneven and steady) or far
        if self._changes < _CHANGES:
            return ""
        return (
            f"every step of {traits.name} was a multiple of {number_text(coarse)} {traits.unit}, where a resolution "
            f"of {number_text(traits.step)} {traits.unit} is declared: readings this coarse decide nothing; "
            f"declare `resolution: {number_text(coarse)} {traits.unit}`, or correct the register's scale"
        )

    def _refresh(self, first: Sample, last: Sample, sample: Sample, *, goes_on: bool) -> str:
        traits, rate = self._traits, self._traits.rate_per_s or 0.0
        stand_s = last.requested_s - first.replied_s
        stands = goes_on and stand_s > traits.refreshed_every_s + _MARGIN_S
        if stands:
            self._longest_s = max(self._longest_s, stand_s)
        if self._unseen is not None and (self._stood or stands):
            before = self._stood and self._brisk
            after = stands and abs(self._travel) >= _BRISK * rate * (last.replied_s - self._left_s)
            if self._unseen > _FULL:
                self._evidence += _MISS
            elif before or after:
                self._evidence += _HIT
        step = abs(sample.value - last.value)
        needs_s = (step - 2 * traits.error) / rate
        most_s = sample.replied_s - last.requested_s + traits.refreshed_every_s
        self._unseen, self._stood, self._left_s = 1 - needs_s / most_s, stands, last.requested_s
        self._brisk = step >= _BRISK * rate * (sample.replied_s - first.requested_s)
        if self._evidence < _ENOUGH:
            return ""
        return (
            f"{traits.name} stayed unchanged for up to {value_text(self._longest_s, 2)} s repeatedly on its way and "
            f"jumped between, where refreshed_every declares {number_text(traits.refreshed_every_s)} s: its "
            "register is copied less often, or in coarser steps; measure it with `ventproof selfcheck`, and declare "
            "what that finds"
        )
