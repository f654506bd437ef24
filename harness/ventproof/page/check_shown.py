"""What a page shows of a self-check, made from the events of its log (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, final

from ventproof.log.events import (
    CheckEnd,
    NotJudged,
    PollSeen,
    Shortfall,
    StimulusApplied,
    WrongHookup,
)
from ventproof.page.signals import SeenSignals, ShownNews
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.benchfile.signals import SignalSpec

if TYPE_CHECKING:
    from ventproof.log.events import CheckHeader, Event


_TITLES = {"bench": "Self-check of the bench", "unit": "How the unit is hooked up"}


@final
class ShownCheck(ShownNews):
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
        super().__init__(
            SeenSignals({name: file.traits(name) for name in file.registers}, states), file, use={}
        )
        self._news["run"] = {
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

    def _say(self, event: Event) -> None:
        match event:
            case PollSeen(t_s=t_s, poll=poll):
                for name, value in poll.values.items():
                    self._signals.read(name, t_s, value, value)
            case StimulusApplied(t_s=t_s, said=text):
                self._happened(t_s, text)
            case Shortfall(text=text) | WrongHookup(text=text):
                self._found("", text, "fail", "")
            case NotJudged(of=of, why=why, left=left) if not left:
                self._found("", f"{of} was not judged: {why}", "inconclusive", "")
            case CheckEnd(result=result, abort=abort):
                self._ended(result, abort.text if abort else "")
            case _:
                super()._say(event)
