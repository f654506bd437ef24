"""Names of profiles as names of files: short, plain, and made of whole words."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof.session.session import slug

MOST = 60


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("Rain begins!", "rain-begins"),
        ("!", "profile"),
        ("", "profile"),
        ("a" * 70, "a" * MOST),
        (f"{'rain ' * 11}{'ends' * 2}", "-".join(["rain"] * 11)),
        (f"{'rain ' * 11}ends", "-".join(["rain"] * 11 + ["ends"])),
        (f"{'rain ' * 11}ended at last", "-".join(["rain"] * 11 + ["ended"])),
    ],
)
def test_a_long_name_ends_with_a_whole_word(name, file):
    """What is cut off is cut between two words, where there are two."""
    assert slug(name) == file


@given(st.text(max_size=200))
def test_any_name_is_a_plain_name_of_a_file(name):
    """Lower-case letters, digits and single hyphens, as any disk takes them."""
    made = slug(name)
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", made)
    assert len(made) <= MOST
    assert slug(made) == made
