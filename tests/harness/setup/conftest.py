"""A quick stranger to set up a bench against: the mock in a guise, served by a process of its own."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

GUISE = """
guise: Hollerbach table, a small unit that is quick
unit_id: 3
baud: 38400
leaves_out: [type, scale]
shows:
  Ridge vent position: {of: roof_vent, table: input, address: 20, type: u16, scale: 0.5, unit: "%"}
  Wall vent position: {of: side_vent, table: input, address: 21, type: f32, word_order: low-first, unit: "%"}
  Rain alarm: {of: rain_override, table: discrete, address: 8, type: bit}
takes:
  Room temperature simulated: {of: house_temperature, table: holding, address: 30, type: s16, scale: 0.1, unit: °C}
relays: {unit_id: 4, wired: [nothing, rain]}
mock:
  vents:
    roof: {full_travel: 6 s, dead_time: 200 ms, stages: [100 %]}
    side: {full_travel: 5 s, dead_time: 200 ms, stages: [90 %]}
  house: {temperature: 18 °C, stage_at: [25 °C], hysteresis: 1 °C}
  rain: {entry_delay: 500 ms, release_delay: 1 s, positions: {roof: 10 %, side: 40 %}}
  refresh_every: 100 ms
"""
PROGRAM = [sys.executable, "-c", "from ventproof.cli import main; main()"]


class Piped:
    """A process whose output is read as it comes, and whose input can be written."""

    def __init__(self, process, out):
        self.process = process
        self.heard = ""
        self._out = out
        self._taken = 0

    def write(self, text):
        """Type it."""
        os.write(self.process.stdin.fileno() if self.process.stdin else self._out, text.encode())

    def until(self, text, *, within_s=90):
        """Wait until it says something that it has not said when it was waited for last."""
        deadline = time.monotonic() + within_s
        while (at := self.heard.find(text, self._taken)) < 0:
            left = deadline - time.monotonic()
            assert left > 0, f"{text!r} was not said within {within_s} s; heard:\n{self.heard[-3000:]}"
            if select.select([self._out], [], [], min(left, 0.5))[0]:
                try:
                    piece = os.read(self._out, 65536)
                except OSError:  # a pseudo-terminal whose other end was closed
                    piece = b""
                assert piece, f"it ended before it said {text!r}:\n{self.heard[-3000:]}"
                self.heard += piece.decode(errors="replace")
        self._taken = at + len(text)

    def end(self, *, within_s=120):
        """Read to the end; returns the exit code."""
        deadline = time.monotonic() + within_s
        while time.monotonic() < deadline:
            if select.select([self._out], [], [], 0.2)[0]:
                try:
                    piece = os.read(self._out, 65536)
                except OSError:
                    piece = b""
                if not piece:
                    return self.process.wait(timeout=20)
                self.heard += piece.decode(errors="replace")
            elif self.process.poll() is not None:
                return self.process.returncode
        raise AssertionError(f"it did not end; heard:\n{self.heard[-3000:]}")


@pytest.fixture
def stranger(tmp_path):
    """Serve the quick stranger; its hand switches stand at closed."""
    guise = tmp_path / "stranger.yaml"
    guise.write_text(GUISE, encoding="utf-8")
    process = subprocess.Popen(
        [*PROGRAM, "mock", "--as", guise, "--out", tmp_path / "served"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    unit = Piped(process, process.stdout.fileno())
    try:
        unit.until("Ctrl-C ends it")
        unit.work = tmp_path / "work"
        unit.work.mkdir(exist_ok=True)
        unit.port = tmp_path / "served" / "unit"
        unit.list = tmp_path / "served" / "makers-list.csv"
        unit.host = unit.heard.split("network")[1].split()[0]
        unit.hands = lambda where: unit.write(f"roof {where}\nside {where}\n")
        unit.hands("close")
        yield unit
    finally:
        process.terminate()
        process.wait(timeout=20)
        process.stdin.close()
        process.stdout.close()


@pytest.fixture
def setup(tmp_path):
    """Start a setup in a folder of its own: with pipes, or at a terminal."""
    started = []
    folder = tmp_path / "work"
    folder.mkdir(exist_ok=True)

    def start(*words, terminal=False):
        call = [*PROGRAM, "setup", *map(str, words)]
        if terminal:
            master, slave = os.openpty()
            env = os.environ | {
                "TERM": "xterm",
                "PROMPT_TOOLKIT_NO_CPR": "1",
                "COLUMNS": "120",
                "LINES": "40",
            }
            process = subprocess.Popen(
                call, cwd=folder, env=env, stdin=slave, stdout=slave, stderr=slave, start_new_session=True
            )
            os.close(slave)
            one = Piped(process, master)
        else:
            process = subprocess.Popen(
                call, cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
            )
            one = Piped(process, process.stdout.fileno())
        started.append(one)
        one.folder = folder
        return one

    yield start
    for one in started:
        if one.process.poll() is None:
            one.process.terminate()
            one.process.wait(timeout=30)
        if one.process.stdout:
            one.process.stdout.close()
        else:
            os.close(one._out)


@pytest.fixture
def program(tmp_path):
    """Run another command to its end in the setup's folder; returns exit code and what it said."""

    def call(*words):
        done = subprocess.run(
            [*PROGRAM, *map(str, words)],
            cwd=Path(tmp_path) / "work",
            capture_output=True,
            text=True,
            check=False,
            timeout=200,
        )
        return done.returncode, done.stdout + done.stderr

    return call
