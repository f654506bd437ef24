"""A person at a terminal, as far as a test needs one: reads prompts from a pseudo-terminal and types the answers."""

from __future__ import annotations

import codecs
import os
import re
import select
import signal
import subprocess
import sys
import time

PROMPT = re.compile(r"^\? (\w+): (.+)\n {4}type .*\n", re.MULTILINE)


class Typist:
    """Runs a command on a pseudo-terminal and types what `answer` says to each prompt.

    Args:
        words: of the ventproof command.
        answer: takes who is asked, and what; returns what is typed, or None to type nothing.
    """

    def __init__(self, words, answer):
        self._answer = answer
        self.shown, self.prompts = "", []
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._fd, theirs = os.openpty()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "ventproof", *map(str, words)],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
        )
        os.close(theirs)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        os.close(self._fd)

    def run(self, *, within_s, until=None):
        """Type until the command ends, or until a text was shown; return its exit code, or None if it goes on."""
        ends_s = time.monotonic() + within_s
        while time.monotonic() < ends_s:
            if not select.select([self._fd], [], [], 0.2)[0]:
                continue
            try:
                data = os.read(self._fd, 65536)
            except OSError:  # the other end is closed
                return self._process.wait()
            self.shown += self._decoder.decode(data).replace("\r", "")
            for match in list(PROMPT.finditer(self.shown))[len(self.prompts) :]:
                self.prompts.append(match.groups())
                said = self._answer(*match.groups())
                if said is not None:
                    self.type(f"{said}\n")
            if until is not None and until in self.shown:
                return None
        raise AssertionError(f"not over within {within_s} s:\n{self.shown}")

    def type(self, text):
        """Type something."""
        os.write(self._fd, text.encode())

    def leave(self):
        """Answer nothing more."""
        self._answer = lambda *_: None

    def interrupt(self):
        """Do what Ctrl-C does."""
        self._process.send_signal(signal.SIGINT)
