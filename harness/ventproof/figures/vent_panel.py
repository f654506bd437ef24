"""The panel of one vent: where it stood beside what was told of it, its drive below, and what was decided (pure)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

from ventproof.figures.brackets import draw_brackets
from ventproof.figures.drawing import BLUE, AxisScale, Drawing, padded
from ventproof.figures.panel import Panel
from ventproof.figures.rows import value_row
from ventproof_bench.benchfile.vents import FULL_PERCENT

if TYPE_CHECKING:
    from ventproof.figures.decided_run import DecidedRun
    from ventproof.figures.vents_seen import VentSeen

_PLOT_PX: Final = 210.0
_SWITCH_PX: Final = 5.0
_BESIDE_PX: Final = 7.0
"""How far outward of its end a switch is drawn."""
_Stroke = Mapping[str, str | float]
_TOLD: Final[_Stroke] = {"stroke_dasharray": "7 3", "stroke_width": 1.4}
_FED_BACK: Final[_Stroke] = {"stroke_dasharray": "2 2", "stroke_width": 1.4}
_COMMAND: Final[_Stroke] = {"stroke_dasharray": "12 3 2 3", "stroke_width": 1.2}


class Drawn(NamedTuple):
    """A panel as it was drawn: where it and the rows of its drive end, and the next free y."""

    panel: Panel
    bottom: float
    y: float


def draw_vent(drawing: Drawing, x: AxisScale, run: DecidedRun, seen: VentSeen, y: float) -> Drawn:
    """Draw a vent over the whole run."""
    lines = [("command", seen.command, _COMMAND), ("fed back", seen.fed_back, _FED_BACK)]
    lines += [("unit", told, _TOLD) for told in seen.told.items()]
    shown = [(kind, *line, stroke) for kind, line, stroke in lines if line is not None and line[1]]
    values = [value for _, _, points, _ in shown for _, value in points]
    scale = padded(min([0.0, *values]), max([FULL_PERCENT, *values]), 0.12)
    panel = Panel(drawing, x, AxisScale(*scale, y + _PLOT_PX, y), 0.0)
    panel.frame(None, f"vent {seen.name}, %")
    labels: list[tuple[float, str, str]] = []
    for name, course in seen.positions.items():
        for gap in course.gaps:
            panel.hatched(gap.from_s, gap.to_s, "gap")
        whole = course.between(0.0, run.end_s)
        panel.course(whole, discrete=False, dots=False)
        panel.line(seen.read[name], class_="played", stroke=BLUE, stroke_width=2)
        if (last := whole.last()) is not None:
            labels.append((panel.y(last), f"{'played' if seen.played else 'reckoned'}: {name}", BLUE))
    for kind, name, points, stroke in shown:
        panel.line(points, class_=kind.replace(" ", "-"), **stroke)
        labels.append((panel.y(points[-1][1]), f"{kind}: {name}", "currentColor"))
    for switch in seen.switches:
        outward = _BESIDE_PX if switch.end == "closed" else -_BESIDE_PX
        at = panel.y(switch.at_percent) + outward
        for from_s, to_s in switch.spans:
            panel.bar(from_s, to_s, at, thick_px=_SWITCH_PX, name=f"switch-{switch.end}")
        labels.append((at, f"{switch.end} end: {switch.name}", "currentColor"))
    panel.labels(labels)
    y = panel.bottom + 6
    for name, course in seen.contacts.items():
        y = value_row(drawing, panel, name, course.between(0.0, run.end_s), y)
    return Drawn(panel, y, draw_brackets(drawing, panel, run, seen.results, y + 2, named=True) + 12)
