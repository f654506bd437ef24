"""The drawing of a serial line: wires down the left, the adapter and the devices beside them in order (pure)."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

from ventproof.figures.drawing import Drawing
from ventproof.report.model import Figure
from ventproof.wiring import pieces
from ventproof.wiring.pieces import BLOCK_W, EDGE, LETTER, SMALL, WIDTH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof.wiring.model import ComputerCable, SerialLine, Station


_RAILS: Final = (36.0, 82.0, 128.0, 174.0)
"""A, B, common, shield."""
_BOX: Final = 230.0
_SIDE: Final = 560.0
"""Where the words on what hangs on a device begin."""
_ROW: Final = 30.0
_HOP: Final = 44.0
_ROLES: Final = ("A", "B", "common", "shield")
_END: Final = "terminate here: A to B"
_ONCE: Final = ("bias A and B here only", "common to protective earth here only")


def line_figure(line: SerialLine, ident: str) -> Figure:
    """Return the drawing of a serial line.

    Args:
        line: its devices and wires.
        ident: begins every id in it, so that several drawings can stand in one page.
    """
    alt = f"Bus {line.name}: " + ", then ".join(station.name for station in line.stations)
    drawing = Drawing(WIDTH, ident, title=f"Serial line of bus {line.name}", description=alt)
    y = EDGE + 26
    _terminated(drawing, y - 12)
    taps: list[tuple[float, ...]] = []
    for at, station in enumerate(line.stations):
        rows, bottom = _station(drawing, line, at, station, y)
        taps.append(rows)
        y = bottom + _HOP
    end = y - _HOP + 24
    _rails(drawing, line, taps, end)
    _terminated(drawing, end)
    return Figure(drawing.render(end + 18 + EDGE), alt)


def _terminated(drawing: Drawing, y: float) -> None:
    """Draw the resistance between A and B that ends a line, to be ticked."""
    a, b = _RAILS[:2]
    middle = (a + b) / 2
    pieces.wire(drawing, (a, y), (middle - 13, y))
    pieces.fuse(drawing, middle, y)
    pieces.wire(drawing, (middle + 13, y), (b, y))
    pieces.tick(drawing, _RAILS[3] + 12, y)
    drawing.text(_RAILS[3] + 30, y + 4, _END, font_size=SMALL, class_="end")


def _station(
    drawing: Drawing, line: SerialLine, at: int, station: Station, top: float
) -> tuple[tuple[float, ...], float]:
    """Draw a device with its terminals; return the heights of these and the lower edge of its box."""
    y = top + 18
    for text in pieces.lines_of(station.name, WIDTH - EDGE - _BOX - 20, LETTER):
        drawing.text(_BOX + 10, y, text, font_size=LETTER, font_weight="600", class_="device")
        y += 17
    rows = tuple(y + 8 + row * _ROW for row in range(4))
    markings = _markings(line, at)
    for role, rail, marking, row in zip(_ROLES, _RAILS, markings, rows, strict=True):
        shield = role == "shield"
        pieces.wire(drawing, (rail, row), (_BOX, row), dashed=shield)
        drawing.mark("circle", cx=rail, cy=row, r=3.5, class_="joint", fill=pieces.INK)
        if shield:
            _shield_end(drawing, line.shield, row, first=at == 0)
        else:
            pieces.block(drawing, _BOX, row, marking)
            drawing.text(_BOX + BLOCK_W + 8, row + 4, role, font_size=LETTER, class_="role")
    side = rows[0]
    for text in (*station.holds, *(_ONCE if at == 0 else ())):
        boxed = text in _ONCE
        if boxed:
            pieces.tick(drawing, _SIDE, side)
        for part in pieces.lines_of(text, WIDTH - EDGE - _SIDE - 30):
            drawing.text(_SIDE + (18 if boxed else 0), side + 4, part, font_size=SMALL, class_="holds")
            side += 16
        side += 4
    bottom = max(rows[-1] + 20, side)
    pieces.frame(drawing, _BOX, top, WIDTH - EDGE, bottom)
    return rows, bottom


def _shield_end(drawing: Drawing, shield: str, y: float, *, first: bool) -> None:
    """Draw what becomes of the shield at a device: it passes, and goes to earth at one place only."""
    here = shield == "bench" and first
    text = "shield: to earth here only" if here else "shield: passed on, not to earth"
    if not shield:
        pieces.tick(drawing, _BOX + 10, y)
        text = "shield: to earth here, or elsewhere, once"
    elif here:
        pieces.earth(drawing, _BOX + 16, y)
        pieces.wire(drawing, (_BOX, y), (_BOX + 16, y))
    drawing.text(_BOX + 34, y + 4, text, font_size=SMALL, class_="shield")


def _markings(line: SerialLine, at: int) -> tuple[str, ...]:
    """Return what stands on the terminals A, B and common of a station."""
    if not line.hops:
        return ("", "", "", "")
    ends = [one.end if at else one.begin for one in line.hops[max(at - 1, 0)]]
    return (*(end.marking for end in ends), "")


def _rails(drawing: Drawing, line: SerialLine, taps: list[tuple[float, ...]], end: float) -> None:
    """Draw the wires from device to device, each with its number in between."""
    top = EDGE + 14.0
    for rail, x in enumerate(_RAILS):
        shield = rail == len(_RAILS) - 1
        begin = taps[0][rail] if rail > 1 else top
        for hop, (before, after) in enumerate(pairwise(taps)):
            middle = _between(before, after)
            if shield:
                pieces.wire(drawing, (x, begin), (x, after[rail]), dashed=True)
            else:
                pieces.wire(drawing, (x, begin), (x, middle - 10))
                pieces.tag(drawing, x, middle, line.hops[hop][rail].number)
                pieces.wire(drawing, (x, middle + 10), (x, after[rail]))
            begin = after[rail]
        if rail <= 1:
            pieces.wire(drawing, (x, begin), (x, end))


def _between(before: tuple[float, ...], after: tuple[float, ...]) -> float:
    """Return the height between two devices at which no other wire crosses."""
    return (before[-1] + after[0]) / 2


_COMPUTER: Final = 190.0
_FAR: Final = 430.0


def links_figure(links: Sequence[ComputerCable], ident: str) -> Figure:
    """Return the drawing of the cables from the computer, one below the other.

    Args:
        links: the cables.
        ident: begins every id in it, so that several drawings can stand in one page.
    """
    alt = "; ".join(f"{link.cable.number} from the computer to {link.far}" for link in links)
    drawing = Drawing(WIDTH, ident, title="Cables from the computer", description=alt)
    y = pieces.EDGE
    for link in links:
        texts = [
            *((line, "600") for line in pieces.lines_of(link.far, WIDTH - EDGE - _FAR - 20, LETTER)),
            *((line, "400") for line in pieces.lines_of(", ".join(link.carries), WIDTH - EDGE - _FAR - 20)),
        ]
        bottom = y + 12 + 17 * len(texts)
        for at, (text, weight) in enumerate(texts):
            size = LETTER if weight == "600" else SMALL
            drawing.text(
                _FAR + 10, y + 18 + 17 * at, text, font_size=size, font_weight=weight, class_="device"
            )
        pieces.frame(drawing, _FAR, y, WIDTH - EDGE, bottom)
        middle = (y + bottom) / 2
        pieces.wire(drawing, (_COMPUTER, middle), (_COMPUTER + 14, middle))
        pieces.tag(drawing, _COMPUTER + 14 + pieces.TAG_HALF, middle, link.cable.number)
        pieces.wire(drawing, (_COMPUTER + 14 + 2 * pieces.TAG_HALF, middle), (_FAR, middle))
        drawing.text(
            (_COMPUTER + 52 + _FAR) / 2,
            middle - 6,
            link.kind,
            text_anchor="middle",
            font_size=SMALL,
            class_="role",
        )
        y = bottom + 12
    pieces.frame(drawing, EDGE, EDGE, _COMPUTER, y - 12)
    drawing.text(EDGE + 10, EDGE + 18, "this computer", font_size=LETTER, font_weight="600", class_="device")
    return Figure(drawing.render(y - 12 + EDGE), alt)
