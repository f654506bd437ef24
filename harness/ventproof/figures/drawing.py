"""SVG, axes, outlines (pure)."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple, final
from xml.etree import ElementTree

from ventproof.envelope.spans import INF
from ventproof.verdict.text import value_text

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
        log: digest of the log that it was made from, where it was made from one.
    """

    def __init__(self, width: float, ident: str, *, title: str, description: str, log: str = "") -> None:
        self.width = width
        self.ident = ident
        self.root = ElementTree.Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                **({"data-ventproof-log": log} if log else {}),
                "role": "img",
                "aria-labelledby": f"{ident}-title {ident}-desc",
                "font-family": FONT,
                "font-size": "13",
                "fill": "currentColor",
            },
        )
        self.mark("title", None, title, id=f"{ident}-title")
        self.mark("desc", None, description, id=f"{ident}-desc")
        self._hatches: set[str] = set()

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

    def lines(self, d: Sequence[str], parent: Element | None = None, /, **attributes: str | float) -> None:
        """Draw straight lines as one path; nothing where there are none."""
        if d:
            self.mark("path", parent, d="".join(d), stroke="currentColor", **attributes)

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
        if name not in self._hatches:
            self._hatches.add(name)
            angle, stroke = _HATCHINGS[name]
            defs = self.mark("defs")
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
        return f"url(#{self.ident}-{name})"

    def render(self, height: float) -> str:
        """Return the document as text."""
        self.root.set("viewBox", f"0 0 {value_text(self.width)} {value_text(height)}")
        self.root.set("width", value_text(self.width))
        self.root.set("height", value_text(height))
        return ElementTree.tostring(self.root, encoding="unicode") + "\n"


_HATCHINGS: Final = {"gap": ("45", "currentColor"), "either": ("-45", BLUE)}
_STEPS: Final = (1.0, 2.0, 5.0, 10.0)


_MOST_TIME_TICKS: Final = 9


@final
class _TimeUnit(NamedTuple):
    """A unit of a time axis: how long it is, and its steps between ticks; steps of ten serve up to `decimal_to`."""

    name: str
    size_s: float
    decimal_to: float
    steps: tuple[float, ...] = ()


_TIME_UNITS: Final = (
    _TimeUnit("d", 86400.0, INF),
    _TimeUnit("h", 3600.0, 0.0, (0.5, 1.0, 2.0, 3.0, 6.0)),
    _TimeUnit("s", 1.0, 20.0, (30.0, 60.0, 120.0, 300.0, 600.0, 1200.0)),
)


@final
@dataclass(frozen=True, slots=True)
class AxisScale:
    """Maps low to start_px and high to end_px; high is above low."""

    low: float
    high: float
    start_px: float
    end_px: float

    def __call__(self, value: float) -> float:
        """Return the pixel of a value."""
        share = (value - self.low) / (self.high - self.low)
        return self.start_px + share * (self.end_px - self.start_px)

    @property
    def per_px(self) -> float:
        """How much of the value one pixel is."""
        return (self.high - self.low) / abs(self.end_px - self.start_px)

    def ticks(self, most: int) -> list[tuple[float, str]]:
        """Return round values in range, `most` at most, each with its text."""
        step = _step((self.high - self.low) / most)
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        return [(value, f"{value:.{digits}f}") for value in self._multiples(step)]

    def time_ticks(self) -> tuple[str, list[tuple[float, str]]]:
        """Return a unit for values in seconds, and round ones in range, each with its text in that unit."""
        span_s = self.high - self.low
        unit = next((unit for unit in _TIME_UNITS if span_s >= 2 * unit.size_s), _TIME_UNITS[-1])
        least = span_s / unit.size_s / _MOST_TIME_TICKS
        step = _step(least) if least <= unit.decimal_to else next(s for s in unit.steps if s >= least)
        values = self._multiples(step * unit.size_s)
        return unit.name, [(value, f"{value / unit.size_s:.10g}") for value in values]

    def _multiples(self, step: float) -> list[float]:
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [n * step for n in range(first, last + 1)]


def _step(least: float) -> float:
    power = 10.0 ** math.floor(math.log10(least))
    return next(power * s for s in _STEPS if power * s >= least * (1 - 1e-9))


def corners_text(corners: Iterable[tuple[float, float]]) -> str:
    """Return places as SVG writes them, to a tenth of a pixel."""
    return " ".join(f"{value_text(x, 1)},{value_text(y, 1)}" for x, y in corners)


def padded(low: float, high: float, share: float = 0.06) -> tuple[float, float]:
    """Return a range with some room on either side; never an empty one."""
    room = (high - low) * share or max(1.0, abs(low) * share)
    return low - room, high + room


def spread(wanted: list[float], apart: float, top: float, bottom: float) -> list[float]:
    """Return places as near as can be to the wanted ones, at least `apart`, between top and bottom, in their order."""
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = list(wanted)
    least = top
    for i in order:
        placed[i] = least = max(wanted[i], least)
        least += apart
    most = bottom
    for i in reversed(order):
        placed[i] = most = min(placed[i], most)
        most -= apart
    return placed


OFF_PX: Final = 0.7
"""How far a dropped corner may stand off the line that is drawn instead of it; less than anybody sees.

Whoever draws bounds moves them outward by as much, so that they still hold what they held.
"""


def outline(corners: Sequence[tuple[float, float]], off_px: float = OFF_PX) -> list[tuple[float, float]]:
    """Return the corners that a line needs which passes every one of them within `off_px`, measured upright.

    From the last corner kept, a line may go on as long as some slope passes all corners since; the last of these is
    kept next. Ends and jumps are kept. Takes time in proportion to the corners.

    Args:
        corners: from left to right; two of the same x make a jump.
        off_px: how far off is allowed.
    """
    if not corners:
        return []
    kept = [corners[0]]
    x0, y0 = corners[0]
    last = corners[0]
    least, most = -INF, INF
    for corner in corners[1:]:
        x, y = corner
        along = x - x0
        if along > 0:
            slope, room = (y - y0) / along, off_px / along
            if least <= slope <= most:
                least, most, last = max(least, slope - room), min(most, slope + room), corner
                continue
        if last is not kept[-1]:
            kept.append(last)
        x0, y0 = last
        along = x - x0
        if along > 0:
            slope, room = (y - y0) / along, off_px / along
            least, most = slope - room, slope + room
        else:
            kept.append(corner)
            x0, y0 = corner
            least, most = -INF, INF
        last = corner
    if last is not kept[-1]:
        kept.append(last)
    return kept


def columns(corners: Sequence[tuple[float, float]], *, up: bool) -> list[tuple[float, float]]:
    """Return a line that is nowhere inside of another one and has at most one corner a column of pixels.

    Each whole pixel gets the outermost place of the columns on both sides of it, so that the straight line between two
    of them holds what lies between.

    Args:
        corners: of the other line, from left to right; two of the same x make a jump.
        up: outward is upward, where y is less.
    """
    if len(corners) <= corners[-1][0] - corners[0][0]:
        return list(corners)
    outer = min if up else max
    first = math.floor(corners[0][0])
    places = [math.nan] * (math.ceil(corners[-1][0]) - first + 1)

    def widen(x: float, y: float) -> None:
        for at in range(max(0, math.ceil(x) - 1 - first), min(len(places), math.floor(x) + 2 - first)):
            places[at] = y if math.isnan(places[at]) else outer(places[at], y)

    for (x0, y0), (x1, y1) in pairwise(corners):
        widen(x0, y0)
        for x in range(math.ceil(x0), math.ceil(x1)):
            widen(x, y0 + (y1 - y0) * (x - x0) / (x1 - x0))
        widen(x1, y1)
    return [(float(first + at), y) for at, y in enumerate(places)]
