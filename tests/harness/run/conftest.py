"""What the tests of whole runs share: the shipped files, and sessions on changed copies of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.benchfile import read_bench
from harness.cli.options import SHIPPED, SHIPPED_BENCH, with_faults
from harness.profile.load import load_profile, read_profile
from harness.run.view import SilentView
from harness.session import Session

SHIPPED_PROFILES = sorted(SHIPPED.glob("*.yaml"))


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
