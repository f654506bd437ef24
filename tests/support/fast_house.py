"""A small fast house on real wires: the mock unit and its relay boards, served in a process of their own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import contextmanager

from ventproof.cli.options import SHIPPED_BENCH

VENTPROOF = [sys.executable, "-m", "ventproof"]

LONG_RAIN = """
profile: rain for a minute
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: rain_override, equals: off, within: 4 s}
steps:
  - step: rain begins
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 1500 ms}
      - {signal: roof_vent, stays_at_most: 101 %, for: 1 min}
"""

_FASTER = (
    ("full_travel: 30 s", "full_travel: 3 s"),
    ("full_travel: 40 s", "full_travel: 4 s"),
    ("entry_delay: 2 s", "entry_delay: 500 ms"),
    ("release_delay: 30 s", "release_delay: 1 s"),
    ("full_travel: 28 s", "full_travel: 2800 ms"),
    ("full_travel: 38 s", "full_travel: 3800 ms"),
    ("refresh_every: 200 ms", "refresh_every: 50 ms"),
    ("refreshed_every: 200 ms", "refreshed_every: 50 ms"),
    ("poll_every: 100 ms", "poll_every: 50 ms"),
    (
        "wet_at: 10 mm/h",
        "wet_at: 9000 mm/h",
    ),  # a shower would hold the vents for minutes, and the next test up
)


def faster(text):
    """Return a bench file of the shipped unit with everything that takes its time a tenth as long."""
    for said, instead in _FASTER:
        text = text.replace(said, instead)
    return text


@contextmanager
def served_house(folder):
    """Serve the house in a folder, with bench files for it there; yields the mock's process."""
    (folder / "house.yaml").write_text(faster(SHIPPED_BENCH.read_text(encoding="utf-8")), encoding="utf-8")
    with served(folder, folder / "house.yaml") as process:
        for path in folder.glob("bench-*.yaml"):
            path.write_text(faster(path.read_text(encoding="utf-8")), encoding="utf-8")
        yield process


@contextmanager
def served(folder, bench):
    """Serve the mock of a bench file in a folder; yields its process."""
    with subprocess.Popen(
        [*VENTPROOF, "mock", "--out", folder, "--bench", bench],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:
        said = ""
        while "Ctrl-C ends it." not in said:
            line = process.stdout.readline()
            assert line, f"the mock died: {said}"
            said += line
        try:
            yield process
        finally:
            process.send_signal(signal.SIGINT)
            assert process.wait(5) == 0
