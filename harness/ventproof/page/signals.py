"""What a page shows of any log: signals as they read, what happened, and how outputs were left (pure)."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING, Any, final

from ventproof.log.events import GapSeen, Note, NothingDriven, OutputsSafe, OutputsUnsafe, OutputUndriven
from ventproof.log.left import LeftCounter
from ventproof.run.ending import left_lines
from ventproof.verdict.finding import Bounds
from ventproof.verdict.text import range_text, reading_text
from ventproof_bench.base.quantities import is_discrete

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ventproof.log.events import Event
    from ventproof_bench.base.evidence import SignalTraits
    from ventproof_bench.benchfile.model import BenchFile


Json = dict[str, Any]
"""What goes to the page, as JSON takes it."""

Point = tuple[float, float, float]
"""Log time, and between which values the signal was then; both the same where it was read."""


def kind_of_signal(unit: str) -> str:
    """Return how a signal is drawn: as a `position`, `flag`, `state`, `count` or other `value`."""
    if unit == "%":
        return "position"
    return unit if unit in {"flag", "state", "count"} else "value"


def finite(value: float | None) -> float | None:
    """Return a number that JSON can hold; None for an infinite one."""
    return value if value is not None and isfinite(value) else None


@final
class SeenSignals:
    """The signals of one log.

    Args:
        traits: of each signal, by the name that the page shows.
        states: names of state values, by the signal's name.
    """

    def __init__(self, traits: Mapping[str, SignalTraits], states: Mapping[str, Mapping[str, int]]) -> None:
        self._units = {name: one.unit for name, one in traits.items()}
        self._states = states
        self._fresh: dict[str, list[Point]] = {}

    @property
    def described(self) -> list[Json]:
        """Each signal with its unit and how it is drawn."""
        return [
            {"name": name, "unit": unit, "kind": kind_of_signal(unit)} for name, unit in self._units.items()
        ]

    def read(self, name: str, t_s: float, low: float, high: float) -> None:
        """Take between which values a signal was at a log time."""
        if name in self._units and isfinite(low) and isfinite(high):
            self._fresh.setdefault(name, []).append((round(t_s, 3), round(low, 3), round(high, 3)))

    def fresh(self) -> Json:
        """Return what was read since the last call: points to draw, and the last value of each as text."""
        read, self._fresh = self._fresh, {}
        if not read:
            return {}
        return {
            "readings": read,
            "now": {name: self.text(name, *points[-1][1:]) for name, points in read.items()},
        }

    def text(self, name: str, low: float, high: float) -> str:
        """Return a value as people read it."""
        unit = self._units[name]
        if is_discrete(unit):
            return reading_text(low, unit, self._states.get(name))
        return range_text(Bounds(low, high), f" {unit}", 1)


class ShownNews:
    """What changed in one log since those who look on were told last.

    Args:
        signals: of that log.
        file: the bench file in it.
        use: the bench's names, by the profile's, where they differ.
    """

    def __init__(self, signals: SeenSignals, file: BenchFile, use: Mapping[str, str]) -> None:
        self._signals = signals
        self._file = file
        self._left = LeftCounter(use)
        self._t_s = 0.0
        self._news: Json = {}

    def feed(self, event: Event) -> None:
        """Take the next event of the log."""
        self._t_s = max(self._t_s, event.t_s)
        self._left.feed(event)
        self._say(event)

    def _say(self, event: Event) -> None:
        """Tell what runs and self-checks have in common."""
        match event:
            case GapSeen(t_s=t_s, gap=gap):
                self._happened(t_s, f"no readings from bus {gap.bus}: {gap.reason}")
            case Note(t_s=t_s, text=text):
                self._happened(t_s, f"note: {text}")
            case OutputsSafe() | NothingDriven():
                self._news["safe"] = f"Outputs: {'; '.join(left_lines(self._file, self._left))}"
            case OutputUndriven(t_s=t_s, driven=driven):
                self._happened(t_s, f"command not confirmed: {driven.trouble}")
            case OutputsUnsafe(reason=reason):
                self._news["unsafe"] = "; ".join([reason, *left_lines(self._file, self._left)])
            case _:
                pass

    def _happened(self, t_s: float, text: str) -> None:
        self._news.setdefault("happened", []).append({"t": round(t_s, 2), "text": text})

    def _found(self, step: str, text: str, verdict: str, why: str) -> None:
        found = {"step": step, "text": text, "verdict": verdict, "why": why}
        self._news.setdefault("findings", []).append(found)

    def _ended(self, verdict: str | None, why: str) -> None:
        self._news["end"] = {"verdict": verdict or "aborted", "why": why}

    def news(self) -> Json:
        """Return what changed since the last call; empty when nothing did."""
        news, self._news = self._news | self._signals.fresh(), {}
        return news | {"t": round(self._t_s, 3)} if news else {}
