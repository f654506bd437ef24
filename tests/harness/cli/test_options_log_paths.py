"""Logs that are named to commands: in order, each once."""

from __future__ import annotations

from ventproof.cli.options import log_paths


def test_a_log_that_is_named_twice_counts_once_and_keeps_its_place(tmp_path):
    """By itself, in its folder and through a link it is one log, and twice as many passes would be a lie."""
    logs = [tmp_path / f"{name}.jsonl" for name in "abc"]
    for log in logs:
        log.touch()
    (tmp_path / "link.jsonl").symlink_to(logs[0])
    assert log_paths([logs[1], tmp_path, logs[2]]) == [logs[1], logs[0], logs[2]]
