"""Wrong input of every kind through whole commands: each ends with an exit code of its own, in time, and says why.

A fuzzer that is guided by coverage. Each input goes through a command in this process; what was called from where, and
which messages were said, is what is new, and inputs that brought something new are changed further. What must not be:
an exit code that is not in the table, an exception, a command that takes too long or too much memory, a refusal that
does not say of what, and a file that changes although it was only read.

`python fuzz_campaign.py INPUTS [SEED [KINDS]]` goes through parts of 24,000 inputs, on all cores, each with a seed and
what it learnt of its own: SEED is the first one's. A campaign that was interrupted goes on from the seed after the last
one that it named.
"""

from __future__ import annotations

import gc
import io
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import as_completed
from contextlib import chdir, contextmanager, nullcontext, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any, Final

from crash_campaign import PROFILE
from fuzz_inputs import CAMPAIGN, CHANGES, shipped_inputs
from shipped_profiles import shipped_path

from ventproof import cli
from ventproof.campaign.planned import new_record
from ventproof.cli.campaign import groups_in
from ventproof.cli.options import SHIPPED_BENCH, SHIPPED_TABLE
from ventproof.log.archive import frames_of
from ventproof.runset.campaign import load_campaign
from ventproof_bench.base.errors import VentproofError
from ventproof_bench.base.processes import worker_processes
from ventproof_bench.modbus.link import InProcessTransport

SERIES_PROFILE: Final = shipped_path("rain-measured-shower")
TAKES_S: Final = 20.0
"""Seconds of processor time after which a command counts as one that hangs."""

_GUIDED: Final = 0.1
"""Share of inputs whose calls are looked at, which takes a few times as long."""

_OF_REFUSED: Final = 0.3
"""Share of inputs that change what was refused; one error hides what comes after it."""

_PART: Final = 24_000
"""Inputs that share a seed and what was learnt."""

GROWS_BYTES: Final = 600 * 2**20
_REFUSED: Final = 3
CODES: Final = {0, 1, 2, 3, 4}
_DRY: Final = "--dry-run --history none"
_NOBODY: Final = "--scheduler 127.0.0.1:1 --history none"

COMMANDS: Final[dict[str, tuple[str, ...]]] = {
    "profile": (
        *(
            "check INPUT.yaml",
            f"check INPUT.yaml --bench {SHIPPED_BENCH}",
            "judge log.jsonl --profile INPUT.yaml",
        ),
        *(f"trace {SHIPPED_TABLE} INPUT.yaml", f"run INPUT.yaml --bench {SHIPPED_BENCH} {_DRY}"),
    ),
    "bench": (
        *("check INPUT.yaml", "check rain.yaml --bench INPUT.yaml", "wiring INPUT.yaml -o OUT.html"),
        f"run rain.yaml --bench INPUT.yaml --confirm-clear {_DRY}",
    ),
    "table": (
        *("check INPUT.yaml", f"check INPUT.yaml --bench {SHIPPED_BENCH}", "trace INPUT.yaml rain.yaml"),
        f"run rain.yaml --bench {SHIPPED_BENCH} --table INPUT.yaml {_DRY}",
    ),
    "guise": ("check INPUT.yaml",),
    "campaign": ("check INPUT.yaml", f"campaign INPUT.yaml --out OUT {_NOBODY}"),
    "rack": ("check INPUT.yaml",),
    "series": ("check measured.yaml", f"check measured.yaml --bench {SHIPPED_BENCH}"),
    "log": (
        *("verify INPUT.jsonl", "verify INPUT.jsonl", "judge INPUT.jsonl", "report INPUT.jsonl -o OUT.html"),
        *("report INPUT.jsonl -o OUT.xml", "report INPUT.jsonl -o OUT.md", "report INPUT.jsonl -o OUT.json"),
        *("history import --history OUT.sqlite INPUT.jsonl", "compare log.jsonl INPUT.jsonl"),
        *(
            "judge INPUT.jsonl --figures OUT",
            f"run rain.yaml --resume INPUT.jsonl --bench {SHIPPED_BENCH} {_DRY}",
        ),
    ),
    "archive": (
        *("verify INPUT.jsonl.zst", "judge INPUT.jsonl.zst", "report INPUT.jsonl.zst -o OUT.html"),
        "history import --history OUT.sqlite INPUT.jsonl.zst",
    ),
    "key": (
        "verify log.jsonl --key INPUT.pub",
        "bundle log.jsonl -o OUT.zip --key INPUT.pub",
        "sign free.jsonl --key INPUT",
    ),
    "signature": (
        "verify signed.jsonl --key anna.pub",
        "verify signed.jsonl",
        "report signed.jsonl -o OUT.html",
    ),
    "manifest": ("verify set", "report set -o OUT.html", "report set/series.manifest.json -o OUT.html"),
    "journal": (f"campaign night.yaml --resume --out night {_NOBODY}",),
    "history": (
        *("history --history INPUT.sqlite", "history export --history INPUT.sqlite OUT.csv"),
        *("history --history INPUT.sqlite --html OUT.html", "compare 1 2 --history INPUT.sqlite"),
        "trend 1 2 --history INPUT.sqlite",
    ),
    "bundle": ("verify INPUT.zip", "report INPUT.zip -o OUT.html"),
    "frames": tuple(
        f"run rain.yaml --bench {framing}.yaml --history none --out OUT"
        for framing in ("tcp", "rtu", "ascii")
    ),
}
"""What each kind of input goes through; `INPUT` is the input, `OUT` is not there yet."""

PLACES: Final = {
    "series": "series/shower.csv",
    "signature": "signed.jsonl.sig",
    "manifest": "set/series.manifest.json",
    "journal": "night/campaign.json",
}
"""Where an input stands that a command finds by itself."""

WRITES: Final = re.compile(r"OUT|free\.jsonl|\.sqlite(-wal|-shm|-journal)?$")
"""Files that commands may write; a history that is looked at may be brought up to date."""


class HangsError(BaseException):
    """A command takes too long; nobody in it may catch that."""


@dataclass
class Found:
    """Something that must not be."""

    kind: str
    command: str
    number: int
    what: str
    data: bytes


@dataclass
class Done:
    """What a campaign did."""

    inputs: Counter[str] = field(default_factory=Counter)
    codes: Counter[tuple[str, int]] = field(default_factory=Counter)
    kept: Counter[str] = field(default_factory=Counter)
    found: list[Found] = field(default_factory=list)
    slowest_s: float = 0.0
    took_s: float = 0.0

    def add(self, other: Done) -> None:
        """Take in what another part did."""
        self.inputs += other.inputs
        self.codes += other.codes
        self.kept += other.kept
        self.found += other.found
        self.slowest_s = max(self.slowest_s, other.slowest_s)
        self.took_s += other.took_s


class Coverage:
    """Which function was called from which line, in ventproof's own code, and what was said."""

    def __init__(self) -> None:
        self.seen: set[Any] = set()
        self.new = 0
        self._ours: dict[Any, bool] = {}

    def __call__(self, frame: FrameType, _event: str, _arg: object) -> None:
        """Be told of a call; the lines of a function are not looked at, which would take ten times as long."""
        code, caller = frame.f_code, frame.f_back
        ours = self._ours.get(code)
        if ours is None:
            ours = self._ours[code] = "/ventproof" in code.co_filename
        if ours and caller is not None:
            self.add((code, caller.f_code, caller.f_lineno))

    def add(self, feature: object) -> None:
        """Count what is new."""
        if feature not in self.seen:
            self.seen.add(feature)
            self.new += 1

    def add_said(self, said: str) -> None:
        """Count new messages, whatever values stand in them."""
        for line in said.splitlines()[:20]:
            self.add(re.sub(r"'[^']*'|\"[^\"]*\"|[\d.e+-]+|[^\x20-\x7e]+", "…", line)[:200])


class Fuzzer:
    """Inputs of one kind after the other, in a folder of its own.

    Args:
        folder: the folder; commands run there.
        seed: of what is drawn.
        guided: whether coverage is looked at.
    """

    def __init__(self, folder: Path, seed: int, *, guided: bool = True) -> None:
        self._folder, self._seed = folder, seed
        self._coverage = Coverage() if guided else None
        self.done = Done()
        self._number = 0
        self._corpus = self._begun()
        self._refused: defaultdict[str, list[bytes]] = defaultdict(list)
        self._before = self._files()
        self._rss = _rss()

    def _begun(self) -> dict[str, list[bytes]]:
        """Make what commands leave behind, and return all inputs to begin with."""
        folder = self._folder
        for name in ("rain", "again"):
            (folder / f"{name}.yaml").write_text(PROFILE.format(name=name), encoding="utf-8")
        shutil.copytree(SERIES_PROFILE.parent / "series", folder / "series")
        shutil.copy(SERIES_PROFILE, folder / "measured.yaml")
        bench = SHIPPED_BENCH.read_text(encoding="utf-8")
        seldom = bench.replace("poll_every: 100 ms", "poll_every: 800 ms")  # for short logs
        (folder / "seldom.yaml").write_text(seldom, encoding="utf-8")
        for framing in ("tcp", "rtu", "ascii"):
            text = seldom.replace("framing: tcp", f"framing: {framing}")
            (folder / f"{framing}.yaml").write_text(text, encoding="utf-8")
            code, said, _ = self._run(f"run rain.yaml --bench {framing}.yaml --history none --out OUT")
            assert code == 0, said
            self._clean()
        for words in (
            "key anna",
            "run rain.yaml again.yaml --bench seldom.yaml --out set --history history.sqlite --firmware 1",
            "run rain.yaml --bench seldom.yaml --out more --history history.sqlite --firmware 2",
            "selfcheck --bench seldom.yaml --out checked",
            "bundle set -o bundle.zip",
        ):
            code, said, _ = self._run(words)
            assert code == 0, said
        for name in ("log", "signed", "free"):
            shutil.copy(folder / "set/rain.jsonl", folder / f"{name}.jsonl")
        assert self._run("sign signed.jsonl --key anna.key")[0] == 0
        (folder / "night.yaml").write_text(CAMPAIGN, encoding="utf-8")
        groups = groups_in(load_campaign(folder / "night.yaml"), any_path=False)
        (folder / "night").mkdir()
        (folder / "night/.lock").touch()
        new_record("night", groups).write(folder / "night")
        return {
            **shipped_inputs(SERIES_PROFILE),
            "log": [
                path.read_bytes() for path in (folder / "log.jsonl", *(folder / "checked").glob("*.jsonl"))
            ],
            "archive": [b"".join(frames_of((folder / "log.jsonl").read_bytes().splitlines(keepends=True)))],
            "key": [(folder / f"anna.{ending}").read_bytes() for ending in ("key", "pub")],
            "signature": [(folder / "signed.jsonl.sig").read_bytes()],
            "manifest": [(folder / "set/series.manifest.json").read_bytes()],
            "journal": [(folder / "night/campaign.json").read_bytes()],
            "history": [(folder / "history.sqlite").read_bytes()],
            "bundle": [(folder / "bundle.zip").read_bytes()],
        }

    def tried(self, kind: str, number: int) -> None:
        """Draw one input of a kind, and let a command have it."""
        chance = random.Random(f"{self._seed} {kind} {number}")
        refused = self._refused[kind]
        corpus = refused if refused and chance.random() < _OF_REFUSED else self._corpus[kind]
        newest = chance.random() < 0.5 and len(corpus) > 1
        data = corpus[-chance.randint(1, min(len(corpus), 50))] if newest else chance.choice(corpus)
        for _ in range(chance.choice((1, 1, 1, 2, 3))):
            data = chance.choice(CHANGES[kind])(data, chance, corpus)
        data = data[: 2**20]
        command = chance.choice(COMMANDS[kind])
        place = PLACES.get(kind) or _input_of(command)
        self._clean()
        if place:
            (self._folder / place).write_bytes(data)
        before = self._files() if number % 16 == 0 else None
        with frames(data, chance) if kind == "frames" else nullcontext():
            code, said, took_s = self._run(command, look=chance.random() < _GUIDED)
        self._look(Found(kind, command, number, "", data), code, said, took_s)
        if before is not None and (changed := self._changed(before)):
            self._note(Found(kind, command, number, f"changed {changed}", data))
        if self._coverage is not None and self._coverage.new:
            self._coverage.new = 0
            (self._refused if code == _REFUSED else self._corpus)[kind].append(data)
            self.done.kept[kind] += 1

    def _run(self, command: str, *, look: bool = False) -> tuple[int | None, str, float]:
        """Run a command; returns its exit code, or None and the traceback, and how much processor time it took."""
        sys.argv = ["ventproof", *command.split()]
        out, err = io.StringIO(), io.StringIO()
        began_s = time.process_time()
        signal.setitimer(signal.ITIMER_VIRTUAL, TAKES_S)
        try:
            with redirect_stdout(out), redirect_stderr(err), chdir(self._folder):
                sys.settrace(self._coverage if look else None)
                try:
                    code: int | None = cli._run()
                finally:
                    sys.settrace(None)
        except (Exception, KeyboardInterrupt, SystemExit):  # noqa: BLE001 - that is what is looked for
            code = None
            err.write(traceback.format_exc())
        except HangsError as error:
            code = None
            err.write(f"{''.join(traceback.format_exception(error)[-6:])}")
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        took_s = time.process_time() - began_s
        if self._coverage is not None:
            self._coverage.add_said(err.getvalue())
        return code, err.getvalue() + out.getvalue(), took_s

    def _look(self, found: Found, code: int | None, said: str, took_s: float) -> None:
        self.done.inputs[found.kind] += 1
        self.done.codes[found.kind, -1 if code is None else code] += 1
        self.done.slowest_s = max(self.done.slowest_s, took_s)
        if "Traceback (most" in said:
            found.what = said[-2500:]
        elif code not in CODES:
            found.what = said[-1500:] if code is None else f"exit code {code}"
        elif code == _REFUSED and not re.search(r"^[^\s:][^:\n]*(:\d+)*: \S", said, re.MULTILINE):
            found.what = f"refused without saying what: {said[-300:]!r}"
        elif took_s > TAKES_S:
            found.what = f"took {took_s:.1f} s"
        elif _rss() > self._rss + GROWS_BYTES:
            found.what = f"memory grew to {_rss() / 2**20:.0f} MiB"
            self._rss = _rss()
        if found.what:
            self._note(found)

    def _note(self, found: Found) -> None:
        last = found.what.strip().splitlines()[-1][:80]
        known = {(one.kind, one.what.strip().splitlines()[-1][:80]) for one in self.done.found}
        if (found.kind, last) not in known:
            self.done.found.append(found)

    def _clean(self) -> None:
        for path in self._folder.glob("OUT*"):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        (self._folder / "free.jsonl.sig").unlink(missing_ok=True)

    def _files(self) -> dict[str, tuple[int, int]]:
        found = {}
        for folder, _, names in os.walk(self._folder):
            for name in names:
                stat = (Path(folder) / name).stat()
                found[os.path.relpath(Path(folder) / name, self._folder)] = (stat.st_mtime_ns, stat.st_size)
        return found

    def _changed(self, before: dict[str, tuple[int, int]]) -> str:
        after = self._files()
        changed = {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}
        return ", ".join(sorted(name for name in changed if not WRITES.search(name)))


def _input_of(command: str) -> str:
    found = re.search(r"INPUT\S*", command)
    return found[0] if found else ""


def _rss() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


@contextmanager
def frames(data: bytes, chance: random.Random) -> Iterator[None]:
    """Let some frames on the wire to the mock and back be others: changed, doubled, cut, or bytes of the input."""
    write, deliver = InProcessTransport.write, InProcessTransport._deliver
    share = chance.choice((0.01, 0.1, 0.5, 1.0))

    def changed(frame: bytes) -> bytes:
        if chance.random() > share:
            return frame
        return chance.choice(
            (CHANGES["bundle"][-1](frame, chance, [data]), data[: chance.randrange(300)], frame * 2)
        )

    def write_changed(self: InProcessTransport, frame: Any) -> None:
        write(self, changed(bytes(frame)))

    def deliver_changed(self: InProcessTransport, frame: bytes) -> None:
        deliver(self, changed(frame))

    InProcessTransport.write = write_changed  # type: ignore[method-assign]
    InProcessTransport._deliver = deliver_changed  # type: ignore[method-assign]
    try:
        yield
    finally:
        InProcessTransport.write = write  # type: ignore[method-assign]
        InProcessTransport._deliver = deliver  # type: ignore[method-assign]


def _hangs(*_: object) -> None:
    raise HangsError(f"more than {TAKES_S:g} s")


def campaign(
    inputs: int,
    seed: int,
    *,
    kinds: tuple[str, ...] = tuple(COMMANDS),
    guided: bool = True,
    budget_s: float = float("inf"),
    tells_s: float = 10.0,
    told: Callable[[Done], None] = lambda _: None,
) -> Done:
    """Try so many inputs, spread evenly over the kinds, or fewer where the time is over.

    Args:
        inputs: how many.
        seed: of what is drawn.
        kinds: of input.
        guided: whether coverage is looked at.
        budget_s: no input is tried after that.
        tells_s: from one time that this is told to the next.
        told: is told of what was done.
    """
    said_of = cli._said_of

    def traced(error: Exception) -> int:
        if not isinstance(error, VentproofError):
            sys.stderr.write(traceback.format_exc())
        return said_of(error)

    cli._said_of = traced
    before = signal.signal(signal.SIGVTALRM, _hangs)
    began_s = time.monotonic()
    try:
        with tempfile.TemporaryDirectory() as name:
            fuzzer = Fuzzer(Path(name), seed, guided=guided)
            for number in range(inputs):
                if time.monotonic() - began_s > budget_s:
                    break
                fuzzer.tried(kinds[number % len(kinds)], number // len(kinds))
                if time.monotonic() - began_s > fuzzer.done.took_s + tells_s:
                    fuzzer.done.took_s = time.monotonic() - began_s
                    told(fuzzer.done)
            fuzzer.done.took_s = time.monotonic() - began_s
            return fuzzer.done
    finally:
        signal.signal(signal.SIGVTALRM, before)
        cli._said_of = said_of


def table(done: Done) -> str:
    """Return what was done, a line for each kind."""
    lines = [f"{'kind':10}{'inputs':>9}{'kept':>7}  exit codes"]
    for kind, count in done.inputs.items():
        codes = ", ".join(f"{code}: {n}" for (of, code), n in sorted(done.codes.items()) if of == kind)
        lines.append(f"{kind:10}{count:9}{done.kept[kind]:7}  {codes}")
    rate = done.inputs.total() / done.took_s if done.took_s else 0.0
    lines.append(
        f"{done.inputs.total()} inputs in {done.took_s:.0f} s ({rate:.0f}/s), the slowest {done.slowest_s:.1f} s, "
        f"{len(done.found)} findings"
    )
    return "\n".join(lines)


def part(seed: int, inputs: int, kinds: tuple[str, ...]) -> tuple[int, Done]:
    """Do a part of a campaign; returns its seed, too."""
    return seed, campaign(inputs, seed, kinds=kinds)


def main(inputs: int = 1_000_000, seed: int = 0, kinds: str = ",".join(COMMANDS)) -> int:
    """Try so many inputs, from a seed on; returns 1 if anything was found."""
    sizes = [_PART] * (inputs // _PART) + [inputs % _PART] * bool(inputs % _PART)
    whole = Done()
    with worker_processes(os.cpu_count() or 1, method="spawn", begin=gc.freeze) as pool:
        parts = [pool.submit(part, seed + n, size, tuple(kinds.split(","))) for n, size in enumerate(sizes)]
        for done_part in as_completed(parts):
            its_seed, done = done_part.result()
            whole.add(done)
            print(f"seed {its_seed}: {table(done).splitlines()[-1]}", flush=True)
            for found in done.found:
                print(
                    f"FOUND seed {its_seed} {found.kind} {found.number} `{found.command}`: {found.what}\n"
                    f"{found.data[:300]!r}",
                    flush=True,
                )
    print(table(whole))
    return 1 if whole.found else 0


if __name__ == "__main__":
    words = sys.argv[1:]
    sys.exit(main(*map(int, words[:2]), *words[2:3]))
