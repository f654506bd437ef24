"""The pieces that wiring drawings are made of: terminals, tags, contacts, sources, earth (pure)."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

from ventproof.figures.drawing import Drawing, text_width, wrap

WIDTH: Final = 960.0
EDGE: Final = 8.0
BLOCK_W: Final = 104.0
"""A terminal's block: 20 mm wide on A4, to be written into by hand."""
BLOCK_H: Final = 24.0
LETTER: Final = 13.0
SMALL: Final = 11.5
_TAG_W: Final = 38.0
_LINE: Final = 16.0
INK: Final = "currentColor"


def block(drawing: Drawing, x: float, y: float, marking: str, width: float = BLOCK_W) -> None:
    """Draw a terminal around a wire's end at height y; without a marking it stays empty, to be written into."""
    top = y - BLOCK_H / 2
    kind = "terminal" if marking else "blank"
    drawing.box(x, top, x + width, top + BLOCK_H, class_=kind, fill="none", stroke=INK, stroke_width=1.5)
    if marking:
        written(drawing, x + width / 2, y, marking, width - 8)


def written(drawing: Drawing, middle: float, y: float, text: str, room: float) -> None:
    """Write a text in the middle of some room, smaller where it would not fit."""
    size = min(LETTER, LETTER * room / text_width(text, LETTER))
    drawing.text(middle, y + size * 0.35, text, text_anchor="middle", font_size=size)


def tag(drawing: Drawing, middle: float, y: float, number: str) -> None:
    """Draw the number of a wire; the wire is to be drawn beside it, not below."""
    drawing.box(
        middle - _TAG_W / 2, y - 10, middle + _TAG_W / 2, y + 10, class_="tag", fill="none", stroke=INK, rx=9
    )
    written(drawing, middle, y, number, _TAG_W - 8)


TAG_HALF: Final = _TAG_W / 2


def wire(drawing: Drawing, *corners: tuple[float, float], dashed: bool = False) -> None:
    """Draw a wire over its corners."""
    dash = {"stroke_dasharray": "6 4"} if dashed else {}
    for (x1, y1), (x2, y2) in pairwise(corners):
        drawing.line(x1, y1, x2, y2, stroke_width=1.2 if dashed else 2, **dash)


def tick(drawing: Drawing, x: float, y: float) -> None:
    """Draw a square to be ticked, its left edge at x."""
    drawing.box(x, y - 6, x + 12, y + 6, class_="tick", fill="none", stroke=INK, stroke_width=1.2)


def earth(drawing: Drawing, x: float, y: float) -> None:
    """Draw protective earth below a point."""
    drawing.line(x, y, x, y + 5, stroke_width=1.5)
    for half, down in ((9, 5), (6, 9), (3, 13)):
        drawing.line(x - half, y + down, x + half, y + down, stroke_width=1.5)


def device(drawing: Drawing, left: float, right: float, text: str) -> float:
    """Write a device's name into its box; return how far down it reaches."""
    y = EDGE + 18
    for line in wrap(text, right - left - 20, LETTER):
        drawing.text(left + 10, y, line, font_size=LETTER, font_weight="600", class_="device")
        y += _LINE
    return y


def lines_of(text: str, width: float, size: float = SMALL) -> list[str]:
    """Return a text as lines of so much room."""
    return wrap(text, width, size)


def frame(drawing: Drawing, x1: float, y1: float, x2: float, y2: float) -> None:
    """Draw a device's box."""
    drawing.box(x1, y1, x2, y2, class_="frame", fill="none", stroke=INK, stroke_width=1.2, rx=4)


def contact(
    drawing: Drawing, x: float, top: float, bottom: float, *, closed: bool, coil: bool = True
) -> None:
    """Draw an upright contact at rest between two heights, with the coil that moves it on its left.

    Args:
        drawing: where to draw.
        x: of the contact.
        top: height of the wire that it makes to.
        bottom: height of its common.
        closed: whether it is closed while nothing drives it.
        coil: whether a relay of the bench moves it.
    """
    upper, lower = top + 9, bottom - 9
    drawing.line(x, top, x, upper, stroke_width=2)
    drawing.line(x, lower, x, bottom, stroke_width=2)
    if closed:
        drawing.line(x, upper, x + 11, upper, stroke_width=2)
        drawing.line(x, lower, x + 9, upper - 4, stroke_width=2)
    else:
        drawing.line(x, lower, x - 11, upper, stroke_width=2)
    if coil:
        middle = (upper + lower) / 2
        from_x = x + 4 if closed else x - 6
        drawing.line(x - 36, middle, from_x, middle, stroke_dasharray="3 3", stroke_width=1)
        drawing.box(x - 52, middle - 8, x - 36, middle + 8, fill="none", stroke=INK, stroke_width=1.2)


def lying_contact(drawing: Drawing, left: float, right: float, y: float, *, closed: bool) -> None:
    """Draw a contact at rest in a wire that runs across, its common on the left."""
    a, b = left + 9, right - 9
    drawing.line(left, y, a, y, stroke_width=2)
    drawing.line(b, y, right, y, stroke_width=2)
    if closed:
        drawing.line(b, y, b, y - 10, stroke_width=2)
        drawing.line(a, y, b + 4, y - 8, stroke_width=2)
    else:
        drawing.line(a, y, b, y - 11, stroke_width=2)


def source(drawing: Drawing, x: float, top: float, bottom: float, letters: str) -> None:
    """Draw a source of a current or a voltage between two wires, plus at the top."""
    middle, radius = (top + bottom) / 2, 14
    drawing.line(x, top, x, middle - radius, stroke_width=2)
    drawing.line(x, middle + radius, x, bottom, stroke_width=2)
    drawing.mark("circle", cx=x, cy=middle, r=radius, fill="none", stroke=INK, stroke_width=1.8)
    written(drawing, x, middle, letters, 24)
    drawing.text(x - 17, top + 12, "+", text_anchor="middle", font_size=LETTER)
    drawing.text(x - 17, bottom - 3, "-", text_anchor="middle", font_size=LETTER)


def resistance(drawing: Drawing, x: float, top: float, bottom: float, *, wiper: bool) -> None:
    """Draw a resistance between two wires; one that a wiper sets has an arrow across."""
    middle = (top + bottom) / 2
    drawing.line(x, top, x, middle - 12, stroke_width=2)
    drawing.line(x, middle + 12, x, bottom, stroke_width=2)
    drawing.box(x - 6, middle - 12, x + 6, middle + 12, fill="none", stroke=INK, stroke_width=1.8)
    if wiper:
        drawing.line(x - 16, middle + 11, x + 16, middle - 11, stroke_width=1.2)
        drawing.line(x + 16, middle - 11, x + 8, middle - 10, stroke_width=1.2)
        drawing.line(x + 16, middle - 11, x + 12, middle - 4, stroke_width=1.2)


def fuse(drawing: Drawing, x: float, y: float) -> None:
    """Draw a fuse in a wire that runs across, its middle at x."""
    drawing.box(x - 13, y - 5, x + 13, y + 5, class_="fuse", fill="none", stroke=INK, stroke_width=1.5)
