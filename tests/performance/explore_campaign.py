"""Exploring against the fault catalogue: which faults weather drawn at random finds unaided, and how short it gets.

`python tests/performance/explore_campaign.py` explores every fault of the shipped mock from its shipped override table,
on all cores, and prints a line a fault and a line for all. Options: `--examples` sequences at most until one fails,
`--budget` seconds for each fault, making it shorter included, `--seed`, `--jobs`, and names of faults.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from statistics import median

from ventproof.cli.explore import played
from ventproof.cli.options import with_faults
from ventproof.explore.emit import said, writer_of
from ventproof.explore.search import Tally
from ventproof.explore.searches import Brought, Searches
from ventproof.session.session import Session
from ventproof.table.load import load_table
from ventproof_bench.base.clock import Stopwatch
from ventproof_bench.base.processes import worker_processes
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.faults.catalogue import CATALOGUE

FILES = Path(__file__).parents[2] / "bench" / "files"


@dataclass(frozen=True)
class Explored:
    """What exploring made of one fault."""

    fault: str
    family: str
    played: int
    took_s: float
    undecided: int
    broken_off: int
    until_found: int = 0
    first_actions: int = 0
    actions: int = 0
    finished: bool = False
    signal: str = ""
    kind: str = ""
    sequence: str = ""

    @property
    def line(self) -> str:
        """What is printed of it."""
        head = f"{self.fault:36} {self.family:15} {self.took_s:5.0f} s {self.played:4} played"
        if not self.actions:
            return f"{head}  not found ({self.undecided} undecided, {self.broken_off} broken off)"
        length = f"{self.first_actions} -> {self.actions} actions{'' if self.finished else ' so far'}"
        return f"{head}  no. {self.until_found}: {self.signal} {self.kind}, {length}: {self.sequence}"


def explore(fault: str, *, examples: int, budget_s: float, seed: int) -> Explored:
    """Explore the shipped mock with one fault."""
    watch = Stopwatch()
    bench = with_faults(load_bench(FILES / "mock.yaml"), [fault])
    play = partial(played, Session(bench=bench, out=Path(), seed=seed))
    writer = writer_of(load_table(FILES / "mock-overrides.yaml"), bench)
    searches = Searches(writer=writer, play=play, seed=seed, sequences=examples)
    tally = Tally()

    def left_s() -> float:
        return budget_s - watch.gone_s()

    ended = ((number, searches.do(number, left_s)) for number in range(searches.count))
    if (found := Brought(tally, bool).look(ended)) is not None:
        searches.again(*found, left_s, before=tally, told=bool).run()
    find = tally.best
    told = Explored(
        fault, CATALOGUE[fault].family, tally.played, watch.gone_s(), tally.undecided, tally.broken_off
    )
    if find is None:
        return told
    return Explored(
        told.fault,
        told.family,
        told.played,
        told.took_s,
        told.undecided,
        told.broken_off,
        tally.until_found,
        tally.first_actions,
        len(find.written.sequence),
        tally.finished,
        find.failure.signal,
        find.failure.kind,
        "; ".join(f"{at} {what}" for at, what in said(find.written.sequence)),
    )


def main(words: list[str] | None = None) -> None:
    """Explore and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("faults", nargs="*")
    parser.add_argument("--examples", type=int, default=40)
    parser.add_argument("--budget", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--jobs", type=int)
    given = parser.parse_args(words)
    names = given.faults or [fault.name for fault in CATALOGUE.values() if not fault.equivalent]
    one = partial(explore, examples=given.examples, budget_s=given.budget, seed=given.seed)
    done = []
    jobs = given.jobs or os.cpu_count() or 1
    with worker_processes(jobs, method="spawn", begin=bool) as pool:
        for explored in pool.map(one, names):
            done.append(explored)
            print(explored.line, flush=True)
    found = [explored for explored in done if explored.actions]
    print(f"{len(found)} of {len(done)} faults found")
    if found:
        print(f"sequences as found: median {median(e.first_actions for e in found):g} actions")
        print(
            f"made shorter: median {median(e.actions for e in found):g}, most {max(e.actions for e in found)}"
        )


if __name__ == "__main__":
    main()
