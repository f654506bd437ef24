"""Processes of a lab on this computer, and work for them that ends the worker which does it, once."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

VENTPROOF = [sys.executable, "-m", "ventproof"]


def as_it_is(job):
    """Return the job."""
    return job


def hanging(mark):
    """Say with a file that the job began, and go on until it is gone."""
    mark.touch()
    while mark.exists():
        time.sleep(0.05)


_begun_with = []


def begin_with(what):
    """Note what this worker began with."""
    _begun_with[:] = [what]


def what_it_began_with(_job):
    """Return what the worker of the job began with."""
    return _begun_with[0]


def killing(job):
    """Kill the worker if the job is a path where nothing stands yet, and leave a mark there; return the job's name."""
    if isinstance(job, Path) and job.name.startswith("running"):
        _kill_once(job)
    return Held(job) if isinstance(job, Path) and job.name.startswith("holding") else str(job)


class Held:
    """A result whose holder is killed, once, when the result is fetched from it."""

    def __init__(self, mark):
        self.mark = mark

    def __reduce__(self):
        _kill_once(self.mark)
        return str, (str(self.mark),)


def _kill_once(mark):
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)


class Lab:
    """A scheduler on a free port, and workers; a context that ends them all."""

    def __init__(self, folder, *options):
        self._folder, self._options, self._processes = folder, options, []
        self.scheduler = self._started("scheduler", "--listen", "127.0.0.1:0", *options)
        self.address = self._said(self.scheduler).split()[3].rstrip(";")

    def workers(self, *options, count=1):
        """Start workers, and return them once they are all ready."""
        made = [self._started("worker", self.address, *self._options, *options) for _ in range(count)]
        for one in made:
            self._said(one)
        return made

    def _started(self, *words):
        paths = [*filter(None, sys.path), str(Path(__file__).parent)]
        process = subprocess.Popen(
            [*VENTPROOF, *map(str, words)],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            cwd=self._folder,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        )
        self._processes.append(process)
        return process

    @staticmethod
    def _said(process):
        line = process.stdout.readline()
        assert "Ctrl-C ends it" in line, line + process.stdout.read()
        return line

    def __enter__(self):
        return self

    def __exit__(self, *_):
        for process in reversed(self._processes):
            process.terminate()
        for process in reversed(self._processes):
            try:
                process.wait(20)
            finally:
                process.kill()
                process.stdout.close()


def awaited(what, within_s=120.0):
    """Wait until something is so."""
    end_s = time.monotonic() + within_s
    while not (found := what()):
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.05)
    return found
