"""The people of a bench as the parts that ask them see them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.evidence import Poll, Unread

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ventproof_bench.base.asking import PersonAnswer, Prompt
    from ventproof_bench.base.protocols import Asker
    from ventproof_bench.benchfile.model import BenchFile, OutputSpec
    from ventproof_bench.benchfile.people import PersonSignal, PersonSpec


TOLD: Final = "told"
"""Table of readings that a person told."""


def hardware_of(file: BenchFile) -> BenchFile:
    """Return a bench without what is people's: what they do, and what they read."""
    by_hand, told = file.by_hand, file.told
    if not by_hand and not told:
        return file
    return file.model_copy(
        update={
            "outputs": {name: output for name, output in file.outputs.items() if name not in by_hand},
            "signals": {name: signal for name, signal in file.signals.items() if name not in told},
            "people": {},
        }
    )


@final
@dataclass(slots=True)
class People:
    """Who can be asked on a bench, and through whom.

    Attributes:
        specs: the people, by name.
        signals: what they read, by name.
        acts: what they do, by name.
        asker: carries the questions.
        ending: whether outputs are being made safe: then nobody is waited for without end.
    """

    specs: Mapping[str, PersonSpec]
    signals: Mapping[str, PersonSignal]
    acts: Mapping[str, OutputSpec]
    asker: Asker
    ending: bool = False

    def reaction_s(self, who: str) -> float:
        """Return how much wider a person's windows are, seconds."""
        return self.specs[who].reaction

    def patience_s(self, who: str) -> float:
        """Return how long a person is waited for at the end, seconds."""
        return self.specs[who].safe_within

    async def act(self, prompt: Prompt) -> PersonAnswer:
        """Ask for an act.

        Raises:
            TimeoutError: outputs are being made safe, and the person did not answer in time.
        """
        return await self.asker.ask(
            replace(prompt, within_s=self.patience_s(prompt.who)) if self.ending else prompt
        )

    async def read(self, name: str) -> Poll:
        """Ask for a reading; one that the person is not sure of has no value.

        The person looked between the prompt and the answer, or answered from a look that was no older than the
        reaction when the prompt was shown.
        """
        signal = self.signals[name]
        answer = await self.asker.ask(signal.prompt(name))
        value = signal.value(answer)
        return Poll(
            bus=signal.read_by,
            requested_s=answer.shown_s - self.reaction_s(signal.read_by),
            replied_s=answer.given_s,
            values={} if value is None else {name: value},
            table=TOLD,
            address=0,
            words=(),
            unread=(Unread(name, f"{signal.read_by} is not sure"),) if value is None else (),
        )
