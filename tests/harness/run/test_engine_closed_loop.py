"""The shipped closed-loop suites: green on a healthy unit whose vents stand outside it, red on a faulty one."""

from __future__ import annotations

import pytest

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.profile.bind import bind
from ventproof.profile.load import load_profile
from ventproof_bench.benchcheck.load import load_bench

SUITES = sorted(path for path in (SHIPPED.parent / "drives").iterdir() if path.is_dir())
PROFILES = [path for suite in SUITES for path in sorted(suite.glob("*.yaml"))]


def bench_of(path):
    """Return the shipped bench file of a profile's suite."""
    return SHIPPED_BENCH.with_name(f"loop-{path.parent.name}.yaml")


@pytest.fixture
def closed_loop(run):
    """Run a profile, `suite/name`, on its bench, with a fault of the mock or without."""

    def run_it(name, *faults):
        path = SHIPPED.parent / "drives" / f"{name}.yaml"
        return run(path, bench=bench_of(path).read_text(encoding="utf-8"), faults=dict.fromkeys(faults, 1.0))

    return run_it


def test_every_profile_fits_the_bench_of_its_suite():
    """Twenty profiles and more, on three benches; each response can be passed and failed there."""
    assert len(PROFILES) > 20
    assert len(SUITES) == 3
    for path in PROFILES:
        bound = bind(load_profile(path), load_bench(bench_of(path)), {})
        assert bound.undecidable == ()


@pytest.mark.parametrize(
    "profile",
    [
        "switches/house-cools-before-the-vent-is-open",
        "switches/switch-stuck-at-closed",
        "switches/shower-after-shower",
        "potentiometer/potentiometer-open",
        "potentiometer/rain-by-potentiometer",
        "reckoned/rain-followed-by-contacts",
    ],
)
def test_a_healthy_unit_passes(profile, closed_loop):
    """Those that are asked to find a fault below, and rain by the other two ways; all of them in `make challenge`."""
    result = closed_loop(profile)
    assert result.outcome.verdict == "pass", [f for f in result.findings if f.verdict != "pass"]


@pytest.mark.parametrize(
    ("fault", "profile"),
    [
        ("no_reversal_pause", "switches/house-cools-before-the-vent-is-open"),
        ("both_contacts_on", "switches/house-cools-before-the-vent-is-open"),
        ("trusts_stuck_switch", "switches/switch-stuck-at-closed"),
        ("trusts_open_potentiometer", "potentiometer/potentiometer-open"),
        ("release_not_restarted", "switches/shower-after-shower"),
    ],
)
def test_a_unit_that_drives_badly_fails(fault, profile, closed_loop):
    """The profile that is there to find it does."""
    assert closed_loop(profile, fault).outcome.verdict == "fail"
