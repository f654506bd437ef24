"""A history that is read stays as it stands: no byte of it changes, nothing appears beside it; old ones are read."""

import os
import sqlite3
from contextlib import closing

import pytest

from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof_bench.base.errors import FileError

TO_0005 = ("ALTER TABLE runs DROP COLUMN forgotten", "UPDATE alembic_version SET version_num = '0005'")
TO_0004 = (
    *TO_0005,
    "ALTER TABLE runs DROP COLUMN faults",
    "UPDATE alembic_version SET version_num = '0004'",
)
TO_0003 = (
    *TO_0004,
    "DROP INDEX ix_runs_plan_sha256",
    "ALTER TABLE runs DROP COLUMN plan_sha256",
    "ALTER TABLE runs DROP COLUMN run_of_plan",
    "DROP TABLE plans",
    "UPDATE alembic_version SET version_num = '0003'",
)


def state(folder):
    """Return what is in a folder: each file with its bytes and when it was changed."""
    return {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()}


@pytest.fixture
def kept(tmp_path, logged):
    """Return the file of a history with one run, in a folder of its own."""
    folder = tmp_path / "history"
    History(place_of(str(folder / "h.sqlite")), create=True).enter_log(logged(unit="GH-1"))
    return folder / "h.sqlite"


def changed(path, *statements):
    """Change a history as another program would."""
    with closing(sqlite3.connect(path)) as database:
        for statement in statements:
            database.execute(statement)
        database.commit()


def read(path):
    """Return the units in a history."""
    return [entry.record.unit for entry in History(place_of(str(path))).entries()]


@pytest.mark.parametrize("mode", ["WAL", "DELETE"])
def test_reading_changes_nothing_and_leaves_nothing(kept, mode):
    """Neither where it has a write-ahead log when it is written, nor where it has none."""
    changed(kept, f"PRAGMA journal_mode = {mode}")
    before = state(kept.parent)
    assert read(kept) == ["GH-1"]
    assert state(kept.parent) == before


@pytest.mark.parametrize(("older", "revision"), [(TO_0003, "0003"), (TO_0004, "0004"), (TO_0005, "0005")])
def test_a_history_of_an_older_ventproof_is_read_and_stays_one(kept, older, revision):
    """It is brought up in memory only; who enters a run brings up the file."""
    changed(kept, *older)
    before = state(kept.parent)
    assert read(kept) == ["GH-1"]
    assert state(kept.parent) == before
    History(place_of(str(kept)), create=True)
    with closing(sqlite3.connect(kept)) as database:
        assert database.execute("SELECT version_num FROM alembic_version").fetchone() != (revision,)


def test_a_history_that_is_being_written_is_read_as_far_as_it_is_written(kept):
    """What its writer has entered counts, what it has not committed does not; the reader keeps nobody from writing."""
    with closing(sqlite3.connect(kept)) as writer:
        writer.execute("UPDATE runs SET unit = 'GH-2'")
        writer.commit()
        writer.execute("UPDATE runs SET unit = 'GH-3'")
        history = History(place_of(str(kept)))
        entries = history.entries()
        assert next(entries).record.unit == "GH-2"
        writer.commit()
        assert [entry.record.unit for entry in history.entries()] == ["GH-3"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else who may not write")
@pytest.mark.parametrize("left", [False, True], ids=["closed", "left by a writer that was killed"])
def test_a_history_in_a_folder_that_nobody_may_write_to_is_read(kept, left):
    """A copy on a read-only disk, with or without the log that its writer left."""
    if left and (pid := os.fork()) == 0:
        changed_by = sqlite3.connect(kept)
        changed_by.execute("UPDATE runs SET unit = 'GH-4'")
        changed_by.commit()
        os._exit(0)
    if left:
        os.waitpid(pid, 0)
        assert kept.with_name("h.sqlite-wal").exists()
    for path in (kept.parent, *kept.parent.iterdir()):
        path.chmod(0o555 if path.is_dir() else 0o444)
    for folder in kept.parents[1:-1]:
        folder.chmod(folder.stat().st_mode | 0o011)
    before = state(kept.parent)
    os.seteuid(65534)
    try:
        assert read(kept) == ["GH-4" if left else "GH-1"]
    finally:
        os.seteuid(0)
    assert state(kept.parent) == before


def test_another_database_is_no_history_and_is_left_alone(tmp_path):
    """Reading makes no tables in a file of somebody else's."""
    other = tmp_path / "other" / "other.sqlite"
    other.parent.mkdir()
    changed(other, "CREATE TABLE theirs (a)")
    before = state(other.parent)
    with pytest.raises(FileError, match="there is no history here"):
        History(place_of(str(other)))
    assert state(other.parent) == before
