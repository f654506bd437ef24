"""Untrusted text made showable; cautions."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from ventproof_bench.base.errors import FileError, Problem

_CONTROLS: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""What moves a terminal's cursor, colours or hides what others wrote, or turns it about; and halves of characters."""


def control_in(text: str) -> str | None:
    """Return the first character that is none to be shown, by its number as in `U+001B`; line ends and tabs may be."""
    found = _CONTROLS.search(text)
    return f"U+{ord(found[0]):04X}" if found else None


def harmless(text: str) -> str:
    """Return a text from a file or from the unit as a screen may show it."""
    return _CONTROLS.sub("\ufffd", text)


def printable(text: str) -> str:
    """Return a text that is one line of printable characters.

    Raises:
        ValueError: it holds a line end, a control character, or bytes of another encoding.
    """
    odd = next((sign for sign in text if not sign.isprintable()), None)
    if odd is not None:
        raise ValueError(f"{text!r} holds {odd!r}, which is not a printable character")
    return text


def stated(text: str, option: str) -> str:
    """Return a text as given with an option of the command line.

    Raises:
        FileError: it is not one line of printable characters.
    """
    try:
        return printable(text)
    except ValueError as error:
        raise FileError([Problem(option, None, None, str(error), "write it on one line, as UTF-8")]) from None


CAUTIONS: Final = (
    (
        "Vents and drives move without warning and crush. Keep people clear of them and guards in place; isolate and"
        " lock out before touching anything."
    ),
    "Low-voltage signal circuits only: mains work is for licensed people.",
    "Local codes and the maker's instructions come first.",
    "A pass on the bench does not replace commissioning on site.",
)


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


def number_of(count: int, thing: str) -> str:
    """Return a number of things in words: `1 run`, `34 runs`; the plural takes an s at its end."""
    return f"{count} {thing}{'s' * (count != 1)}"


def one_line(text: str) -> str:
    """Return a clean text whose runs of white space are single spaces."""
    return " ".join(clean(text).split())
