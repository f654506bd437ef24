"""A disk that is full leaves nothing half-written, and nothing that was there is lost."""

from __future__ import annotations

import resource
import stat

import pytest

from ventproof_bench.base.errors import FileError
from ventproof_bench.base.files import create_file, whole_file, whole_folder

ROOM = 8192
TOO_MUCH = b"x" * (ROOM + 1)


@pytest.fixture
def full():
    """Refuse files of more than 8 KiB, as a disk does that is nearly full."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (ROOM, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.usefixtures("full")
def test_a_file_that_cannot_be_written_whole_stays_as_it_was(tmp_path):
    """The old report stands, no part of the new one does, and the error names the file."""
    page = tmp_path / "page.html"
    page.write_bytes(b"old")
    with (
        pytest.raises(FileError, match=r"page\.html: cannot be written: File too large"),
        whole_file(page) as file,
    ):
        file.write(TOO_MUCH)
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("page.html", b"old")]


@pytest.mark.usefixtures("full")
def test_a_new_file_that_cannot_be_written_whole_is_taken_away(tmp_path):
    """A key or a signature is never replaced: half of one would be in the way for ever."""
    with pytest.raises(OSError, match="File too large"):
        create_file(tmp_path / "own.key", TOO_MUCH, 0o600)
    assert list(tmp_path.iterdir()) == []


def test_a_new_file_never_replaces_another(tmp_path):
    """The second is refused and the first stays, with the mode that it was given."""
    key = tmp_path / "own.key"
    create_file(key, b"first", 0o600)
    with pytest.raises(FileExistsError, match=r"own\.key"):
        create_file(key, b"second", 0o600)
    assert (key.read_bytes(), stat.S_IMODE(key.stat().st_mode)) == (b"first", 0o600)


def test_a_folder_takes_the_place_of_an_older_one_as_a_whole(tmp_path):
    """What was in the old one is gone, and nothing else is left behind."""
    pages = tmp_path / "pages"
    for name in ("old", "new"):
        with whole_folder(pages, ending=".html") as folder:
            (folder / f"{name}.html").write_text(name, encoding="utf-8")
            assert not (pages / f"{name}.html").exists(), "it has no name before it is whole"
    assert [path.name for path in tmp_path.rglob("*")] == ["pages", "new.html"]


def test_a_folder_that_cannot_be_filled_stays_as_it_was(tmp_path):
    """The old pages stand, and no part of the new ones does."""
    pages = tmp_path / "pages"
    pages.mkdir()
    (pages / "old.html").write_text("old", encoding="utf-8")
    with (
        pytest.raises(FileError, match=r"pages: cannot be written: No such file"),
        whole_folder(pages, ending=".html") as folder,
    ):
        (folder / "nowhere" / "new.html").write_text("new", encoding="utf-8")
    assert [path.name for path in tmp_path.rglob("*")] == ["pages", "old.html"]


@pytest.mark.parametrize("kind", ["other files", "file", "link", "folder inside"])
def test_a_folder_never_takes_the_place_of_what_it_did_not_make(tmp_path, kind):
    """A folder with anything else in it, or what is no folder, is refused before anything is written."""
    pages = tmp_path / "pages"
    match kind:
        case "file":
            pages.write_text("mine", encoding="utf-8")
        case "link":
            (tmp_path / "elsewhere").mkdir()
            pages.symlink_to(tmp_path / "elsewhere")
        case "other files":
            pages.mkdir()
            (pages / "notes.txt").write_text("mine", encoding="utf-8")
        case "folder inside":
            (pages / "mine.html").mkdir(parents=True)
    before = sorted(tmp_path.rglob("*"))
    with (
        pytest.raises(FileError, match=r"pages: holds more than \.html files"),
        whole_folder(pages, ending=".html"),
    ):
        pytest.fail("it must not be given")
    assert sorted(tmp_path.rglob("*")) == before
