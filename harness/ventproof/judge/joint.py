"""What open demands on two signals or on flags have in common: the time judged, and passes that show nothing."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Generic, TypeVar

from ventproof.drives.formulas import AgreesFormula, FlagsFormula
from ventproof.envelope.spans import INF
from ventproof.judge.contrast import Role
from ventproof.verdict.finding import Rule, Ruling, Verdict

if TYPE_CHECKING:
    from ventproof.drives.base import JudgedTime
    from ventproof.envelope.readings import ReadingStats
    from ventproof.judge.wording import Since
    from ventproof_bench.base.evidence import SignalTraits, Window


F = TypeVar("F", bound=FlagsFormula | AgreesFormula)


class JointWatch(ABC, Generic[F]):
    """A demand on signals together being decided.

    Attributes:
        formula: what is demanded.
        stimulus: the window that contains the instant from which it counts.
        rule: how readings are judged.
        ruling: None while undecided; once there is one it never changes.
    """

    def __init__(self, formula: F, stimulus: Window, rule: Rule, since: Since, role: Role) -> None:
        self.formula = formula
        self.stimulus = stimulus
        self.rule = rule
        self.ruling: Ruling | None = None
        self._since = since
        self._role = role

    @property
    @abstractmethod
    def _judged(self) -> JudgedTime:
        """The time that is judged."""

    @property
    @abstractmethod
    def _read(self) -> Sequence[tuple[SignalTraits, ReadingStats]]:
        """How densely each signal was read."""

    @property
    def seen(self) -> ReadingStats:
        """How densely that signal was read whose last reading is the newest."""
        return max((stats for _, stats in self._read), key=lambda stats: stats.last_s)

    @property
    def judged_from_s(self) -> float:
        """Earliest instant that is judged, loop time: that of the stimulus."""
        return self._judged.s1

    @property
    def judged_to_s(self) -> float:
        """Last instant that the formula speaks of, loop time; infinite for a span without an end."""
        return self._judged.end_s

    @property
    def surely_to_s(self) -> float:
        """Last instant at which the demand is in force for certain, loop time."""
        judged = self._judged
        return judged.last_s if judged.for_s is None else judged.end_s

    @property
    def horizon_s(self) -> float:
        """Latest loop time at which evidence still matters; infinite for a span without an end."""
        # Until two cones cut each other the rate bridges twice the error; flags have none. Four polls on top.
        return self.judged_to_s + max(
            traits.refreshed_every_s
            + 4 * (stats.spacing_s or 1.0)
            + 2 * traits.error / (traits.rate_per_s or INF)
            for traits, stats in self._read
        )

    def end_at(self, earliest_s: float, latest_s: float | None = None) -> None:
        """Say between which instants the condition of a demand without an end was over; see `Watch.end_at`."""
        if self.ruling is None and self._judged.for_s is None:
            self._judged.end_at(earliest_s, earliest_s if latest_s is None else latest_s)
            self._go_on_after_end()

    @abstractmethod
    def _go_on_after_end(self) -> None:
        """Draw conclusions from the condition's end."""

    def _end_with_readings(self, now_s: float) -> None:
        """End a span without an end where the last readings do, as far as these are recent."""
        if self.judged_to_s == INF:
            end_s = min(stats.last_recent_s(now_s) - traits.refreshed_every_s for traits, stats in self._read)
            self._judged.end_at(end_s, end_s)

    def _shown(self, found: Ruling, said: str, cure: str) -> Ruling:
        """Return a pass that shows nothing: hollow, and inconclusive where it was to prove something."""
        hollow = replace(found, hollow=True, why=said)
        if self._role is Role.PROOF:
            return replace(hollow, verdict=Verdict.INCONCLUSIVE, why=f"{said}; {cure}")
        return hollow
