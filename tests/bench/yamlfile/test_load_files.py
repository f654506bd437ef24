"""Files that are no files of ours (unreadable, binary, huge, bombs), and scalars that YAML 1.1 misreads."""

from __future__ import annotations

import hashlib
import os
import time

import pytest
import yaml

from ventproof_bench.base.errors import FileError
from ventproof_bench.yamlfile.fields import FileModel
from ventproof_bench.yamlfile.load import LARGEST_BYTES, kind_of, load_document, read_document
from ventproof_bench.yamlfile.tree import as_data, grow_tree, resolve_scalar


class Anything(FileModel):
    """A model that takes one key of any shape."""

    key: object = None


def refused(path, match):
    """Return the problem for which a file is refused."""
    with pytest.raises(FileError, match=match) as caught:
        load_document(path, Anything)
    return caught.value.problems[0]


def test_a_missing_file_is_named(tmp_path):
    """A path that leads nowhere is one clear error."""
    refused(tmp_path / "none.yaml", r"none\.yaml: there is no such file; check the path$")


def test_a_directory_is_refused(tmp_path):
    """A directory is not taken for a file."""
    refused(tmp_path, r"this is a directory; name a YAML file in it$")


def test_a_named_pipe_is_refused_unread(tmp_path):
    """A pipe would keep the program waiting for ever; it is refused."""
    os.mkfifo(tmp_path / "pipe")
    refused(tmp_path / "pipe", r"this is not a regular file")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission_is_refused(tmp_path):
    """A file that may not be read says so."""
    path = tmp_path / "secret.yaml"
    path.write_text("key: 1\n")
    path.chmod(0)
    refused(path, r"the file may not be read; check its permissions$")


def test_a_path_with_a_zero_byte_is_refused():
    """A path that no file system takes is an error, not a traceback."""
    refused("a\0b", r"cannot be read")


def test_a_large_file_is_refused_unread_and_quickly(tmp_path):
    """Ten megabytes are refused by their size alone."""
    path = tmp_path / "large.yaml"
    path.write_bytes(b"key: 1\n" * 1_500_000)
    began = time.process_time()
    refused(path, r"the file is 10\.5 MB long; at most 1 MB is read")
    assert time.process_time() - began < 1


@pytest.mark.parametrize(
    ("data", "line", "match"),
    [
        (b"key: 1\nother: 20 \xb0C\n", 2, r"byte 18 \(0xB0\) is not UTF-8; save the file as UTF-8$"),
        (b"key: 1\n\0\n", 2, r"byte 8 is zero: this is not a text file"),
        ("key: 1\n".encode("utf-16"), 1, r"the file is UTF-16; save it as UTF-8$"),
        (b"key: 1\r\nnext: \x07\n", 2, r"2:7: the character U\+0007 cannot stand in a YAML file; delete it$"),
        (b"", 1, r"the file holds nothing"),
        (b"# only a remark\n", 1, r"the file holds nothing"),
        (b"\x7fELF\x02\x01\x01\0\0", 1, r"is zero: this is not a text file"),
        (b"just a text\n", 1, r"the file must be a mapping of keys"),
    ],
)
def test_what_is_no_utf8_text_is_refused_with_its_place(tmp_path, data, line, match):
    """Wrong encodings, binary files and empty files say which byte and line."""
    path = tmp_path / "odd.yaml"
    path.write_bytes(data)
    assert refused(path, match).line == line


def test_a_byte_order_mark_is_accepted_and_kept(tmp_path):
    """A file with a byte order mark loads, and its text and digest are the file's own."""
    data = b"\xef\xbb\xbfkey: 5\r\n"
    path = tmp_path / "mark.yaml"
    path.write_bytes(data)
    loaded = load_document(path, Anything)
    assert loaded.model.key == 5
    assert loaded.text.encode() == data
    assert loaded.digest == hashlib.sha256(data).hexdigest()
    assert loaded.locate(("key",)) == (1, 6)


def bomb(levels):
    """Return aliases of aliases that would grow ninefold a level."""
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, levels)]
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        (bomb(9), r"more than 50000 values once its aliases are written out"),
        ("[" * 500_000, r"nest deeper than 32 levels"),
        ("\n".join(" " * n + "a:" for n in range(900)), r"nest deeper than 32 levels"),
        ("key: [" + "a, " * 300_000 + "]", r"more than 50000 values"),
        ("key: &x {inner: *x}", r"\*x is used inside the value that it stands for"),
        ("key: " + "{a: " * 100_000, r"nest deeper than 32 levels"),
    ],
    ids=["aliases", "brackets", "indentation", "items", "recursion", "mappings"],
)
def test_bombs_are_refused_quickly(text, match):
    """Text that would grow without bound is refused before it is built, within a second."""
    began = time.process_time()
    with pytest.raises(FileError, match=match):
        read_document("bomb.yaml", text[:LARGEST_BYTES], Anything)
    assert time.process_time() - began < 1


def test_an_alias_stands_for_its_anchor():
    """Anchors and aliases work, as whole values and as keys."""
    tree, faults = grow_tree("base: &b {x: 1}\nname: &n roof\nuse: *b\n*n : 3\n")
    assert not faults
    assert as_data(tree) == {"base": {"x": 1}, "name": "roof", "use": {"x": 1}, "roof": 3}


class Number(FileModel):
    """A model with a number and an inner one."""

    key: int = 0
    inner: Number | None = None


def test_a_problem_in_an_alias_is_placed_where_the_alias_is_used():
    """What turns out wrong in an aliased value is placed at the use and names the anchor's line."""
    with pytest.raises(
        FileError,
        match=r"f:2:8: expected a whole number, found 'x'; written as \*a, which stands for line 1$",
    ) as caught:
        read_document("f", "other: &a {key: x}\ninner: *a\n", Number)
    assert [p.line for p in caught.value.problems] == [1, 2]


@pytest.mark.parametrize(
    "text",
    [
        "on",
        "no",
        "010",
        "0x10",
        "12:30:45",
        "1_000",
        "+5",
        ".5",
        "1.",
        "2024-01-01",
        ".inf",
        "NaN",
        "True",
        "0b1",
    ],
)
def test_words_that_yaml_1_1_would_convert_stay_text(text):
    """`on`, `010`, `12:30:45` and their like are text."""
    assert resolve_scalar(text) == text


@pytest.mark.parametrize("text", ["0", "-7", "12", "1e3", "-1.5E-3", "0.1", "true", "false", "null", "1E400"])
def test_scalars_are_read_as_json_reads_them(text):
    """External check: RFC 8259 literals, read by Python's own json module, give the same value."""
    import json  # noqa: PLC0415 - the independent reader of this one test

    expected = json.loads(text)
    assert resolve_scalar(text) == (text if expected == float("inf") else expected)


def test_the_tree_holds_what_an_independent_yaml_constructor_makes():
    """External check: PyYAML's own construction of a text without YAML 1.1 words gives the same data."""
    text = (
        "a: [1, 2.5, x]\nb: {c: true, d: null, 'e f': \"g\\th\"}\nh: |\n  two\n  lines\ni: >\n  folded\nj:\n"
    )
    tree, faults = grow_tree(text)
    assert not faults
    assert as_data(tree) == yaml.safe_load(text)


def test_the_kind_of_a_file_is_its_first_known_key(tmp_path):
    """A file says what it is by a key at its top; without one it is refused with the keys that would do."""
    path = tmp_path / "some.yaml"
    path.write_text("about: x\nbench: y\n")
    assert kind_of(path) == "bench"
    path.write_text("about: x\n")
    with pytest.raises(
        FileError,
        match=r"unknown kind of file; .* rack, profile, bench, .*, waivers, campaign at its top$",
    ):
        kind_of(path)


def test_the_pure_python_parser_is_enough(monkeypatch):
    """Without libyaml the same text gives the same tree and the same faults."""
    text = "a: [1, on]\nb: {c: *d}\nb: 2\n"
    fast = grow_tree(text)
    monkeypatch.delattr(yaml, "CSafeLoader", raising=False)
    slow = grow_tree(text)
    assert as_data(fast[0]) == as_data(slow[0])
    assert fast[1] == slow[1]


@pytest.mark.parametrize(
    "text", ["a: [0, 5 %]", "a: [0 %,5 %]", "a: [1,2]", "a: {closed: 0,1: first}", "a: {b: 0, 5: }"]
)
def test_a_comma_between_two_values_is_no_decimal_comma(text):
    """Only a number, a comma and digits without a space, which mean nothing apart, are one number."""
    _, faults = grow_tree(text)
    assert faults == []
