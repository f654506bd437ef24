"""What a person states on the command line: names that stand in records and on screens, as plain text on one line."""

from __future__ import annotations

from bench.errors import FileError, Problem


def printable(text: str) -> str:
    """Return a text that is one line of printable characters.

    Raises:
        ValueError: it holds a line end, a control character, or bytes of another encoding.
    """
    odd = next((sign for sign in text if not sign.isprintable()), None)
    if odd is not None:
        raise ValueError(f"{text!r} holds {odd!r}, which is no printable character")
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
