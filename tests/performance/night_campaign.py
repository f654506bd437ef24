"""A night of runs in virtual time: on this computer alone, and in a lab of two workers of which one is killed.

Every run must be there once, with the same bytes wherever it was made. `make night` asks for 2,040 runs of each of the
two, and for a fifteenth of them from one and from two processes and workers, which shows how it scales. The runs are
those of the shortest shipped profile on each shipped bench: the night is about jobs, and not about what is in them.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from argparse import ArgumentParser
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.append(str(Path(__file__).parents[1] / "support"))

from lab_jobs import VENTPROOF, Lab, awaited

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof.profile.duration import longest_s
from ventproof.profile.load import load_profile

SUITES = {
    "mock": "weather",
    "snow-house": "snow-house",
    "loop-switches": "drives/switches",
    "loop-potentiometer": "drives/potentiometer",
    "loop-reckoned": "drives/reckoned",
    "by-hand-mock": "by-hand",
}
"""The shipped benches in virtual time, each with the folder of its profiles."""

FIRMWARE = ("2.3", "2.4")


@dataclass(frozen=True)
class Made:
    """What a campaign left.

    Attributes:
        engine: who made it.
        planned: how many runs it has.
        runs: how many logs there are.
        entered: how many runs the history has.
        digest: of the names and bytes of all logs.
        took_s: wall time of the command.
        code: its exit code.
    """

    engine: str
    planned: int
    runs: int
    entered: int
    digest: str
    took_s: float
    code: int

    @property
    def lost(self) -> int:
        """How many runs are missing, as logs or in the history."""
        return self.planned - min(self.runs, self.entered)

    @property
    def line(self) -> str:
        """It in a line of the table."""
        counts = f"{self.runs:6} of {self.planned:6} runs, {self.lost} lost"
        speed = f"{self.runs / self.took_s:7.2f} runs/s {self.took_s:6.0f} s"
        return f"{self.engine:22} {counts} {speed}  code {self.code}  {self.digest}"


@dataclass(frozen=True)
class Night:
    """A campaign file, and how many runs it makes."""

    file: Path
    runs: int


def shortest(suites: Sequence[str] = tuple(SUITES)) -> dict[str, Path]:
    """Return the shipped profile that takes the least time at most on each of some shipped benches."""
    found = {}
    for bench in suites:
        paths = sorted((SHIPPED.parent / SUITES[bench]).rglob("*.yaml"))
        found[bench] = min(paths, key=lambda path: longest_s(load_profile(path).model))
    return found


def written(folder: Path, repeats: int, profiles: dict[str, Path]) -> Night:
    """Write the campaign of a night: a profile on each bench, two firmware versions, so many repeats."""
    benches = [
        {"file": str(SHIPPED_BENCH.with_name(f"{bench}.yaml")), "profiles": [str(path)]}
        for bench, path in profiles.items()
    ]
    night = {"campaign": "night", "benches": benches, "firmware": list(FIRMWARE), "repeats": repeats}
    file = folder / f"night-{repeats}.yaml"
    file.write_text(json.dumps(night), encoding="utf-8")
    return Night(file, len(profiles) * len(FIRMWARE) * repeats)


def alone(night: Night, processes: int) -> Made:
    """Make the runs on this computer."""
    return _made(night, f"{processes} processes", ("--jobs", str(processes)))


def in_a_lab(night: Night, workers: int, *, kill_after: int = 0) -> Made:
    """Make the runs in a lab on this computer; kill a worker after so many runs and start another."""
    folder = night.file.parent
    with Lab(folder) as lab:
        held = lab.workers(count=workers)
        name = f"lab of {workers}" + (", one killed" if kill_after else "")

        def disturb(out: Path) -> None:
            if kill_after:
                awaited(lambda: len(list(out.glob("*/*.jsonl"))) >= kill_after, within_s=36_000)
                held[0].kill()
                lab.workers()

        return _made(night, name, ("--scheduler", lab.address), disturb)


def _made(
    night: Night, engine: str, how: Sequence[str], meanwhile: Callable[[Path], None] = lambda _: None
) -> Made:
    out = night.file.parent / "out"
    began_s = time.monotonic()
    command = [*VENTPROOF, "campaign", str(night.file), "--any-path", "--out", str(out), *how]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        meanwhile(out)
        code = process.wait()
    took_s = time.monotonic() - began_s
    whole, logs = hashlib.sha256(), sorted(out.glob("*/*.jsonl"))
    for log in logs:
        whole.update(f"{log.relative_to(out)}\0".encode() + hashlib.sha256(log.read_bytes()).digest())
    entered = History(place_of(str(out / "history.sqlite"))).count()
    shutil.rmtree(out)  # a night is a gigabyte
    return Made(engine, night.runs, len(logs), entered, whole.hexdigest()[:16], took_s, code)


SCALES: dict[str, Callable[[Night], Made]] = {
    "alone-1": lambda night: alone(night, 1),
    "alone-2": lambda night: alone(night, 2),
    "lab-1": lambda night: in_a_lab(night, 1),
    "lab-2": lambda night: in_a_lab(night, 2),
}
NIGHTS: dict[str, Callable[[Night], Made]] = {
    "night-alone-2": lambda night: alone(night, 2),
    "night-lab-2-killed": lambda night: in_a_lab(night, 2, kill_after=night.runs // 3),
}


def nights(folder: Path, repeats: int, engines: Sequence[str]) -> Iterator[Made]:
    """Yield what each engine left: of a fifteenth of the runs for scaling, of all of them for the night."""
    profiles = shortest()
    for bench, path in profiles.items():
        print(f"{bench}: {path.relative_to(SHIPPED.parent)}")
    part, whole = (written(folder, many, profiles) for many in (max(1, repeats // 15), repeats))
    for engine in engines or (*SCALES, *NIGHTS):
        made = SCALES[engine](part) if engine in SCALES else NIGHTS[engine](whole)
        print(made.line, flush=True)
        yield made


def main() -> int:
    """Make the night; return whether a run was lost or differs."""
    asked = ArgumentParser(description=__doc__)
    asked.add_argument("repeats", type=int, help="of each profile, with each of two firmware versions")
    asked.add_argument("engines", nargs="*", help=f"all unless stated: {', '.join((*SCALES, *NIGHTS))}")
    asked.add_argument("--json", type=Path, default=Path(".night.json"), help="file for the figures")
    words = asked.parse_args()
    with TemporaryDirectory(prefix="ventproof-night-", dir=os.environ.get("NIGHT_FOLDER")) as name:
        made = list(nights(Path(name), words.repeats, words.engines))
    for one, two in pairwise(made):
        if one.planned == two.planned and one.engine.replace("1", "2") == two.engine:
            print(f"{two.engine}: {one.took_s / two.took_s:.2f} times as fast as {one.engine}")
    words.json.write_text(json.dumps([asdict(one) for one in made], indent=1) + "\n", encoding="utf-8")
    same = {one.planned: one.digest for one in made}
    return sum(one.lost != 0 or one.code != 0 or one.digest != same[one.planned] for one in made)


if __name__ == "__main__":
    sys.exit(main())
