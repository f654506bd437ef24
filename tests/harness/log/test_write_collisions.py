"""Logs that are begun at once in one folder each get a name of their own."""

from __future__ import annotations

import sys
import threading
from subprocess import Popen

import pytest

from ventproof.log.names import free_path, is_being_written
from ventproof.log.write import RecordLog, new_log
from ventproof_bench.base.errors import FileError

MANY = 40
OPEN_MANY = """
import sys, time
from pathlib import Path
from ventproof.log.write import new_log
while not (Path(sys.argv[1]) / "go").exists(): time.sleep(0.001)
logs = [new_log(Path(sys.argv[1]), "rain") for _ in range(25)]
"""


def test_threads_that_begin_at_once_share_no_log(tmp_path):
    """However they interleave, each log is a file of its own, and the numbers have no holes."""
    made, begin = [], threading.Barrier(MANY)

    def work():
        begin.wait()
        made.append(new_log(tmp_path, "rain"))

    threads = [threading.Thread(target=work) for _ in range(MANY)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    names = {log.path.name for log in made}
    for log in made:
        log.close()
    assert names == {"rain.jsonl", *(f"rain-{number}.jsonl" for number in range(2, MANY + 1))}


def test_processes_that_begin_at_once_share_no_log(tmp_path):
    """Three processes of 25 logs each leave 75."""
    running = [Popen([sys.executable, "-c", OPEN_MANY, tmp_path]) for _ in range(3)]
    (tmp_path / "go").touch()
    assert [process.wait(120) for process in running] == [0, 0, 0]
    assert len(list(tmp_path.glob("rain*.jsonl"))) == 75


def test_a_name_that_is_taken_between_looking_and_opening_costs_one_more_try(tmp_path, monkeypatch):
    """The next number is taken; a folder that cannot be written is an error as before."""
    taken = iter([tmp_path / "rain.jsonl", tmp_path / "rain.jsonl"])
    (tmp_path / "rain.jsonl").touch()
    monkeypatch.setattr(
        "ventproof.log.write.free_path", lambda folder, stem: next(taken, free_path(folder, stem))
    )
    with new_log(tmp_path, "rain") as log:
        assert log.path == tmp_path / "rain-2.jsonl"
    with pytest.raises(FileError, match="cannot create the log: "):
        new_log(tmp_path / "rain.jsonl", "rain")  # a file where a folder should be


def test_a_log_is_known_to_be_written_until_it_is_closed(tmp_path):
    """Whoever would go on with its run waits."""
    path = tmp_path / "rain.jsonl"
    with RecordLog(path):
        assert is_being_written(path)
    assert not is_being_written(path)
    assert not is_being_written(tmp_path / "none.jsonl")
