"""The mock in a guise on real wires, with its relay board, its lamps and its vents' hand switches."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, final

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import DriverError, Refusal
from ventproof_bench.base.quantities import Dimension, parse_as
from ventproof_bench.mock.guise.registers import GuisedUnit, makers_list
from ventproof_bench.mock.guise.settings import NOTHING, shipped_settings
from ventproof_bench.mock.registers import ILLEGAL_ADDRESS, ILLEGAL_FUNCTION, RefusedError, RegisterBank
from ventproof_bench.mock.unit import build
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.mock.wires.stand import alone_in, serve_pty, serve_tcp

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from contextlib import AsyncExitStack
    from pathlib import Path

    from ventproof_bench.base.protocols import Table
    from ventproof_bench.mock.guise.settings import Guise
    from ventproof_bench.mock.unit import MockUnit

LIST_NAME: Final = "makers-list.csv"
"""The maker's list, beside the pseudo-terminal."""

_REPLY_AFTER_S: Final = 0.004
_JITTER_S: Final = 0.002
_OPEN_PERCENT: Final = 100.0


@final
class LampBoard:
    """Relays as Modbus coils, each with a lamp; a `RegisterBank`.

    Args:
        first_coil: protocol address of the first.
        switches: called with True when a relay closes, False when it opens, by relay from the first on.
    """

    def __init__(self, first_coil: int, switches: Sequence[Callable[[bool], None]]) -> None:
        self._first = first_coil
        self._switches = switches
        self._closed = [False] * len(switches)

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:  # noqa: ARG002 - the protocol
        """Return coils."""
        if table != "coil":
            raise RefusedError(ILLEGAL_FUNCTION)
        at = address - self._first
        if at < 0 or at + count > len(self._closed):
            raise RefusedError(ILLEGAL_ADDRESS)
        return [int(closed) for closed in self._closed[at : at + count]]

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Switch relays, lowest coil first."""
        self.read(table, address, len(words), now_s)
        for at, word in enumerate(words, start=address - self._first):
            if self._closed[at] != bool(word):
                self._closed[at] = bool(word)
                self._switches[at](bool(word))


@final
@dataclass(frozen=True, slots=True)
class GuisedStand:
    """Where the mock in a guise listens.

    Attributes:
        unit: the unit itself.
        places: addresses, by what listens there.
        makers_list: the maker's list of registers, as CSV.
    """

    unit: MockUnit
    places: dict[str, str]
    makers_list: Path


async def serve_guise(
    guise: Guise, folder: Path, stack: AsyncExitStack, *, seed: int, tell: Callable[[str], None]
) -> GuisedStand:
    """Serve a guise until `stack` is closed: on a pseudo-terminal (RTU) and on TCP, the relay board on both.

    Args:
        guise: the guise.
        folder: for the link to the pseudo-terminal and for the maker's list; it is made if need be.
        stack: holds what is served open.
        seed: for the unit's faults and for the jitter of its replies.
        tell: takes what a person beside it would see: which lamp of the relay board is lit.

    Raises:
        LinkError: something cannot be served.
    """
    await asyncio.to_thread(folder.mkdir, parents=True, exist_ok=True)
    stack.enter_context(alone_in(folder))
    unit = build(guise.mock or shipped_settings(), start_s=now_s(), seed=seed)
    board = LampBoard(guise.relays.first_coil, _switches(guise, unit, tell))
    devices: dict[int, RegisterBank] = {guise.unit_id: GuisedUnit(guise, unit), guise.relays.unit_id: board}

    def answer(framing: Literal["rtu", "tcp"]) -> Responder:
        return Responder(framing, devices, reply_after_s=_REPLY_AFTER_S, jitter_s=_JITTER_S, seed=seed)

    enter = stack.enter_async_context
    places = {
        "serial": await enter(serve_pty(answer("rtu"), link=folder / "unit", baud=guise.baud)),
        "network": f"127.0.0.1:{await enter(serve_tcp(lambda: answer('tcp')))}",
    }
    path = folder / LIST_NAME
    await asyncio.to_thread(path.write_text, makers_list(guise), encoding="utf-8")
    return GuisedStand(unit, places, path)


def _switches(guise: Guise, unit: MockUnit, tell: Callable[[str], None]) -> list[Callable[[bool], None]]:
    def switch(number: int, name: str) -> Callable[[bool], None]:
        def switched(closed: bool) -> None:  # noqa: FBT001 - a relay has two states
            if name != NOTHING:
                unit.set_contact(name, now_s(), closed=closed != (name == "supply"))
            tell(f"relay board: lamp {number} {'on' if closed else 'off'}")

        return switched

    return [switch(number, name) for number, name in enumerate(guise.relays.wired, start=1)]


def turn_hand_switch(unit: MockUnit, line: str, at_s: float) -> str:
    """Turn a vent's hand switch as a line says: `roof open`, `roof close`, `roof 40 %`, `roof auto`.

    Args:
        unit: the unit.
        line: what was written.
        at_s: when, loop time.

    Returns:
        What was done.

    Raises:
        ValueError: the line says nothing that could be done; the message says what would be right.
    """
    vent, _, where = line.strip().partition(" ")
    try:
        percent = _percent(where.strip())
        unit.set_by_hand(vent, at_s, percent)
    except (ValueError, DriverError) as error:
        hint = "write VENT open, VENT close, VENT 40 %, or VENT auto"
        raise Refusal(f"{line.strip()!r}: {error}", hint) from None
    return f"hand switch of {vent}: {'automatic' if percent is None else f'{percent:g} %'}"


def _percent(where: str) -> float | None:
    if where == "auto":
        return None
    if where in {"open", "close"}:
        return _OPEN_PERCENT if where == "open" else 0.0
    return parse_as(where, Dimension.PERCENT)
