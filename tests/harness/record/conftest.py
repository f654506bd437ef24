"""What the tests of records share: runs made up of what a log could hold."""

from __future__ import annotations

from dataclasses import replace

import pytest

from bench.samples import Window
from harness.judge.verdict import Bounds, Finding, Status
from harness.record.logged import Logged
from harness.record.results import RunRecord


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
        why="came into the band in time",
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
