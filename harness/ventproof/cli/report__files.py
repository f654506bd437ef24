"""Which output a file's name asks for, and writing it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from harness.record.whole import whole_file

if TYPE_CHECKING:
    from pathlib import Path

    from harness.record.logged import Batch

ENDINGS: Final = (".xml", ".md", ".json")
"""Endings of the files that CI servers and other programs read: JUnit XML, a Markdown summary, results as JSON."""


def made_for(ending: str, batch: Batch) -> str:
    """Return the output for one of `ENDINGS`."""
    match ending:
        case ".xml":
            from harness.record.outputs.junit import junit as make  # noqa: PLC0415 - only what is asked for
        case ".md":
            from harness.record.outputs.markdown import markdown as make  # noqa: PLC0415
        case ".json":
            from harness.record.outputs.results import results_json as make  # noqa: PLC0415 - pydantic is slow
        case _:
            raise AssertionError(f"{ending} is none of {ENDINGS}")
    return make(batch)


def write_output(path: Path, batch: Batch) -> None:
    """Write the output that a file's ending asks for, in place of one that stands there.

    The file is there as a whole or, if anything fails, as it was.

    Raises:
        FileError: it cannot be written.
    """
    text = made_for(path.suffix.lower(), batch)
    with whole_file(path) as file:
        file.write(text.encode())
