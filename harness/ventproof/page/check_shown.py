"""What a page shows of a self-check, made from the events of its log (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, final

from ventproof.log.events import (
    CheckEnd,
    GapSeen,
    Note,
    NotJudged,
    OutputsSafe,
    OutputsUnsafe,
    PollSeen,
    Shortfall,
    StimulusApplied,
    WrongHookup,
)
from ventproof.page.signals import Json, SeenSignals
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.benchfile.signals import SignalSpec

if TYPE_CHECKING:
    from ventproof.log.events import CheckHeader, Event


_TITLES = {"bench": "Self-check of the bench", "unit": "How the unit is hooked up"}


@final
class ShownCheck:
    """Follows one self-check and says what changed for those who look on.

    Args:
        header: the first line of its log.
    """

    def __init__(self, header: CheckHeader) -> None:
        file = read_bench("bench file in the log", header.bench.text).model
        states = {
            name: signal.states or {}
            for name, signal in file.signals.items()
            if isinstance(signal, SignalSpec)
        }
        self._signals = SeenSignals({name: file.traits(name) for name in file.registers}, states)
        self._t_s = 0.0
        self._news: Json = {
            "run": {
                "title": _TITLES[header.kind],
                "unit": "",
                "firmware": "",
                "bench": header.bench.name,
                "run": 1,
                "runs": 1,
                "steps": [],
                "longest_s": None,
                "later_s": None,
                "wall": header.clock == "wall",
                "signals": self._signals.described,
            }
        }

    def feed(self, event: Event) -> None:
        """Take the next event of the check."""
        self._t_s = max(self._t_s, event.t_s)
        match event:
            case PollSeen(t_s=t_s, poll=poll):
                for name, value in poll.values.items():
                    self._signals.read(name, t_s, value, value)
            case Shortfall(text=text) | WrongHookup(text=text):
                self._found("fail", text)
            case NotJudged(of=of, why=why, left=left) if not left:
                self._found("inconclusive", f"{of} was not judged: {why}")
            case CheckEnd(result=result, abort=abort):
                self._news["end"] = {"verdict": result or "aborted", "why": abort.text if abort else ""}
            case _:
                self._say(event)

    def _say(self, event: Event) -> None:
        match event:
            case StimulusApplied(t_s=t_s, said=text):
                self._happened(t_s, text)
            case GapSeen(t_s=t_s, gap=gap):
                self._happened(t_s, f"no readings from bus {gap.bus}: {gap.reason}")
            case Note(t_s=t_s, text=text):
                self._happened(t_s, f"note: {text}")
            case OutputsSafe():
                self._news["safe"] = "The outputs are in their safe state."
            case OutputsUnsafe(reason=reason):
                self._news["unsafe"] = reason
            case _:
                pass

    def _happened(self, t_s: float, text: str) -> None:
        self._news.setdefault("happened", []).append({"t": round(t_s, 2), "text": text})

    def _found(self, verdict: str, text: str) -> None:
        found = {"step": "", "text": text, "verdict": verdict, "why": ""}
        self._news.setdefault("findings", []).append(found)

    def news(self) -> Json:
        """Return what changed since the last call; empty when nothing did."""
        news, self._news = self._news, {}
        news |= self._signals.fresh()
        return news | {"t": round(self._t_s, 3)} if news else {}
