"""A terminal of so many columns and lines: takes what a program writes to it, and says what a person sees."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import termios
import time
from dataclasses import dataclass, field

_SEQUENCE = re.compile(r"\x1b\[(\??)([\d;]*)([A-Za-z])|\x1b[()][A-Z0-9]|\x1b[=>]")


@dataclass
class Screen:
    """The characters of a terminal (ECMA-48: CUU, CUD, CHA, CUP, ED, EL; colours and modes are left out)."""

    columns: int
    lines: int
    rows: list = field(default_factory=list)
    at: tuple = (0, 0)
    rest: str = ""
    scrolled: list = field(default_factory=list)

    def __post_init__(self):
        self.rows = [[" "] * self.columns for _ in range(self.lines)]

    @property
    def text(self):
        """What a person sees, without blanks at the ends of lines."""
        return "\n".join("".join(row).rstrip() for row in self.rows).rstrip()

    def feed(self, text):
        """Take what was written."""
        text, self.rest = self.rest + text, ""
        i = 0
        while i < len(text):
            if text[i] == "\x1b":
                found = _SEQUENCE.match(text, i)
                if found is None:
                    self.rest = text[i:]
                    return
                i = found.end()
                if found[3] and not found[1]:
                    self._obey(found[3], [int(n or 0) for n in found[2].split(";")])
                continue
            self._put(text[i])
            i += 1

    def _put(self, character):
        row, column = self.at
        if character == "\r":
            self.at = row, 0
        elif character == "\n":
            self._down()
        elif character == "\b":
            self.at = row, max(0, column - 1)
        elif character >= " ":
            if column == self.columns:
                self._down()
                row, column = self.at[0], 0
            self.rows[row][column] = character
            self.at = row, column + 1

    def _down(self):
        row, column = self.at
        if row + 1 == self.lines:
            self.scrolled.append("".join(self.rows.pop(0)).rstrip())
            self.rows.append([" "] * self.columns)
            self.at = row, column
        else:
            self.at = row + 1, column

    def _obey(self, letter, numbers):
        row, column = self.at
        first = numbers[0] or 1
        if letter == "A":
            self.at = max(0, row - first), column
        elif letter == "B":
            self.at = min(self.lines - 1, row + first), column
        elif letter == "G":
            self.at = row, first - 1
        elif letter == "H":
            self.at = first - 1, ([*numbers, 0])[1] - 1 if len(numbers) > 1 and numbers[1] else 0
        elif letter == "K":
            begin, end = {0: (column, self.columns), 1: (0, column + 1), 2: (0, self.columns)}[numbers[0]]
            self.rows[row][begin:end] = [" "] * (end - begin)
        elif letter == "J":
            self.rows[row][column:] = [" "] * (self.columns - column)
            self.rows[row + 1 :] = [[" "] * self.columns for _ in self.rows[row + 1 :]]


def played(command, columns, lines, *, seen, within_s, env=None):
    """Run a command on a terminal until it ends; `seen(screen, process)` is called after each thing that it writes.

    Returns the screen and the exit code.
    """
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", lines, columns, 0, 0))
    screen, end_s = Screen(columns, lines), time.monotonic() + within_s
    environment = {**os.environ, "TERM": "xterm-256color", **(env or {})}
    environment.pop("COLUMNS", None)
    environment.pop("LINES", None)
    with subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment, start_new_session=True
    ) as process:
        os.close(theirs)
        try:
            while time.monotonic() < end_s:
                ready, _, _ = select.select([ours], [], [], 0.5)
                if not ready:
                    if process.poll() is not None:
                        break
                    continue
                try:
                    data = os.read(ours, 65536)
                except OSError:  # Linux tells the end of a terminal so
                    break
                screen.feed(data.decode("utf-8", "replace"))
                seen(screen, process)
            return screen, process.wait(5)
        finally:
            if process.poll() is None:
                process.kill()
            os.close(ours)
