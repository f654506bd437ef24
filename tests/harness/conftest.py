"""What tests of commands share: the command line, run in this process and in a folder of its own."""

from __future__ import annotations

import sys

import pytest

from harness.cli import main


@pytest.fixture
def ventproof(capsys, monkeypatch, tmp_path):
    """Run the command line in this process; returns (exit code, standard output, standard error)."""
    monkeypatch.chdir(tmp_path)
    for name in ("VENTPROOF_HISTORY", "VENTPROOF_PASSPHRASE"):
        monkeypatch.delenv(name, raising=False)

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["ventproof", *map(str, words)])
        with pytest.raises(SystemExit) as left:
            main()
        captured = capsys.readouterr()
        return left.value.code, captured.out, captured.err

    return call
