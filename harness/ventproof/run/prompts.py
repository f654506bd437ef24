"""Questions to people while a run goes on: asked one at a time to each person, answered from wherever they are seen.

A run has one `Prompts`. Outputs and readings that are a person's `ask`; terminal and page `answer`. A `Desk` is where
people see prompts: it is told of each, and may also learn of them from the log, where `prompt` and `answer` stand.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, final

from ventproof.log.events import AnswerGiven, PromptOver, PromptShown
from ventproof_bench.base.asking import PersonAnswer, Prompt, understood
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.text import harmless

if TYPE_CHECKING:
    from ventproof.log.clockwork import Teller


class Desk(Protocol):
    """Where people see prompts and answer them: a terminal, a page. Nothing here may wait or raise."""

    def begin(self, prompts: Prompts) -> None:
        """A run begins on the running loop: answers go to `prompts`."""

    def show(self, number: int, prompt: Prompt) -> None:
        """A prompt is open."""

    def over(self, number: int) -> None:
        """A prompt was answered, or nobody needs its answer any more."""

    def end(self) -> None:
        """The run is over."""


@final
@dataclass(frozen=True, slots=True)
class _Open:
    prompt: Prompt
    shown_s: float
    answered: asyncio.Future[PersonAnswer]


@final
class Prompts:
    """All prompts of one run; implements `ventproof_bench.base.protocols.Asker`.

    Args:
        desks: where people see them.

    Attributes:
        tell: writes the events `prompt`, `answer` and `prompt_over`; the engine sets it.
    """

    def __init__(self, desks: Sequence[Desk] = ()) -> None:
        self.tell: Teller = lambda *_, **__: None
        self._desks = list(desks)
        self._open: dict[int, _Open] = {}
        self._turns: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)
        self._number = 0

    @property
    def open(self) -> Mapping[int, Prompt]:
        """The prompts that wait for an answer, by number."""
        return {number: one.prompt for number, one in self._open.items()}

    async def ask(self, prompt: Prompt) -> PersonAnswer:
        """Show a prompt once the person has no other to answer, and wait for the answer; cancelling takes it back.

        Raises:
            TimeoutError: it was not answered within `prompt.within_s` of being shown.
        """
        async with self._turns[prompt.who]:
            self._number += 1
            number, shown_s = self._number, now_s()
            answered: asyncio.Future[PersonAnswer] = asyncio.get_running_loop().create_future()
            self._open[number] = _Open(prompt, shown_s, answered)
            self.tell(PromptShown, number, prompt)
            for desk in self._desks:
                desk.show(number, prompt)
            try:
                async with asyncio.timeout(prompt.within_s):
                    return await answered
            finally:
                # Still there: nobody answered, and nobody can any more.
                if self._open.pop(number, None) is not None:
                    self.tell(PromptOver, number)
                    self._over(number)

    def join(self, desk: Desk) -> None:
        """Let prompts be seen at one more place, from the next run on."""
        self._desks.append(desk)

    @contextmanager
    def desks(self) -> Iterator[None]:
        """Let people see prompts for the time of a run; on the running loop."""
        try:
            for desk in self._desks:
                desk.begin(self)
            yield
        finally:
            for desk in self._desks:
                desk.end()

    def answer(self, number: int, text: str, who: str) -> str | None:
        """Take an answer; the first that fits counts. Return why it was not taken, or None if it was.

        Args:
            number: of the prompt.
            text: the answer: a word that was offered, or a number; `understood` says what else will do.
            who: who answers: whom the prompt is for.
        """
        one = self._open.get(number)
        if one is None:
            return (
                f"prompt {number} is not open any more"
                if number <= self._number
                else "there is no such prompt"
            )
        if who != one.prompt.who:
            return f"this is for {one.prompt.who}"
        try:
            choice, value = understood(one.prompt, text)
        except ValueError as error:
            return str(error)
        del self._open[number]
        said = harmless(" ".join(text.split()))
        answer = PersonAnswer(who, said, one.shown_s, now_s(), choice, value)
        self.tell(AnswerGiven, number, who, said)
        one.answered.set_result(answer)
        self._over(number)
        return None

    def _over(self, number: int) -> None:
        for desk in self._desks:
            desk.over(number)
