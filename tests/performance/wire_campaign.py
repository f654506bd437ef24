"""Runs over bad wires: what is wrong on the wire never makes a verdict wrong, an output stay driven or a log break.

`python tests/performance/wire_campaign.py 100000` plays runs in virtual time until that many faults of 24 kinds were
done to them, on TCP, RTU and ASCII; a second number is the seed, a third the only run to play. The same run over a wire
without a fault says what the unit is worth.
"""

from __future__ import annotations

import os
import random
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Final

from shipped_profiles import shipped_path
from wire_faults import KINDS, BadWire, Times, kinds_on

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.log.events import Note, OutputsUnsafe, OutputUndriven
from ventproof.log.read import LogState, check_log, read_log
from ventproof.log.run import ABORTED, RunRecord, results_of
from ventproof.profile.load import load_profile, read_profile
from ventproof.rejudge.again import decide_again
from ventproof.run.view import SilentView
from ventproof.session.session import RunResult, Session
from ventproof.verdict.finding import Verdict
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.processes import worker_processes
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.mock.faults.catalogue import CATALOGUE
from ventproof_bench.mock.io_module import devices_of
from ventproof_bench.mock.registers import RefusedError
from ventproof_bench.mock.unit import MockUnit
from ventproof_bench.mock.wires.modbus_server import Framing, Responder
from ventproof_bench.mock.wires.relay_boards import CoilBoard
from ventproof_bench.modbus import link
from ventproof_bench.rig import build

LONG_RAIN: Final = """
profile: a long rain over a bad wire
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", side_vent: "%", rain_override: flag, stage: state, rain_count: count}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until: [{signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min}]
steps:
  - step: rain begins
    do: [{close: rain}]
    expect: [{signal: roof_vent, reaches: 8 %, tolerance: 20 %, within: 1 min}]
  - step: it rains on
    expect:
      - {signal: roof_vent, stays_at_most: 60 %, for: 5 min}
      - {signal: side_vent, stays: 45 %, tolerance: 40 %, for: 5 min}
      - {signal: rain_override, stays: 1, tolerance: 0, for: 5 min}
      - {signal: stage, unchanged: {for: 5 min}}
      - {signal: rain_count, counts: 0, within: 5 min}
"""
"""Most of what it demands can be decided however much is lost: so many faults fall into one run."""

SHORT_RAIN: Final = LONG_RAIN.replace("5 min", "2 min")
"""For real time, in which vents travel for half a minute."""

SECONDS_OF_RAIN: Final = """
profile: rain for seconds over a bad wire
needs: {outputs: {rain: contact, house_temperature: °C}, signals: {roof_vent: "%", rain_override: flag}}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until: [{signal: roof_vent, unchanged: {for: 100 ms, tolerance: 100 %}}]
steps:
  - step: rain begins
    do: [{close: rain}]
    expect: [{signal: rain_override, equals: on, within: 8 s}]
  - step: it rains on
    expect: [{signal: rain_override, stays: 1, tolerance: 0, for: 6 s}]
"""

EVERY_KIND: Final = """
profile: rain over a bad wire
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", side_vent: "%", rain_override: flag, stage: state, rain_count: count}
always:
  - {signal: roof_vent, stays_at_most: 11 %, while: {rain: closed}, applies_after: 32 s}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 92 %, tolerance: 2 %, within: 2 min, holds: 2 s}
    - {signal: side_vent, reaches: 88 %, tolerance: 2 %, within: 2 min, holds: 2 s}
steps:
  - step: a blip
    do: [{pulse: rain, times: 3, closed_for: 100 ms, open_for: 200 ms, label: blip}]
    expect:
      - {signal: rain_override, unchanged: {for: 4 s}, after: blip}
      - {signal: rain_count, counts: 3, within: 4 s, after: blip}
  - step: rain begins
    do: [{close: rain}]
    expect:
      - {signal: rain_override, equals: on, within: 3 s}
      - {signal: roof_vent, starts_moving: {by: 1 %, within: 4 s}}
      - {signal: roof_vent, moves_at: 3.3 %/s, tolerance: 0.5 %/s, to: 8 %, within: 34 s}
      - {signal: roof_vent, overshoots_at_most: 2 %, of: 8 %, for: 34 s}
      - {signal: roof_vent, never_reverses: {by: 1 %, for: 34 s}}
      - {signal: roof_vent, reaches: 8 %, tolerance: 2 %, within: 32 s, holds: 2 s}
      - {signal: side_vent, reaches: 45 %, tolerance: 2 %, within: 27 s, holds: 2 s}
  - step: it rains on
    do: [{write: house_temperature, value: 26 °C}]
    expect:
      - {signal: stage, equals: second, within: 2 s}
      - {signal: rain_override, stays: 1, tolerance: 0, for: 5 s}
      - {signal: roof_vent, stays: 8 %, tolerance: 2 %, for: 5 s}
      - {signal: side_vent, stays_at_least: 40 %, for: 5 s}
  - step: rain ends
    do: [{open: rain}]
    expect:
      - {signal: rain_override, unchanged: {for: 29 s}}
      - {signal: rain_override, equals: off, within: 32 s}
      - {signal: roof_vent, returns: 55 %, tolerance: 2 %, not_before: 40 s, within: 52 s}
"""

PROFILES: Final = (
    "rain-closes-holds-releases",
    "rain-count",
    "stages-follow-the-temperature",
    "rain-while-partly-open",
)
"""Of the shipped suite."""

OWN: Final = {
    "long rain": LONG_RAIN,
    "short rain": SHORT_RAIN,
    "seconds of rain": SECONDS_OF_RAIN,
    "every kind": EVERY_KIND,
}

DRAWN: Final = ("long rain", "long rain", "long rain", "every kind", *PROFILES)

FRAMINGS: Final[tuple[Framing, ...]] = ("tcp", "rtu", "ascii")
TIMES: Final = (Times(0.5, 1.0), Times(0.15, 0.3), Times(0.15, 0.08))
BOARD_ID: Final = 2
_AT_A_TIME: Final = 50

_OF_THE_WIRE: Final = re.compile(
    r"\bbus\b|\bpoll|reading|evidence|\bread\b|connection|nobody knows|board answered"
)


@lru_cache(maxsize=1)
def possible() -> list[str]:
    """Return the faults that the shipped unit can have."""
    mock = bench_of(FRAMINGS[0], TIMES[0], on_board=False).model.mock
    return [name for name, fault in CATALOGUE.items() if not fault.needs or fault.needs in mock.parts]


@dataclass(frozen=True)
class Trial:
    """One run: its profile, its unit and its wire."""

    number: int
    profile: str
    fault: str
    framing: Framing
    times: Times
    kinds: tuple[str, ...]
    every: float
    after: int
    on_board: bool
    seed: int

    @classmethod
    def drawn(cls, seed: int, number: int) -> Trial:
        """Draw one; the same each time."""
        chance = random.Random(f"{seed} {number}")
        framing = chance.choice(FRAMINGS)
        kinds = kinds_on(framing)
        return cls(
            number,
            chance.choice(DRAWN),
            chance.choice(possible()) if chance.random() < 0.5 else "",
            framing,
            TIMES[chance.randrange(len(TIMES))],
            tuple(chance.sample(kinds, chance.choice((1, 3, 8, len(kinds))))),
            5 * 30 ** chance.random(),
            chance.choice((0, 100, 250)),
            chance.random() < 0.5,
            chance.randrange(2**32),
        )


@dataclass(frozen=True)
class Left:
    """How a run really left its unit: whether its rain terminal is closed, and its house temperature as it stands."""

    rains: bool
    house_temperature: int


AS_BEFORE: Final = Left(rains=False, house_temperature=180)


class Truth:
    """What really stands behind the wire of one run.

    Attributes:
        unit: the unit.
        wire: the wire; None where it is a good one.
        rains: whether the unit's rain terminal is closed.
    """

    unit: MockUnit
    wire: BadWire | None = None
    rains = False

    def wired(self, unit: MockUnit) -> dict[int, Any]:
        """Put a relay board beside a unit; returns what answers on their wire."""
        give, self.unit = unit.set_contact, unit

        def set_contact(name: str, now_s: float, *, closed: bool) -> None:
            self.rains = closed if name == "rain" else self.rains
            give(name, now_s, closed=closed)

        unit.set_contact = set_contact  # type: ignore[method-assign]
        board = CoilBoard({0: lambda closed: set_contact("rain", now_s(), closed=closed)})
        return {**devices_of(unit), BOARD_ID: board}

    def left(self) -> Left:
        """Return how things stand now."""
        try:
            (house_temperature,) = self.unit.read("holding", 0, 1, self.unit.now_s)
        except RefusedError:  # a unit that says that it is busy every few reads
            (house_temperature,) = self.unit.read("holding", 0, 1, self.unit.now_s)
        return Left(self.rains, house_temperature)


@contextmanager
def behind(trial: Trial, *, bad: bool) -> Iterator[Truth]:
    """Put a relay board on the unit's wire and, if it is to be bad, the faults; gives what is true."""
    truth, before = Truth(), (build.devices_of, build.Responder, link.InProcessTransport)

    def answers(framing: Framing, *words: Any, **options: Any) -> Any:
        right = Responder(framing, *words, **options)
        if not bad:
            return right
        truth.wire = BadWire(
            framing, right, trial.times, random.Random(trial.seed), trial.every, trial.after, trial.kinds
        )
        return truth.wire

    def transport(protocol: Any, peer: Any, *leaps_s: Any) -> Any:
        made = before[2](protocol, peer, *leaps_s)
        if isinstance(peer, BadWire):
            if made._loop.time() < peer.dead_until_s:
                raise ConnectionRefusedError("nobody takes the connection")
            peer.hang_up = lambda error: made._loop.call_soon(made._lose, error)
        return made

    build.devices_of, build.Responder, link.InProcessTransport = truth.wired, answers, transport  # type: ignore[assignment, misc]
    try:
        yield truth
    finally:
        build.devices_of, build.Responder, link.InProcessTransport = before  # type: ignore[misc]


@lru_cache(maxsize=32)
def bench_of(framing: Framing, times: Times, *, on_board: bool) -> Any:
    """Return the shipped bench, or one with its relay for the rain on the unit's wire."""
    text = SHIPPED_BENCH.read_text(encoding="utf-8")
    text = text.replace(
        "framing: tcp\n    timeout: 500 ms",
        f"framing: {framing}\n    timeout: {times.timeout_s} s\n    quiet_after_fault: {times.quiet_s} s",
    )
    if on_board:
        coil = f"driver: coil\n    wired: {{bus: unit, unit_id: {BOARD_ID}, coil: 0}}"
        text = text.replace("driver: mock\n    wired: {input: rain}", coil, 1)
    return read_bench("bad-wire.yaml", text)


@cache
def profile_of(name: str) -> Any:
    """Return a shipped profile, or one of these."""
    return read_profile("bad-wire.yaml", OWN[name]) if name in OWN else load_profile(shipped_path(name))


def ran(trial: Trial, folder: Path, *, bad: bool) -> tuple[RunResult, Truth]:
    """Run it, over a good wire or a bad one."""
    bench = bench_of(trial.framing, trial.times, on_board=trial.on_board)
    bench = with_faults(bench, [trial.fault] if trial.fault else [])
    with behind(trial, bad=bad) as truth:
        result = Session(bench=bench, out=folder).run(profile_of(trial.profile), SilentView())
    return result, truth


@cache
def worth(profile: str, fault: str) -> tuple[str, Mapping[Any, Verdict]]:
    """Return what a profile finds of a unit over a good wire: of all, and of each response."""
    with tempfile.TemporaryDirectory() as name:
        trial = Trial(0, profile, fault, "tcp", TIMES[0], (), 1, 0, on_board=False, seed=0)
        result, _ = ran(trial, Path(name), bad=False)
        of_each = {(f.step, f.number): f.verdict for f in result.findings}
        return str(result.outcome.verdict), of_each


@dataclass
class Became:
    """What became of a run; `wrong` lists what must not be."""

    verdict: str
    done: Counter[str]
    wrong: list[str]


def tried(trial: Trial) -> Became:
    """Run it over a bad wire, and say what is wrong."""
    with tempfile.TemporaryDirectory() as name:
        result, truth = ran(trial, Path(name), bad=True)
        assert truth.wire is not None
        verdict, wrong = judged(trial, result.log, truth.left())
        if verdict != str(result.outcome.verdict or ABORTED):
            wrong.append(f"said {result.outcome.verdict}, and the log says {verdict}")
        return Became(verdict, truth.wire.done, wrong)


def judged(trial: Trial, log: Path, left: Left) -> tuple[str, list[str]]:
    """Return the verdict in the log of a run over a bad wire, and what is wrong with the run."""
    check = check_log(log)
    if check.broken_at is not None or not check.closed:
        return "none", [f"log broken at {check.broken_at}: {check.reason}"]
    state = read_log(log)
    record = results_of(state)
    wrong = [*_of_verdict(trial, record, state), *_of_outputs(state, left)]
    if record.verdict != ABORTED:
        again = decide_again(state)
        if again.changes or again.verdict != record.verdict:
            wrong.append(f"judged again: {again.verdict}: {again.changes}")
    return record.verdict, wrong


def _of_verdict(trial: Trial, record: RunRecord, state: LogState) -> Iterator[str]:
    right, of_each = worth(trial.profile, trial.fault)
    if {record.verdict, right} == {"pass", "fail"}:
        yield f"{record.verdict}, and over a good wire {right}"
    for finding in record.findings:
        was = of_each.get((finding.step, finding.number))
        if was is not None and {finding.verdict, was} == {Verdict.PASS, Verdict.FAIL}:
            yield f"{finding.step_name}: {finding.signal} {finding.demand}: {finding.verdict}, was {was}: {finding.why}"
    if not trial.fault and record.verdict in {ABORTED, "inconclusive"}:
        notes = [event.text for event in state.events if isinstance(event, Note)]
        why = [finding.why for finding in record.findings if finding.verdict is Verdict.INCONCLUSIVE]
        if not any(map(_OF_THE_WIRE.search, (record.reason, *why, *notes))):
            yield f"{record.verdict} for no reason of the wire: {record.reason or why}"


def _of_outputs(state: LogState, left: Left) -> Iterator[str]:
    """An output that is driven at the end is wrong, said or not."""
    told = [event for event in state.events if isinstance(event, OutputsUnsafe | OutputUndriven)]
    said = f"as the log says: {told[-1]}" if told else "and the log does not say so"
    if left.rains:
        yield f"LEFT DRIVEN, {said}"
    if left.house_temperature != AS_BEFORE.house_temperature:
        yield f"the house temperature was left at {left.house_temperature}, {said}"


@dataclass
class Tally:
    """What became of many runs."""

    done: Counter[str] = field(default_factory=Counter)
    verdicts: Counter[tuple[str, str]] = field(default_factory=Counter)
    runs: int = 0
    wrong: int = 0

    def add(self, trial: Trial, became: Became) -> None:
        """Count one, and print what is wrong with it."""
        self.runs += 1
        self.done += became.done
        self.verdicts["faulty" if trial.fault else "healthy", became.verdict] += 1
        self.wrong += bool(became.wrong)
        for one in became.wrong:
            print(f"  {trial}: {one}", flush=True)

    def line(self) -> str:
        """Return the totals."""
        return f"{self.done.total()} faults in {self.runs} runs; {self.wrong} runs with something wrong"

    def table(self) -> str:
        """Return the counts, a line each."""
        lines = [f"{name:32}{self.done[name]:8}" for name in KINDS]
        lines += [
            f"{unit:8}{verdict:24}{count:8}" for (unit, verdict), count in sorted(self.verdicts.items())
        ]
        return "\n".join([*lines, self.line()])


def campaign(tally: Tally, faults: int, seed: int) -> None:
    """Play runs until so many faults were done."""
    with worker_processes(os.cpu_count() or 1, method="spawn", begin=bool) as pool:
        while tally.done.total() < faults:
            trials = [Trial.drawn(seed, n) for n in range(tally.runs, tally.runs + _AT_A_TIME)]
            for trial, became in zip(trials, pool.map(tried, trials), strict=True):
                tally.add(trial, became)
            print(tally.line(), flush=True)


def main(faults: int = 100_000, seed: int = 0, only: int | None = None) -> int:
    """Play and print, stopped with Ctrl-C too; returns 1 if anything was wrong."""
    tally = Tally()
    with suppress(KeyboardInterrupt):
        if only is not None:
            tally.add(Trial.drawn(seed, only), tried(Trial.drawn(seed, only)))
        else:
            campaign(tally, faults, seed)
    print(tally.table())
    return 1 if tally.wrong else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
