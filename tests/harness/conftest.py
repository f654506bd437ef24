"""What the tests of the harness share: the command line, runs on the mock, findings and logs made up, histories."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from ventproof.cli import main
from ventproof.cli.options import SHIPPED, SHIPPED_BENCH, with_faults
from ventproof.log.run import RunRecord
from ventproof.profile.load import load_profile, read_profile
from ventproof.rejudge.batch import Logged
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof.verdict.finding import Bounds, Finding, Status
from ventproof_bench.base.evidence import Window
from ventproof_bench.benchcheck.load import read_bench


@pytest.fixture
def ventproof(capsys, monkeypatch, tmp_path):
    """Run the command line in this process; returns (exit code, standard output, standard error)."""
    monkeypatch.chdir(tmp_path)
    for name in ("VENTPROOF_HISTORY", "VENTPROOF_PASSPHRASE"):
        monkeypatch.delenv(name, raising=False)

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["ventproof", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
        captured = capsys.readouterr()
        return left.value.code, captured.out, captured.err

    return call


@pytest.fixture
def ended(ventproof):
    """Run a command line that is written in one text; returns (exit code, standard error)."""

    def call(line):
        code, _, said = ventproof(*line.split())
        return code, said

    return call


_POSTGRES = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))

SHIPPED_PROFILES = sorted(SHIPPED.rglob("*.yaml"))


@pytest.fixture
def bench_text():
    """The shipped bench file's text, for a test to change."""
    return SHIPPED_BENCH.read_text(encoding="utf-8")


@pytest.fixture
def run(tmp_path, bench_text):
    """Run a profile (a path or a text) on the shipped bench, or on a changed text of it."""

    def run_it(profile, *, bench=None, faults=(), seed=0, out=tmp_path):
        loaded = read_bench("bench.yaml", bench or bench_text)
        session = Session(bench=with_faults(loaded, faults), out=out, seed=seed)
        made = load_profile(profile) if isinstance(profile, Path) else read_profile("profile.yaml", profile)
        return session.run(made, SilentView())

    return run_it


@pytest.fixture
def shipped():
    """Shipped profiles by file name."""
    return {path.stem: path for path in SHIPPED_PROFILES}


@pytest.fixture
def finding():
    """Make a response of a run; every field can be given."""
    one = Finding(
        step=1,
        step_name="rain begins",
        number=0,
        signal="side_vent",
        unit="%",
        kind="reaches",
        demand="reaches 50 % ± 2 % within 30 s, holds 5 s",
        status=Status.PASS,
        why="in the band",
        margin=Bounds(1.2, 2.0),
        slack_s=Bounds(8.5, 8.9),
        response_s=Window(21.1, 21.5),
        seen=Bounds(49.2, 99.6),
        stood=50.0,
        conformance=1.0,
        proves="",
    )
    return lambda **fields: replace(one, **fields)


@pytest.fixture
def logged(finding):
    """Make a run with its log's name; every field can be given, and its findings end as its verdict says."""

    def make(log="records/rain.jsonl", **fields):
        verdict = fields.get("verdict", "pass")
        known = Status(verdict) if verdict != "aborted" else Status.PASS
        run = RunRecord(
            digest="0123456789abcdef" * 4,
            lines=100,
            closed=verdict != "aborted",
            verdict=verdict,
            reason="the bus fell silent" if verdict == "aborted" else "",
            profile="rain closes the vents",
            profile_sha256="aa" * 32,
            bench="mock",
            bench_sha256="bb" * 32,
            unit="GH-7",
            firmware="1.0",
            operator="A. Muster",
            started="2026-03-01T10:00:00+00:00",
            clock="wall",
            decision="guarded",
            repeat=1,
            seed=0,
            duration_s=90.5,
            selfcheck_sha256="",
            version="0.1.0",
            findings=(finding(status=known),),
        )
        return Logged(log, replace(run, **fields))

    return make


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
