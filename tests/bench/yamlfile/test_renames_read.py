"""Names of an older version in a file are read as the new ones, where they have that meaning and nowhere else."""

from __future__ import annotations

import pytest

from ventproof_bench.yamlfile.renames import ANY, rename
from ventproof_bench.yamlfile.tree import as_data, grow_tree

RENAMES = {
    ("steps", ANY): {"old": "new", "was": "is"},
    ("steps", ANY, "shape"): {"bowl": "cup"},
    ("claims", ANY): {"old": "new"},
}


def renamed(text):
    """Return the data of a text after renaming, what is wrong, and the notes; each with its line and column."""
    tree, _ = grow_tree(text)
    clashes, notes = rename(tree, RENAMES)
    return as_data(tree), *([(f.line, f.column, f.reason) for f in faults] for faults in (clashes, notes))


def test_a_key_is_read_as_its_new_name_with_a_note_at_its_first_place():
    """One note for each old name says where it stands first, and at how many places."""
    data, clashes, notes = renamed("steps:\n  - {old: 1, was: 2}\n  - other: 3\n    old: 4\n")
    assert data == {"steps": [{"new": 1, "is": 2}, {"other": 3, "new": 4}]}
    assert not clashes
    assert notes == [(2, 6, "`old` is now `new` (2 places)"), (2, 14, "`was` is now `is`")]


@pytest.mark.parametrize(
    "text",
    [
        "old: 1\n",
        "steps: {old: {other: 1}}\n",
        "names: [{old: 1}]\n",
        "steps: [{deep: {old: 1}}]\n",
        "steps: old\n",
    ],
)
def test_the_same_word_elsewhere_stays(text):
    """A name that the author gave to an output, say, may be that of an old key."""
    tree, _ = grow_tree(text)
    before = as_data(tree)
    assert rename(tree, RENAMES) == ([], [])
    assert as_data(tree) == before


def test_a_word_of_a_value_is_renamed_too():
    """Whole, or behind the last point of a name; not as a part of another word."""
    text = "steps: [{shape: bowl}, {shape: bowls}]\nclaims: [a.old, old, older, old.a]\n"
    data, _, notes = renamed(text)
    assert data == {
        "steps": [{"shape": "cup"}, {"shape": "bowls"}],
        "claims": ["a.new", "new", "older", "old.a"],
    }
    assert [reason for _, _, reason in notes] == ["`bowl` is now `cup`", "`old` is now `new` (2 places)"]


def test_a_part_that_an_alias_stands_for_is_renamed_once():
    """The note tells of the place where it is written."""
    data, clashes, notes = renamed("steps:\n  - &a {old: 1}\n  - *a\n")
    assert data == {"steps": [{"new": 1}, {"new": 1}]}
    assert not clashes
    assert notes == [(2, 9, "`old` is now `new`")]


def test_both_names_together_are_one_error():
    """Nobody can tell which of the two is meant; the place is that of the old one."""
    data, clashes, notes = renamed("steps:\n  - {new: 1, old: 2}\n")
    assert data == {"steps": [{"new": 1}]}
    assert clashes == [(2, 14, "`old` and `new` together")]
    assert not notes
