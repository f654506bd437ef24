"""An archive gives the original log to the byte, or is refused, whatever became of it."""

from __future__ import annotations

import io
import json
import random
import subprocess
from shutil import which

import pytest
import zstandard
from hypothesis import example, given
from hypothesis import strategies as st

from ventproof.log import archive
from ventproof.log.archive import FRAME_LINES, ArchiveError, frames_of, lines_of
from ventproof.log.read import check_log, read_log
from ventproof.log.write import GENESIS, seal, unseal
from ventproof_bench.base.errors import FileError

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)


def sealed_lines(bodies):
    digest, lines = GENESIS, []
    for body in bodies:
        line, digest = seal(json.dumps(body, ensure_ascii=False).encode(), digest)
        lines.append(line + b"\n")
    return lines


def poll_lines(count):
    fields = {"event": "reading", "values": {"roof_vent": 99.5}}
    return sealed_lines({"seq": seq, "t": seq / 10, **fields} for seq in range(count))


def stray_lines(count):
    """Readings that stray, so many that a frame of them has several blocks and is unpacked block by block."""
    rng = random.Random(5)
    fields = ({f"vent_{number}": rng.random() for number in range(9)} for _ in range(count))
    return sealed_lines(
        {"seq": seq, "t": seq / 10, "event": "reading", "values": values} for seq, values in enumerate(fields)
    )


def packed(lines):
    return b"".join(frames_of(iter(lines)))


def unpacked(content):
    return list(lines_of(io.BytesIO(content)))


@given(
    st.lists(st.dictionaries(TEXTS, TEXTS | st.integers() | st.floats(allow_nan=False), min_size=1)),
    st.binary(max_size=30).filter(lambda torn: b"\n" not in torn),
    st.integers(1, 5),
)
@example([{"a": 1}] * 7, b'{"archive":1', 3)
@example([], b"torn", 1)
def test_every_log_comes_back_to_the_byte(bodies, torn, frame_lines):
    """Any lines of JSON whose chain is intact, with any torn last line, in frames of any length."""
    lines = [*sealed_lines(bodies), *([torn] if torn else [])]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(archive, "FRAME_LINES", frame_lines)
        content = packed(lines)
    assert unpacked(content) == lines


@pytest.mark.parametrize("count", [1, FRAME_LINES - 1, FRAME_LINES, FRAME_LINES + 1, 3 * FRAME_LINES + 5])
def test_only_the_last_line_of_a_frame_has_its_digest(count):
    """A frame holds 600 lines, and all but its last take no digest; the last frame says how many lines there are."""
    content = packed(poll_lines(count))
    frames = []
    while content:
        whole = zstandard.ZstdDecompressor().decompressobj()
        frames.append(whole.decompress(content).splitlines())
        content = whole.unused_data
    *frames, (end,) = frames
    assert [len(frame) for frame in frames[:-1]] == [FRAME_LINES] * (len(frames) - 1)
    digests = [[unseal(line) is not None for line in frame] for frame in frames]
    assert digests == [[False] * (len(frame) - 1) + [True] for frame in frames]
    assert json.loads(end)["lines"] == sum(map(len, frames)) == count


@pytest.mark.skipif(which("zstd") is None, reason="Debian's zstd is not installed")
def test_the_tool_of_the_format_unpacks_it(tmp_path):
    """`zstd -dc` gives the events of an archive, one JSON object a line, and finds its checksums right."""
    (tmp_path / "a.zst").write_bytes(packed(poll_lines(1300)))
    given_by = subprocess.run(["zstd", "-dc", tmp_path / "a.zst"], capture_output=True, check=True).stdout
    *events, _ = map(json.loads, given_by.splitlines())
    assert [event["seq"] for event in events] == list(range(1300))


def refused_or(lines, content):
    """Whether an archive is refused after none but the first of these lines, or gives them all."""
    given = []
    try:
        for line in lines_of(io.BytesIO(content), archived=True):
            given.append(line)  # noqa: PERF402 - what came before it is refused counts
    except ArchiveError:
        return given == lines[: len(given)]
    return given == lines


@pytest.mark.parametrize("torn", [[], [b'{"seq":9,"t":1']])
def test_no_changed_byte_gives_another_log(torn):
    """Every byte of an archive of two frames, changed in one bit and in all: refused, or the same log."""
    lines = [*poll_lines(FRAME_LINES + 9), *torn]
    content = packed(lines)
    for at in range(len(content)):
        for change in (1 << at % 8, 0xFF):
            changed = content[:at] + bytes([content[at] ^ change]) + content[at + 1 :]
            assert refused_or(lines, changed), (at, change)


def test_an_archive_that_was_cut_or_went_on_is_refused():
    """It was cut at any byte, at the end of a frame too, or something was added: never a shorter or longer log."""
    content = packed(poll_lines(FRAME_LINES + 9))
    for length in range(4, len(content)):
        with pytest.raises(ArchiveError):
            unpacked(content[:length])
    for more in (b"a", content, zstandard.compress(b"{}\n"), b"\n" * 9):
        with pytest.raises(ArchiveError):
            unpacked(content + more)


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        (lambda end: end.replace(b'"lines":4', b'"lines":5'), "are not those of the log"),
        (lambda end: end.replace(b'"torn":""', b'"torn":"YQ=="'), "are not those of the log"),
        (lambda end: end.replace(b'"archive":1', b'"archive":2'), "version is 2"),
        (lambda end: end.replace(b'"torn"', b'"born"'), "not as ventproof writes it"),
        (lambda _: b'{"archive":1}\n', "not as ventproof writes it"),
        (lambda _: b'{"archive":\n', "not as ventproof writes it"),
        (lambda end: end + b"{}\n", "something follows"),
        (lambda _: b"", "cut off after line 4"),
    ],
)
def test_the_last_line_must_tell_of_the_lines_before_it(changed, reason):
    """An archive whose frames are sound is refused all the same where its last line fits no log of these lines."""
    lines = poll_lines(4)
    text = zstandard.ZstdDecompressor().stream_reader(packed(lines), read_across_frames=True).read()
    *before, end = text.splitlines(keepends=True)
    with pytest.raises(ArchiveError, match=reason):
        unpacked(zstandard.compress(b"".join([*before, changed(end)])))


def test_a_log_reads_the_same_plain_and_archived(run, shipped, tmp_path):
    """Digest, SHA-256 and every event are those of the plain log, also of one whose run was killed in a line."""
    log = run(shipped["rain-count"]).log
    whole = log.read_bytes()
    for content in (whole, whole[:-70], whole[: len(whole) // 2]):
        log.write_bytes(content)
        made = tmp_path / "made.jsonl.zst"
        made.write_bytes(packed(content.splitlines(keepends=True)))
        assert check_log(made) == check_log(log)
        assert read_log(made) == read_log(log)


def test_of_a_damaged_frame_no_line_is_given():
    """Its beginning unpacks to what may be another log; what came before the frame is the log's own."""
    lines = stray_lines(FRAME_LINES + 400)
    content = packed(lines)
    for at in range(60, len(content), 1931):
        assert refused_or(lines, content[:at] + bytes([content[at] ^ 1 << at % 8]) + content[at + 1 :]), at


@pytest.mark.parametrize("at", [0, 90, 1700])
def test_a_damaged_archive_is_told_in_a_line(tmp_path, at):
    """Its name, the frame and where that begins, and what helps; the log in it is not blamed, wherever it was hit."""
    content = packed(stray_lines(FRAME_LINES + 400))
    begins = content.index(content[:4], 4)
    made = tmp_path / "made.jsonl.zst"
    for frame, begin in ((1, 0), (2, begins)):
        hit = begin + at
        made.write_bytes(content[:hit] + bytes([content[hit] ^ 4]) + content[hit + 1 :])
        said = rf"made\.jsonl\.zst: .* damaged: frame {frame}, which begins at byte {begin}, is not as .*; restore"
        with pytest.raises(FileError, match=said):
            check_log(made)
    made.write_bytes(content[:-9])
    with pytest.raises(FileError, match=r"frame 3, which begins at byte \d+, was cut off; restore"):
        check_log(made)
