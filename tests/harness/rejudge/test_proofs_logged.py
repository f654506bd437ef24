"""What a log shows of its table is what was applied and decided in it, by whatever names the bench has."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import StimulusApplied
from ventproof.log.read import read_log
from ventproof.profile.load import read_profile
from ventproof.rejudge.again import follow
from ventproof.rejudge.proofs import pinned_table, shown_by
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench

TABLE = pinned_table((SHIPPED_BENCH.parent / "mock-overrides.yaml").read_text(encoding="utf-8"))
PROFILE = shipped_path("rain-closes-holds-releases").read_text(encoding="utf-8")
RENAMED = {"wet": "rain", "wet_override": "rain_override"}


@pytest.fixture(scope="module", params=["as the bench", "otherwise"])
def told(request, tmp_path_factory):
    """A log of the rain profile, by the bench's names and by names of its own: its state, binding and case."""
    text, use = PROFILE, {}
    if request.param == "otherwise":
        text = re.sub(
            r"(?<![.\w])rain(_override)?(?=: contact|: flag|: open|: closed|[,}\n])", r"wet\1", PROFILE
        )
        use = RENAMED
    session = Session(bench=load_bench(SHIPPED_BENCH), out=tmp_path_factory.mktemp("logs"), use=use)
    state = read_log(session.run(read_profile("profile.yaml", text), SilentView()).log)
    return state, *follow(state)


def test_a_run_shows_what_its_profile_claims(told):
    """Each claim of the profile is borne out by the log."""
    state, bound, case = told
    found = {its.line: its for its in shown_by(state.events, bound, case, TABLE)}
    assert [line for line in case.profile.proves if not found[line].told] == []
    assert found["rain.rain"].proved


def test_what_was_not_applied_shows_nothing(told):
    """The same log without the rain that its profile states claims all of it in vain."""
    state, bound, case = told
    dry = [event for event in state.events if not isinstance(event, StimulusApplied)]
    assert {its.told for its in shown_by(dry, bound, case, TABLE)} == {()}


def test_what_was_not_decided_shows_nothing(told):
    """Nor do stimuli alone: a log cut before its responses were decided shows no line."""
    state, bound, _ = told
    first = next(
        n for n, e in enumerate(state.events) if isinstance(e, StimulusApplied) and e.of and e.of.step
    )
    cut = replace(state, events=state.events[: first + 2])
    _, case = follow(cut)
    assert {its.told for its in shown_by(cut.events, bound, case, TABLE)} == {()}
