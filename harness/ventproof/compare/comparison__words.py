"""What a comparison says of one shift, in a plain sentence (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from harness.judge.numbers import percent, rounded_up
from harness.judge.shifts import MOST_REPEATS

if TYPE_CHECKING:
    from harness.record.compare.comparison import Comparison
    from harness.record.compare.measures import Compared, Meaning, Measure
    from harness.record.compare.side import Side

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
_WINDOWS: Final = "repeats cannot mend what polling leaves open, so poll faster"
_NOTHING: Final = 0.0005
_FINE: Final = 0.095
"""Below this a shift is given to a thousandth instead of a tenth."""


def side_line(role: str, side: Side) -> str:
    """Return what one side is: its firmware, its unit and bench, and how many runs."""
    firmware, unit = (", ".join(side.told(of)) for of in ("firmware", "unit"))
    bench = ", ".join(side.told("bench"))
    runs = f"{len(side.runs)} run{'s' * (len(side.runs) != 1)} of {len(side.profiles)} profile(s)"
    left = f"; {side.repeated} more are the same to the byte and do not count" if side.repeated else ""
    return f"{role}: firmware {firmware}, unit {unit}, on {bench}: {runs}{left} [{side.name}]"


def counted(found: Comparison) -> list[str]:
    """Return how many shifts came to what, and what the number of comparisons means for chance."""
    total = len(found.shifts)
    meanings = [one.meaning for one in found.shifts]
    words: dict[Meaning, str] = {
        "worse": "worse",
        "better": "better",
        "open": "cannot be told",
        "same": "within their limits",
    }
    lines = [f"{len(found.lone)} profile(s) or response(s) are known of one side only."] if found.lone else []
    lines += [
        f"{total} shifts compared: " + ", ".join(f"{meanings.count(m)} {said}" for m, said in words.items())
    ]
    if found.chance:
        sure = f"at least {percent(found.confidence)}"
        lines.append(
            f"Corrected for {found.chance} comparisons (Holm): with a probability of {sure} no shift is wrongly "
            "said to have changed."
        )
    if found.chance < total:
        lines.append(
            f"{total - found.chance} have one run each: what polling leaves open is known of them, chance is not."
        )
    if found.shifts:
        lines.append(_coarsest(found))
    if found.never_passing:
        lines.append(f"{found.never_passing} response(s) do not always pass, neither before nor now.")
    return lines


def _coarsest(found: Comparison) -> str:
    """Say of which response time the least is known: a shift within its limit would not show."""
    times = [one for one in found.shifts if one.measure == "time"] or found.shifts
    worst = max(times, key=lambda one: one.shift.limit)
    limit = amount(worst.shift.limit, worst.unit)
    return f"The widest limit is {limit}, of {worst.key.signal} in {worst.key.profile}: {worst.key.step}."


def closing(found: Comparison) -> str:
    """Return what the whole comparison comes to."""
    flipped = sum(flip.turn == "worse" for flip in found.flips)
    shifted = sum(one.meaning == "worse" for one in found.shifts)
    match found.outcome:
        case "worse":
            return f"{flipped} verdict(s) flipped for the worse, {shifted} shift(s) changed for the worse"
        case "open":
            return "nothing is worse for certain, but not everything can be told"
        case _:
            return "nothing is worse"


def response(compared: Compared) -> str:
    """Return which response is compared."""
    key = compared.key
    again = f" ({key.place})" if key.place > 1 else ""
    return f"{key.step}: {key.signal} {compared.demand}{again}"


def sentence(compared: Compared, confidence: float) -> str:
    """Return what one comparison came to: by how much, how sure that is, the limit, and what it means."""
    return (
        f"{moved(compared)} ({sure(compared, confidence)}; limit {amount(limit(compared), compared.unit)}): "
        + (_MEANINGS.get(compared.meaning) or f"cannot tell; {would_tell(compared, confidence)}")
    )


def limit(compared: Compared) -> float:
    """Return the limit that tells what a shift means: what changed is surely beyond `least`, which may be smaller."""
    return compared.shift.least if compared.shift.standing == "changed" else compared.shift.limit


def moved(compared: Compared) -> str:
    """Return the shift: `responds 6.1 s later`."""
    verb, up, down = _WAYS[compared.measure]
    estimate = compared.shift.estimate
    return f"{verb} {amount(abs(estimate), compared.unit)} {up if estimate >= 0 else down}"


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
        return f"by itself it would count, but among so many comparisons one comes by chance in more than {share}"
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
