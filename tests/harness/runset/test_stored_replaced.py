"""A log is removed only where what takes its place gives its bytes; otherwise both files stay as they are."""

from __future__ import annotations

import os

import pytest

from ventproof.log.archive import frames_of, lines_of
from ventproof.log.names import archive_path, free_path, log_at, logs_in, signature_path
from ventproof.log.read import check_log
from ventproof.log.write import RecordLog
from ventproof.runset import stored
from ventproof.runset.stored import archive_log, unpack_log
from ventproof_bench.base.errors import FileError


def written(path, *, unit="7", close=True):
    with RecordLog(path) as log:
        log.write("run_begin", 0.0, {"unit": unit})
        for at in range(50):
            log.write("poll", at / 10, {"values": {"roof_vent": 99.5}})
        if close:
            log.write("run_end", 5.0, {"verdict": "pass"})
    return path


def archived(path, of):
    with of.open("rb") as file:
        path.write_bytes(b"".join(frames_of(lines_of(file))))
    return path


@pytest.fixture
def log(tmp_path):
    """A closed log."""
    return written(tmp_path / "a.jsonl")


def refused(act, path):
    """Return why a file is refused, and require that nothing in its folder changed."""
    before = {each.name: each.read_bytes() for each in path.parent.iterdir()}
    with pytest.raises(FileError) as error:
        act(path)
    assert {each.name: each.read_bytes() for each in path.parent.iterdir()} == before
    return str(error.value)


def test_an_archive_takes_the_place_of_its_log_and_gives_it_back(log):
    """One of the two is there, under its own name, and both sizes are told."""
    content = log.read_bytes()
    to = archive_log(log)
    assert (to.path, to.before_bytes, to.after_bytes) == (
        archive_path(log),
        len(content),
        to.path.stat().st_size,
    )
    assert logs_in(log.parent) == [to.path]
    back = unpack_log(to.path)
    assert (back.path, back.after_bytes, back.before_bytes) == (log, len(content), to.after_bytes)
    assert logs_in(log.parent) == [log]
    assert log.read_bytes() == content


def test_the_log_of_a_killed_run_is_archived_with_its_torn_line(tmp_path):
    """What the run left is what comes back; it still counts as aborted."""
    log = written(tmp_path / "a.jsonl", close=False)
    content = log.read_bytes()[:-40]
    log.write_bytes(content)
    to = archive_log(log).path
    assert check_log(to).outcome == "aborted"
    unpack_log(to)
    assert log.read_bytes() == content


def test_a_log_that_is_being_written_stays(tmp_path):
    """Its run holds a lock on it."""
    with RecordLog(tmp_path / "a.jsonl") as log:
        log.write("run_begin", 0.0, {"unit": "7"})
        assert "a run still writes this log" in refused(archive_log, log.path)


def test_a_log_that_grows_meanwhile_stays(log, monkeypatch):
    """A writer whose lock is not seen, on another computer, adds a line while the archive is compared."""
    really = stored.frames_of

    def growing(lines):
        yield from really(lines)
        os.utime(log, ns=(0, 0))

    monkeypatch.setattr(stored, "frames_of", growing)
    content = log.read_bytes()
    with pytest.raises(FileError, match="it changed while it was read"):
        archive_log(log)
    assert [(path.name, path.read_bytes()) for path in log.parent.iterdir()] == [(log.name, content)]


@pytest.mark.parametrize("frames", [lambda _: iter([]), lambda lines: frames_of(list(lines)[:-1])])
def test_an_archive_that_does_not_give_the_log_is_not_kept(log, monkeypatch, frames):
    """Were packing wrong, nothing but time would be lost."""
    monkeypatch.setattr(stored, "frames_of", frames)
    refused(archive_log, log)


def test_what_was_interrupted_between_writing_and_removing_is_finished(log):
    """Both files are there and the same log: the one that is to go goes, in either direction."""
    content = log.read_bytes()
    archived(archive_path(log), log)
    archive_log(log)
    assert logs_in(log.parent) == [archive_path(log)]
    log.write_bytes(content)
    unpack_log(archive_path(log))
    assert logs_in(log.parent) == [log]


@pytest.mark.parametrize("content", [b"", b"no log", None])
def test_another_file_of_the_name_is_never_replaced(log, tmp_path, content):
    """Another log's archive, and what is none, stay; so does the log."""
    other = archived(archive_path(log), written(tmp_path / "b.jsonl", unit="8"))
    if content is not None:
        other.write_bytes(content)
    assert "a.jsonl.zst is there, and another log: both stay; move a.jsonl.zst away" in refused(
        archive_log, log
    )


def test_a_link_is_not_replaced(log):
    """Its removal would free nothing."""
    link = log.with_name("link.jsonl")
    link.symlink_to(log)
    assert "this is a link" in refused(archive_log, link)


def test_an_archive_that_only_leads_to_the_log_does_not_count(log):
    """It gives the same bytes, as long as the log is there."""
    archive_path(log).symlink_to(log)
    assert "a.jsonl.zst: this is a link" in refused(archive_log, log)


def test_what_is_no_archive_is_refused(tmp_path):
    """A damaged archive, and a file that only has the name of one, stay."""
    log = written(tmp_path / "a.jsonl")
    cut = tmp_path / "b.jsonl.zst"
    cut.write_bytes(archived(tmp_path / "c.jsonl.zst", log).read_bytes()[:-20])
    assert "this archive of a log was damaged" in refused(unpack_log, cut)
    cut.write_bytes(b"no archive\n")
    assert "damaged: frame 1, which begins at byte 0," in refused(unpack_log, cut)


def test_a_log_of_another_name_is_refused(log):
    """Its archive, or what is unpacked, would have a name by which no folder's logs are found."""
    other = log.rename(log.with_name("a.txt"))
    assert "its name does not end in .jsonl" in refused(archive_log, other)
    assert "its name does not end in .jsonl.zst" in refused(unpack_log, other)


def test_an_archived_log_keeps_its_names(log):
    """Its signature is that of the log, no new log takes its name, and it is found by either name."""
    to = archive_log(log).path
    assert signature_path(to) == signature_path(log) == log.with_name("a.jsonl.sig")
    assert free_path(log.parent, "a") == log.with_name("a-2.jsonl")
    assert log_at(log) == log_at(to) == to
    unpack_log(to)
    assert log_at(log) == log_at(to) == log
