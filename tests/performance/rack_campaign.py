"""A rack against its units one by one: are verdicts the same, and do polls and edges come as they do alone?

Units are mocks on sockets, each in a process of its own on the same computer, as relays and Modbus TCP. Each counts a
hundred closures of its rain contact. `python rack_campaign.py 8` tests one alone, then eight together.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))  # as the suite does, where this is a program

from fast_house import VENTPROOF, faster, served

from ventproof.cli.options import SHIPPED_BENCH

PULSES: Final = """
profile: a hundred closures are counted
needs:
  outputs: {rain: contact}
  signals: {rain_count: count, rain_override: flag}
start:
  set: {rain: open}
  until:
    - {signal: rain_override, equals: off, within: 4 s}
    - {signal: rain_count, unchanged: {for: 500 ms}}
steps:
  - step: a hundred pulses
    do:
      - {pulse: rain, times: TIMES, closed_for: 125 ms, open_for: 125 ms, label: train}
    expect:
      - {signal: rain_count, counts: TIMES, within: 28 s}
"""
EVERY_S: Final = 0.05


@dataclass(frozen=True)
class Timing:
    """How late things were in some logs, ms, in order of size."""

    polls: list
    trips: list
    edges: list
    gaps: int
    outcomes: Counter

    def __str__(self):
        shown = (f"{name} p99 {_at(ms, 0.99):.2f}, worst {_at(ms, 1):.2f} ms" for name, ms in self._named)
        return f"{dict(self.outcomes)}; {len(self.polls)} polls, {self.gaps} gaps; {'; '.join(shown)}"

    @property
    def _named(self):
        return ("polls late", self.polls), ("round trip", self.trips), ("edges after due", self.edges)


def _at(ordered, share):
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))] if ordered else float("nan")


def timing_of(logs):
    """Return how late polls and edges in logs were; a poll is late from the earliest place in its round."""
    polls, trips, edges, gaps, outcomes = [], [], [], 0, Counter()
    for log in logs:
        lines = [json.loads(line) for line in log.read_bytes().splitlines()]
        begin = next((n for n, line in enumerate(lines) if line["event"] == "step_begin" and line["step"]), 0)
        first = next(line for line in lines if line["event"] == "poll")
        # Other reads of a round follow on the first, and begin when that was answered.
        seen = [
            line for line in lines[begin:] if line["event"] == "poll" and _read_of(line) == _read_of(first)
        ]
        places = [(one["from"] - seen[0]["from"] + EVERY_S / 2) % EVERY_S - EVERY_S / 2 for one in seen]
        polls += [1000 * (place - min(places)) for place in places]
        trips += [1000 * (one["to"] - one["from"]) for one in seen]
        trains = [line for line in lines if line["event"] == "stimulus" and len(line.get("edges") or ()) > 1]
        edges += [1000 * (edge["from"] - edge["due"]) for line in trains for edge in line["edges"]]
        gaps += sum(line["event"] == "gap" for line in lines)
        outcomes[
            (lines[-1].get("verdict") or "aborted") if lines[-1]["event"] == "run_end" else "unclosed"
        ] += 1
    return Timing(sorted(polls), sorted(trips), sorted(edges), gaps, outcomes)


def _read_of(line):
    return line["bus"], line["table"], line["address"]


def served_units(stack, folder, count):
    """Serve units, each in a process of its own; returns the bench file of each and its process."""
    units = []
    for number in range(count):
        own = folder / f"unit-{number}"
        own.mkdir()
        house = own / "house.yaml"
        house.write_text(faster(SHIPPED_BENCH.read_text(encoding="utf-8")), encoding="utf-8")
        process = stack.enter_context(served(own, house))
        bench = own / "bench-tcp.yaml"
        bench.write_text(faster(bench.read_text(encoding="utf-8")), encoding="utf-8")
        units.append((bench, process))
    return units


def rack_file(folder, benches, profile, name="rack"):
    """Write a rack file of some benches; returns it."""
    places = "".join(f"  p{n}: {{bench: {bench}, unit: V-{n}}}\n" for n, bench in enumerate(benches))
    path = folder / f"{name}.yaml"
    path.write_text(f"rack: {name}\nprofiles: [{profile}]\nplaces:\n{places}", encoding="utf-8")
    return path


def tested(folder, benches, profile, name):
    """Test a rack; returns its exit code, what it said and the timing in its logs."""
    file = rack_file(folder, benches, profile, name)
    command = [*VENTPROOF, "rack", file, "--confirm-clear", "--out", folder / "records"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    where = Path(re.search(r"logs in (.*)", done.stdout)[1]) if "logs in" in done.stdout else folder / "none"
    return done.returncode, done.stdout + done.stderr, timing_of(sorted(where.glob("*/*.jsonl")))


def campaign(count, times=100):
    """Test one unit alone, then all together; returns both exit codes and timings."""
    with tempfile.TemporaryDirectory() as made, ExitStack() as stack:
        folder = Path(made)
        profile = folder / "pulses.yaml"
        profile.write_text(PULSES.replace("TIMES", str(times)), encoding="utf-8")
        benches = [bench for bench, _ in served_units(stack, folder, count)]
        alone = tested(folder, benches[:1], profile, "alone")
        return alone, tested(folder, benches, profile, "together")


if __name__ == "__main__":
    for who, (code, said, timing) in zip(("alone", "together"), campaign(int(sys.argv[1])), strict=True):
        print(f"{who}: exit code {code}; {timing}", flush=True)
        if code:
            print(said)
