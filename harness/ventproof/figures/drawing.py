"""A drawing as SVG text: every text escaped, ids of its own, and the same bytes for the same input (pure)."""

from __future__ import annotations

import re
from typing import Final, final
from xml.etree import ElementTree

from harness.judge.numbers import value_text

Element = ElementTree.Element

# Three hues of the Okabe and Ito set, which people with colour-blindness tell apart. Each stands out from white and
# from near-black, so a figure needs to know nothing of the page around it.
BLUE: Final = "#0072B2"
GREEN: Final = "#009E73"
RED: Final = "#D55E00"

FONT: Final = "system-ui, 'DejaVu Sans', sans-serif"

_GLYPH: Final = 0.6
"""Width of a character on average, in font sizes; on the wide side, so that texts keep clear of each other."""

_ILLEGAL: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 allows nowhere, not even escaped."""


def text_width(text: str, size: float) -> float:
    """Return about how wide a text is, px; rather too much than too little."""
    return len(text) * size * _GLYPH


def wrap(text: str, width: float, size: float) -> list[str]:
    """Break a text into lines that are `width` px wide at most; a word too long for a line is cut."""
    most = max(8, int(width / (size * _GLYPH)))
    lines: list[str] = []
    line = ""
    for word in text.split():
        rest = word
        while rest:
            joined = f"{line} {rest}" if line else rest
            if len(joined) <= most:
                line, rest = joined, ""
            elif line:
                lines.append(line)
                line = ""
            else:
                lines.append(rest[:most])
                rest = rest[most:]
    return [*lines, line] if line else lines


@final
class Drawing:
    """An SVG document under construction; its height is known when it is rendered.

    Args:
        width: px.
        ident: begins every id, so that several figures can stand in one page.
        title: what a screen reader says first.
        description: what it says next.
        log: digest of the log that it was made from.
    """

    def __init__(self, width: float, ident: str, *, title: str, description: str, log: str) -> None:
        self.width = width
        self.ident = ident
        self.root = ElementTree.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "data-ventproof-log": log,
                "role": "img",
                "aria-labelledby": f"{ident}-title {ident}-desc",
                "font-family": FONT,
                "font-size": "13",
                "fill": "currentColor",
            },
        )
        self.mark("title", None, title, id=f"{ident}-title")
        self.mark("desc", None, description, id=f"{ident}-desc")
        self._hatches()

    def mark(
        self,
        tag: str,
        parent: Element | None = None,
        content: str | None = None,
        /,
        **attributes: str | float,
    ) -> Element:
        """Add an element; underscores in attribute names stand for hyphens, a trailing one is dropped."""
        named = {
            name.rstrip("_").replace("_", "-"): value if isinstance(value, str) else value_text(value)
            for name, value in attributes.items()
        }
        named = {name: _ILLEGAL.sub("\ufffd", value) for name, value in named.items()}
        element = ElementTree.SubElement(self.root if parent is None else parent, tag, named)
        if content is not None:
            element.text = _ILLEGAL.sub("\ufffd", content)
        return element

    def text(
        self, x: float, y: float, content: str, parent: Element | None = None, /, **attributes: str | float
    ) -> None:
        """Write a text with its base line at y."""
        self.mark("text", parent, content, x=x, y=y, **attributes)

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        parent: Element | None = None,
        /,
        **attributes: str | float,
    ) -> None:
        """Draw a straight line."""
        attributes.setdefault("stroke", "currentColor")
        self.mark("line", parent, x1=x1, y1=y1, x2=x2, y2=y2, **attributes)

    def box(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        parent: Element | None = None,
        /,
        **attributes: str | float,
    ) -> None:
        """Draw a rectangle between two corners."""
        left, top = min(x1, x2), min(y1, y2)
        self.mark("rect", parent, x=left, y=top, width=abs(x2 - x1), height=abs(y2 - y1), **attributes)

    def hatch(self, name: str) -> str:
        """Return the paint of a hatching: `gap` or `either`."""
        return f"url(#{self.ident}-{name})"

    def render(self, height: float) -> str:
        """Return the document as text."""
        self.root.set("viewBox", f"0 0 {value_text(self.width)} {value_text(height)}")
        self.root.set("width", value_text(self.width))
        self.root.set("height", value_text(height))
        ElementTree.indent(self.root, " ")
        return ElementTree.tostring(self.root, encoding="unicode") + "\n"

    def _hatches(self) -> None:
        defs = self.mark("defs")
        for name, angle, stroke in (("gap", "45", "currentColor"), ("either", "-45", BLUE)):
            pattern = self.mark(
                "pattern",
                defs,
                id=f"{self.ident}-{name}",
                width=7,
                height=7,
                patternUnits="userSpaceOnUse",
                patternTransform=f"rotate({angle})",
            )
            self.line(0, 0, 0, 7, pattern, stroke=stroke, stroke_width=2, stroke_opacity="0.6")
