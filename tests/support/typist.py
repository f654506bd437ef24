"""A person at a terminal, as far as a test needs one: reads prompts from a pseudo-terminal and types the answers."""

from __future__ import annotations

import codecs
import os
import pty
import re
import select
import signal
import sys
import time


class Typist:
    """Runs a command on a pseudo-terminal and types what `answer` says to each prompt.

    Args:
        words: of the ventproof command.
        answer: takes who is asked, and what; returns what is typed, or None to type nothing.
        env: environment of the command.
    """

    def __init__(self, words, answer, env):
        self._answer = answer
        self.shown = ""
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self.prompts = []
        self._pid, self._fd = pty.fork()
        if self._pid == 0:
            os.execve(sys.executable, [sys.executable, "-m", "ventproof.cli", *map(str, words)], env)

    def run(self, *, within_s, until=None):
        """Type until the command ends, or until a text was shown; return its exit code, or None if it goes on."""
        ends_s = time.monotonic() + within_s
        told = 0
        while time.monotonic() < ends_s:
            if not select.select([self._fd], [], [], 0.2)[0]:
                continue
            try:
                data = os.read(self._fd, 65536)
            except OSError:  # the other end is closed
                data = b""
            if not data:
                return os.waitstatus_to_exitcode(os.waitpid(self._pid, 0)[1])
            self.shown += self._decoder.decode(data).replace("\r", "")
            for match in list(re.finditer(r"^\? (\w+): (.+)\n {4}type .*\n", self.shown, re.MULTILINE))[
                told:
            ]:
                told += 1
                self.prompts.append(match.groups())
                said = self._answer(*match.groups())
                if said is not None:
                    self.type(said + "\n")
            if until is not None and until in self.shown:
                return None
        os.kill(self._pid, signal.SIGKILL)
        raise AssertionError(f"not over within {within_s} s:\n{self.shown}")

    def type(self, text):
        """Type something."""
        os.write(self._fd, text.encode())
