"""Whether a pass shows anything: what was demanded did not hold all the way from before its stimulus (pure)."""

from __future__ import annotations

from dataclasses import replace
from enum import Enum
from typing import TYPE_CHECKING, Final, final

from ventproof.deciders import formulas
from ventproof.envelope.spans import EPS, EPS_S, INF
from ventproof.verdict.finding import Bounds, Ruling, Verdict

if TYPE_CHECKING:
    from ventproof.deciders.formulas import Formula
    from ventproof.envelope.spans import Reading
    from ventproof_bench.base.evidence import Gap


@final
class Role(Enum):
    """What a pass has to show."""

    CONDITION = "condition"
    """Nothing: it is a condition of the start state, or one that is watched through the whole run."""
    PROOF = "proof"
    """That something came about: it was not so already before, and all the way since."""
    STATE = "state"
    """That it is so: the profile says that this is enough."""


_USUAL: Final = (
    3  # a reading that is older than so many of them come after one another is not of shortly before
)
_ROUNDED_S: Final = 2.5e-6  # windows of the log are rounded outward to 1 µs at both ends


@final
class PassContrast:
    """Looks for a reading that is certain to differ from what is demanded, from the last one before the stimulus on.

    That last one counts only where readings did not fail to come since: what is not known shows nothing.

    Args:
        band: which readings are as demanded; None for a travel, where two readings must differ from each other.
        from_s: earliest instant of the stimulus, s.
        event: the stimulus, as it follows "before".
        role: what a pass has to show.
    """

    def __init__(self, band: Bounds | None, from_s: float, event: str, role: Role) -> None:
        self._band = band
        self._from_s = from_s
        self._event = event
        self._enough = role is Role.STATE
        self._before: Bounds | None = None
        self._read_s, self._usual_s = -INF, 0.0  # when that was, and how long after the one before it
        self._top, self._bottom = -INF, INF  # the greatest `lo` and the least `hi` of the readings that count
        self._differs_s = INF

    def reading(self, reading: Reading) -> None:
        """Take the next reading, or the hull of several after the stimulus."""
        lo, hi, _, b, *_ = reading
        if b <= self._from_s + _ROUNDED_S:
            self._forget()
            self._before = Bounds(lo, hi)
            self._read_s, self._usual_s = b, b - self._read_s if self._read_s > -INF else 0.0
        self._top, self._bottom = max(self._top, lo), min(self._bottom, hi)
        if self._differs_s == INF and self._differ():
            self._differs_s = b

    def gap(self, gap: Gap) -> None:
        """Note a span in which nothing was read, since the last reading; the first one after it comes next."""
        if gap.from_s < self._from_s and self._from_s - self._read_s > _USUAL * self._usual_s:
            self._forget()

    def weighed(self, found: Ruling, end_s: float) -> Ruling:
        """Return a ruling; a pass that shows nothing is marked, and is none unless the profile says it is enough.

        Args:
            found: what the demand alone says.
            end_s: last instant that the demand speaks of.
        """
        # What differed after the response came does not show that it was one.
        until_s = self._from_s + found.response_s.high if self._band and found.response_s else end_s
        if found.verdict is not Verdict.PASS or self._differs_s <= until_s + EPS_S:
            return found
        said, cure = self._said()
        hollow = replace(found, response_s=None, slack_s=None, hollow=True)
        if self._enough:
            return replace(hollow, why=f"{said}; the profile states that this is enough")
        return replace(hollow, verdict=Verdict.INCONCLUSIVE, why=f"{said}; {cure}")

    def _forget(self) -> None:
        self._before, self._top, self._bottom, self._differs_s = None, -INF, INF, INF

    def _differ(self) -> bool:
        if self._band is None:
            return self._top > self._bottom + EPS
        return self._top > self._band.high + EPS or self._bottom < self._band.low - EPS

    def _said(self) -> tuple[str, str]:
        """Return what nothing is shown for, and what would make it a proof."""
        if self._band is None:
            said = (
                f"nothing shows that it moved since {self._event}, so this shows nothing about how it moves"
            )
            return said, "require it of a travel, or `stays` of a vent that must not move"
        cure = "begin the step in another state, or state `already_so: enough` if no change is required"
        before = self._before
        if before is None:
            return (
                f"not known to have been different before {self._event}: nothing was read shortly before",
                cure,
            )
        if before.low >= self._band.low - EPS and before.high <= self._band.high + EPS:
            return f"already as required before {self._event}", cure
        return f"perhaps already as required before {self._event}: the readings do not show it", cure


def contrast_of(formula: Formula, from_s: float, event: str, role: Role) -> PassContrast | None:
    """Return what weighs the passes of a demand; None where each of them shows something.

    A count, a beginning and a rate of travel, and a return that must not come too early are themselves the change
    that they demand; `stays` and `unchanged` demand that there is none.

    Args:
        formula: what is demanded.
        from_s: earliest instant of the stimulus, s.
        event: the stimulus, as it follows "before".
        role: what a pass has to show.
    """
    if role is Role.CONDITION:
        return None
    match formula:
        case formulas.EqualsFormula(value=value):
            band: Bounds | None = Bounds(value, value)
        case formulas.ReachesFormula() | formulas.ReturnsFormula(not_before_s=0.0):
            band = Bounds(formula.target - formula.tolerance, formula.target + formula.tolerance)
        case formulas.OvershootsAtMostFormula() | formulas.NeverReversesFormula():
            band = None
        case _:
            return None
    return PassContrast(band, from_s, event, role)
