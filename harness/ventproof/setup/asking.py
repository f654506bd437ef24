"""Questions that several parts of a setup ask alike, and who answers where nobody can be asked."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection
from typing import TYPE_CHECKING, Final, final

from ventproof.setup.dialogue import SetupLeft, SetupQuestion
from ventproof_bench.base.errors import FileError, Problem, Refusal
from ventproof_bench.base.quantities import Dimension, parse_as

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from ventproof.setup.dialogue import Dialogue

_GLANCE_S: Final = 0.2
_PATIENCE_S: Final = 300.0
YES: Final = "yes"
NO: Final = "no"
AUTOMATIC: Final = "automatic"
"""By this it is kept that the vents' hand switches were turned back to automatic."""


def one_of(words: Collection[str]) -> Callable[[str], object]:
    """Return a check that takes some words only."""

    def check(answer: str) -> None:
        if answer not in words:
            raise Refusal(f"{answer!r} is none of the answers", f"answer {', '.join(words)}")

    return check


def yes_or_no(answer: str) -> None:
    """Take yes or no only. Raises ValueError."""
    if answer not in {YES, NO}:
        raise Refusal(f"{answer!r} is neither", "answer yes or no")


def a_number(least: int, most: int) -> Callable[[str], object]:
    """Return a check that takes whole numbers of a range only."""

    def check(answer: str) -> None:
        if not answer.isdecimal() or not least <= int(answer) <= most:
            raise Refusal(f"{answer!r} will not do", f"answer a whole number, {least} to {most}")

    return check


def a_span(answer: str) -> None:
    """Take a span of time such as `28 s`, or nothing. Raises ValueError."""
    if answer and parse_as(answer, Dimension.TIME) <= 0:
        raise Refusal(f"{answer!r} is not longer than zero", "write a span, such as 28 s")


def some_text(answer: str) -> None:
    """Take one line with something on it. Raises ValueError."""
    if not answer or not answer.isprintable():
        raise Refusal(
            "there is no answer" if not answer else "the answer has characters that cannot be shown"
        )


@final
class NobodyAsked:
    """Answers for a script: what a question proposes, or an error where it proposes nothing.

    Args:
        tell: takes what a person would be told.
    """

    there = False

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell

    def ask(self, question: SetupQuestion) -> str:
        """Return what Enter alone would answer."""
        if question.default:
            try:
                return question.checked(question.default)
            except ValueError as error:
                reason = f"{question.key}: {Refusal.of(error).reason}"
                raise FileError([_missing(question, reason)]) from None
        raise FileError([_missing(question, f"no answer to {question.key}: {question.text}")])

    def say(self, text: str) -> None:
        """Tell something."""
        self._tell(text)

    def glance(self, text: str) -> None:
        """Show nothing: a script reads what is said."""

    def wait(self, text: str, live: Callable[[], str], over: Callable[[], bool]) -> None:
        """Wait until it seems done."""
        self._tell(text)
        waiting = threading.Event()
        for _ in range(round(_PATIENCE_S / _GLANCE_S)):
            if over():
                return
            waiting.wait(_GLANCE_S)
        reason = f"was waited for {_PATIENCE_S:g} s in vain; last seen: {live()}"
        raise FileError([Problem(text, None, None, reason, "do it while the setup waits, or skip the moves")])


def _missing(question: SetupQuestion, reason: str) -> Problem:
    choices = f": {', '.join(question.choices)}" if question.choices else ""
    hint = f"give --answer {question.key}=…{choices}, or answer at a terminal"
    return Problem("--answer", None, None, reason, hint)


@final
class Clearance:
    """Whether vents and drives are clear of people and guarded; it is asked for before anything is switched first.

    Args:
        dialogue: whoever is asked.
        clear: it was said beforehand: do not ask.
    """

    def __init__(self, dialogue: Dialogue, *, clear: bool) -> None:
        self._dialogue = dialogue
        self._clear = clear

    def confirm(self) -> None:
        """Ask once whether vents and drives are clear; the answer holds for this sitting only.

        Raises:
            FileError: nobody could be asked, and it was not said beforehand.
            SetupLeft: they are not clear.
        """
        if self._clear:
            return
        if not self._dialogue.asker.there:
            reason = "relays are switched and no one is here to confirm that vents and drives are clear"
            raise FileError(
                [Problem("--confirm-clear", None, None, reason, "give --confirm-clear once that is so")]
            )
        question = SetupQuestion(
            key="clear",
            text="Relays will click and vents may move. Are all vents and drives clear of people, and guarded?",
            choices={"yes": "", "no": ""},
            check=yes_or_no,
        )
        if self._dialogue.asker.ask(question) == NO:
            raise SetupLeft("nothing was switched; give the command again once they are clear")
        self._clear = True
