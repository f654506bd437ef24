"""Why no drafted profile proves a line of an override table (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from harness.prove.scenes import LONGEST_WAIT_S
from harness.prove.strokes import number

if TYPE_CHECKING:
    from bench.overridetable.model import OverrideTable
    from harness.prove.margins import Margins

_OF_A_FAILURE: Final = frozenset({"open", "short", "stuck", "failed", "mends_after"})
_SAID: Final = {
    "averaged_over": "this bench cannot tell a mean over so short a time from none",
    "debounce": "this bench cannot open a contact for so short a time, or the entry delay is too short to show it",
    "bus_silent": "such a silence cannot be played, or the override is released before anything can be read of it",
}


def why_undrafted(line: str, table: OverrideTable, margins: Margins) -> str:
    """Return why a line has no drafted profile; empty where nothing is to be said.

    Args:
        line: as `harness.prove.trace` names it.
        table: the table.
        margins: what the bench needs.
    """
    head, _, what = line.rpartition(".")
    sensor = table.sensors.get(head.rpartition(".")[2])
    slow = sensor is not None and sensor.fails_after > LONGEST_WAIT_S
    if slow and what == "fails_after":
        return "a time of hours is shown from above only: that it is not shorter is left to a person"
    if slow and what in _OF_A_FAILURE:
        return "it takes hours of real time, which is left to a person"
    if line == "supply.rides_through" and table.supply is not None:
        fastest_s = margins.fastest_edge_s(table.supply.contact)
        asked, shortest = (number(1000 * span_s) for span_s in (table.supply.rides_through, fastest_s))
        return (
            f"an interruption of {asked} ms must be played to less than a millisecond, and the shortest that this bench"
            f" can play is {shortest} ms"
        )
    return _SAID.get(what, "")
