"""Judging a log again gives what the run gave, and a cut log proves only what it holds."""

from __future__ import annotations

from dataclasses import replace
from itertools import cycle
from pathlib import Path

import pytest

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH, with_faults
from ventproof.log.events import FindingMade
from ventproof.log.read import read_log
from ventproof.profile.load import load_profile, read_profile
from ventproof.rejudge.again import decide_again
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench

PROFILES = sorted(SHIPPED.rglob("*.yaml"))


@pytest.fixture
def recorded(tmp_path):
    """Run a shipped profile and return its log."""

    def run(path, faults=()):
        session = Session(bench=with_faults(load_bench(SHIPPED_BENCH), faults), out=tmp_path)
        return session.run(load_profile(path), SilentView())

    return run


@pytest.mark.parametrize(
    ("path", "faults"),
    list(
        zip(PROFILES[::2], cycle([(), ("slow_travel",), ("release_early",), ("no_debounce",)]), strict=False)
    ),
    ids=lambda value: value.stem if isinstance(value, Path) else "-".join(value) or "healthy",
)
def test_judging_again_says_the_same(path, faults, recorded):
    """Live and afterwards the same evidence gives the same findings, margins and reasons, for every second profile."""
    result = recorded(path, faults)
    decided = decide_again(read_log(result.log))
    assert decided.verdict == result.outcome.verdict
    assert decided.changes == ()
    key = lambda f: (-1 if f.step is None else f.step, f.number)  # noqa: E731
    assert sorted(decided.findings, key=key) == sorted(result.findings, key=key)


def test_what_binds_while_a_flag_is_on_is_judged_again_alike(tmp_path):
    """When the flag was on follows from the log, and so does what was found of what must hold then."""
    text = next(path for path in PROFILES if path.stem == "rain-closes-holds-releases").read_text()
    conditions = "".join(
        f"  - {{signal: roof_vent, stays_at_most: {limit} %, while: {{rain_override: on}}, applies_after: {after} s}}\n"
        for limit, after in ((11, 35), (5, 35), (11, 5))
    )
    assert "always:\n" in text
    profile = read_profile("profile.yaml", text.replace("always:\n", f"always:\n{conditions}"))
    result = Session(bench=load_bench(SHIPPED_BENCH), out=tmp_path).run(profile, SilentView())
    decided = decide_again(read_log(result.log))
    always = [finding for finding in result.findings if finding.step is None][:3]
    assert [finding.verdict for finding in always] == ["pass", "fail", "fail"]
    assert set(decided.findings) == set(result.findings)


def test_a_cut_log_never_passes_more_than_it_proves(recorded, tmp_path):
    """Cut anywhere, a log has no run verdict, and what passes then also passed in the whole run."""
    result = recorded(PROFILES[0])
    lines = result.log.read_bytes().splitlines(keepends=True)
    passed = {(f.step, f.number) for f in result.findings if f.verdict == "pass"}
    for keep in range(1, len(lines) - 1, max(1, len(lines) // 25)):
        cut = tmp_path / f"cut-{keep}.jsonl"
        cut.write_bytes(b"".join(lines[:keep]))
        decided = decide_again(read_log(cut))
        assert decided.verdict is None
        assert {(f.step, f.number) for f in decided.findings if f.verdict == "pass"} <= passed


def test_a_log_of_another_format_is_refused(recorded):
    """What another version meant by its events is not guessed."""
    state = read_log(recorded(PROFILES[0]).log)
    first = replace(state.events[0], header=replace(state.events[0].header, format=1))
    other = replace(state, events=(first, *state.events[1:]))
    with pytest.raises(FileError, match=r"the log's format is 1, and this ventproof judges format 5"):
        decide_again(other)


def test_an_edited_tolerance_changes_the_verdict(recorded):
    """A stricter profile decides the same evidence anew and says what changed."""
    path = next(p for p in PROFILES if p.stem == "rain-closes-holds-releases")
    result = recorded(path)
    stricter = read_profile(
        "edited.yaml", path.read_text(encoding="utf-8").replace("within: 32 s", "within: 20 s")
    )
    decided = decide_again(read_log(result.log), stricter)
    assert decided.verdict == "fail"
    assert [(old.verdict, new.verdict) for old, new in decided.changes if old.signal == "roof_vent"] == [
        ("pass", "fail")
    ]


def test_other_stimuli_cannot_be_judged_from_this_log(recorded):
    """A profile that does something else is refused, with the place where it differs."""
    path = next(p for p in PROFILES if p.stem == "rain-count")
    result = recorded(path)
    other = read_profile("edited.yaml", path.read_text(encoding="utf-8").replace("times: 25", "times: 24"))
    with pytest.raises(FileError, match=r"^edited\.yaml:\d+:\d+: the run applied other stimuli"):
        decide_again(read_log(result.log), other)


def test_every_line_of_a_real_log_is_chained(recorded):
    """A real log, not only a made one, verifies, and carries its findings."""
    result = recorded(PROFILES[0])
    state = read_log(result.log)
    assert state.broken_at is None
    assert state.outcome == "pass"
    assert [event.finding for event in state.events if isinstance(event, FindingMade)]
