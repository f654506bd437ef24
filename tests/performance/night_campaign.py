"""A night of runs in virtual time: on this computer alone, and in a lab of two workers of which one is killed.

Every run must be there once, with the same bytes wherever it was made. `make night` asks for 2,040 runs.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import time
from argparse import ArgumentParser
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.append(str(Path(__file__).parents[1] / "support"))

from lab_jobs import VENTPROOF, Lab, awaited

from ventproof.cli.options import SHIPPED
from ventproof.history.database import place_of
from ventproof.history.store import History

NIGHT = 'campaign: night\nfirmware: ["2.3", "2.4"]\n'


@dataclass(frozen=True)
class Made:
    """What a campaign left.

    Attributes:
        engine: who made it.
        runs: how many logs there are.
        entered: how many runs the history has.
        digest: of the names and bytes of all logs.
        took_s: wall time of the command.
        code: its exit code.
    """

    engine: str
    runs: int
    entered: int
    digest: str
    took_s: float
    code: int


def written(folder: Path, repeats: int, profiles: Sequence[Path] = ()) -> Path:
    """Write the campaign of a night: the shipped suite unless stated, two firmware versions, so many repeats."""
    names = [f"profiles: [{', '.join(path.name for path in profiles)}]\n"] if profiles else []
    for path in profiles:
        (folder / path.name).write_bytes(path.read_bytes())
    (folder / "night.yaml").write_text("".join((NIGHT, *names, f"repeats: {repeats}\n")), encoding="utf-8")
    return folder


def alone(folder: Path, processes: int) -> Made:
    """Make the runs on this computer."""
    return _made(folder, f"{processes} processes", ("--jobs", str(processes)))


def in_a_lab(folder: Path, workers: int, *, kill_after: int = 0) -> Made:
    """Make the runs in a lab on this computer; kill a worker after so many runs and start another."""
    with Lab(folder) as lab:
        held = lab.workers(count=workers)
        name = f"lab of {workers}" + (", one killed" if kill_after else "")
        out = folder / _folder_of(name)

        def disturb() -> None:
            if kill_after:
                awaited(lambda: len(list(out.glob("*/*.jsonl"))) >= kill_after, within_s=36_000)
                held[0].kill()
                lab.workers()

        return _made(folder, name, ("--scheduler", lab.address), disturb)


def _made(folder: Path, engine: str, how: Sequence[str], meanwhile=lambda: None) -> Made:
    out = folder / _folder_of(engine)
    began_s = time.monotonic()
    command = [*VENTPROOF, "campaign", str(folder / "night.yaml"), "--out", str(out), *how]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        meanwhile()
        code = process.wait()
    took_s = time.monotonic() - began_s
    whole, logs = hashlib.sha256(), sorted(out.glob("*/*.jsonl"))
    for log in logs:
        whole.update(f"{log.relative_to(out)}\0".encode() + hashlib.sha256(log.read_bytes()).digest())
    entered = History(place_of(str(out / "history.sqlite"))).count()
    return Made(engine, len(logs), entered, whole.hexdigest()[:16], took_s, code)


def _folder_of(engine: str) -> str:
    return engine.replace(" ", "-").replace(",", "")


ENGINES: dict[str, Callable[[Path, int], Made]] = {
    "alone-1": lambda folder, _: alone(folder, 1),
    "alone-2": lambda folder, _: alone(folder, 2),
    "lab-1": lambda folder, _: in_a_lab(folder, 1),
    "lab-2": lambda folder, _: in_a_lab(folder, 2),
    "lab-2-killed": lambda folder, third: in_a_lab(folder, 2, kill_after=third),
}


def main() -> int:
    """Make the night on engines; return whether a run was lost or differs."""
    asked = ArgumentParser(description=__doc__)
    asked.add_argument("repeats", type=int, help="of each profile, with each of two firmware versions")
    asked.add_argument("engines", nargs="*", help=f"all unless stated: {', '.join(ENGINES)}")
    asked.add_argument("--only", help="this shipped profile alone, by its file's name")
    words = asked.parse_args()
    made, some = [], list(SHIPPED.glob(f"**/{words.only or '*'}.yaml"))
    third = 2 * words.repeats * len(some) // 3
    with TemporaryDirectory(prefix="ventproof-night-", dir=os.environ.get("NIGHT_FOLDER")) as name:
        folder = written(Path(name), words.repeats, some if words.only else ())
        for engine in words.engines or ENGINES:
            one = ENGINES[engine](folder, third)
            print(
                f"{one.engine:22} {one.runs:6} runs {one.entered:6} in the history  {one.took_s:7.0f} s",
                end="",
            )
            print(
                f"  {1000 * one.took_s / one.runs:5.0f} ms a run  code {one.code}  {one.digest}", flush=True
            )
            made.append(one)
    return len({(one.runs, one.entered, one.digest, one.code) for one in made}) - 1


if __name__ == "__main__":
    sys.exit(main())
