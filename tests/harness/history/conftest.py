"""Histories in SQLite and on a real PostgreSQL server, and logs to enter into them."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from itertools import count
from pathlib import Path

import pytest

from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof.log.write import RecordLog

_POSTGRES = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))


def finding(number=0, verdict="pass", **fields):
    """Return the fields of a `finding` event."""
    return {
        "step": 1,
        "number": number,
        "in": "rain begins",
        "signal": "roof_vent",
        "unit": "%",
        "kind": "reaches",
        "demand": "reaches 5 % ± 2 % within 35 s",
        "verdict": verdict,
        "status": verdict,
        "why": "in the band",
        "margin": [1.2, 2.0],
        "slack": [5.0, 5.3],
        "response": [29.7, 30.0],
        "seen": [4.0, 99.0],
        "conformance": 1.0,
        "proves": "",
        **fields,
    }


def write_log(path, *, verdict="pass", findings=1, closed=True, **header):
    """Write the log of a run that never was; of findings their number or their fields are told."""
    first = {
        "format": 4,
        "clock": "wall",
        "decision": "guarded",
        "started": "2026-03-01T10:00:00+00:00",
        "unit": "GH-7",
        "firmware": "2.4",
        "operator": "A. Tester",
        "repeat": 1,
        "seed": 0,
        "use": {},
        "selfcheck": None,
        "table": None,
        "profile": {"name": "rain closes the vents", "sha256": "a" * 64, "text": "", "attached": {}},
        "bench": {"name": "bench", "sha256": "b" * 64, "text": ""},
        "versions": {"ventproof": "0.1.0"},
        **header,
    }
    with RecordLog(path) as log:
        log.write("run_begin", 0.0, first)
        log.write("step_begin", 1.0, {"step": 1, "name": "rain begins", "from": 1.0, "to": 1.0})
        poll = {"bus": "bus", "from": 1.9, "to": 2.0, "values": {"roof_vent": 5.0}}
        log.write("poll", 2.0, {**poll, "table": "input", "address": 0, "words": [50]})
        log.write("step_end", 3.0, {"step": 1})
        found = verdict if verdict in {"fail", "inconclusive"} else "pass"
        if isinstance(findings, int):
            findings = [finding(number, found) for number in range(findings)]
        for fields in findings:
            log.write("finding", 3.0, fields)
        if closed:
            aborted = {"verdict": None, "aborted": "the bus was lost", "abort": "bench"}
            log.write("run_end", 4.0, aborted if verdict == "aborted" else {"verdict": verdict})
    return path


@pytest.fixture
def logged(tmp_path):
    """Write logs of their own."""
    numbers = count()
    return lambda **what: write_log(tmp_path / "logs" / f"run-{next(numbers)}.jsonl", **what)


@pytest.fixture(scope="session")
def postgres():
    """Start a PostgreSQL server on a socket of its own; return how to make an empty database there."""
    if not _POSTGRES:
        pytest.skip("PostgreSQL is not installed: no initdb below /usr/lib/postgresql")
    psycopg = pytest.importorskip("psycopg")
    folder = Path(tempfile.mkdtemp(prefix="vp-pg-"))
    user = pwd.getpwuid(os.getuid()).pw_name
    before = []
    if os.getuid() == 0:  # the server refuses to run as root
        user, before = "postgres", ["runuser", "-u", "postgres", "--"]
        shutil.chown(folder, user)
    tools = _POSTGRES[-1].parent

    def tool(name, *words):
        command = [*before, str(tools / name), *words]
        subprocess.run(command, check=True, cwd="/", stdout=subprocess.DEVNULL, stderr=subprocess.STDOUT)

    data = f"{folder}/data"
    tool("initdb", "-D", data, "-U", user, "-A", "trust", "-E", "UTF8", "--no-locale", "--no-sync")
    options = f"-k {folder} -c listen_addresses='' -c fsync=off"
    tool("pg_ctl", "-D", data, "-w", "-l", f"{folder}/log", "-o", options, "start")
    url = f"postgresql://{user}@/postgres?host={folder}"

    def database():
        with psycopg.connect(url) as connection:
            connection.execute("DROP SCHEMA public CASCADE; CREATE SCHEMA public")
        return url

    yield database
    tool("pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request, tmp_path):
    """Say where an empty history may be kept: in a file, and on a server."""
    if request.param == "sqlite":
        return str(tmp_path / "history.sqlite")
    return request.getfixturevalue("postgres")()


@pytest.fixture
def history(where):
    """Open an empty history."""
    return History(place_of(where), create=True)
