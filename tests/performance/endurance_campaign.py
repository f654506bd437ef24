"""Runs that last: memory and descriptors stay flat, in one run and over many, virtual and on real wires.

`python tests/performance/endurance_campaign.py 24 30` plays a run of 24 virtual hours at 10 Hz and eight signals, short
runs for 24 virtual hours more in the same process, and a run of 30 real minutes on real wires, all of whose processes
are watched. What grows by more than `MOST_GROWTH_MB` after it has warmed up, or by a descriptor, is told, and how much
an hour of the log takes, plain and archived. Commands that read the long log must not take more than `MOST_READING_MB`.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tempfile
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from held import held_by
from kill_campaign import children_of, lives
from test_speed_of_runs import EIGHT_SIGNALS

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.names import archive_path
from ventproof.log.read import check_log
from ventproof.profile.load import read_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.base.clock import run
from ventproof_bench.benchcheck.load import load_bench, read_bench
from ventproof_bench.mock.wires.stand import serve

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof.log.events import Event

LASTING: Final = """
profile: a long rain
needs:
  outputs: {{rain: contact, house_temperature: °C}}
  signals: {{roof_vent: "%", side_vent: "%", rain_override: flag, house_reading: °C, rain_count: count,
            rain_contact: flag, stage: state}}
always:
  - {{signal: roof_vent, stays_at_most: 100.5 %}}
start:
  set: {{rain: open}}
  write: {{house_temperature: 30 °C}}
  until: [{{signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 1 min}}]
steps:
  - step: rain begins
    do: [{{close: rain}}]
    expect: [{{signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 35 s}}]
  - step: it rains on
    expect:
      - {{signal: roof_vent, stays: 8 %, tolerance: 2 %, for: {lasts_s} s}}
      - {{signal: side_vent, stays_at_most: 100.5 %, for: {lasts_s} s}}
"""

MOST_GROWTH_MB: Final = 16.0
"""From the end of warming up to the end, whatever the length."""

MOST_READING_MB: Final = 200.0
"""At the most, whatever the length of the log; a report of an hour takes 160 MB."""

READING: Final = ("verify LOG", "judge LOG", "report LOG -o report.html", "archive LOG", "verify LOG.zst")

WARM: Final = 0.1
"""Of a run or series is left out: what is imported late, and caches that fill."""

_EVERY_S: Final = 60.0
_SHORT_S: Final = 60.0


@dataclass(frozen=True)
class Sample:
    """What a process held at an instant."""

    at_s: float
    resident_mb: float
    descriptors: int


def sample(at_s: float, pid: int | None = None) -> Sample:
    """Take one of a process, this one unless stated."""
    of = Path(f"/proc/{pid or 'self'}")
    pages = int((of / "statm").read_text().split()[1])
    return Sample(at_s, pages * os.sysconf("SC_PAGE_SIZE") / 1e6, len(list((of / "fd").iterdir())))


@dataclass
class Course:
    """What one process held over time; `name` says what it did."""

    name: str
    samples: list[Sample] = field(default_factory=list)

    @property
    def warm(self) -> list[Sample]:
        """The samples after warming up."""
        begins_s = self.samples[0].at_s + WARM * (self.samples[-1].at_s - self.samples[0].at_s)
        return [one for one in self.samples if one.at_s >= begins_s]

    @property
    def growth_mb(self) -> float:
        """How much more it held in the last tenth than in the first one after warming up, at the least."""
        of = [one.resident_mb for one in self.warm]
        part = max(1, len(of) // 10)
        return min(of[-part:]) - min(of[:part])

    @property
    def wrong(self) -> list[str]:
        """What is not flat."""
        found = []
        if self.growth_mb > MOST_GROWTH_MB:
            found.append(f"{self.name}: {self.growth_mb:.1f} MB more than after warming up")
        opened = [one.descriptors for one in self.warm]
        if opened[-1] > opened[0]:
            found.append(f"{self.name}: {opened[-1]} descriptors, {opened[0]} after warming up")
        return found

    @property
    def line(self) -> str:
        """The figures, as a line."""
        first, last = self.warm[0], self.samples[-1]
        return (
            f"{self.name:40}{(last.at_s - self.samples[0].at_s) / 3600:7.2f} h {first.resident_mb:7.1f} to"
            f"{last.resident_mb:7.1f} MB, {first.descriptors} to {last.descriptors} descriptors"
        )


class _Watching(SilentView):
    def __init__(self, course: Course) -> None:
        self._course = course
        self._next_s = 0.0

    def event(self, event: Event) -> None:
        if event.t_s >= self._next_s:
            self._course.samples.append(sample(event.t_s))
            self._next_s = event.t_s + _EVERY_S


def reading_mb(log: Path) -> Iterator[tuple[str, float]]:
    """Yield the commands that read a log, each with the most that it held, MB; the log is archived afterwards."""
    for line in READING:
        held = held_by(line.replace("LOG", log.name), log.parent)
        assert held.code == 0, line
        yield line, held.most_mb


def long_run(lasts_s: float) -> tuple[Course, dict[str, float], tuple[float, float]]:
    """Play one run in virtual time.

    Returns:
        Its course, what commands hold that read its log, and the megabytes of its log an hour, plain and archived.
    """
    course = Course("one virtual run")
    profile = read_profile("long.yaml", LASTING.format(lasts_s=lasts_s))
    with tempfile.TemporaryDirectory() as folder:
        session = Session(bench=read_bench("bench.yaml", EIGHT_SIGNALS), out=Path(folder))
        result = session.run(profile, _Watching(course))
        assert result.outcome.verdict == "pass", result
        assert check_log(result.log).closed
        size_mb = result.log.stat().st_size / 1e6
        read = dict(reading_mb(result.log))
        small_mb = archive_path(result.log).stat().st_size / 1e6
    hours = course.samples[-1].at_s / 3600
    return course, read, (size_mb / hours, small_mb / hours)


def many_runs(lasts_s: float) -> Course:
    """Play short runs one after the other, for so long in virtual time together."""
    course, gone_s = Course("many virtual runs in one process"), 0.0
    bench = read_bench("bench.yaml", EIGHT_SIGNALS)
    profile = read_profile("short.yaml", LASTING.format(lasts_s=_SHORT_S))
    while gone_s < lasts_s:
        with tempfile.TemporaryDirectory() as folder:
            result = Session(bench=bench, out=Path(folder)).run(profile, SilentView())
            assert result.outcome.verdict == "pass", result
            gone_s += json.loads(result.log.read_text(encoding="utf-8").splitlines()[-1])["t"]
        course.samples.append(sample(gone_s))
    return course


async def _real(lasts_s: float, folder: Path) -> list[Course]:
    loop, settings = asyncio.get_running_loop(), load_bench(SHIPPED_BENCH).model.mock
    assert settings is not None, "the shipped bench has a mock"
    (folder / "long.yaml").write_text(LASTING.format(lasts_s=lasts_s), encoding="utf-8")
    courses: dict[int, Course] = {}
    async with AsyncExitStack() as stack:
        stand = await serve(settings, folder / "stand", stack)
        bench = next(path for path in stand.bench_files if path.name == "bench-tcp.yaml")
        words = ["run", folder / "long.yaml", "--bench", bench, "--confirm-clear", "--out", folder / "out"]
        words += ["--history", "none", "--quiet"]
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "ventproof", *map(str, words), stdout=subprocess.DEVNULL
        )
        begun_s = loop.time()
        while process.returncode is None:
            await asyncio.sleep(min(_EVERY_S, lasts_s) / 20)
            line = children_of(process.pid)
            for pid in (process.pid, *line, *(child for one in line for child in children_of(one))):
                if lives(pid):
                    course = courses.setdefault(pid, Course(f"real process {len(courses) + 1}"))
                    course.samples.append(sample(loop.time() - begun_s, pid))
        assert process.returncode in {0, 2}, process.returncode
    return list(courses.values())


def real_run(lasts_s: float) -> list[Course]:
    """Run on real wires for so long; returns the course of each of its processes."""
    found: list[Course] = []

    async def all_of_it(folder: Path) -> None:
        found.extend(await _real(lasts_s, folder))

    with tempfile.TemporaryDirectory() as folder:
        run(all_of_it(Path(folder)), virtual=False)
    return [course for course in found if len(course.samples) > 1]


def main(virtual_hours: float = 24.0, real_minutes: float = 30.0) -> int:
    """Play, and print a line for each process; returns 1 if one is not flat."""
    wrong = []
    course, read, (log_mb, small_mb) = long_run(virtual_hours * 3600)
    print(f"{course.line}; its log takes {log_mb:.1f} MB an hour, its archive {small_mb:.2f}", flush=True)
    for line, held_mb in read.items():
        print(f"{line:40}{held_mb:7.1f} MB", flush=True)
        wrong += [f"{line}: {held_mb:.1f} MB"] if held_mb > MOST_READING_MB else []
    for one in (course, many_runs(virtual_hours * 3600), *real_run(real_minutes * 60)):
        if one is not course:
            print(one.line, flush=True)
        wrong += one.wrong
    print("\n".join(wrong) or "all of it is flat")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(*map(float, sys.argv[1:])))
