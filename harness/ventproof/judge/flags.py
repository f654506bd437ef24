"""The evidence of one flag or two together, and the open demands on them; for drives."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final, final

from ventproof.drives.base import FlagsDecider, JudgedTime
from ventproof.drives.formulas import FlagsFormula, PausesFormula, StartsAtLeastFormula, StartsAtMostFormula
from ventproof.drives.lasting import LastingDecider
from ventproof.drives.pauses import PausesDecider
from ventproof.drives.runs import FlagRuns
from ventproof.drives.starts import LeastStartsDecider, StartsDecider
from ventproof.envelope.readings import ReadingStats
from ventproof.judge.agreement import AgreementWatch
from ventproof.judge.contrast import Role
from ventproof.judge.flag_words import hollow_why, measured_s, missed, why
from ventproof.judge.joint import JointWatch
from ventproof.judge.watch import Watch, judged_window
from ventproof.judge.wording import STIMULUS, Since
from ventproof.verdict.finding import Rule, Ruling, Verdict
from ventproof_bench.base.evidence import Gap, Sample, SignalTraits, Window

_TAIL: Final = 64
"""Runs of a flag that are kept when nothing has to be remembered."""


def _decider_of(formula: FlagsFormula, stimulus: Window) -> FlagsDecider:
    match formula:
        case PausesFormula():
            return PausesDecider(formula, stimulus)
        case StartsAtMostFormula():
            return StartsDecider(formula, stimulus)
        case StartsAtLeastFormula():
            return LeastStartsDecider(formula, stimulus)
        case _:
            return LastingDecider(formula, stimulus)


@final
class FlagsWatch(JointWatch[FlagsFormula]):
    """A demand on flags being decided. Made by `FlagsTrace.watch`."""

    def __init__(  # noqa: PLR0917 - made in one place only
        self,
        formula: FlagsFormula,
        stimulus: Window,
        rule: Rule,
        traits: Sequence[SignalTraits],
        flags: Sequence[FlagRuns],
        since: Since,
        role: Role,
    ) -> None:
        super().__init__(formula, stimulus, rule, since, role)
        judged = judged_window(stimulus, rule)
        self._traits = traits
        self._flags = flags
        self._decider = _decider_of(formula, judged)
        self._stats = tuple(ReadingStats(judged.earliest_s) for _ in flags)

    @property
    def _judged(self) -> JudgedTime:
        return self._decider.judged

    @property
    def _read(self) -> Sequence[tuple[SignalTraits, ReadingStats]]:
        return tuple(zip(self._traits, self._stats, strict=True))

    def _go_on_after_end(self) -> None:
        self.look(changed=True)

    def close(self, now_s: float) -> Ruling:
        """Decide on what there is: no more evidence will come; see `Watch.close`."""
        if self.ruling is None:
            self._end_with_readings(now_s)
            self._decider.finish(self._flags)
            self._conclude()
        assert self.ruling is not None
        return self.ruling

    def take(self, flag: int, sample: Sample, gap: Gap | None) -> None:
        """Note a reading of one of the flags; for the trace."""
        self._stats[flag].reading(sample, gap)

    def gap(self, flag: int, gap: Gap) -> None:
        """Note a gap in the readings of one of the flags, before the first one after it; for the trace."""
        self._stats[flag].gap(gap)

    def look(self, *, changed: bool) -> None:
        """Draw conclusions; for the trace."""
        if self.ruling is None:
            self._decider.look(self._flags, changed=changed)
            self._conclude()

    def _conclude(self) -> None:
        decider = self._decider
        if decider.verdict is None or self.ruling is not None:
            return
        slack_s = measured_s(self.formula, decider)
        found = Ruling(decider.verdict, "", slack_s=slack_s, miss=missed(self.formula, decider))
        said = why(found, self.formula, decider, self._traits, self._stats, self._since)
        self.ruling = replace(found, why=said)
        held = decider.judged.end_s >= decider.judged.s1
        if decider.verdict is Verdict.PASS and held and not decider.shown(self._flags):
            said, cure = hollow_why(self.formula, self._traits, self._since)
            self.ruling = self._shown(replace(found, slack_s=None), said, cure)


AnyWatch = Watch | FlagsWatch | AgreementWatch
"""A demand being decided: on one signal, on flags together, or on one signal and another."""


@final
class FlagsTrace:
    """What was read of flags on which something is demanded together, as far as it still matters.

    Feed it every reading and every gap in the order in which they came. Its memory grows with the changes of the flags,
    not with the readings.

    Args:
        traits: of each flag.
        rule: how readings are judged.
    """

    def __init__(self, traits: Sequence[SignalTraits], rule: Rule) -> None:
        self.traits = tuple(traits)
        self._rule = rule
        self._flags = tuple(FlagRuns(one, as_read=rule is Rule.SIMPLE) for one in traits)
        # What one request reads is of one instant only if it is equally old.
        self._at_once = len({one.refreshed_every_s for one in traits}) == 1
        self._requests = 0
        self._watches: list[FlagsWatch] = []
        self._gaps: list[Gap | None] = [None] * len(self.traits)
        self._fresh = [False] * len(self.traits)
        self._last: list[Sample | None] = [None] * len(self.traits)

    def observe(self, values: Sequence[float | None], requested_s: float, replied_s: float) -> None:
        """Take what one request read of the flags, None where it did not read one."""
        number = None
        if self._at_once and None not in values:
            number, self._requests = self._requests, self._requests + 1
        changed = False
        for flag, value in enumerate(values):
            if value is None:
                continue
            fresh, gap, self._fresh[flag], self._gaps[flag] = self._fresh[flag], self._gaps[flag], False, None
            changed |= self._flags[flag].observe(value, requested_s, replied_s, number, fresh=fresh)
            self._last[flag] = sample = Sample(value, requested_s, replied_s)
            for watch in self._watches:
                watch.take(flag, sample, gap)
        if self._watches:
            for watch in self._watches:
                watch.look(changed=changed)
            self._watches = [watch for watch in self._watches if watch.ruling is None]

    def gap(self, gap: Gap, flags: Collection[int]) -> None:
        """Note a span without evidence of some of the flags, before the first reading after it."""
        for flag in flags:
            self._gaps[flag] = gap
            self._fresh[flag] |= gap.reason in {"restart", "disconnected"}
            for watch in self._watches:
                watch.gap(flag, gap)

    def withdraw(self, gap: Gap, flags: Collection[int]) -> None:
        """Take back what was read; no open watch goes on with the rest. What comes next is read as if the first."""
        for runs in self._flags:
            runs.clear()
        self._watches.clear()
        self._last = [None] * len(self.traits)
        self.gap(gap, flags)

    def remember_from(self, t_s: float) -> None:
        """Forget what ended before, but for a short tail and what is being judged."""
        from_s = min([t_s, *(watch.judged_from_s for watch in self._watches)])
        for runs in self._flags:
            runs.forget(from_s, _TAIL)

    def watch(
        self,
        formula: FlagsFormula,
        stimulus: Window,
        rule: Rule = Rule.GUARDED,
        since: Since = STIMULUS,
        *,
        role: Role = Role.CONDITION,
        until: Window | None = None,
    ) -> FlagsWatch:
        """Open a watch; readings since the stimulus that are still remembered count. See `SignalTrace.watch`."""
        assert rule is self._rule
        watch = FlagsWatch(formula, stimulus, rule, self.traits, self._flags, since, role)
        for flag, (last, gap) in enumerate(zip(self._last, self._gaps, strict=True)):
            if last is not None:
                watch.take(flag, last, None)
            if gap is not None:
                watch.gap(flag, gap)
        if until is not None:
            watch.end_at(until.earliest_s, until.latest_s)
        watch.look(changed=True)
        if watch.ruling is None:
            self._watches.append(watch)
        return watch
