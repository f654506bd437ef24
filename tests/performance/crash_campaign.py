"""Injure commands at random points: is the log a valid prefix with all that was said, and is what is said true?

Runs in virtual time whose disk fills up, whose folder becomes read-only or goes away, whose descriptors run out, whose
wall clock jumps, whose computer sleeps, and which are killed; and commands that are killed while they fill a history,
write a report or a bundle, sign, and make keys. Logs, histories, bundles and signatures are checked here by other
means than ventproof's own: JSON and hashes by hand, SQLite itself, zipfile, cryptography.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import zipfile
from collections import Counter, defaultdict
from collections.abc import Iterable
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Final

import injuries
from injuries import INJURIES, Injury

from ventproof.cli.options import SHIPPED_BENCH

PROFILE: Final = """
profile: {name}
needs: {{outputs: {{rain: contact, house_temperature: °C}}, signals: {{roof_vent: "%", rain_override: flag}}}}
start:
  set: {{rain: open}}
  write: {{house_temperature: 20 °C}}
  until: [{{signal: rain_override, equals: off, within: 60 s}}]
steps:
  - step: it rains
    do: [{{close: rain}}]
    expect: [{{signal: rain_override, equals: on, within: 3 s}}]
"""
PROFILES: Final = ("rain at once", "rain again")
RUN: Final = (
    *("run", "suite", "--bench", str(SHIPPED_BENCH), "--out", "records"),
    *("--report", "records/report.html"),
)
SIGNED: Final = (*RUN, "--sign", "anna.key", "--operator", "Anna")
KILLED_WHILE: Final = {
    "history import": ("history", "import", "--history", "records/filled.sqlite", "records"),
    "report": ("report", "records", "-o", "report.html"),
    "bundle": ("bundle", "records", "-o", "handover.zip"),
    "sign": ("sign", "records", "--key", "anna.key"),
    "key": ("key", "berta"),
}
"""Commands that are killed, and what they are called."""

CODES: Final = {0, 1, 2, 3, 4, 130}
_DISK_BYTES: Final = 4 * 2**20
_ON_WIRES: Final = 0.5
"""Share of the time for runs on real wires."""

_HANGS_AFTER_S: Final = 60.0
_OFF_S: Final = 0.3
_SILENT: Final = re.compile(r"the harness was silent for ([0-9.]+) s at most")
_CHAIN: Final = re.compile(rb',"chain":"([0-9a-f]{64})"\}\Z')
_ENDS_AFTER: Final = re.compile(r"the log (\S+\.jsonl) cannot be written .*?: it ends after line (\d+)")
_EXPECTED: Final = re.compile(
    r"(.+\.jsonl|.+\.jsonl\.sig|.+\.manifest\.json|.+\.manifest\.json\.sig"
    r"|(history|filled)\.sqlite(-wal|-shm|-journal)?|report\.html|\..+\.part-.+)"
)


class Deck:
    """What is drawn from, so that each comes as often as any other.

    Args:
        chance: shuffles.
        cards: what there is.
    """

    def __init__(self, chance: random.Random, cards: Iterable[str]) -> None:
        self._chance, self._cards = chance, [*cards]
        self._left: list[str] = []

    def draw(self) -> str:
        """Return the next."""
        if not self._left:
            self._left = self._chance.sample(self._cards, len(self._cards))
        return self._left.pop()


@dataclass(frozen=True)
class Trial:
    """What is done to one command; `after` counts lines of logs, or seconds for those that are killed by time."""

    kind: str
    after: float
    amount: float
    signed: bool = False

    @classmethod
    def drawn(cls, chance: random.Random, kind: str, longest: int) -> Trial:
        """Draw one of a kind; runs write so many lines."""
        if kind in KILLED_WHILE:
            return cls(kind, chance.random(), 0.0)
        amount = {
            "few descriptors": chance.randint(0, 20),
            "clock jumps": chance.choice([-1, 1]) * 10 ** chance.uniform(0, 9),
            "computer asleep": 10 ** chance.uniform(0, 5),
            "full for a moment": chance.random(),
        }.get(kind, 10 ** chance.uniform(0, 5.5))
        after = 0 if chance.random() < 0.1 else chance.randint(1, longest)
        return cls(kind, after, amount, signed=chance.random() < 0.5)


@dataclass
class Became:
    """What became of a command; `wrong` lists what must not be."""

    code: int = 0
    said: str = ""
    wrong: list[str] = field(default_factory=list)


class Starter:
    """A process that has imported everything, and forks the commands."""

    def __init__(self, apart: Path) -> None:
        self._apart = apart
        self._process = subprocess.Popen(
            [sys.executable, injuries.__file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def warm(self, place: Path, words: tuple[str, ...]) -> None:
        """Let the process do a command itself, so that its forks have imported what it takes."""
        assert self._process.stdin is not None
        told = {"warm": True, "words": words, "folder": str(place)}
        self._process.stdin.write(json.dumps(told) + "\n")

    def run(self, place: Path, words: tuple[str, ...], injury: Injury, kill_after_s: float = 0.0) -> Became:
        """Run a command in a folder; it is injured, or killed after a time, and never waited for too long."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        said, acknowledged = self._apart / "said.txt", self._apart / "acknowledged.txt"
        told = {"words": words, "folder": str(place), "said": str(said), "acknowledged": str(acknowledged)}
        self._process.stdin.write(json.dumps({**told, "injury": asdict(injury)}) + "\n")
        self._process.stdin.flush()
        pid, hung = int(self._process.stdout.readline()), threading.Event()

        def kill(late: bool) -> None:  # noqa: FBT001
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
            if late:
                hung.set()

        timers = [threading.Timer(_HANGS_AFTER_S, kill, [True])]
        timers += [threading.Timer(kill_after_s, kill, [False])] if kill_after_s else []
        for timer in timers:
            timer.start()
        code = int(self._process.stdout.readline())
        for timer in timers:
            timer.cancel()
        became = Became(code, said.read_text(encoding="utf-8", errors="replace"))
        if hung.is_set():
            became.wrong.append("it hangs")
        return became

    def close(self) -> None:
        """End it."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()


def chain_of(log: Path) -> list[str]:
    """Return the digest of each whole line of a log, checked by hand.

    Raises:
        ValueError: a whole line does not continue the chain, or is no JSON with the next number.
    """
    *lines, _ = log.read_bytes().split(b"\n")
    digests: list[str] = []
    for number, line in enumerate(lines):
        found = _CHAIN.search(line)
        if found is None:
            raise ValueError(f"line {number + 1} carries no digest")
        before = (digests[-1] if digests else "0" * 64).encode()
        digest = hashlib.sha256(before + line[: found.start()] + b"}").hexdigest()
        if digest != found[1].decode():
            raise ValueError(f"line {number + 1} does not continue the chain")
        if json.loads(line)["seq"] != number:
            raise ValueError(f"line {number + 1} has another number")
        digests.append(digest)
    return digests


def outcome_of(log: Path) -> str:
    """Return the verdict of a log's closing line; empty where it has none."""
    *lines, _ = log.read_bytes().split(b"\n")
    last = json.loads(lines[-1]) if lines else {}
    return str(last.get("verdict")) if last.get("event") == "run_end" else ""


class Checks:
    """Looks at what a command left, and notes what must not be.

    Args:
        place: the folder that it worked in.
        became: what is known of it.
    """

    def __init__(self, place: Path, became: Became, acknowledged: Path) -> None:
        self._acknowledged_in = acknowledged
        self._folder = place / "records"
        self._place = place
        self._became = became
        self._wrong = became.wrong
        self._chains: dict[str, list[str]] = {}

    def of_run(self, trial: Trial) -> None:
        """Check a run that was injured."""
        said, code = self._became.said, self._became.code
        if code not in CODES and not (trial.kind == "killed" and code == -signal.SIGKILL):
            self._wrong.append(f"exit code {code}")
        if "itself failed" in said or "Traceback" in said:
            self._wrong.append("it says that it failed itself")
        gone = trial.kind == "folder removed" and not self._folder.exists()
        self._logs()
        if not gone and trial.kind != "folder removed":
            self._acknowledged()
        self._sentences(gone=gone)
        if code == 0:
            self._passes(trial)
        self._files(killed=code < 0)

    def of_standing_still(self, stood_s: float) -> None:
        """Check that a log hides nothing of the time in which all processes of its run were stopped."""
        for log in self._folder.glob("*.jsonl"):
            *lines, _ = log.read_bytes().split(b"\n")
            events = [json.loads(line) for line in lines]
            hole_s = max((after["t"] - one["t"] for one, after in pairwise(events)), default=0.0)
            if hole_s < stood_s - _OFF_S:
                self._wrong.append(
                    f"all stood still for {stood_s:.2f} s, and the log's longest hole is {hole_s:.2f} s"
                )
            if not outcome_of(log):
                continue
            said = [found[1] for one in events if (found := _SILENT.search(str(one.get("text"))))]
            if not said or float(said[-1]) < stood_s - _OFF_S:
                self._wrong.append(f"all stood still for {stood_s:.2f} s, and the log tells of {said}")

    def of_wires(self, trial: Trial) -> None:
        """Check a run on real wires, of one profile, that was injured."""
        said, code = self._became.said, self._became.code
        if code not in CODES:
            self._wrong.append(f"exit code {code}")
        if "itself failed" in said or "Traceback" in said:
            self._wrong.append("it says that it failed itself")
        self._logs()
        if trial.kind != "folder removed":
            self._acknowledged()
        self._sentences(gone=not self._folder.exists())
        if code == 0 and [*map(outcome_of, self._folder.glob("*.jsonl"))] != ["pass"]:
            self._wrong.append("exit code 0 without a log that passes")
        if code == 1:
            self._wrong.append("it says that the unit failed, which did not")

    def _logs(self) -> None:
        for log in sorted(self._place.glob("records*/*.jsonl")):  # its folder may have been moved
            try:
                self._chains[log.name] = chain_of(log)
            except ValueError as error:
                self._wrong.append(f"{log.name}: {error}")

    def _acknowledged(self) -> None:
        told: dict[str, list[str]] = defaultdict(list)
        for line in self._acknowledged_in.read_text().splitlines():
            name, digest = line.split()
            told[name].append(digest)
        for name, digests in told.items():
            if self._chains.get(name, [])[: len(digests)] != digests:
                self._wrong.append(f"{name}: a line that was acknowledged is not in it")

    def _sentences(self, *, gone: bool) -> None:
        said = self._became.said
        for name, number in _ENDS_AFTER.findall(said):
            chain = self._chains.get(Path(name).name)
            if chain is not None and len(chain) != int(number):
                self._wrong.append(f"it says that {name} ends after line {number}, and it has {len(chain)}")
        whole = all(map(outcome_of, self._place.glob("records*/*.jsonl")))
        if re.search("logs are whole", said) and (gone or not whole):
            self._wrong.append("it says that logs are whole, and one is not")
        if gone and "enter them later" in said:
            self._wrong.append("it asks for logs to be entered that are gone")
        if re.search(r"the log \S+\.jsonl cannot be written", said):
            if not _ENDS_AFTER.search(said) and not re.search("it (holds|held) nothing", said):
                self._wrong.append("it does not say where the log ends")
            if "outputs: " not in said:
                self._wrong.append("it does not say what became of the outputs")

    def _passes(self, trial: Trial) -> None:
        """Check what exit code 0 claims: two whole logs that pass, a manifest, a report, and signatures."""
        outcomes = Counter(map(outcome_of, self._folder.glob("*.jsonl")))
        if outcomes != {"pass": len(PROFILES)}:
            self._wrong.append(f"exit code 0 with {dict(outcomes)}")
        wanted = [self._folder / "series.manifest.json", self._folder / "report.html"]
        if trial.signed:
            wanted += [self._folder / f"{name}.sig" for name in [*self._chains, "series.manifest.json"]]
        self._wrong.extend(f"exit code 0 without {path.name}" for path in wanted if not path.exists())

    def _files(self, *, killed: bool) -> None:
        for path in self._folder.glob("*") if self._folder.exists() else []:
            if not _EXPECTED.fullmatch(path.name) or (path.name.startswith(".") and not killed):
                self._wrong.append(f"{path.name} is left over")
        for page in (self._folder / "report.html", self._place / "report.html"):
            if page.exists() and not page.read_text(encoding="utf-8").rstrip().endswith("</html>"):
                self._wrong.append("half a report")
        for signature in [*self._folder.glob("*.sig")]:
            _told(self._wrong, lambda path=signature: _check_signature(path))
        for key in [*self._place.glob("*.key"), *self._place.glob("*.pub")]:
            if not key.read_bytes().rstrip().endswith(b"-----"):
                self._wrong.append(f"half a key: {key.name}")
        bundle = self._place / "handover.zip"
        if bundle.exists():
            _told(self._wrong, lambda: _check_bundle(bundle))

    def history(self, name: str, *, full: bool) -> None:
        """Check a history: it is sound, and its runs are (beginnings of) logs: of all of them if it is full."""
        path = self._folder / name
        if not path.exists() or not path.stat().st_size:
            return
        with closing(sqlite3.connect(path)) as database:
            sound = database.execute("PRAGMA integrity_check").fetchall()
            strays = database.execute("PRAGMA foreign_key_check").fetchall()
            tables = {row[0] for row in database.execute("SELECT name FROM sqlite_master")}
            rows = database.execute("SELECT digest, lines FROM runs").fetchall() if "runs" in tables else []
        if sound != [("ok",)] or strays:
            self._wrong.append(f"{name}: {sound} {strays}")
        known = {
            (chain[line - 1], line) for chain in self._chains.values() for line in [*range(1, len(chain) + 1)]
        }
        if not {*rows} <= known:
            self._wrong.append(f"{name}: holds runs that are in no log")
        here = [self._chains[log.name] for log in self._folder.glob("*.jsonl")]
        if full and not {chain[-1] for chain in here if chain} <= {digest for digest, _ in rows}:
            self._wrong.append(f"{name}: filled again, it does not hold the runs of all logs")


def _told(wrong: list[str], check: object) -> None:
    try:
        check()  # type: ignore[operator]
    except Exception as error:  # noqa: BLE001 - whatever is wrong with it
        wrong.append(f"{type(error).__name__}: {error}")


def _check_signature(path: Path) -> None:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey  # noqa: PLC0415

    told = json.loads(path.read_bytes())
    if "digest" in told:
        facts = [told["digest"], f"{told['lines']}", told["sha256"], told["public_key"], told["signer"]]
        message = "\n".join(["ventproof log signature 1", *facts])
        file = path.with_name(path.name.removesuffix(".sig"))
        if hashlib.sha256(file.read_bytes()).hexdigest() != told["sha256"]:
            raise ValueError(f"{path.name} is not of this log")
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(told["public_key"]))
        key.verify(bytes.fromhex(told["signature"]), message.encode())


def _check_bundle(path: Path) -> None:
    with zipfile.ZipFile(path) as archive:
        if bad := archive.testzip():
            raise ValueError(f"{bad} in the bundle is broken")
        for one in json.loads(archive.read("contents.json"))["files"]:
            if hashlib.sha256(archive.read(one["name"])).hexdigest() != one["sha256"]:
                raise ValueError(f"{one['name']} is not what the bundle lists")


class Campaign:
    """Trials, one after the other.

    Args:
        base: a folder to work below.
        disk: where a small disk is mounted; None: nobody may mount one here.
    """

    def __init__(self, base: Path, disk: Path | None) -> None:
        self._base, self._disk = base, disk
        self._starter = Starter(base)
        self._golden = base / "golden"
        self._golden.mkdir()
        self._none = Injury("", 0, 0.0, str(self._golden / "records"))
        (self._golden / "suite").mkdir()
        for name in PROFILES:
            text = PROFILE.format(name=name)
            (self._golden / "suite" / f"{name}.yaml").write_text(text, encoding="utf-8")
        warm = self._fresh(with_records=False)
        for words in (("key", "anna"), SIGNED, *KILLED_WHILE.values()):
            self._starter.warm(warm, words)
        made = self._starter.run(self._golden, ("key", "anna"), self._none)
        assert made.code == 0, made.said
        made = self._starter.run(self._golden, RUN, self._none)
        assert made.code == 0, made.said
        self.lines = sum(len(chain_of(log)) for log in (self._golden / "records").glob("*.jsonl"))
        self._takes_s = {kind: self._time(kind) for kind in KILLED_WHILE}

    def _time(self, kind: str) -> float:
        place = self._fresh(with_records=True)
        began_s = time.monotonic()
        became = self._starter.run(place, KILLED_WHILE[kind], self._none)
        assert became.code == 0, became.said
        return time.monotonic() - began_s

    def _fresh(self, *, with_records: bool, disk: bool = False) -> Path:
        """Return a new folder to work in, with a key, and with records if wanted."""
        place = (self._disk or self._base) / "work" if disk else self._base / "work"
        for old in (
            self._base / "work",
            *([self._disk / "work", self._disk / "filler"] if self._disk else []),
        ):
            if old.exists():
                subprocess.run(["rm", "-rf", str(old)], check=True)
        place.mkdir()
        (place / "records").mkdir()
        with suppress(FileNotFoundError):
            shutil.copy(self._golden / "anna.key", place)
        shutil.copytree(self._golden / "suite", place / "suite")
        if with_records:
            for log in (self._golden / "records").glob("*.json*"):
                shutil.copy(log, place / "records")
        return place

    def tried(self, trial: Trial) -> Became:
        """Try, and see what becomes of it."""
        return self._killed(trial) if trial.kind in KILLED_WHILE else self._injured(trial)

    def _injured(self, trial: Trial) -> Became:
        kind = trial.kind
        if kind == "full disk" and self._disk is None:
            kind = "limited files"
        place = self._fresh(with_records=False, disk=kind == "full disk")
        injury = Injury(kind, int(trial.after), trial.amount, str(place / "records"))
        became = self._starter.run(place, SIGNED if trial.signed else RUN, injury)
        if (place / "records").exists():
            (place / "records").chmod(0o755)
        (place / "filler").unlink(missing_ok=True)
        checks = Checks(place, became, self._base / "acknowledged.txt")
        checks.of_run(trial)
        checks.history("history.sqlite", full=False)
        if [*(place / "records").glob("*.jsonl")]:
            again = self._starter.run(
                place, ("history", "import", "--history", "records/history.sqlite", "records"), self._none
            )
            said = ("the log is empty", "its signature is missing")
            if again.code not in {0, 2} and not any(one in again.said for one in said):
                became.wrong.append(f"its logs cannot be entered again ({again.code}): {again.said[-300:]}")
            checks.history("history.sqlite", full=True)
        return became

    def _killed(self, trial: Trial) -> Became:
        place = self._fresh(with_records=True)
        words = KILLED_WHILE[trial.kind]
        became = self._starter.run(
            place, words, self._none, max(0.001, trial.after * self._takes_s[trial.kind])
        )
        done = became.code == 0
        if became.code not in {0, -signal.SIGKILL}:
            became.wrong.append(f"exit code {became.code}")
        checks = Checks(place, became, self._base / "acknowledged.txt")
        checks._logs()
        checks._files(killed=True)
        checks.history("filled.sqlite", full=done)
        again = self._starter.run(place, words, self._none)
        twice = done or any((place / name).exists() for name in ("handover.zip", "berta.key"))
        if again.code not in ({0, 3} if twice or trial.kind == "sign" else {0}):
            became.wrong.append(f"again: exit code {again.code}: {again.said[-300:]}")
        checks._files(killed=True)
        checks.history("filled.sqlite", full=True)
        return became

    def close(self) -> None:
        """End it."""
        self._starter.close()


def small_disk(folder: Path) -> Path | None:
    """Mount a small disk; None where that is not permitted."""
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={_DISK_BYTES},mode=777", "tmpfs", str(folder)]
    with suppress(OSError, subprocess.CalledProcessError):
        subprocess.run(words, check=True, capture_output=True)
        return folder
    return None


def campaign(budget_s: float, seed: int, *, trials: int = 1_000_000) -> list[tuple[Trial, Became]]:
    """Try until the budget is spent; returns every trial and what became of it."""
    done: list[tuple[Trial, Became]] = []
    chance, end_s = random.Random(seed), time.monotonic() + budget_s
    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        base.chmod(0o777)
        disk = small_disk(base / "disk")
        tries = Campaign(base, disk)
        try:
            kinds = Deck(chance, [*filter(None, INJURIES), *KILLED_WHILE])
            while time.monotonic() < end_s and len(done) < trials:
                trial = Trial.drawn(chance, kinds.draw(), tries.lines)
                became = tries.tried(trial)
                done.append((trial, became))
                for wrong in became.wrong:
                    print(f"  {trial}: {wrong}\n      {became.said[-600:]!r}", flush=True)
        finally:
            tries.close()
            if disk is not None:
                subprocess.run(["umount", str(disk)], check=True)
    return done


def table(done: list[tuple[Trial, Became]]) -> str:
    """Return what was found, a line for each kind."""
    lines = [f"{'what':20}{'tried':>6}{'wrong':>6}  exit codes"]
    for kind in dict.fromkeys(trial.kind for trial, _ in sorted(done, key=lambda one: one[0].kind)):
        of = [became for trial, became in done if trial.kind == kind]
        codes = ", ".join(f"{code}: {count}" for code, count in sorted(Counter(b.code for b in of).items()))
        lines.append(f"{kind:20}{len(of):6}{sum(bool(b.wrong) for b in of):6}  {codes}")
    return "\n".join(lines)


def _on_wires(budget_s: float, seed: int) -> list[tuple[Trial, Became]]:
    from crash_wires import on_wires  # noqa: PLC0415 - it imports this module

    from ventproof_bench.base.clock import run  # noqa: PLC0415 - with it

    with tempfile.TemporaryDirectory() as name:
        return run(on_wires(Path(name), budget_s, seed), virtual=False)


def main() -> int:
    """Try for as many seconds as the first argument says; the second is the seed. Returns 1 if anything was wrong."""
    budget_s, seed = [*map(float, sys.argv[1:]), *(600.0, 0.0)[len(sys.argv) - 1 :]]
    done = campaign(budget_s * (1 - _ON_WIRES), int(seed))
    print(table(done))
    wired = _on_wires(budget_s * _ON_WIRES, int(seed))
    print(f"on real wires:\n{table(wired)}")
    done += wired
    wrong = sum(bool(became.wrong) for _, became in done)
    print(f"{len(done)} commands were injured, {wrong} with something wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
