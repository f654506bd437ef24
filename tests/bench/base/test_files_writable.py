"""Whether a file can be written is seen without touching it."""

import pytest

from ventproof_bench.base.errors import FileError
from ventproof_bench.base.files import require_writable, write_whole


def test_looking_whether_a_file_can_be_written_leaves_it_and_its_folder_as_they_are(tmp_path):
    """What it holds is there afterwards, and nothing beside it."""
    path = tmp_path / "results.json"
    require_writable(path)
    assert list(tmp_path.iterdir()) == []
    write_whole(path, "before")
    require_writable(path)
    assert [(one.name, one.read_text(encoding="utf-8")) for one in tmp_path.iterdir()] == [
        ("results.json", "before")
    ]
    require_writable(tmp_path / "not" / "yet" / "results.json")
    assert len(list(tmp_path.iterdir())) == 1
    with pytest.raises(FileError, match="cannot be written"):
        require_writable(path / "below")


def test_a_file_that_must_be_new_is_never_replaced(tmp_path):
    """The error names it, and what it held stays."""
    path = tmp_path / "found.yaml"
    write_whole(path, "one", replaces=False)
    with pytest.raises(FileError, match=r"found\.yaml: cannot be written: File exists"):
        write_whole(path, "two", replaces=False)
    assert path.read_text(encoding="utf-8") == "one"
