"""Numbers, spans, margins as text (pure)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from math import ceil, floor, inf, log10
from typing import TYPE_CHECKING, Final

from ventproof.verdict.finding import Bounds, Finding, Miss, NotRun, Status
from ventproof_bench.base.quantities import is_discrete

if TYPE_CHECKING:
    from ventproof.verdict.finding import Finding


_FINE: Final = 0.01
"""An error below this deserves a third decimal."""

_NOISE: Final = 1e-6
"""What arithmetic may leave of the last digit shown; it must not push a bound across it."""

NO_MARGIN: Final = "–"
"""The margin of what has none."""

_UNITS_S: Final = (("d", 86400), ("h", 3600), ("min", 60))


def decimals_for(error: float) -> int:
    """Return how many decimals a value deserves whose error is `error`, in the signal's unit."""
    return 3 if 0 < error < _FINE else 2


def value_text(value: float, decimals: int = 2) -> str:
    """Return a value without decimals that say nothing, and never as a power of ten."""
    rounded = round(value, decimals)
    return f"{rounded + 0.0:.{decimals}f}".rstrip("0").rstrip(".") if decimals else f"{rounded:.0f}"


def range_text(bounds: Bounds, unit: str, decimals: int = 2) -> str:
    """Return an interval, or one number where both ends read alike; `unit` begins with its space."""
    low, high = value_text(bounds.low, decimals), value_text(bounds.high, decimals)
    return f"{low}{unit}" if low == high else f"{low} to {high}{unit}"


def outward(value: float, decimals: int, *, up: bool) -> float:
    """Return a limit rounded to 3 significant digits and at most `decimals`, up or down but never across."""
    digits = decimals if not value else min(decimals, 2 - floor(log10(abs(value))))
    scale = 10.0**digits
    return (ceil(value * scale - _NOISE) if up else floor(value * scale + _NOISE)) / scale


def number_text(value: float) -> str:
    """Return a number as it was written: all of its digits but what arithmetic leaves behind."""
    return f"{value:.10g}"


def reading_text(value: float, unit: str, states: Mapping[str, int] | None = None) -> str:
    """Return a reading as people read it: on or off, a state's name, a count, or one decimal and the unit.

    Args:
        value: in the signal's unit.
        unit: of the signal.
        states: a state's values, by name.
    """
    if unit == "flag" and value in {0.0, 1.0}:
        return "on" if value else "off"
    if is_discrete(unit):
        return next((name for name, code in (states or {}).items() if code == value), number_text(value))
    return f"{value:.1f} {unit}"


def rounded_up(value: float, decimals: int) -> str:
    """Return an upper bound with so many decimals: what is shown must not promise more than was proved."""
    scale = 10**decimals
    return f"{ceil(value * scale - _NOISE) / scale:.{decimals}f}"


def percent(share: float) -> str:
    """Return a share from 0 to 1 as it was asked for."""
    return f"{number_text(share * 100)} %"


def seconds(value_s: float) -> str:
    """Return a span as a person writes it: `35 s`, `2 min`, `10 h`, `50 d`, `0.2 s`."""
    for symbol, unit_s in _UNITS_S:
        if value_s >= 2 * unit_s and (value_s / unit_s).is_integer():
            return f"{value_s / unit_s:.0f} {symbol}"
    return f"{number_text(value_s)} s"


def about(span_s: float) -> str:
    """Return a span to a tenth of what people would count it in: `35.2 s`, `2.5 min`."""
    for symbol, unit_s in _UNITS_S:
        if span_s >= 2 * unit_s:
            return f"{round(span_s / unit_s, 1):g} {symbol}"
    return f"{round(span_s, 1):g} s"


def clocked(span_s: float) -> str:
    """Return a span in hours and minutes: `2 h 5 min`."""
    minutes = round(span_s / 60)
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"  # noqa: PLR2004


def milliseconds(span_s: float) -> str:
    """Return a short span to a tenth of a millisecond."""
    return f"{span_s * 1000:.1f} ms"


def short_span(span_s: float) -> str:
    """Return a span to four digits, in milliseconds below a second."""
    return f"{span_s:.4g} s" if span_s >= 1 else f"{1000 * span_s:.4g} ms"


def board_span(after_s: float, within_s: float | None) -> str:
    """Return how long after it was fed last a board went safe, rounded outward; `not within` where it never did."""
    after = floor(after_s * 100) / 100
    return f"not within {after:g} s" if within_s is None else f"{after:g}–{ceil(within_s * 100) / 100:g} s"


def titled(profile: str, decision: str) -> str:
    """Return a profile's name, with its decision rule where that is not the guarded one."""
    return profile if decision == "guarded" else f"{profile} [decision: {decision}, readings as they stand]"


def signed_text(value: float) -> str:
    """Return a margin to a tenth; a violation too small for that keeps its sign by reading `> -0.1`."""
    return "> -0.1" if -0.05 <= value < 0 else f"{value + 0.0:+.1f}"  # noqa: PLR2004 - what rounds to -0.0


def span_text(pair: Sequence[float] | None, unit: str, *, signed: bool = False, decimals: int = 1) -> str:
    """Return an interval as `31.4 … 31.8 s`, or as one number where both ends read alike."""
    if pair is None:
        return "–"
    low, high = (signed_text(value) if signed else f"{value:.{decimals}f}" for value in pair)
    return f"{low} {unit}".rstrip() if low == high else f"{low} … {high} {unit}".rstrip()


def took_text(finding: Finding) -> str:
    """Return the window that holds the response time; a dash without one."""
    window = finding.response_s
    return span_text(window and (window.earliest_s, window.latest_s), "s")


def margin_text(finding: Finding) -> str:
    """Return how far a response was from its limits, in the signal's unit and in seconds, whichever there are.

    Of a pass what was left in the worst case, of a fail by how much it missed them at least, else what is possible.
    """
    unit = "" if is_discrete(finding.unit) else finding.unit
    margin, slack_s = finding.margin, finding.slack_s
    if finding.miss is not None:
        return miss_text(finding.miss)
    parts = []
    if margin is not None and unit:
        parts.append(_left_text(finding, margin, unit))
    if slack_s is not None:
        parts.append(_left_text(finding, slack_s, "s"))
    return ", ".join(parts) or NO_MARGIN


def _left_text(finding: Finding, left: Bounds, unit: str) -> str:
    """Return the worst margin of a pass, the best one that a fail leaves possible, and otherwise both."""
    match finding.status:
        case Status.FAIL:
            return miss_text(Miss(Bounds(-left.high, inf), 0.0, f" {unit}", "beyond the limit"))
        case Status.PASS:
            return f"{signed_text(left.low)} {unit}"
    return span_text(left, unit, signed=True)


def miss_text(miss: Miss) -> str:
    """Return by how much something failed: `at least 15.58 % too high`, `2 too many`."""
    least = 10.0**-miss.decimals
    if miss.by < least:
        return f"less than {value_text(least, miss.decimals)}{miss.unit} {miss.words}"
    size = f"{value_text(miss.by, miss.decimals)}{miss.unit} {miss.words}"
    return size if miss.exact else f"at least {size}"


def finding_line(finding: Finding) -> str:
    """Return one finding as a line without colour."""
    line = f"{finding.verdict:<12}  {finding.signal} {finding.demand}"
    if finding.response_s is not None:
        line += f"  [took {took_text(finding)}]"
    if finding.explained and finding.why:
        line += f"\n{'':14}{finding.why}"
    return line


def skipped(findings: Sequence[Finding]) -> Counter[NotRun]:
    """Return how many responses the run never came to, by the reason."""
    return Counter(finding.not_run for finding in findings if finding.skipped and finding.not_run)


def ended_text(findings: Sequence[Finding]) -> str:
    """Return how many responses ended how: `2 passed, 1 failed, 3 not run`; empty where there is none."""
    counts = Counter(finding.status for finding in findings)
    words = {Status.PASS: "passed", Status.FAIL: "failed", Status.INCONCLUSIVE: "inconclusive"}
    told = (words | {Status.NOT_RUN: "not run"}).items()
    return ", ".join(f"{counts[status]} {word}" for status, word in told if counts[status])


def response(finding: Finding) -> str:
    """Return what was demanded of which signal."""
    return f"{finding.signal} {finding.demand}"
