"""An I/O module whose drive contacts follow a course, a bench that plays a vent on it, and the vent as it should be."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, final

from ventproof_bench.base.evidence import Poll
from ventproof_bench.base.protocols import Peer, Table
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.mock.registers import span
from ventproof_bench.outputs.vents import PLAYED
from ventproof_bench.plant.vent import Vent, VentTravel

TRAVEL = VentTravel(open_s=28.0, close_s=28.0, dead_time_s=0.4, coast_s=0.2)
RATE = 100.0 / 28.0

Course = Sequence[tuple[float, bool, bool]]
"""When the contacts change, after the begin, and whether the one that opens and the one that closes are on then."""


@final
class DrivenModule:
    """Discrete inputs 0 and 1 are the drive contacts; coils 0 and 1 and holding register 0 take the feedback.

    Attributes:
        begins_s: loop time at which the course begins.
        written: what was written, with its instant: table, address and word.
    """

    def __init__(self, course: Course) -> None:
        self.begins_s = float("inf")
        self.written: list[tuple[float, str, int, int]] = []
        self.tables: dict[str, list[int]] = {"coil": [0, 0], "holding": [0], "discrete": [0, 0]}
        self._course = course

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:
        """Return `count` values."""
        begun = bisect_right(self._course, now_s - self.begins_s, key=lambda edge: edge[0])
        if begun:
            self.tables["discrete"] = list(map(int, self._course[begun - 1][1:]))
        return span(self.tables.get(table, []), address, count)

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Keep the values, and when they came."""
        span(self.tables.get(table, []), address, len(words))
        self.tables[table][address : address + len(words)] = words
        self.written += ((now_s, table, at, word) for at, word in enumerate(words, start=address))

    def ideal(self) -> Vent:
        """Return the vent that the contacts would have moved without any bench in between."""
        vent = Vent(TRAVEL, self.begins_s - 10.0)
        for at_s, opens, closes in self._course:
            vent.switch(self.begins_s + at_s, opens=opens, closes=closes)
        return vent


@final
class Paced:
    """A peer on a serial line of some speed: eleven bits a character, both ways."""

    def __init__(self, peer: Peer, baud: int) -> None:
        self._peer = peer
        self._character_s = 11 / baud

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:
        """Return the replies as much later as their characters and those of the request take."""
        return [
            (delay_s + (len(data) + len(reply)) * self._character_s, reply)
            for delay_s, reply in self._peer.exchange(data, now_s)
        ]


def loop_bench(bus: Mapping[str, Any], **vent: Any) -> BenchFile:
    """Return a bench that plays one vent over one bus: both switches and the position, 10 mV a count of 0.1 %."""
    coil = {"driver": "coil", "operate": "0 s", "release": "0 s", "bounce": "0 s"}
    flag = {
        "bus": "io",
        "unit_id": 3,
        "table": "discrete",
        "type": "bit",
        "unit": "flag",
        "keeps_for": "300 ms",
    }
    return BenchFile.model_validate(
        {
            "bench": "a vent in the loop",
            "buses": {"io": {"timeout": "60 ms", "quiet_after_fault": "30 ms", "poll_every": "50 ms", **bus}},
            "outputs": {
                "shut": {**coil, "wired": {"bus": "io", "unit_id": 3, "coil": 0}},
                "wide": {**coil, "wired": {"bus": "io", "unit_id": 3, "coil": 1}},
                "feedback": {
                    "kind": "level",
                    "driver": "register",
                    "wired": {"bus": "io", "unit_id": 3, "table": "holding", "address": 0, "scale": 0.001},
                    "signal": "0-10 V",
                    "range": ["0 %", "100 %"],
                    "safe": 0,
                },
            },
            "signals": {
                "opens": {**flag, "address": 0},
                "closes": {**flag, "address": 1},
                "roof_vent": {"position_of": "roof"},
            },
            "vents": {
                "roof": {
                    "opens_on": "opens",
                    "closes_on": "closes",
                    "full_travel": "28 s",
                    "dead_time": "400 ms",
                    "coast": "200 ms",
                    "plays": {
                        "closed_switch": {"output": "shut", "at": "0 %", "reached": "closed"},
                        "open_switch": {"output": "wide", "at": "100 %", "reached": "closed"},
                        "position": {"output": "feedback"},
                    },
                    **vent,
                }
            },
        }
    )


def worst_error(module: DrivenModule, seen: Sequence[Poll]) -> tuple[float, float]:
    """Return how far what was shown was from the ideal vent at most, % open, and the most of its bound that it took.

    The bound is that of the loop's timing: half a window for each edge so far, half a hold and what one round's writes
    take longer than another's, the lag that neither dead time nor run-on pays, and half a count.
    """
    contacts = [poll for poll in seen if poll.table == "discrete"]
    window_s = max(b.replied_s - a.requested_s for a, b in pairwise(contacts))
    shown = [(at_s, word / 100) for at_s, table, _, word in module.written if table == "holding"]
    holds = [(a, b[0]) for a, b in pairwise(shown) if b[0] - a[0] < 1.0]  # longer: it stood
    hold_s = max(b_s - a[0] for a, b_s in holds)
    writes = [w for poll in seen if poll.table == PLAYED and (w := poll.replied_s - poll.requested_s) > 0]
    lag_s, jitter_s = window_s + max(writes), max(writes) - min(writes)
    ideal, worst, share = module.ideal(), 0.0, 0.0
    for (at_s, percent), until_s in holds:
        edges = sum(module.begins_s + edge[0] <= until_s for edge in module._course)
        late_s = max(0.0, lag_s - min(TRAVEL.dead_time_s, TRAVEL.coast_s))
        bound = RATE * (edges * window_s / 2 + hold_s / 2 + jitter_s + late_s) + 0.005
        error = max(abs(percent - ideal.position_at(t)) for t in (at_s, until_s))
        worst, share = max(worst, error), max(share, error / bound)
    return worst, share
