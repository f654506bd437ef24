"""Repeats: what many runs of one profile prove, and when a claim is decided."""

from __future__ import annotations

import json

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, code_of_series, with_faults
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.planned import PlannedRuns
from ventproof.session.repeats import RepeatPlan, repeats_for
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench


@pytest.fixture
def series(tmp_path):
    """Run a shipped profile several times on the mock."""

    def run(profile, plan, faults=()):
        bench = with_faults(load_bench(SHIPPED_BENCH), faults)
        session = Session(bench=bench, out=tmp_path)
        suite = [load_profile(shipped_path(profile))]
        return PlannedRuns(session, suite, plan).repeat(0, SilentView())

    return run


def test_a_claim_stops_at_the_success_run_number(series):
    """22 repeats without a fail prove 90 % at 90 % (success run: ln 0.1 / ln 0.9), and no more are run."""
    done = series("rain-count", repeats_for(200, 90, 90))
    assert len(done.results) == 22
    assert done.claim == "proved"
    assert code_of_series([done]) == 0


def test_a_bad_unit_is_refuted_early(series):
    """A unit that fails every time is refuted long before the repeats run out."""
    done = series("rain-count", repeats_for(200, 95, 95), faults=["counts_twice"])
    assert done.claim == "refuted"
    assert len(done.results) < 10
    assert code_of_series([done]) == 1


def test_too_few_repeats_leave_a_claim_undecided(series):
    """Ten passes prove little: exit code 2, not 0."""
    done = series("rain-count", repeats_for(10, 95, 95))
    assert done.claim == "undecided"
    assert code_of_series([done]) == 2


def test_a_claim_plans_its_own_repeats():
    """Without a number the claim takes as many repeats as it needs when nothing fails."""
    assert repeats_for(None, 90, 90) == RepeatPlan(22, 0.9, 0.9)
    assert repeats_for(None, 95, 95) == RepeatPlan(59, 0.95, 0.95)
    assert repeats_for(None, None, 95) == RepeatPlan(1, None, 0.95)


def test_repeats_tell_pass_rate_and_response_times(series):
    """A fixed number of repeats gives the exact bound and a limit for future response times."""
    done = series("rain-count", RepeatPlan(repeats=60))
    assert done.sentences[0] == "Of 60 repeats 60 passed, 0 failed and 0 could not be decided."
    assert "at least 95.1 % of such repeats pass (exact bound)" in done.sentences[1]
    assert [row.step for row in done.times] == ["start"]
    assert done.times[0].limit_s is not None
    assert done.times[0].limit_s >= done.times[0].seen_s


def test_each_repeat_has_its_own_seed_and_log(series):
    """No repeat shows the run before again, and every one leaves its record."""
    done = series("rain-count", RepeatPlan(repeats=3))
    headers = [json.loads(r.log.read_text(encoding="utf-8").splitlines()[0]) for r in done.results]
    assert [(h["repeat"], h["seed"]) for h in headers] == [(1, 0), (2, 1), (3, 2)]
    assert len({r.digest for r in done.results}) == 3


def test_a_bench_failure_that_persists_ends_the_repeats(series):
    """A bench that fails three times in a row is broken, and there is no point in going on."""
    done = series("rain-closes-holds-releases", RepeatPlan(repeats=5), faults=["stale_registers"])
    assert [one.outcome.verdict for one in done.results] == [None] * 3
    assert done.broken_off.startswith("3 runs in a row were aborted, the last one because ")
    assert code_of_series([done]) == 4
