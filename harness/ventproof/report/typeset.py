"""Templates to pages and documents: HTML by Jinja, PDF by Typst."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.text import clean

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from jinja2 import Template


T = TypeVar("T")
_COMMENT: Final = re.compile(r"/\*.*?\*/", re.DOTALL)
_AROUND: Final = re.compile(r"\s*([{};])\s*")
"""In a style sheet, where space says nothing; no text that it shows has one of these."""
_HERE: Final = Path(__file__).parent
_CREATOR: Final = re.compile(rb"(<xmp:CreatorTool>|/Creator\()(Typst [\d.]+)(<|\))")
"""Where a document names what made it; a typesetter made none of what it says. Lengths stay as they are."""
TEMPLATES: Final = _HERE / "templates"
"""Templates of the report, and the parts that other templates share."""


def maker_for(out: Path, what: str, kinds: Mapping[str, Callable[[T], bytes]]) -> Callable[[T], bytes]:
    """Return what makes the kind of file that a name's ending asks for.

    Args:
        out: the file.
        what: what is to be made, as errors call it.
        kinds: what makes each kind, by ending.

    Raises:
        FileError: no such kind can be made.
    """
    make = kinds.get(out.suffix.lower())
    if make is None:
        reason = f"no {what} can be made as {out.suffix or 'a file without an ending'}"
        raise FileError([Problem(str(out), None, None, reason, f"end its name in {' or '.join(kinds)}")])
    return make


def page(template: Path, texts: Mapping[str, Any], css: str, *shared: Path) -> str:
    """Return a page: every text escaped, without control characters.

    Args:
        template: the page's own; it finds the parts of the report by name.
        texts: what it says.
        css: its style.
        shared: folders of other parts that it finds by name.
    """
    return _template(template, *shared).render(texts, css=css)


@cache
def _template(template: Path, *shared: Path) -> Template:
    """Return a template, read and compiled once for many pages."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415 - only pages need it

    pages = Environment(
        loader=FileSystemLoader([template.parent, *shared, TEMPLATES]),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
        finalize=lambda value: clean(value) if type(value) is str else value,
    )
    return pages.get_template(template.name)


@cache
def style(*sheets: Path) -> str:
    """Return style sheets as one, for a page to carry: no comments, no indentation."""
    told = "\n".join(sheet.read_text(encoding="utf-8") for sheet in sheets)
    return _AROUND.sub(r"\1", _COMMENT.sub("", told)).strip()


def document(template: Path, texts: Mapping[str, Any]) -> bytes:
    """Return a PDF document: tagged, and the same to the byte for the same texts.

    Args:
        template: the document's own, below the package; it reads `sys.inputs.report` and finds the shared parts.
        texts: what it says, fit to be shown.

    Raises:
        FileError: typst is not installed.
    """
    try:
        import typst  # noqa: PLC0415 - optional, and only a PDF needs it
    except ImportError as error:
        reason = "a PDF takes typst, which is not installed"
        hint = "pip install -e '.[pdf]', or write an .html file and print that"
        raise FileError([Problem("-o", None, None, reason, hint)]) from error
    made: bytes = typst.compile(
        template,
        root=_HERE.parent,
        format="pdf",
        ignore_system_fonts=True,
        sys_inputs={"report": json.dumps(texts)},
        timestamp=0,
    )
    return _CREATOR.sub(lambda found: found[1] + b"ventproof".ljust(len(found[2])) + found[3], made)
