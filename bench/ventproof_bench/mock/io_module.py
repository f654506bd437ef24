"""The I/O module of a bench whose vents stand outside the unit: the unit's drive terminals, over Modbus (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.positioner import ENDS
from ventproof_bench.mock.registers import ILLEGAL_ADDRESS, ILLEGAL_VALUE, RefusedError, RegisterBank, span

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof_bench.base.protocols import Table
    from ventproof_bench.mock.unit import MockUnit


UNIT_ID: Final = 1
"""Unit identifier of the mock unit."""
MODULE_ID: Final = 3
"""Unit identifier of the module; 2 is the board of relays beside the unit on a serial line."""

_MOST_MV: Final = 10_000


@final
class IoModule:
    """A `RegisterBank` beside the unit's own, with a supply of its own: it answers while the unit is dead.

    For the vents outside the unit, in the order of its settings, n of them:

    - discrete inputs 0 to 2n-1: drive contacts of each vent, the one that opens, then the one that closes; from 2n on,
      what the end-switch inputs of each vent tell reached: the closed end, then the open one;
    - coils: the relays at those inputs, in the same order; all of them rest when the bench begins;
    - holding registers: the analogue output at each vent's feedback input, 0 to 10,000 mV;
    - input registers: each vent's command output, 0 to 10,000 mV for 0 to 100 %.

    Where a vent of the unit's own stands behind the contacts, relays and outputs are wired to nothing.

    Args:
        unit: the mock unit.
    """

    def __init__(self, unit: MockUnit) -> None:
        self._unit = unit

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:
        """Return what the module's tables hold at `now_s`. Raises `RefusedError`."""
        self._unit.advance(now_s)
        vents, at_s = self._unit.outside.values(), self._unit.now_s
        if table == "discrete":
            contacts = [int(on) for vent in vents for on in vent.positioner.contacts]
            reached = [int(vent.reached_at(end, at_s)) for vent in vents for end in ENDS]
            return span([*contacts, *reached], address, count)
        if table == "coil":
            return span([int(vent.relays[end]) for vent in vents for end in ENDS], address, count)
        if table == "holding":
            return span([round(vent.level_mv) for vent in vents], address, count)
        return span([vent.positioner.command_mv for vent in vents], address, count)

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Switch relays or set analogue outputs, all together at `now_s`. Raises `RefusedError`."""
        self.read(table, address, len(words), now_s)
        vents, at_s = list(self._unit.outside.values()), self._unit.now_s
        if table == "coil":
            for coil, word in enumerate(words, start=address):
                vents[coil // len(ENDS)].relays[tuple(ENDS)[coil % len(ENDS)]] = bool(word)
        elif table == "holding":
            if any(word > _MOST_MV for word in words):
                raise RefusedError(ILLEGAL_VALUE)
            for vent, word in zip(vents[address:], words, strict=False):
                vent.level_mv = float(word)
        else:
            raise RefusedError(ILLEGAL_ADDRESS)
        for vent in vents:
            vent.take(at_s)


def devices_of(unit: MockUnit) -> dict[int, RegisterBank]:
    """Return who answers on the unit's bus, by unit identifier: beside the unit a module, where vents stand outside."""
    return {UNIT_ID: unit, MODULE_ID: IoModule(unit)} if unit.outside else {UNIT_ID: unit}
