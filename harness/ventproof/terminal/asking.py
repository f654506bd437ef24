"""Asks a person at a terminal, near or over ssh: plain lines, one question at a time."""

from __future__ import annotations

import sys
import termios
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Final, final

import prompt_toolkit
from prompt_toolkit.completion import WordCompleter
from prompt_toolkit.validation import ValidationError, Validator
from rich.text import Text

from ventproof.setup.dialogue import SetupLeft, SetupQuestion, StepBack
from ventproof.terminal.console import new_console
from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.text import harmless

if TYPE_CHECKING:
    from collections.abc import Callable

    from prompt_toolkit.document import Document

_BACK: Final = "back"
_HELP: Final = (
    "Enter takes what stands in brackets; back: the question before; Ctrl-C: leave, and go on later"
)
_REFRESH_S: Final = 0.5
_TO_END_OF_LINE: Final = "\x1b[K"
"""Erases the rest of the line (ECMA-48, EL)."""


@final
class TerminalAsker:
    """Asks at the terminal of this process."""

    there = True

    def __init__(self) -> None:
        self._console = new_console()
        self._glances = False

    def ask(self, question: SetupQuestion) -> str:
        """Return an answer that will do."""
        self._end_glances()
        self._console.print()
        self._console.print(Text(question.text, style="bold"))
        for number, (word, about) in enumerate(question.choices.items(), start=1):
            mark = f"{number}  " if question.by_number else ""
            self._console.print(Text(f"  {mark}{word}" + (f": {about}" if about else "")))
        prompt = (
            f"{question.key} [{harmless(question.default)}]: " if question.default else f"{question.key}: "
        )
        text = self._lines(prompt, question) if question.lines else self._line(prompt, question)
        if text.strip() == _BACK:
            raise StepBack
        return question.checked(text or question.default)

    def _line(self, prompt: str, question: SetupQuestion) -> str:
        return self._prompted(
            prompt,
            validator=_Checks(question),
            completer=WordCompleter([*question.choices, _BACK], sentence=True),
            toolbar=lambda: _HELP,
        )

    def _lines(self, prompt: str, question: SetupQuestion) -> str:
        """Return several lines, up to an empty one."""
        while True:
            lines: list[str] = []
            while line := self._prompted(prompt if not lines else "", toolbar=lambda: _HELP):
                lines += line.splitlines()
                if line.strip() == _BACK:
                    return _BACK
            try:
                question.checked("\n".join(lines))
            except ValueError as error:
                self.say(str(Refusal.of(error)))
                continue
            return "\n".join(lines)

    @staticmethod
    def _prompted(
        prompt: str,
        *,
        validator: Validator | None = None,
        completer: WordCompleter | None = None,
        toolbar: Callable[[], str],
        refresh_s: float = 0.0,
    ) -> str:
        try:
            return prompt_toolkit.prompt(
                prompt,
                validator=validator,
                validate_while_typing=False,
                completer=completer,
                complete_while_typing=False,
                bottom_toolbar=toolbar,
                refresh_interval=refresh_s,
            )
        except (EOFError, KeyboardInterrupt):
            raise SetupLeft("left; give the same command again to go on where this was left") from None

    def say(self, text: str) -> None:
        """Print it."""
        self._end_glances()
        self._console.print(Text(text))

    def glance(self, text: str) -> None:
        """Show what goes on in one line, over the last that was shown so."""
        if self._console.is_terminal:
            line = harmless(f"  {text}")[: self._console.width - 1]
            self._console.file.write(f"\r{line}{_TO_END_OF_LINE}")
            self._console.file.flush()
            self._glances = True

    def _end_glances(self) -> None:
        """Leave the line that went on; what was typed while nothing was asked answers nothing."""
        if self._glances:
            self._console.print()
            self._glances = False
            with suppress(termios.error, OSError):
                termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)

    def wait(self, text: str, live: Callable[[], str], over: Callable[[], bool]) -> None:  # noqa: ARG002 - a person sees it
        """Wait for Enter; the line below shows what is read."""
        self.say("")
        self._console.print(Text(text, style="bold"))
        answer = self._prompted("Enter: ", toolbar=lambda: harmless(live()), refresh_s=_REFRESH_S)
        if answer.strip() == _BACK:
            raise StepBack


@final
class _Checks(Validator):
    """Takes what the question takes, an empty line for its proposal, and the word for the question before."""

    def __init__(self, question: SetupQuestion) -> None:
        self._question = question

    def validate(self, document: Document) -> None:
        """Raise what is shown below the line until it works again."""
        text = document.text
        if text.strip() == _BACK:
            return
        try:
            self._question.checked(text or self._question.default)
        except ValueError as error:
            raise ValidationError(len(text), harmless(str(Refusal.of(error)))) from None
