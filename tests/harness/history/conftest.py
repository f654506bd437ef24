"""Histories, and logs to enter into them."""

from __future__ import annotations

from itertools import count

import pytest

from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof.log.write import RecordLog


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


@pytest.fixture
def history(where):
    """Open an empty history."""
    return History(place_of(where), create=True)
