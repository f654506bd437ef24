"""Prompts to people on a plain terminal, one at a time: lines out, lines in, so that it works over any connection."""

from __future__ import annotations

import asyncio
import os
import termios
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.asking import NOT_SURE

if TYPE_CHECKING:
    from ventproof.run.prompts import Prompts
    from ventproof_bench.base.asking import Prompt


_MOST_BYTES: Final = 4096


@final
class TerminalDesk:
    """Shows one prompt at a time and takes a line for it; implements `ventproof.run.prompts.Desk`.

    What was typed before a prompt was shown is not an answer to it, and is thrown away.

    Args:
        say: prints a line.
        fd: file descriptor of the terminal that is read.
    """

    def __init__(self, say: Callable[[str], object], fd: int = 0) -> None:
        self._say = say
        self._fd = fd
        self._prompts: Prompts
        self._waiting: dict[int, Prompt] = {}
        self._typed = b""
        self._reads = False

    def begin(self, prompts: Prompts) -> None:
        """Read the terminal while the run goes on."""
        self._prompts, self._reads = prompts, True
        self._waiting.clear()
        asyncio.get_running_loop().add_reader(self._fd, self._readable)

    def show(self, number: int, prompt: Prompt) -> None:
        """Show a prompt, if no other is shown."""
        self._waiting[number] = prompt
        if len(self._waiting) == 1:
            self._put()

    def over(self, number: int) -> None:
        """Show the next prompt when this one is over."""
        shown = next(iter(self._waiting), None)
        prompt = self._waiting.pop(number, None)
        if prompt is None:
            return
        if number == shown and self._waiting:
            self._put()

    def end(self) -> None:
        """Read the terminal no more."""
        if self._reads:
            self._reads = False
            asyncio.get_running_loop().remove_reader(self._fd)

    def _put(self) -> None:
        self._typed = b""
        with suppress(termios.error, OSError):  # what is no terminal holds nothing back
            termios.tcflush(self._fd, termios.TCIFLUSH)
        prompt = next(iter(self._waiting.values()))
        self._say(f"? {prompt.who}: {prompt.text}")
        self._say(f"    {answers_said(prompt)}")

    def _readable(self) -> None:
        try:
            data = os.read(self._fd, _MOST_BYTES)
        except OSError:
            data = b""
        if not data:
            self.end()
            self._say("no one can answer at this terminal any more: it was closed")
            return
        *lines, self._typed = (self._typed + data).split(b"\n")
        for line in lines:
            self._take(line.decode("utf-8", "replace"))

    def _take(self, line: str) -> None:
        number = next(iter(self._waiting), None)
        if number is None or not line.strip():
            return
        refused = self._prompts.answer(number, line, self._waiting[number].who)
        if refused is not None:
            self._say(f"    {refused}")


def answers_said(prompt: Prompt) -> str:
    """Return what may be answered to a prompt, in a line."""
    if prompt.unit:
        steps = f", read to {prompt.resolution:g} {prompt.unit}" if prompt.resolution else ""
        said = f"type a number in {prompt.unit}{steps}, or ? for {NOT_SURE!r}"
    else:
        said = "type " + ", ".join(f"{n} for {word!r}" for n, word in enumerate(prompt.offered, start=1))
    return said if prompt.within_s is None else f"{said}; within {prompt.within_s:g} s"
