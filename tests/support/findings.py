"""A response of a run, for tests that need one and no bench."""

from __future__ import annotations

from dataclasses import replace

from ventproof.verdict.finding import Bounds, Finding, Status
from ventproof_bench.base.evidence import Window

FINDING = Finding(
    step=1,
    step_name="rain begins",
    number=0,
    signal="roof_vent",
    unit="%",
    kind="reaches",
    demand="reaches 8 % ± 2 % within 32 s",
    status=Status.PASS,
    why="in the band",
    margin=Bounds(1.2, 2.0),
    slack_s=Bounds(5.0, 5.3),
    response_s=Window(29.7, 30.0),
    seen=Bounds(4.0, 99.0),
    stood=5.0,
    conformance=1.0,
    proves="",
)


def found_of(step, number, signal, kind, status):
    """Return what was found of one response that is not measured."""
    unmeasured = dict.fromkeys(("margin", "slack_s", "response_s", "seen", "stood", "conformance"))
    asked = {"step": step, "number": number, "signal": signal, "kind": kind, "status": status}
    said = {"step_name": "a step", "unit": "flag", "demand": "is on", "why": "was off"}
    return replace(FINDING, **unmeasured, **asked, **said)
