"""Plain text: what people, files and units say, as records and screens may show it."""

from __future__ import annotations

import re
from typing import Final

from bench.errors import FileError, Problem

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
