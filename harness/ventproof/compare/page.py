"""A comparison as one HTML file that needs nothing beside it."""

from __future__ import annotations

from dataclasses import asdict
from importlib.metadata import version
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from ventproof.compare.comparison import closing, counted, response, sentence, side_line
from ventproof.report import write as report_page
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import whole_file
from ventproof_bench.base.text import clean

if TYPE_CHECKING:
    from ventproof.compare.comparison import Comparison
    from ventproof.compare.measures import Compared


_TEMPLATES: Final = Path(__file__).parent / "templates"
_STANDING: Final = {"worse": "fail", "open": "inconclusive", "same": "pass"}
_EDGE: Final = 95.0
"""Where a bar that would leave the picture ends; the limit is drawn at a third of the half width."""


def write_page(found: Comparison, out: Path) -> None:
    """Write a comparison as a page, in place of one that stands there.

    Raises:
        FileError: the name does not end in .html, or the file cannot be written.
    """
    check_page_name(out)
    with whole_file(out) as file:
        file.write(html_of(found).encode())


def check_page_name(out: Path) -> None:
    """Refuse a name that asks for anything but a page.

    Raises:
        FileError: it does not end in .html.
    """
    if out.suffix.lower() != ".html":
        reason = f"no comparison can be written as {out.suffix or 'a file without an ending'}"
        raise FileError([Problem(str(out), None, None, reason, "end its name in .html")])


def html_of(found: Comparison) -> str:
    """Return a comparison as an HTML page: no script, nothing loaded, for light and dark screens and for paper."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415 - slow, and only pages need it

    pages = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
        finalize=lambda value: clean(value) if isinstance(value, str) and type(value) is str else value,
    )
    shared = Path(report_page.__file__).parent / "templates" / "report.css"
    css = "\n".join(path.read_text(encoding="utf-8") for path in (shared, _TEMPLATES / "compare.css"))
    firmware = [", ".join(side.told("firmware")) for side in (found.base, found.candidate)]
    profiles = [
        (profile, [_row(one, found.confidence) for one in group])
        for profile, group in groupby(found.shifts, key=lambda one: one.key.profile)
    ]
    return pages.get_template("compare.html.j2").render(
        css=css,
        title=f"{firmware[1]} against {firmware[0]}",
        outcome=found.outcome,
        standing=_STANDING[found.outcome],
        closing=closing(found),
        alarms=found.alarms,
        sides=[side_line("Base", found.base), side_line("Candidate", found.candidate)],
        counted=counted(found),
        flips=[
            {**asdict(flip), "response": flip.response}
            for flip in sorted(found.flips, key=lambda flip: flip.not_run)
        ],
        lone=[
            {**asdict(one), "response": one.response}
            for one in sorted(found.lone, key=lambda one: not one.open)
        ],
        profiles=profiles,
        version=version("ventproof"),
    )


def _row(compared: Compared, confidence: float) -> dict[str, Any]:
    said = compared.shift
    scale = 100 / 3 / said.limit if said.limit else float("inf")
    low, middle, high = (
        value * scale if value else 0.0 for value in (said.interval.low, said.estimate, said.interval.high)
    )
    return {
        "meaning": compared.meaning,
        "response": response(compared),
        "said": sentence(compared, confidence),
        "low": round(max(-_EDGE, min(_EDGE, low)), 1),
        "high": round(max(-_EDGE, min(_EDGE, high)), 1),
        "middle": round(middle, 1) if abs(middle) <= _EDGE else None,
        "off_left": low < -_EDGE,
        "off_right": high > _EDGE,
        "runs": f"{said.runs[0]} | {said.runs[1]}",
        "effect": f"{said.effect:+.2f}",
        "p": "–" if compared.adjusted is None else f"{compared.adjusted:.2g}",
    }
