"""Writing a wiring sheet: HTML, PDF."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from ventproof.report.model import plain
from ventproof.report.typeset import TEMPLATES, document, maker_for, page, style
from ventproof.wiring.sheet import sheet_of
from ventproof_bench.base.files import whole_file

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from ventproof.wiring.model import WiringSheet
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.load import Loaded


_OWN: Final = Path(__file__).parent / "templates"


def html_of(sheet: WiringSheet) -> str:
    """Return a wiring sheet as an HTML page, for screens and for paper of A4."""
    css = style(TEMPLATES / "report.css", _OWN / "wiring.css")
    return page(_OWN / "wiring.html.j2", plain(sheet), css)


def pdf_of(sheet: WiringSheet) -> bytes:
    """Return a wiring sheet as a PDF document on A4.

    Raises:
        FileError: typst is not installed.
    """
    return document(_OWN / "wiring.typ", plain(sheet))


_KINDS: Final[Mapping[str, Callable[[WiringSheet], bytes]]] = {
    ".html": lambda sheet: html_of(sheet).encode(),
    ".pdf": pdf_of,
}


def write_sheet(bench: Loaded[BenchFile], out: Path) -> WiringSheet:
    """Write the wiring sheet of a bench, in place of one that stands there; return it.

    The file is there as a whole or, if anything fails, as it was.

    Args:
        bench: its file, loaded and found right.
        out: the file; its ending says which kind.

    Raises:
        FileError: no such kind can be made, or the file cannot be written.
    """
    make = maker_for(out, "wiring sheet", _KINDS)
    sheet = sheet_of(bench)
    content = make(sheet)
    with whole_file(out) as file:
        file.write(content)
    return sheet
