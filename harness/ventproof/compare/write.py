"""Comparisons and trends as files: a page, a Markdown summary, or JSON, as the ending of the name says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ventproof.compare.comparison import Comparison
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import whole_file

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from ventproof.compare.trend import FirmwareTrend


ENDINGS: Final = (".html", ".md", ".json")
"""A page for people, a summary for a pull request, and data for other programs."""


def check_names(outs: Iterable[Path]) -> None:
    """Refuse names that ask for nothing that can be made, before anything is compared.

    Raises:
        FileError: for each of them.
    """
    problems = [
        Problem(
            str(out),
            None,
            None,
            f"no comparison can be written as {out.suffix or 'a file without an ending'}",
            f"end its name in {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}",
        )
        for out in outs
        if out.suffix.lower() not in ENDINGS
    ]
    if problems:
        raise FileError(problems)


def write(found: Comparison | FirmwareTrend, out: Path) -> None:
    """Write a comparison or a trend, in place of a file that stands there.

    Raises:
        FileError: the ending is none of ours, or the file cannot be written.
    """
    check_names([out])
    ending = out.suffix.lower()
    text = _of_comparison(found, ending) if isinstance(found, Comparison) else _of_trend(found, ending)
    with whole_file(out) as file:
        file.write(text.encode())


def _of_comparison(found: Comparison, ending: str) -> str:
    if ending == ".html":
        from ventproof.compare.page import html_of  # noqa: PLC0415 - only what is asked for

        return html_of(found)
    if ending == ".md":
        from ventproof.compare.summary import markdown_of  # noqa: PLC0415 - as above

        return markdown_of(found)
    from ventproof.compare.published import json_of  # noqa: PLC0415 - pydantic is slow

    return json_of(found)


def _of_trend(found: FirmwareTrend, ending: str) -> str:
    if ending == ".html":
        from ventproof.compare.trend_page import html_of_trend  # noqa: PLC0415 - only what is asked for

        return html_of_trend(found)
    if ending == ".md":
        from ventproof.compare.summary import markdown_of_trend  # noqa: PLC0415 - as above

        return markdown_of_trend(found)
    from ventproof.compare.published import json_of_trend  # noqa: PLC0415 - pydantic is slow

    return json_of_trend(found)
