"""Injure runs on real wires: is every contact safe at the end, is the log a valid prefix, is what is said true?

A mock and its relay boards are served here on pseudo-terminals and sockets, so that it is known when a contact really
moved. The computer that stands still is a stop of all processes of a run for some seconds.
"""

from __future__ import annotations

import asyncio
import json
import random
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Final

import injuries
from crash_campaign import Became, Checks, Deck, Trial
from injuries import Injury
from kill_campaign import BOARDS, RAIN, Terminals, children_of, hit, lives

from ventproof.cli.options import SHIPPED_BENCH
from ventproof_bench.base.clock import now_s
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.wires.stand import Stand, serve

STANDS_STILL: Final = "stands still"
KINDS: Final = (
    *(
        "limited files",
        "full for a moment",
        "folder read-only",
        "folder removed",
        "few descriptors",
        "clock jumps",
    ),
    *("computer asleep", "screen full", STANDS_STILL),
)
_PROFILE: Final = RAIN.replace("for: 10 min", "for: 4 s")
_LINES: Final = 60
_BESIDE: Final = 5
"""Runs at a time: each waits for its unit, and hardly computes."""

_OVER_WITHIN_S: Final = 120.0
_GONE_WITHIN_S: Final = 15.0


class WireCrashes:
    """Trials on one stand, one after the other.

    Args:
        folder: to work in.
        stand: the unit and its boards.
        terminals: the truth.
        starter: forks the runs.
    """

    def __init__(
        self, folder: Path, stand: Stand, terminals: Terminals, starter: asyncio.subprocess.Process
    ) -> None:
        self._folder, self._stand, self._terminals, self._starter = folder, stand, terminals, starter
        self._benches = {path.name: path for path in stand.bench_files}
        self._number = 0

    async def tried(self, trial: Trial, board: str) -> Became:
        """Run, injure, and see what becomes of it."""
        self._number += 1
        place = self._folder / f"run-{self._number}"
        (place / "records").mkdir(parents=True)
        (place / "rain.yaml").write_text(_PROFILE, encoding="utf-8")
        bench, output, terminal = BOARDS[board]
        words = [
            "run",
            "rain.yaml",
            "--bench",
            str(self._benches[bench]),
            "--confirm-clear",
            "--out",
            "records",
        ]
        words += ["--map", f"rain={output}", "--quiet"]
        kind = "" if trial.kind == STANDS_STILL else trial.kind
        injury = Injury(kind, int(trial.after), trial.amount, str(place / "records"))
        told = {"words": words, "folder": str(place), "injury": asdict(injury)}
        names = {name: str(self._folder / f"{name}.txt") for name in ("said", "acknowledged")}
        assert self._starter.stdin is not None
        self._starter.stdin.write(json.dumps({**told, **names}).encode() + b"\n")
        pid = await self._heard()
        ended, stood_s = asyncio.get_running_loop().create_task(self._heard()), 0.0
        if trial.kind == STANDS_STILL:
            stood_s = await self._stand_still(pid, terminal, ended, 1 + trial.amount % 4)
        became = await self._over(pid, ended)
        if self._terminals.closed(self._stand.unit, terminal):
            became.wrong.append("LEFT DRIVEN")
        if (place / "records").exists():
            (place / "records").chmod(0o755)
        checks = Checks(place, became, Path(names["acknowledged"]))
        checks.of_wires(trial)
        if stood_s:
            checks.of_standing_still(stood_s)
        return became

    async def _heard(self) -> int:
        assert self._starter.stdout is not None
        return int(await self._starter.stdout.readline())

    async def _stand_still(self, pid: int, terminal: str, ended: asyncio.Task[int], for_s: float) -> float:
        """Stop every process of the run once it rains, and let all go on later; returns how long they stood."""
        while not self._terminals.closed(self._stand.unit, terminal) and not ended.done():
            await asyncio.sleep(0.01)
        if ended.done():
            return 0.0
        stopped = _all_of(pid)
        for one in stopped:
            hit(one, signal.SIGSTOP)
        began_s = now_s()
        await asyncio.sleep(for_s)
        stood_s = now_s() - began_s
        for one in stopped:
            hit(one, signal.SIGCONT)
        return stood_s

    async def _over(self, pid: int, ended: asyncio.Task[int]) -> Became:
        """Wait for the end of the run and of all that guard its outputs."""
        wrong, guards = [], {pid}
        give_up_s = now_s() + _OVER_WITHIN_S
        while not ended.done() and now_s() < give_up_s:
            guards |= {*_all_of(pid)}
            await asyncio.sleep(0.05)
        if not ended.done():
            wrong.append("it hangs")
            hit(pid, signal.SIGKILL)
        code = await ended
        give_up_s = now_s() + _GONE_WITHIN_S
        while any(map(lives, guards)) and now_s() < give_up_s:
            await asyncio.sleep(0.05)
        if any(map(lives, guards)):
            wrong.append("processes linger")
        said = (self._folder / "said.txt").read_text(encoding="utf-8", errors="replace")
        return Became(code, said, wrong)


def _all_of(pid: int) -> list[int]:
    below = children_of(pid)
    return [pid, *below, *(one for child in below for one in children_of(child))]


def drawn(chance: random.Random, kind: str) -> tuple[Trial, str]:
    """Draw a trial of a kind, and a board."""
    amount = float(chance.randint(0, 60)) if kind == "few descriptors" else 10 ** chance.uniform(0, 4)
    return Trial(kind, chance.randint(1, _LINES), amount), chance.choice(list(BOARDS))


async def on_wires(folder: Path, budget_s: float, seed: int) -> list[tuple[Trial, Became]]:
    """Try until the budget is spent, some beside each other; returns every trial and what became of it."""
    chance, done, end_s = random.Random(seed), list[tuple[Trial, Became]](), now_s() + budget_s
    kinds, terminals = Deck(chance, KINDS), Terminals()

    async def lane(number: int) -> None:
        async with _crashes(folder / str(number), terminals) as crashes:
            while now_s() < end_s:
                trial, board = drawn(chance, kinds.draw())
                became = await crashes.tried(trial, board)
                done.append((trial, became))
                for wrong in became.wrong:
                    print(f"  {trial} on a {board}: {wrong}\n      {became.said[-600:]!r}", flush=True)

    for number in range(_BESIDE):
        (folder / str(number)).mkdir()
    async with asyncio.TaskGroup() as lanes:
        for number in range(_BESIDE):
            lanes.create_task(lane(number))
    return done


@asynccontextmanager
async def _crashes(folder: Path, terminals: Terminals) -> AsyncIterator[WireCrashes]:
    """Serve a stand of its own, and start what forks the runs on it."""
    settings = load_bench(SHIPPED_BENCH).model.mock
    assert settings is not None, "the shipped bench has a mock"
    async with AsyncExitStack() as stack:
        stand = await serve(settings, folder / "stand", stack)
        pipe = asyncio.subprocess.PIPE
        starter = await asyncio.create_subprocess_exec(
            sys.executable, injuries.__file__, stdin=pipe, stdout=pipe
        )
        assert starter.stdin is not None
        await _warm(starter.stdin, folder)
        yield WireCrashes(folder, stand, terminals, starter)
        starter.stdin.close()
        await starter.wait()


async def _warm(starter: asyncio.StreamWriter, folder: Path) -> None:
    """Let it do a run itself, in virtual time, so that its forks have imported what one takes."""
    (folder / "rain.yaml").write_text(_PROFILE, encoding="utf-8")
    words = ["run", "rain.yaml", "--bench", str(SHIPPED_BENCH), "--out", "warm"]
    starter.write(json.dumps({"warm": True, "words": words, "folder": str(folder)}).encode() + b"\n")
    await starter.drain()
