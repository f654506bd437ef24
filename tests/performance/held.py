"""What a command of ventproof holds in memory at the most, and how long it takes."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Final, NamedTuple

_LAUNCHER: Final = """
import resource, subprocess, sys
code = subprocess.call(sys.argv[1:], stdout=subprocess.DEVNULL)
print(code, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
"""
"""A child begins with what its parent held; this parent is small."""


class Held(NamedTuple):
    """How a command ended, the most that a process of it held, and its seconds."""

    code: int
    most_mb: float
    took_s: float


def held_by(line: str, folder: Path) -> Held:
    """Run a command in a folder."""
    began_s = time.monotonic()
    words = [sys.executable, "-c", _LAUNCHER, sys.executable, "-m", "ventproof", *line.split()]
    said = subprocess.run(words, cwd=folder, stdout=subprocess.PIPE, check=True, text=True).stdout
    code, most_kb = map(int, said.split())
    return Held(code, most_kb / 1e3, time.monotonic() - began_s)
