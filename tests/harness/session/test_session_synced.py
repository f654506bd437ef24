"""When a log is forced to the disk: where something real was done, step by step."""

from __future__ import annotations

import os

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import load_bench


def test_the_log_of_a_virtual_run_is_synced_when_it_is_closed(tmp_path, monkeypatch):
    """The run is over in a moment and can be made again: the disk is waited for once, after the last line."""
    synced, sync = [], os.fsync

    def noted(descriptor):
        synced.append(os.fstat(descriptor).st_size)
        sync(descriptor)

    bench = load_bench(SHIPPED_BENCH)
    session = Session(bench=bench, out=tmp_path)
    monkeypatch.setattr(os, "fsync", noted)
    done = session.run(load_profile(next(SHIPPED.rglob("rain-count.yaml"))), SilentView())
    assert synced == [done.log.stat().st_size]
