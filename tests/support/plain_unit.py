"""A unit that is nothing but memory, and replies that go wrong on cue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import final

from ventproof_bench.base.protocols import Table
from ventproof_bench.mock.registers import span
from ventproof_bench.mock.wires.modbus_server import Trouble, TroubleMaker


def trouble_at(script: Mapping[int, Trouble]) -> TroubleMaker:
    """Return a trouble maker that spoils the replies to the n-th requests, counted from 0."""
    return lambda request: script.get(request.number)


@final
class PlainBank:
    """Tables held in lists: what was written is read back; a table not given has no addresses."""

    def __init__(self, tables: Mapping[Table, list[int]]) -> None:
        self.tables = dict(tables)

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:  # noqa: ARG002 - the protocol
        """Return `count` values."""
        return span(self.tables.get(table, []), address, count)

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:  # noqa: ARG002 - the protocol
        """Keep the values."""
        span(self.tables.get(table, []), address, len(words))
        self.tables[table][address : address + len(words)] = words
