"""Kill runs at random instants: is the contact of the rain safe in time, on every board, and is the log whole so far?

Real processes on real wires: `ventproof run` against relay boards on pseudo-terminals and sockets, served here, so
that it is known when the contact really moved. The harness, its line process or both are hit, by each signal, at an
instant drawn anew each time: while the bench opens, or while it rains.
"""

from __future__ import annotations

import asyncio
import json
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
from collections import defaultdict
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.read import check_log
from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.unit import MockUnit
from ventproof_bench.mock.wires.stand import Stand, serve

RAIN: Final = """
profile: rain for ten minutes
needs: {outputs: {rain: contact, house_temperature: °C}, signals: {roof_vent: "%", rain_override: flag}}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until: [{signal: roof_vent, unchanged: {for: 100 ms, tolerance: 100 %}}]
steps:
  - step: rain begins
    do:
      - close: rain
    expect: [{signal: roof_vent, stays_at_most: 101 %, for: 10 min}]
"""

BOARDS: Final = {
    "coil on a pty": ("bench-rtu.yaml", "rain", "rain"),
    "frames on a pty": ("bench-rtu.yaml", "rain_frames", "rain_2"),
    "SCPI on a socket": ("bench-tcp.yaml", "rain", "rain_4"),
}
"""By board: its bench file, the output there, and the terminal of the unit that it is wired to."""

VICTIMS: Final = ("line process", "harness", "both")
SIGNALS: Final = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGKILL, signal.SIGSTOP)
IGNORED: Final = {("line process", signal.SIGINT), ("line process", signal.SIGHUP)}
"""The harness's business: nothing happens, and the run goes on."""

FORKS: Final = "fork-runs"
"""The word with which this file forks runs."""

SAFE_WITHIN_S: Final = 1.0
STALLED_S: Final = 3.0
"""For a harness that was stopped: the heartbeat limit, and the same again."""

_BEGINS_WITHIN_S: Final = 60.0
_LEFT_AFTER_S: Final = 30.0
_GONE_WITHIN_S: Final = 30.0


@dataclass(frozen=True)
class Trial:
    """What is done to one run."""

    board: str
    victim: str
    signal: signal.Signals
    opening: bool
    after_s: float

    @property
    def limit_s(self) -> float:
        """How long the contact may stay closed."""
        stalled = self.signal is signal.SIGSTOP and self.victim == "harness"
        return STALLED_S if stalled else SAFE_WITHIN_S

    @classmethod
    def drawn(cls, chance: random.Random) -> Trial:
        """Draw one."""
        opening = chance.random() < 0.25
        return cls(
            chance.choice(list(BOARDS)),
            chance.choice(VICTIMS),
            chance.choice(SIGNALS),
            opening,
            chance.uniform(0, 2.5 if opening else 1.5),
        )


@dataclass
class Became:
    """What became of it; `wrong` lists what must not be."""

    closed: bool
    took_s: float = 0.0
    left: bool = False
    wrong: list[str] = field(default_factory=list)


class Terminals:
    """When which terminal of which unit was really closed and opened."""

    def __init__(self) -> None:
        self.edges: dict[tuple[int, str], list[tuple[float, bool]]] = defaultdict(list)
        give = MockUnit.set_contact

        def set_contact(unit: MockUnit, name: str, at_s: float, *, closed: bool) -> None:
            self.edges[id(unit), name].append((at_s, closed))
            give(unit, name, at_s, closed=closed)

        MockUnit.set_contact = set_contact  # type: ignore[method-assign]

    def closed(self, unit: MockUnit, name: str) -> bool:
        """Whether a terminal is closed now."""
        edges = self.edges[id(unit), name]
        return bool(edges) and edges[-1][1]


def children_of(pid: int) -> list[int]:
    """Return the processes that a process started and that live."""
    found: list[int] = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):
            found += map(int, path.read_text().split())
    return found


def lives(pid: int) -> bool:
    """Whether a process lives, and is no zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def hit(pid: int, number: signal.Signals) -> None:
    """Send a signal, if the process is still there."""
    with suppress(ProcessLookupError):
        os.kill(pid, number)


class Started:
    """A run in a process of its own.

    Attributes:
        pid: its number.
    """

    def __init__(self, pid: int, code: asyncio.Task[int]) -> None:
        self.pid = pid
        self._code = code

    @property
    def returncode(self) -> int | None:
        """Its exit code, negative for a signal; None while it runs."""
        return self._code.result() if self._code.done() else None

    async def wait(self) -> None:
        """Wait for its end."""
        await self._code


class Starter:
    """A process that has imported everything, and forks the runs: most of what a run takes is its imports."""

    def __init__(self) -> None:
        self._process: asyncio.subprocess.Process | None = None

    async def start(self, words: list[str], said: Path) -> Started:
        """Start `ventproof` with some words, and write what it says to a file."""
        if self._process is None:
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, __file__, FORKS, stdin=subprocess.PIPE, stdout=subprocess.PIPE
            )
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps([str(said), *words]).encode() + b"\n")
        return Started(await self._number(), asyncio.get_running_loop().create_task(self._number()))

    async def _number(self) -> int:
        assert self._process is not None
        assert self._process.stdout is not None
        return int(await self._process.stdout.readline())

    async def close(self) -> None:
        """End it."""
        if self._process is not None:
            assert self._process.stdin is not None
            self._process.stdin.close()
            await self._process.wait()


def fork_runs() -> None:
    """Fork a run for each line of standard input; print its number, and at its end its exit code."""
    import ventproof.cli.run  # noqa: PLC0415 - before the first fork
    import ventproof.session.session  # noqa: F401, PLC0415
    from ventproof.cli import main  # noqa: PLC0415

    signal.signal(
        signal.SIGINT, signal.SIG_IGN
    )  # Ctrl-C goes to all: the runs end by it, and this tells their ends
    for line in sys.stdin:
        said, *words = json.loads(line)
        pid = os.fork()
        if pid == 0:
            signal.signal(signal.SIGINT, signal.default_int_handler)
            out = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            for number in (1, 2):
                os.dup2(out, number)
            sys.argv = ["ventproof", *words]
            main()
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


class Campaign:
    """Trials on one stand, one after the other.

    Args:
        folder: for logs; each run has its own below it.
        stand: the unit and its boards.
        terminals: the truth.
        starter: starts the runs.
    """

    def __init__(self, folder: Path, stand: Stand, terminals: Terminals, starter: Starter) -> None:
        self._starter = starter
        self._folder = folder
        self._unit = stand.unit
        self._benches = {path.name: path for path in stand.bench_files}
        self._terminals = terminals
        self._number = 0
        self._profile = folder / "rain.yaml"
        self._profile.write_text(RAIN, encoding="utf-8")

    async def tried(self, trial: Trial) -> Became:
        """Run, kill, and see what becomes of it."""
        self._number += 1
        out = self._folder / f"run-{self._number}"
        bench, output, terminal = BOARDS[trial.board]
        words = ["run", self._profile, "--bench", self._benches[bench], "--confirm-clear", "--out", out]
        words += ["--history", "none", "--map", f"rain={output}", "--quiet"]
        process = await self._starter.start([*map(str, words)], self._folder / "said.txt")
        try:
            return await self._killed(trial, process, terminal, out)
        finally:
            hit(process.pid, signal.SIGKILL)
            await process.wait()

    async def _killed(self, trial: Trial, process: Started, terminal: str, out: Path) -> Became:
        line = await self._instant(trial, process, terminal)
        guards = [*line, *(pid for one in line for pid in children_of(one))]
        victims = ([process.pid] if trial.victim != "line process" else []) + (
            line if trial.victim != "harness" else []
        )
        became = Became(self._terminals.closed(self._unit, terminal))
        killed_s = now_s()
        for pid in victims:
            hit(pid, trial.signal)
        if (trial.victim, trial.signal) in IGNORED:
            await asyncio.sleep(0.3)
            if not trial.opening and not all(map(lives, victims)):
                became.wrong.append("the line process minds what is the harness's business")
            killed_s = now_s()
            hit(process.pid, signal.SIGINT)
        await self._until_open(terminal, became, killed_s)
        if trial.signal is signal.SIGSTOP and trial.victim != "line process":
            await asyncio.sleep(0.2)
            hit(process.pid, signal.SIGCONT)
            await asyncio.sleep(0.5)
            hit(process.pid, signal.SIGINT)  # it may have been stopped too early for anybody to mind
        await self._until_gone([process.pid, *guards], became, process)
        if self._terminals.closed(self._unit, terminal):
            became.left = True
        if became.took_s > trial.limit_s:
            became.wrong.append(f"safe after {became.took_s:.2f} s")
        self._check(trial, process.returncode, out, became)
        return became

    async def _instant(self, trial: Trial, process: Started, terminal: str) -> list[int]:
        """Wait for the instant; returns the line process, if there is one yet."""
        give_up_s = now_s() + _BEGINS_WITHIN_S
        while now_s() < give_up_s and process.returncode is None:
            line = children_of(process.pid)
            if (
                self._terminals.closed(self._unit, terminal)
                if not trial.opening
                else (line or trial.victim == "harness")
            ):
                await asyncio.sleep(trial.after_s)
                return children_of(process.pid)
            await asyncio.sleep(0.01)
        return children_of(process.pid)

    async def _until_open(self, terminal: str, became: Became, killed_s: float) -> None:
        while now_s() < killed_s + _LEFT_AFTER_S:
            if not self._terminals.closed(self._unit, terminal):
                edges = self._terminals.edges[id(self._unit), terminal]
                if became.closed:
                    became.took_s = max(0.0, edges[-1][0] - killed_s)
                return
            await asyncio.sleep(0.005)
        became.took_s = _LEFT_AFTER_S

    async def _until_gone(self, pids: list[int], became: Became, process: Started) -> None:
        """Wait until all that guard have ended, so that nothing of this run can touch the next."""
        give_up_s = now_s() + _GONE_WITHIN_S
        while now_s() < give_up_s:
            if process.returncode is not None and not any(map(lives, pids[1:])):
                return
            await asyncio.sleep(0.02)
        became.wrong.append("processes linger")
        for pid in pids:
            hit(pid, signal.SIGKILL)

    def _check(self, trial: Trial, code: int | None, out: Path, became: Became) -> None:
        """Note an exit code or a log that must not be."""
        said = (self._folder / "said.txt").read_text(encoding="utf-8", errors="replace")
        asked = trial.signal in {signal.SIGTERM, signal.SIGHUP, signal.SIGINT}
        ended = {130, 128 + trial.signal, -trial.signal}
        if asked and trial.victim != "line process" and code not in ended:
            became.wrong.append(f"exit code {code}: {said.strip()[-300:]}")
        if "Traceback" in said and "ventproof_bench/" in said:
            became.wrong.append(f"a traceback: {said.strip()[-300:]}")
        for log in out.glob("*.jsonl"):
            try:
                check = check_log(log) if log.stat().st_size else None
            except FileError as error:
                became.wrong.append(f"log: {error}")
                continue
            if check is not None and check.broken_at is not None:
                became.wrong.append(f"log broken at line {check.broken_at}: {check.reason}")
            if asked and trial.victim == "harness" and (check is None or not check.closed):
                became.wrong.append("the log has no closing line")


async def campaign(
    budget_s: float, seed: int, *, trials: int | None = None, stands: int = 2
) -> list[tuple[Trial, Became]]:
    """Try until the budget is spent; returns every trial and what became of it.

    Args:
        budget_s: no trial begins after that, seconds.
        seed: of what is drawn.
        trials: how many at most; None: as many as the budget allows.
        stands: how many runs go on beside each other.
    """
    chance, done, terminals = random.Random(seed), [], Terminals()
    end_s = now_s() + budget_s
    settings = load_bench(SHIPPED_BENCH).model.mock
    assert settings is not None, "the shipped bench has a mock"
    left = iter(range(trials if trials is not None else 1_000_000))

    async def go_on(number: int, stack: AsyncExitStack, folder: Path) -> None:
        stand = await serve(settings, folder / f"stand-{number}", stack)
        starter = Starter()
        stack.push_async_callback(starter.close)
        runs = Campaign(folder / f"stand-{number}", stand, terminals, starter)
        while now_s() < end_s and next(left, None) is not None:
            trial = Trial.drawn(chance)
            became = await runs.tried(trial)
            done.append((trial, became))
            for wrong in became.wrong + (["LEFT DRIVEN"] if became.left else []):
                print(f"  {trial}: {wrong}", flush=True)

    with tempfile.TemporaryDirectory() as name:
        async with AsyncExitStack() as stack:
            await asyncio.gather(*(go_on(number, stack, Path(name)) for number in range(stands)))
    return done


def table(done: list[tuple[Trial, Became]]) -> str:
    """Return what was found, a line for each victim and signal."""
    lines = [
        f"{'hit':14}{'signal':9}{'tried':>6}{'closed':>7}{'in time':>8}{'worst s':>9}{'left':>6}{'logs whole':>11}"
    ]
    for victim in VICTIMS:
        for number in SIGNALS:
            of = [b for t, b in done if (t.victim, t.signal) == (victim, number)]
            limit_s = Trial("", victim, number, opening=False, after_s=0).limit_s
            closed = [b for b in of if b.closed]
            in_time = sum(b.took_s <= limit_s for b in closed)
            worst_s = max((b.took_s for b in closed), default=0.0)
            logs = sum(not any("log" in wrong for wrong in b.wrong) for b in of)
            row = f"{victim:14}{number.name:9}{len(of):6}{len(closed):7}{in_time:8}{worst_s:9.2f}"
            lines.append(f"{row}{sum(b.left for b in of):6}{logs:11}")
    return "\n".join(lines)


def main(trials: int = 300, seed: int = 0) -> int:
    """Hit so many runs; returns 1 if anything was wrong."""
    done: list[tuple[Trial, Became]] = []

    async def all_of_it() -> None:
        done.extend(await campaign(math.inf, seed, trials=trials))

    run(all_of_it(), virtual=False)
    print(table(done))
    wrong = sum(bool(b.wrong or b.left) for _, b in done)
    print(
        f"{len(done)} runs were hit, {sum(b.left for _, b in done)} left driven, {wrong} with something wrong"
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(fork_runs() if sys.argv[1:] == [FORKS] else main(*map(int, sys.argv[1:])))
