"""Logs whose disk fills up, and commands that are injured at random points: a seeded slice of `make crashes`."""

from __future__ import annotations

import errno
import hashlib
import os

import pytest
from crash_campaign import campaign, chain_of

from ventproof.log.write import RecordLog
from ventproof_bench.base.errors import RecordError


class FullOnce:
    """A file whose disk takes some bytes of one write, and is full; a moment later it has room again."""

    def __init__(self, file, room):
        self._file, self._room = file, room

    def write(self, line):
        """Write what there is room for."""
        if self._room is None:
            return self._file.write(line)
        if self._room:
            taken = self._file.write(line[: self._room])
            self._room -= taken
            return taken
        self._room = None
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def __getattr__(self, name):
        return getattr(self._file, name)


@pytest.mark.parametrize("room", [0, 10])
def test_log_ends_where_it_says_once_a_line_cannot_be_written(room, tmp_path):
    """After a line that the disk did not take, nothing follows, though there is room again; no part of it stays."""
    log = RecordLog(tmp_path / "log.jsonl")
    log.write("note", 0.0, {"text": "one"})
    digest = log.digest
    log._sink.file = FullOnce(log._sink.file, room)
    for _ in range(3):
        with pytest.raises(
            RecordError,
            match=r"log\.jsonl cannot be written \(No space left on device\): it ends after line 1$",
        ):
            log.write("note", 1.0, {"text": "two"})
    log.close()
    content = log.path.read_bytes()
    assert chain_of(log.path) == [digest] == [log.digest]
    assert content.endswith(b"\n")
    assert log.sha256 == hashlib.sha256(content).hexdigest()


def test_log_whose_first_line_cannot_be_written_is_removed(tmp_path):
    """Nothing is left that looks like a log; it says so, and no line number, once and again."""
    log = RecordLog(tmp_path / "log.jsonl")
    log._sink.file = FullOnce(log._sink.file, 0)
    for _ in range(2):
        with pytest.raises(RecordError, match=r"cannot be written .*: it held nothing and was removed$"):
            log.write("note", 0.0, {"text": "one"})
    log.close()
    assert not log.path.exists()


def test_log_that_the_disk_may_have_lost_says_from_where(tmp_path, monkeypatch):
    """A sync that fails leaves what was synced before as the part that is known to be there."""
    log = RecordLog(tmp_path / "log.jsonl")
    for text in ("one", "two"):
        log.write("note", 0.0, {"text": text})
    log.sync()
    log.write("note", 0.0, {"text": "three"})

    def full(_):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RecordError, match=r"lines after line 2 may be missing$"):
        log.sync()
    monkeypatch.undo()
    log.close()


@pytest.mark.wire
def test_injured_commands_lose_no_line_and_say_what_is_so():
    """Logs are valid prefixes with all acknowledged lines, histories sound, exit codes known, sentences true."""
    done = campaign(budget_s=90.0, seed=3, trials=5)
    assert [(trial, became.wrong, became.said) for trial, became in done if became.wrong] == []
    assert len(done) == 5


def test_campaign_would_see_a_lost_line(tmp_path):
    """The chain is followed by hand here: a line that is taken away, changed or added is seen."""
    log = RecordLog(tmp_path / "log.jsonl")
    for text in ("one", "two", "three"):
        log.write("note", 0.0, {"text": text})
    log.close()
    first, second, third = log.path.read_bytes().splitlines(keepends=True)
    assert len(chain_of(log.path)) == 3
    assert not breaks(log.path, first + second)
    assert breaks(log.path, first + third)
    assert breaks(log.path, first + second.replace(b"two", b"2") + third)


def breaks(path, content):
    """Return whether a log with this content has a broken chain."""
    path.write_bytes(content)
    try:
        chain_of(path)
    except ValueError:
        return True
    return False


@pytest.mark.parametrize("how", ["removed", "moved", "replaced"])
def test_log_that_is_gone_at_the_end_is_no_record(tmp_path, how):
    """What was written stands nowhere, or elsewhere: the run has no record by the name that it tells."""
    log = RecordLog(tmp_path / "log.jsonl")
    log.write("note", 0.0, {"text": "one"})
    if how == "moved":
        log.path.rename(tmp_path / "other.jsonl")
    else:
        log.path.unlink()
    if how == "replaced":
        log.path.write_bytes(b"another")
    with pytest.raises(
        RecordError, match=r"log\.jsonl is gone: it was removed or moved while it was written$"
    ):
        log.close()
