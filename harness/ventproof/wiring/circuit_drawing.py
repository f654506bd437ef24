"""The drawing of one circuit: the bench on the left, the unit on the right, a row for each wire (pure)."""

from __future__ import annotations

from typing import Final

from ventproof.figures.drawing import Drawing
from ventproof.report.model import Figure
from ventproof.wiring import pieces
from ventproof.wiring.model import LOOSE, Circuit, Conductor
from ventproof.wiring.pieces import BLOCK_W, EDGE, LETTER, SMALL, TAG_HALF, WIDTH

_LEFT: Final = 300.0
"""Right edge of the bench's box."""
_RIGHT: Final = 660.0
"""Left edge of the unit's box."""
_ROW: Final = 40.0
_SYMBOL_X: Final = 76.0
_TAG_X: Final = 334.0
_COLOUR: Final = (500.0, 640.0)
_SERIES: Final = (384.0, 588.0)
_SERIES_BLOCK: Final = 64.0
_BRAID_X: Final = 366.0


def circuit_figure(circuit: Circuit, ident: str) -> Figure:
    """Return the drawing of a circuit.

    Args:
        circuit: its wires.
        ident: begins every id in it, so that several drawings can stand in one page.
    """
    alt = f"{circuit.name}: " + "; ".join(
        f"{one.number} from {one.begin.role} to {one.end.role}" for one in circuit.conductors
    )
    drawing = Drawing(WIDTH, ident, title=f"Wiring of {circuit.name}", description=alt)
    head = max(
        pieces.device(drawing, EDGE, _LEFT, circuit.bench),
        pieces.device(drawing, _RIGHT, WIDTH - EDGE, circuit.unit),
    )
    top = head + 28 + (34 if circuit.series else 0)
    rows = [top + at * _ROW for at in range(len(circuit.conductors) - bool(circuit.series))]
    _captions(drawing, head)
    parts = list(circuit.conductors)
    if circuit.series:
        _broken_row(drawing, circuit, rows[0])
        parts = parts[2:]
    for part, y in zip(parts, rows[1:] if circuit.series else rows, strict=True):
        _row(drawing, part, y)
    _symbol(drawing, circuit, rows)
    bottom = _shield(drawing, circuit.shield, rows)
    pieces.frame(drawing, EDGE, EDGE, _LEFT, bottom)
    pieces.frame(drawing, _RIGHT, EDGE, WIDTH - EDGE, bottom)
    return Figure(drawing.render(bottom + EDGE), alt)


def _captions(drawing: Drawing, y: float) -> None:
    for x, text in (
        (_LEFT - BLOCK_W / 2, "terminal"),
        (_TAG_X, "wire"),
        (sum(_COLOUR) / 2, "colour"),
        (_RIGHT + BLOCK_W / 2, "terminal"),
    ):
        drawing.text(x, y + 4, text, text_anchor="middle", font_size=10.5, class_="caption")


def _ends(drawing: Drawing, begin: Conductor, end: Conductor, y: float) -> None:
    """Draw the terminals at both ends of a row, with what they are."""
    left = _LEFT - BLOCK_W
    pieces.block(drawing, left, y, begin.begin.marking)
    above, away = (0, 22) if begin.begin.role in LOOSE else (9, 6)
    drawing.text(
        left - away, y + 4 - above, begin.begin.role, text_anchor="end", font_size=SMALL, class_="role"
    )
    pieces.block(drawing, _RIGHT, y, end.end.marking)
    drawing.text(_RIGHT + BLOCK_W + 8, y + 4, end.end.role, font_size=LETTER, class_="role")


def _row(drawing: Drawing, part: Conductor, y: float) -> None:
    _ends(drawing, part, part, y)
    pieces.wire(drawing, (_LEFT, y), (_TAG_X - TAG_HALF, y))
    pieces.tag(drawing, _TAG_X, y, part.number)
    pieces.wire(drawing, (_TAG_X + TAG_HALF, y), (_COLOUR[0], y))
    pieces.block(drawing, _COLOUR[0], y, part.colour, _COLOUR[1] - _COLOUR[0])
    pieces.wire(drawing, (_COLOUR[1], y), (_RIGHT, y))


def _broken_row(drawing: Drawing, circuit: Circuit, y: float) -> None:
    """Draw the wire with a contact in it."""
    first, second = circuit.conductors[:2]
    left, right = _SERIES
    _ends(drawing, first, second, y)
    pieces.wire(drawing, (_LEFT, y), (_TAG_X - TAG_HALF, y))
    pieces.tag(drawing, _TAG_X, y, first.number)
    pieces.wire(drawing, (_TAG_X + TAG_HALF, y), (left, y))
    pieces.block(drawing, left, y, first.end.marking, _SERIES_BLOCK)
    pieces.lying_contact(
        drawing, left + _SERIES_BLOCK, right - _SERIES_BLOCK, y, closed=second.begin.role == "NC"
    )
    pieces.block(drawing, right - _SERIES_BLOCK, y, second.begin.marking, _SERIES_BLOCK)
    for x, role in ((left, first.end.role), (right - _SERIES_BLOCK, second.begin.role)):
        drawing.text(
            x + _SERIES_BLOCK / 2, y - 16, role, text_anchor="middle", font_size=SMALL, class_="role"
        )
    pieces.written(drawing, sum(_SERIES) / 2, y - 33, f"{circuit.series}: {second.begin.device}", 250)
    pieces.wire(drawing, (right, y), (624 - TAG_HALF, y))
    pieces.tag(drawing, 624, y, second.number)
    pieces.wire(drawing, (624 + TAG_HALF, y), (_RIGHT, y))


def _symbol(drawing: Drawing, circuit: Circuit, rows: list[float]) -> None:
    """Draw what the bench has between the wires."""
    edge, x = _LEFT - BLOCK_W, _SYMBOL_X
    roles = [one.begin.role for one in circuit.conductors[bool(circuit.series) :]]
    senses = [y for role, y in zip(roles, rows, strict=True) if role.endswith("sense")]
    main = [y for role, y in zip(roles, rows, strict=True) if not role.endswith("sense")][:2]
    top, bottom = main
    if circuit.symbol == "sensor":
        _sensor(drawing, rows)
        return
    for y in main:
        pieces.wire(drawing, (edge, y), (x, y))
    for y in senses:
        pieces.wire(drawing, (edge, y), (edge - 90, y), (edge - 90, max(at for at in main if at < y)))
    for y in rows[len(main) + len(senses) :]:
        pieces.wire(drawing, (edge, y), (edge - 8, y))
        drawing.mark("circle", cx=edge - 12, cy=y, r=4, fill="none", stroke=pieces.INK)
    if circuit.symbol in ("normally open", "normally closed"):
        pieces.contact(drawing, x, top, bottom, closed=circuit.symbol == "normally closed")
    elif circuit.symbol in ("resistance", "potentiometer"):
        pieces.resistance(drawing, x, top, bottom, wiper=circuit.symbol == "potentiometer")
    elif circuit.symbol == "input":
        drawing.box(x - 22, top - 6, x, bottom + 6, fill="none", stroke=pieces.INK, stroke_width=1.5)
        pieces.written(drawing, x - 11, (top + bottom) / 2, "IN", 18)
        if circuit.conductors[0].end.role == "contact":
            at, far = WIDTH - 60, _RIGHT + BLOCK_W + 84
            pieces.wire(drawing, (far, top), (at, top))
            pieces.wire(drawing, (far, bottom), (at, bottom))
            pieces.contact(drawing, at, top, bottom, closed=False, coil=False)
    else:
        pieces.source(
            drawing, x, top, bottom, "mA" if circuit.conductors[0].begin.role == "output +" else "V"
        )
        if circuit.symbol == "supply":
            pieces.fuse(drawing, x + 40, top)


def _sensor(drawing: Drawing, rows: list[float]) -> None:
    """Draw a real sensor: a contact that water makes, and what its supply feeds."""
    edge, x = _LEFT - BLOCK_W, _SYMBOL_X
    for y in rows:
        pieces.wire(drawing, (edge, y), (x, y))
    pieces.contact(drawing, x, *rows[:2], closed=False, coil=False)
    pieces.resistance(drawing, x, *rows[2:], wiper=False)


def _shield(drawing: Drawing, shield: str, rows: list[float]) -> float:
    """Draw the shield below the wires, connected at one end; return where the boxes end."""
    y = rows[-1] + 36
    if shield == "none":
        drawing.text(480, y, "no shield", text_anchor="middle", font_size=SMALL, class_="shield")
        return y + 14
    middle = (rows[0] + rows[-1]) / 2
    drawing.mark(
        "ellipse",
        cx=_BRAID_X,
        cy=middle,
        rx=7,
        ry=(rows[-1] - rows[0]) / 2 + 14,
        fill="none",
        stroke=pieces.INK,
        stroke_width=1.2,
        stroke_dasharray="4 3",
    )
    ends = {"bench": (_LEFT - 14, y), "unit": (_RIGHT + 14, y)}
    pieces.wire(drawing, (_BRAID_X, rows[-1] + 14), (_BRAID_X, y), dashed=True)
    pieces.wire(drawing, (_LEFT + 8, y), (_RIGHT - 8, y), dashed=True)
    drawing.text(
        (_BRAID_X + _RIGHT) / 2,
        y - 6,
        "shield, at one end only",
        text_anchor="middle",
        font_size=SMALL,
        class_="shield",
    )
    for end, (x, _) in ends.items():
        left = end == "bench"
        anchor, beside = ("end", x - 22) if left else ("start", x + 22)
        if end == shield:
            pieces.wire(drawing, (_LEFT + 8, y) if left else (_RIGHT - 8, y), (x, y))
            pieces.earth(drawing, x, y)
            text = "shield to earth here"
        elif shield:
            text = "shield not connected, insulated"
        else:
            pieces.tick(drawing, x - 6, y)
            text = "shield to earth here, or" if left else "here"
        drawing.text(beside, y + 4, text, text_anchor=anchor, font_size=SMALL, class_="shield")
    return y + 24
