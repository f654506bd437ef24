"""One difference in words: which way and by how much, how sure that is, and what would tell more (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.statistics.shifts import MOST_REPEATS
from ventproof.verdict.text import percent, range_text, rounded_up

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof.compare.measures import Compared, Measure


_WAYS: Final[dict[Measure, tuple[str, str, str]]] = {
    "time": ("responds", "later", "earlier"),
    "position": ("stands", "higher", "lower"),
    "margin": ("has", "more margin", "less margin"),
}
_MEANINGS: Final = {
    "same": "within the limit",
    "worse": "changed for the worse",
    "better": "changed for the better",
}
_WINDOWS: Final = "repeats do not help; poll faster"
_NOTHING: Final = 0.0005
_FINE: Final = 0.095
"""Below this a shift is given to a thousandth instead of a tenth."""


_MEASURES: Final[dict[Measure, str]] = {"time": "response time", "position": "position", "margin": "margin"}


def became(meaning: str) -> str:
    """Return the word for what a change means: `open` is written as a verdict is."""
    return "inconclusive" if meaning == "open" else meaning


def values(compared: Compared) -> tuple[str, str]:
    """Return what was measured on either side: `33.9 to 34.5 s`, `68.4 to 69 s`."""
    base, candidate = (range_text(span, f" {compared.unit}") for span in compared.spans)
    return base, candidate


def measure(compared: Compared) -> str:
    """Return what was measured: `response time`."""
    return _MEASURES[compared.measure]


def response(compared: Compared) -> str:
    """Return which response is compared."""
    key = compared.key
    again = f" ({key.place})" if key.place > 1 else ""
    return f"{key.step}: {key.signal} {compared.demand}{again}"


def sentence(compared: Compared, confidence: float) -> str:
    """Return what one comparison came to: by how much, how sure that is, the limit, and what it means."""
    return f"{moved(compared)} ({basis(compared, confidence)}): {meaning(compared, confidence)}"


def basis(compared: Compared, confidence: float) -> str:
    """Return how sure the shift is, and the limit that it is measured by."""
    return f"{sure(compared, confidence)}; limit {amount(limit(compared), compared.unit)}"


def meaning(compared: Compared, confidence: float) -> str:
    """Return what a comparison means; what would decide it, where it is open."""
    return _MEANINGS.get(compared.meaning) or f"inconclusive; {would_tell(compared, confidence)}"


def limit(compared: Compared) -> float:
    """Return the limit that tells what a shift means: what changed is surely beyond `least`, which may be smaller."""
    return compared.shift.least if compared.shift.standing == "changed" else compared.shift.limit


def moved(compared: Compared) -> str:
    """Return the shift: `responds 6.1 s later`."""
    return f"{_WAYS[compared.measure][0]} {size(compared)}"


def size(compared: Compared) -> str:
    """Return how great the shift is, and which way: `6.1 s later`."""
    _, up, down = _WAYS[compared.measure]
    estimate = compared.shift.estimate
    return f"{amount(abs(estimate), compared.unit)} {up if estimate >= 0 else down}"


def moved_most(compared: Sequence[Compared]) -> str:
    """Return which way a response differs, and by how much at most: `roof_vent responds up to 6.1 s later`."""
    most = max(compared, key=lambda one: abs(one.shift.estimate))
    verb, up, down = _WAYS[most.measure]
    estimate = most.shift.estimate
    at_most = "up to " if len(compared) > 1 else ""
    size = f"{at_most}{amount(abs(estimate), most.unit)}"
    return f"{most.key.signal} {verb} {size} {up if estimate >= 0 else down}"


def way(compared: Compared) -> str:
    """Return which way a response differs, without by how much: `roof_vent responds later`."""
    verb, up, down = _WAYS[compared.measure]
    return f"{compared.key.signal} {verb} {up if compared.shift.estimate >= 0 else down}"


def sure(compared: Compared, confidence: float) -> str:
    """Return how sure the shift is: its interval, or what one run each leaves open."""
    said = compared.shift
    if not said.chance:
        half = (said.interval.high - said.interval.low) / 2
        return f"give or take {amount(half, compared.unit, up=True)}, one run each"
    low, high = said.interval
    fine = _NOTHING <= max(abs(low), abs(high)) < _FINE
    return f"{percent(confidence)}: {_signed(low, fine=fine)} to {_signed(high, fine=fine)} {compared.unit}"


def would_tell(compared: Compared, confidence: float) -> str:
    """Return what would decide a comparison that is open."""
    old, new = compared.missing
    if new > old:
        runs = compared.shift.runs[1] + new
        return f"{new} of the candidate's {runs} runs have no known response time"
    if compared.shift.standing == "changed":
        share = f"{100 * (1 - confidence):.3g} %"
        return f"not significant after adjusting for all comparisons: by chance one of them comes in more than {share}"
    repeats = compared.shift.repeats
    if not repeats:
        return _WINDOWS
    many = f"more than {MOST_REPEATS}" if repeats >= MOST_REPEATS else f"about {repeats}"
    return f"{many} repeats on each side would probably tell"


def amount(value: float, unit: str, *, up: bool = False) -> str:
    """Return a size to a tenth, or to a thousandth if it is small; `up` rounds upward."""
    digits = 3 if _NOTHING <= value < _FINE else 1
    return f"{rounded_up(value, digits) if up else f'{value:.{digits}f}'} {unit}"


def _signed(value: float, *, fine: bool) -> str:
    text = f"{value:+.{3 if fine else 1}f}"
    return text.replace("+0.0", "0.0") if text in {"+0.0", "-0.0", "+0.000", "-0.000"} else text
