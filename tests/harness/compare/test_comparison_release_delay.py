"""A release delay that moves by a second, on the mock: `compare` and `trend` both find it, with one run and more."""

from __future__ import annotations

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.compare.comparison import compare
from ventproof.compare.measures import ShiftLimits
from ventproof.compare.side import side_of
from ventproof.compare.trend import trend
from ventproof.profile.load import load_profile
from ventproof.rejudge.batch import read_runs
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import read_bench

RELEASE_S = {"2.2": 30, "2.3": 30, "2.4": 31}
REPEATS = 3
LATER = {
    ("rain_override", "equals"),
    ("roof_vent", "returns"),
    ("side_vent", "returns"),
}


@pytest.fixture(scope="module")
def versions(tmp_path_factory):
    """Runs of three firmware versions, the newest with a release delay of 31 s instead of 30 s."""
    out, text = tmp_path_factory.mktemp("runs"), SHIPPED_BENCH.read_text(encoding="utf-8")
    profile, seed = load_profile(shipped_path("rain-closes-holds-releases")), 0
    found = {}
    for firmware, delay_s in RELEASE_S.items():
        changed = text.replace("release_delay: 30 s", f"release_delay: {delay_s} s")
        bench = read_bench("bench.yaml", changed)
        logs = []
        for _ in range(REPEATS):
            seed += 1
            session = Session(bench=bench, out=out, unit="GH-7", firmware=firmware, seed=seed)
            logs.append(session.run(profile, SilentView()).log)
        found[firmware] = [one.run for one in read_runs(logs)]
    return found


def later(compared):
    return {(c.key.signal, c.key.kind) for c in compared if c.measure == "time" and c.meaning == "worse"}


@pytest.mark.parametrize(("repeats", "found"), [(1, {("rain_override", "equals")}), (REPEATS, LATER)])
def test_a_second_more_is_found_by_both(versions, repeats, found):
    """One run of each shows it by the flag, repeats by each vent as well, however many like versions came before."""
    runs = {firmware: those[:repeats] for firmware, those in versions.items()}
    old, new = side_of("2.3", runs["2.3"]), side_of("2.4", runs["2.4"])
    assert later(compare(old, new, ShiftLimits()).shifts) == found
    told = trend(side_of("all", [run for those in runs.values() for run in those]), ShiftLimits())
    assert found <= later(change.compared for change in told.changes) <= LATER
    assert {change.firmware for change in told.changes if change.compared.meaning != "open"} == {"2.4"}


def test_like_versions_are_the_same_to_both(versions):
    """The two versions before it have no change between them, and nothing open."""
    assert (
        compare(side_of("2.2", versions["2.2"]), side_of("2.3", versions["2.3"]), ShiftLimits()).outcome
        == "same"
    )
    assert trend(side_of("both", [*versions["2.2"], *versions["2.3"]]), ShiftLimits()).changes == ()
