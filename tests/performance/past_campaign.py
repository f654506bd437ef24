"""Ten thousand runs of the past: what each command holds that reads a history, and a report of hundreds of runs.

`python tests/performance/past_campaign.py 10000 600` runs a few shipped profiles once, enters their findings into a
history ten thousand times, with other units, versions, days and verdicts, and prints the memory and the time of each
command that reads it. Then it writes a report of 600 logs, which are those of the same runs with another unit each.
No command may hold more than `MOST_MB`.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from held import held_by
from shipped_profiles import shipped_path
from sqlalchemy import insert

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.history.database import Database, place_of
from ventproof.history.tables import FindingRow, RunRow, finding_rows, run_row
from ventproof.log.read import read_log
from ventproof.log.run import RunRecord, results_of
from ventproof.log.write import GENESIS, seal, unseal
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof.verdict.finding import Status
from ventproof_bench.benchcheck.load import load_bench

MOST_MB: Final = 300.0
"""Of memory, whatever the number of runs."""

PROFILES: Final = (
    "rain-count",
    "rain-closes-holds-releases",
    "rain-contact-bounce-ignored",
    "wind-closes-holds-releases",
)
VERSIONS: Final = 20
UNITS: Final = 5
COMMANDS: Final = (
    "history --history past.sqlite",
    "history --history past.sqlite --unit unit-1 --limit 10000",
    "history --history past.sqlite --html page.html",
    "history --history past.sqlite --html page.html --limit 10000",
    "history export --history past.sqlite runs.csv",
    "history export --history past.sqlite runs.parquet",
    "compare 1.18 1.19 --history past.sqlite",
    "trend {versions} --history past.sqlite",
    "history forget --history past.sqlite --newest 1 --confirm",
    "report many -o report.html",
    "history import many --history other.sqlite",
)
"""Commands that read many runs; `{versions}` are all firmware versions."""


def few_logs(folder: Path, profiles: Sequence[str] = PROFILES) -> list[Path]:
    """Run profiles once each; returns their logs."""
    session = Session(bench=load_bench(SHIPPED_BENCH), out=folder)
    return [session.run(load_profile(shipped_path(name)), SilentView()).log for name in profiles]


def past_runs(logs: Sequence[Path], count: int) -> Iterator[RunRecord]:
    """Yield runs of wires as a history holds them: every 9th fails in a response, every 100th was aborted."""
    begun = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    records = [results_of(read_log(log)) for log in logs]
    for number in range(count):
        record = records[number % len(records)]
        failed = replace(record.findings[-1], status=Status.FAIL, why="stayed at 99 % (required at most 8 %)")
        fails, aborted = number % 9 == 0, number % 100 == 1
        yield replace(
            record,
            digest=hashlib.sha256(str(number).encode()).hexdigest(),
            clock="wall",
            started=(begun + dt.timedelta(minutes=number)).isoformat(),
            unit=f"unit-{number // 7 % UNITS}",
            firmware=f"1.{number * VERSIONS // count}",
            verdict="aborted" if aborted else "fail" if fails else "pass",
            reason="interrupted by the operator" if aborted else "",
            findings=(*record.findings[:-1], failed) if fails else record.findings,
            place=None,
            faults=(),
        )


def make_past(path: Path, logs: Sequence[Path], count: int) -> None:
    """Make a history of so many runs in one transaction; ten thousand single ones would take minutes."""
    now = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
    with Database(place_of(str(path)), create=True).writing() as connection:
        for number, record in enumerate(past_runs(logs, count), start=1):
            row = run_row(record, f"gone/{number}.jsonl", now)
            run_id = connection.execute(insert(RunRow), row).inserted_primary_key[0]
            connection.execute(insert(FindingRow), finding_rows(record, run_id))


def copies(logs: Sequence[Path], count: int, folder: Path) -> None:
    """Write so many logs, each with a unit of its own, as runs on wires would differ."""
    folder.mkdir()
    for number in range(count):
        log = logs[number % len(logs)]
        digest, lines = GENESIS, []
        for line in log.read_bytes().splitlines():
            parts = unseal(line)
            assert parts is not None, "a log of our own"
            body = parts[0]
            if not lines:
                first = json.loads(body)
                first["unit"] = f"unit-{number}"
                first.pop("plan", None)
                body = json.dumps(first, ensure_ascii=False, separators=(",", ":")).encode()
            sealed, digest = seal(body, digest)
            lines.append(sealed + b"\n")
        (folder / f"{number:05}.jsonl").write_bytes(b"".join(lines))


def campaign(runs: int, logs: int, lines: Sequence[str] = COMMANDS) -> list[str]:
    """Measure and print each command; returns what is wrong."""
    wrong = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        made = few_logs(folder / "made")
        make_past(folder / "past.sqlite", made, runs)
        copies(made, logs, folder / "many")
        versions = " ".join(f"1.{number}" for number in range(VERSIONS))
        for line in lines:
            code, held_mb, took_s = held_by(line.format(versions=versions), folder)
            print(f"{held_mb:7.1f} MB {took_s:6.1f} s  exit code {code}  {line[:76]}", flush=True)
            wrong += [f"{line}: {held_mb:.1f} MB"] if held_mb > MOST_MB else []
            wrong += [f"{line}: exit code {code}"] if code not in {0, 1, 2} else []
    return wrong


if __name__ == "__main__":
    found = campaign(*map(int, sys.argv[1:]))
    print("\n".join(found) or "all of it is small")
    sys.exit(bool(found))
