"""A communication watchdog for mock boards: outputs that switch off when no polling for anything any more."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.registers import DEVICE_BUSY, ILLEGAL_ADDRESS, RefusedError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof_bench.base.protocols import Table
    from ventproof_bench.mock.registers import RegisterBank


SAFE_AT: Final = 32
"""Holding register with the coils that are on when the board is safe, one bit each."""
SET_AT: Final = 40
"""Holding register with the time after which the board goes safe, in tenths of a second; 0 for never."""
CLEARED_BY: Final = 41
"""Holding register into which 1 is written to clear a trip."""
FED_BY: Final = 42
"""Holding register that feeds a board which not every request feeds."""
TRIPPED: Final = 15
"""Discrete input that is on once the board has gone safe by itself."""

_OWN: Final = (SAFE_AT, SET_AT, CLEARED_BY, FED_BY)
_TENTHS: Final = 10


@final
class WatchedBoard:
    """A board that goes safe when it is not fed. A `RegisterBank` for the `Responder` of `modbus_server`.

    Tripped, it refuses to be commanded until it is cleared. It starts with the watchdog off, as such boards leave the
    factory (common practice, no source).

    Args:
        bank: the board itself.
        coils: how many relays it has, from coil 0 on.
        any_request: whether every request feeds it, or only a write to `FED_BY`.
    """

    def __init__(self, bank: RegisterBank, *, coils: int, any_request: bool = True) -> None:
        self.tripped = False
        self._bank = bank
        self._coils = coils
        self._any_request = any_request
        self._held = dict.fromkeys(_OWN, 0)
        self._timer: asyncio.TimerHandle | None = None

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:
        """Return the board's own registers, or what it reads itself."""
        self._asked()
        if table == "holding" and address in self._held:
            return self._mine(address, count)
        if table == "discrete" and address == TRIPPED:
            _whole(count)
            return [int(self.tripped)]
        return self._bank.read(table, address, count, now_s)

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Take a register of its own, or command the board unless it is tripped."""
        self._asked()
        if table != "holding" or address not in self._held:
            if self.tripped:
                raise RefusedError(DEVICE_BUSY)
            self._bank.write(table, address, words, now_s)
            return
        _whole(len(words))
        self._held[address] = words[0]
        if address == CLEARED_BY and words[0] == 1:
            self.tripped = False
        if address != SAFE_AT:
            self._feed()

    def _mine(self, address: int, count: int) -> Sequence[int]:
        _whole(count)
        return [self._held[address]]

    def _asked(self) -> None:
        if self._any_request:
            self._feed()

    def _feed(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._held[SET_AT] and not self.tripped:
            self._timer = asyncio.get_running_loop().call_later(self._held[SET_AT] / _TENTHS, self._trip)

    def _trip(self) -> None:
        safe = [self._held[SAFE_AT] >> coil & 1 for coil in range(self._coils)]
        self._bank.write("coil", 0, safe, asyncio.get_running_loop().time())
        self.tripped = True


def _whole(count: int) -> None:
    if count != 1:
        raise RefusedError(ILLEGAL_ADDRESS)
