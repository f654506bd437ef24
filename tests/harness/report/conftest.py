"""What the tests of reports share: logs of real runs on the mock, and the same logs changed by somebody."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.log.write import GENESIS, seal
from ventproof.profile.load import read_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import read_bench

COUNT = shipped_path("rain-count").read_text(encoding="utf-8")
RAIN = shipped_path("rain-closes-holds-releases").read_text(encoding="utf-8")
BENCH = SHIPPED_BENCH.read_text(encoding="utf-8")


def run(out, profile=COUNT, bench=BENCH, faults=(), repeat=1, **stated):
    """Run a profile on the mock, as the last repeat of a plan; return the log."""
    stated = {"unit": "V-1042", "firmware": "3.1", "operator": "Halvorsen"} | stated
    session = Session(bench=with_faults(read_bench("bench.yaml", bench), faults), out=out, **stated)
    read = read_profile("profile.yaml", profile)
    *_, last = session.plan([read], repeat).places
    return session.run(read, SilentView(), last).log


def events_of(log):
    return [json.loads(line) for line in log.read_bytes().splitlines()]


def rechained(events, path):
    """Write events as somebody would who wants a log to look whole."""
    digest, lines = GENESIS, []
    for event in events:
        body = {key: value for key, value in event.items() if key != "chain"}
        line, digest = seal(json.dumps(body, separators=(",", ":")).encode(), digest)
        lines.append(line + b"\n")
    path.write_bytes(b"".join(lines))
    return path


@pytest.fixture(scope="session")
def logs(tmp_path_factory) -> dict[str, Path]:
    """Logs by how their runs stand, each by itself; never changed."""
    out = tmp_path_factory.mktemp("logs")
    coarse = BENCH.replace("poll_every: 100 ms", "poll_every: 1500 ms")
    tight = RAIN.replace("$tolerance, within: 2", "6 %, within: 2")
    made = {
        "pass": run(out),
        "fail": run(out, faults=["counts_twice"]),
        "inconclusive": run(out, tight, coarse),
    }
    whole = made["pass"].read_bytes().splitlines(keepends=True)
    made["aborted"] = out / "died.jsonl"
    made["aborted"].write_bytes(b"".join(whole[:-1]))
    made["broken"] = out / "broken.jsonl"
    made["broken"].write_bytes(b"".join(whole[:150] + whole[151:]))
    failed = events_of(made["fail"])
    for event in failed:
        event.update({key: "pass" for key in ("verdict", "status") if key in event})
    made["contradicted"] = rechained(failed, out / "forged.jsonl")
    old = events_of(made["pass"])
    old[0]["format"] = 1
    made["unconfirmed"] = rechained(old, out / "old.jsonl")
    made["unreadable"] = out / "no-log.jsonl"
    made["unreadable"].write_bytes(b"".join(whole[1:]))
    return made


@pytest.fixture(scope="session")
def mock():
    """Run profiles on the mock, read their logs, and write them as a forger would."""
    return SimpleNamespace(run=run, events_of=events_of, rechained=rechained, rain=RAIN, count=COUNT)
