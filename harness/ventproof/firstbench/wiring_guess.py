"""What answered a relay, in words, and what the relay is probably wired to (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from ventproof.firstbench.bench_text import quantity

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ventproof.firstbench.bench_text import FirstBench, FirstSignal
    from ventproof.firstbench.responses import MovedSignal

RAIN: Final = "rain"
NOTHING: Final = "none"
"""What a relay is called to which nothing is wired."""

_SAYS: Final = {
    RAIN: ("rain", "precip", "shower", "wet"),
    "wind": ("wind", "gust", "storm"),
    "frost": ("frost",),
    "door": ("door",),
    "fire": ("fire", "smoke"),
}
"""By what is wired, words in the names of flags and counters that answer it (common practice, no source)."""


def wired_by(answered: Sequence[FirstSignal]) -> str:
    """Return what a relay seems to be wired to: a name for its output.

    Args:
        answered: signals that answered it; at least one. What the names of flags and counters say counts; where only
            vents answered it is rain, which every unit with vents knows. What else reads otherwise, such as a
            temperature, drifts by itself.
    """
    told = [one for one in answered if one.unit in {"flag", "count", "state"}]
    named = next((name for one in told for name in _named(one)), None)
    if named is not None:
        return named
    if told:
        return told[0].name
    return RAIN if any(one.unit == "%" for one in answered) else NOTHING


def _named(signal: FirstSignal) -> Iterator[str]:
    label = signal.listed.label.lower()
    yield from (name for name, words in _SAYS.items() if any(word in label for word in words))


def stirred(did: MovedSignal) -> bool:
    """Whether a signal answered, or read otherwise afterwards."""
    return did.answered or did.held != did.before or did.after != did.before


def answer_said(name: str, did: MovedSignal, bench: FirstBench) -> str:
    """Return what a signal did, in words: `Rain alarm: on after 2.1 s`."""
    signal = next(one for one in bench.signals if one.name == name)
    if signal.unit == "flag":
        said = "on" if did.held else "off"
        return f"{signal.listed.label}: {said} after {did.first_s or 0:.1f} s"
    return f"{signal.listed.label}: {quantity(did.before, signal)} to {quantity(did.held, signal)}"
