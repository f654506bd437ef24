"""Text from files and units made harmless for what other programs show (pure)."""

from __future__ import annotations

import unicodedata
from typing import Final

REPLACEMENT: Final = "\N{REPLACEMENT CHARACTER}"
"""What stands for a character that must not be passed on."""

_HARMLESS: Final = frozenset("\t\n\N{SOFT HYPHEN}")
_REFUSED: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})
"""Unicode categories: control, format (it can turn a line's direction round), surrogate, private, not assigned."""


def clean(text: str) -> str:
    """Return a text without characters that other programs refuse, or that hide or reorder what is beside them.

    XML 1.0 allows a subset of what is kept.
    """
    kept = text.replace("\r\n", "\n")
    return "".join(
        c if c in _HARMLESS or unicodedata.category(c) not in _REFUSED else REPLACEMENT for c in kept
    )


def one_line(text: str) -> str:
    """Return a clean text whose runs of white space are single spaces."""
    return " ".join(clean(text).split())
