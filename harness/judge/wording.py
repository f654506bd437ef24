"""The one sentence that says why, for whoever stands at the bench (pure)."""

from __future__ import annotations

from typing import final

from bench.samples import Gap, Sample, SignalTraits
from harness.judge import formulas
from harness.judge.count import CountDecider
from harness.judge.decider import Decider
from harness.judge.formulas import Formula
from harness.judge.spans import INF
from harness.judge.verdict import Bounds, Finding, Verdict


@final
class Seen:
    """How densely the signal was read since the stimulus."""

    __slots__ = ("_from_s", "_last", "count", "gaps_s", "longest_gap", "spacing_s", "trip_s", "widest_s")

    def __init__(self, from_s: float) -> None:
        self._from_s = from_s
        self._last: Sample | None = None
        self.count = 0
        self.spacing_s = 0.0
        self.widest_s = 0.0
        self.trip_s = 0.0
        self.longest_gap: Gap | None = None

    def reading(self, sample: Sample, gap: Gap | None) -> None:
        """Note one reading and the gap before it."""
        last, self._last = self._last, sample
        if sample.replied_s < self._from_s:
            return
        self.count += 1
        self.trip_s = max(self.trip_s, sample.replied_s - sample.requested_s)
        if last is not None:
            apart = (sample.requested_s + sample.replied_s - last.requested_s - last.replied_s) / 2
            self.widest_s = max(self.widest_s, apart)
            self.spacing_s = apart if not self.spacing_s else min(self.spacing_s, apart)
        if gap is not None:
            self.gap(gap)

    def gap(self, gap: Gap) -> None:
        """Note a gap."""
        longest = self.longest_gap
        if gap.to_s >= self._from_s and (
            longest is None or gap.to_s - gap.from_s > longest.to_s - longest.from_s
        ):
            self.longest_gap = gap


def why(found: Finding, formula: Formula, decider: Decider, traits: SignalTraits, seen: Seen) -> str:
    """Return the sentence for a finding."""
    unit = "" if traits.unit in {"flag", "state", "count"} else f" {traits.unit}"
    if found.verdict is Verdict.INCONCLUSIVE:
        return _undecided(found, decider, traits, seen, unit)
    return _outcome(found, formula, unit)


def _outcome(found: Finding, formula: Formula, unit: str) -> str:
    good = found.verdict is Verdict.PASS
    when = f", {_span(found.response_s)} after the stimulus" if found.response_s else ""
    saw = f" (between {_range(found.seen, unit)} in the judged span)" if found.seen else ""
    match formula:
        case formulas.Reaches():
            what = (
                "came into the band in time and kept it" if formula.holds_s else "came into the band in time"
            )
            return (
                f"{what}{when}"
                if good
                else f"never in the band in time{' for the whole hold' if formula.holds_s else ''}{saw}"
            )
        case formulas.Equals():
            return f"took the value{when}" if good else "did not take the value in time"
        case formulas.Stays():
            return f"stayed within its limits{saw}" if good else f"left its limits{saw}"
        case formulas.Returns():
            return f"came back when it should{when}" if good else f"came back too early, or not in time{saw}"
        case formulas.StartsMoving():
            return f"began to move{when}" if good else f"did not move in time{saw}"
        case formulas.Unchanged():
            return f"did not move{saw}" if good else f"moved although it should not{saw}"
        case formulas.MovesAt():
            return (
                f"travelled at the rate demanded{when}"
                if good
                else "did not travel at the rate demanded in time"
            )
        case formulas.OvershootsAtMost():
            return f"did not overshoot too far{saw}" if good else f"overshot too far{saw}"
        case formulas.NeverReverses():
            return f"travelled one way only{saw}" if good else f"reversed{saw}"
        case formulas.Counts():
            return "counted exactly" if good else "counted wrong"


def _undecided(found: Finding, decider: Decider, traits: SignalTraits, seen: Seen, unit: str) -> str:
    if isinstance(decider, CountDecider) and decider.restarted:
        return "the counter began anew during the count; repeat the step without a restart"
    if not seen.count:
        return "nothing was read after the stimulus; restore the bus"
    gap = seen.longest_gap
    if gap is not None:
        return (
            f"{gap.to_s - gap.from_s:.3g} s without readings ({gap.reason}) leave it open; "
            f"repeat the step once the bus answers"
        )
    if traits.unit in {"flag", "state"}:
        needed = seen.widest_s + traits.refreshed_every_s + seen.trip_s
        if traits.keeps_for_s is None:
            return (
                f"nothing says what the signal did between two readings; declare keeps_for, "
                f"which must be more than {needed:.3g} s at this polling"
            )
        return (
            f"the signal keeps a value {traits.keeps_for_s:.3g} s at least but readings were up to {needed:.3g} s "
            f"apart, or it changed too close to the limit; poll faster"
        )
    if traits.rate_per_s is None and traits.unit != "count":
        return "nothing bounds how fast the signal moves between two readings; declare full_travel"
    return _too_coarse(found.margin, traits, seen, unit)


def _too_coarse(margin: Bounds | None, traits: SignalTraits, seen: Seen, unit: str) -> str:
    rate = traits.rate_per_s or 0.0
    if margin is None or margin.low >= 0 or margin.high <= 0:
        return "the readings leave it open; poll faster or widen the tolerance"
    half, centre = (margin.high - margin.low) / 2, abs(margin.high + margin.low) / 2
    excess = half - centre
    said = f"the readings leave {_number(margin.low)} to {_number(margin.high)}{unit} of margin, so both verdicts are possible"
    spacing = seen.spacing_s - 2 * excess / rate if rate else 0.0
    if spacing > 0:
        return f"{said}; polling every {spacing:.2g} s would decide it"
    if traits.error > excess:
        return f"{said}; readings within ± {_number(traits.error - excess)}{unit} would decide it"
    return f"{said}; a tolerance wider or narrower by {_number(excess)}{unit} would decide it"


def _number(value: float) -> str:
    return f"{value:.3g}"


def _span(bounds: Bounds) -> str:
    return f"{bounds.low:.2f} to {bounds.high:.2f} s"


def _range(bounds: Bounds, unit: str) -> str:
    return f"{bounds.low:.4g} and {bounds.high:.4g}{unit}" if bounds.high < INF else "?"
