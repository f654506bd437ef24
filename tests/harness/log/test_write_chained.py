"""The log: chained, flushed, never overwritten; every tampering is found."""

from __future__ import annotations

import hashlib
import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.log.names import free_path
from ventproof.log.read import read_log
from ventproof.log.write import GENESIS, RecordLog, seal
from ventproof_bench.base.errors import FileError


def write_log(path, lines=6, *, close=True):
    with RecordLog(path) as log:
        log.write("run_begin", 0.0, {"unit": "Käthe 7"})
        for index in range(lines - 2):
            log.write("poll", index * 0.1, {"values": {"roof_vent": 99.5 - index}})
        if close:
            log.write("run_end", lines * 0.1, {"verdict": "pass"})
    return path.read_bytes()


def test_an_untouched_log_is_intact_and_tells_its_verdict(tmp_path):
    """What was written comes back, with the run's verdict."""
    path = tmp_path / "a.jsonl"
    write_log(path)
    state = read_log(path)
    assert (state.broken_at, state.lines, state.outcome) == (None, 6, "pass")
    assert [event.name for event in state.events] == ["run_begin", *["poll"] * 4, "run_end"]


def test_each_line_is_one_json_object_with_seq_t_event_and_chain(tmp_path):
    """A stranger can read the log with any JSON reader, and check the chain with SHA-256 alone."""
    content = write_log(tmp_path / "a.jsonl")
    previous = GENESIS
    for number, line in enumerate(content.splitlines()):
        event = json.loads(line)
        assert list(event)[:3] == ["seq", "t", "event"]
        assert event["seq"] == number
        body = line.replace(f',"chain":"{event["chain"]}"'.encode(), b"")
        assert hashlib.sha256(previous.encode() + body).hexdigest() == event["chain"]
        previous = event["chain"]


def test_a_line_has_left_the_process_when_write_returns(tmp_path):
    """Nothing waits in a buffer: a killed run keeps every line it wrote."""
    path = tmp_path / "a.jsonl"
    log = RecordLog(path)
    log.write("run_begin", 0.0, {})
    assert path.read_bytes().endswith(b"}\n")
    log.close()


def test_a_run_without_closing_line_reads_as_aborted(tmp_path):
    """A run that died never reads as passed."""
    path = tmp_path / "a.jsonl"
    write_log(path, close=False)
    assert read_log(path).outcome == "aborted"


def test_a_torn_last_line_is_cut_off_and_the_rest_stands(tmp_path):
    """A kill in the middle of a write costs that line only."""
    path = tmp_path / "a.jsonl"
    content = write_log(path)
    path.write_bytes(content[:-20])
    state = read_log(path)
    assert (state.broken_at, state.lines, state.outcome) == (None, 5, "aborted")


def test_a_log_is_never_overwritten(tmp_path):
    """An existing file is refused, and the next free name is another."""
    path = tmp_path / "a.jsonl"
    content = write_log(path)
    with pytest.raises(FileError, match=r"cannot create the log: File exists$"):
        RecordLog(path)
    assert path.read_bytes() == content
    assert free_path(tmp_path, "a") == tmp_path / "a-2.jsonl"
    (tmp_path / "a-2.jsonl.sig").touch()  # of a log that was moved away: it would not fit another
    assert free_path(tmp_path, "a") == tmp_path / "a-3.jsonl"


def test_what_is_no_log_is_refused(tmp_path):
    """An empty file, another file and a missing file each get one clear error."""
    path = tmp_path / "a.jsonl"
    for content, message in (
        (b"", r"the log is empty"),
        (b"hello\n", r":1: this is not a ventproof log, or its first line was changed$"),
    ):
        path.write_bytes(content)
        with pytest.raises(FileError, match=message):
            read_log(path)
    with pytest.raises(FileError, match=r"cannot read the log: No such file or directory$"):
        read_log(tmp_path / "b.jsonl")


@pytest.mark.parametrize("from_line", [1, 3])
def test_a_log_whose_line_ends_were_converted_is_said_to_be_converted(tmp_path, from_line):
    """Nobody has to guess what an editor, a mail or a version control did to the whole log or to its end."""
    path = tmp_path / "a.jsonl"
    lines = write_log(path).splitlines(keepends=True)
    said = r"the text was converted on its way \(to CR LF"
    for mark in (b"", b"\xef\xbb\xbf") if from_line == 1 else (b"",):
        kept, turned = (
            lines[: from_line - 1],
            [line.replace(b"\n", b"\r\n") for line in lines[from_line - 1 :]],
        )
        path.write_bytes(mark + b"".join(kept + turned))
        if from_line == 1:
            with pytest.raises(FileError, match=rf":1: {said}"):
                read_log(path)
        else:
            state = read_log(path)
            assert (state.broken_at, state.outcome) == (from_line, "aborted")
            assert re.match(said, state.reason)


@given(data=st.data())
def test_every_changed_byte_is_found(tmp_path_factory, data):
    """Whatever byte is changed, the log no longer reads as whole from that line on."""
    path = tmp_path_factory.mktemp("log") / "a.jsonl"
    content = bytearray(write_log(path))
    position = data.draw(st.integers(0, len(content) - 1))
    content[position] ^= data.draw(st.integers(1, 255))
    path.write_bytes(bytes(content))
    try:
        state = read_log(path)
    except FileError:
        return  # its first line: no log at all
    line = bytes(content).count(b"\n", 0, position)
    assert state.outcome == "aborted"
    assert state.broken_at is None or state.broken_at <= line + 2


@given(data=st.data())
def test_removed_repeated_and_reordered_lines_are_found(tmp_path_factory, data):
    """Any order or selection of lines but a prefix breaks the chain at the first line out of place."""
    path = tmp_path_factory.mktemp("log") / "a.jsonl"
    lines = write_log(path).splitlines(keepends=True)
    order = data.draw(st.lists(st.integers(0, len(lines) - 1), min_size=1, max_size=8))
    path.write_bytes(b"".join(lines[index] for index in order))
    intact = next((place for place, index in enumerate(order) if place != index), len(order))
    if intact == 0:
        with pytest.raises(FileError, match=r"not a ventproof log"):
            read_log(path)
        return
    state = read_log(path)
    assert state.lines == intact
    assert state.broken_at == (None if intact == len(order) else intact + 1)
    assert state.outcome == ("pass" if order == list(range(len(lines))) else "aborted")


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (b'{"seq":1,"t":1.0,"event":"selfcheck_end","result":"fine"}', "a log that begins with run_begin"),
        (b'{"seq":1,"t":1.0,"event":"finding","margin":[NaN,NaN]}', "it is not a JSON object"),
        (b'{"seq":1,"t":1e999,"event":"run_end","verdict":"pass"}', "it has no event or no time"),
    ],
)
def test_a_line_that_no_run_writes_breaks_the_log_though_its_digest_is_right(body, reason, tmp_path):
    """A run is not closed by a self-check's end, and what is no number compares with nothing: it counts as aborted."""
    path = tmp_path / "forged.jsonl"
    first, digest = seal(b'{"seq":0,"t":0.0,"event":"run_begin"}', GENESIS)
    path.write_bytes(first + b"\n" + seal(body, digest)[0] + b"\n")
    state = read_log(path)
    assert (state.broken_at, state.outcome) == (2, "aborted")
    assert state.reason.startswith(reason)
