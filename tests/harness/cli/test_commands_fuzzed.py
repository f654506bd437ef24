"""Wrong input of every kind through whole commands: a seeded slice of `make fuzz`, and what that would see."""

from __future__ import annotations

import pytest
from fuzz_campaign import COMMANDS, campaign

from ventproof.log import read
from ventproof_bench.yamlfile import load


def test_wrong_input_ends_with_a_sentence_and_an_exit_code_of_its_own():
    """Changed files, logs, keys, histories, bundles, frames: ventproof itself never fails, and nothing hangs."""
    done = campaign(len(COMMANDS) * 8, seed=1)
    assert [(found.kind, found.number, found.command, found.what) for found in done.found] == []
    assert set(done.inputs) == set(COMMANDS)
    assert len({code for _, code in done.codes}) > 3  # passes, failures, refusals and more are among them


@pytest.mark.parametrize(
    ("kind", "seam"), [("table", (load, "_decode")), ("log", (read, "_outcome"))], ids=["a table", "a log"]
)
def test_failure_of_ventproof_itself_is_found(kind, seam, monkeypatch):
    """An exception that no command expects is a finding, with the place where it happened."""

    def broken(*_):
        raise KeyError("broken on purpose")

    def breaks(_):
        monkeypatch.setattr(*seam, broken)

    done = campaign(40, seed=1, kinds=(kind,), told=breaks, tells_s=0.0)
    assert any("broken on purpose" in found.what for found in done.found)
