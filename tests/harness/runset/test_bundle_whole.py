"""A bundle is unpacked as it was written or not at all, whoever made it and whatever was done to it."""

from __future__ import annotations

import stat
import zipfile
from functools import partial

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.log.signing import Signer
from ventproof.runset import bundle
from ventproof.runset.bundle import unpack, write_bundle
from ventproof_bench.base.errors import FileError

FILES = {
    "logs/rain.jsonl": b'{"a":1}\n' * 50,
    "logs/rain.jsonl.sig": b"{}",
    "logs/b/wind.jsonl": b"x",
    "report.html": b"<p>pass</p>",
}


def files_in(folder):
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A bundle's bytes."""
    path = tmp_path_factory.mktemp("bundle") / "hand.zip"
    write_bundle(path, FILES, [Signer("ab cd", "Anna")])
    return path.read_bytes()


@pytest.fixture
def unpacked(tmp_path):
    """Unpack bytes; returns what came of it."""

    def take(content):
        (tmp_path / "b.zip").write_bytes(content)
        folder = tmp_path / "out"
        folder.mkdir()
        unpack(tmp_path / "b.zip", folder)
        return files_in(folder)

    return take


def test_what_went_in_comes_out(made, unpacked):
    """Names and bytes are the same, in folders too."""
    assert unpacked(made) == FILES


def rewritten(content, tmp_path, change):
    """Return a bundle as somebody writes it who knows the format: members, and the list that names them."""
    with zipfile.ZipFile(tmp_path / "in.zip", "w") as fresh:
        (tmp_path / "old.zip").write_bytes(content)
        with zipfile.ZipFile(tmp_path / "old.zip") as old:
            members = [(name, old.read(name)) for name in old.namelist()]
        for info, data in change(members):
            fresh.writestr(info, data)
    return (tmp_path / "in.zip").read_bytes()


def with_member(name, members):
    return [*members, (name, b"evil")]


def without_contents(members):
    return [(name, data) for name, data in members if name != "contents.json"]


def without_log(members):
    return [(name, data) for name, data in members if name != "logs/rain.jsonl"]


def changed_log(members):
    return [
        (name, data.replace(b"1", b"2", 1) if name == "logs/rain.jsonl" else data) for name, data in members
    ]


def longer_log(members):
    return [(name, data + b"{}\n" if name == "logs/rain.jsonl" else data) for name, data in members]


def no_list(members):
    return [(name, b"[]" if name == "contents.json" else data) for name, data in members]


def deep_list(members):
    return [(name, b"[" * 100_000 if name == "contents.json" else data) for name, data in members]


def as_link(members):
    info = zipfile.ZipInfo("logs/link.jsonl")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return [*members, (info, b"/etc/passwd")]


HOSTILE = [
    (partial(with_member, "../evil.jsonl"), "it holds '../evil.jsonl'"),
    (partial(with_member, "logs/../../evil.jsonl"), "it holds 'logs/../../evil.jsonl'"),
    (partial(with_member, "/tmp/evil.jsonl"), "it holds '/tmp/evil.jsonl'"),
    (partial(with_member, "logs/C:\\evil.jsonl"), "it holds "),
    (partial(with_member, "logs/evil.py"), "it holds 'logs/evil.py'"),
    (partial(with_member, "logs/a/"), "it holds 'logs/a/'"),
    (partial(with_member, "logs/RAIN.jsonl"), "it holds 'logs/RAIN.jsonl' twice"),
    (partial(with_member, "logs/more.jsonl"), "'logs/more.jsonl' is not in its list of files"),
    (as_link, "it holds 'logs/link.jsonl'"),
    (without_contents, "it holds no contents.json"),
    (without_log, "'logs/rain.jsonl' is in its list of files, and missing"),
    (changed_log, "'logs/rain.jsonl' is not the file that its list names"),
    (longer_log, "'logs/rain.jsonl' is not the file that its list names"),
    (no_list, "it does not say that it is a ventproof bundle"),
    (deep_list, "its contents.json is not as ventproof writes it"),
]


@pytest.mark.parametrize(("change", "said"), HOSTILE)
def test_a_bundle_that_was_changed_or_means_harm_is_one_clear_error(made, unpacked, tmp_path, change, said):
    """Nothing is written outside the folder, and what is wrong is said in one line."""
    with pytest.raises(FileError) as refused:
        unpacked(rewritten(made, tmp_path, change))
    (problem,) = refused.value.problems
    assert said in problem.reason
    assert sorted(path.name for path in tmp_path.iterdir()) == ["b.zip", "in.zip", "old.zip", "out"]
    assert not any(path.is_symlink() for path in (tmp_path / "out").rglob("*"))


def test_a_bundle_that_would_fill_the_disk_is_refused_before_anything_is_written(
    made, unpacked, tmp_path, monkeypatch
):
    """The sizes that its directory names are summed first."""
    monkeypatch.setattr(bundle, "LARGEST_BYTES", 500)
    with pytest.raises(FileError, match="it would unpack to more than"):
        unpacked(made)
    assert not list((tmp_path / "out").iterdir())


@settings(max_examples=150)
@given(st.data())
def test_no_byte_of_a_bundle_can_be_changed_unseen(made, tmp_path_factory, data):
    """Cut anywhere, or with any byte another one, it gives an error or the same files; never others, never a crash."""
    at = data.draw(st.integers(0, len(made) - 1))
    cut = data.draw(st.booleans())
    broken = (
        made[:at] if cut else made[:at] + bytes([made[at] ^ data.draw(st.integers(1, 255))]) + made[at + 1 :]
    )
    folder = tmp_path_factory.mktemp("torn")
    (folder / "b.zip").write_bytes(broken)
    (folder / "out").mkdir()
    try:
        unpack(folder / "b.zip", folder / "out")
    except FileError:
        return
    found = {
        path.relative_to(folder / "out").as_posix(): path
        for path in (folder / "out").rglob("*")
        if path.is_file()
    }
    assert {name: path.read_bytes() for name, path in found.items()} == FILES


def test_a_file_that_no_bundle_may_hold_is_refused_when_it_is_written(tmp_path):
    """The name is told, and nothing is left behind."""
    with pytest.raises(FileError, match=r"logs/a\\b\.jsonl: no bundle holds a file of such a name"):
        write_bundle(tmp_path / "b.zip", {"logs/a\\b.jsonl": b""}, [])
    with pytest.raises(FileError, match="cannot be read: No such file"):
        write_bundle(tmp_path / "b.zip", {"logs/a.jsonl": tmp_path / "gone"}, [])
    assert not list(tmp_path.iterdir())
