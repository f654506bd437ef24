"""Sources that speak SCPI: what is at the terminals is what was asked for, or an error says why not."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

import pytest
from pydantic import TypeAdapter, ValidationError
from scpi_source import ScpiSource

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.errors import DriverError
from ventproof_bench.benchfile.model import OutputSpec
from ventproof_bench.drivers.driver import Wiring, find
from ventproof_bench.drivers.serial_ports import Ports
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from ventproof_bench.base.protocols import Level, Peer

pytestmark = pytest.mark.wire

SUPPLY: dict[str, Any] = {"kind": "supply", "limits": ["0 V", "30 V"]}
RESISTANCE: dict[str, Any] = {"kind": "resistance", "sensor": "pt1000"}
CURRENT: dict[str, Any] = {"kind": "level", "signal": "0-20 mA", "range": ["0 m/s", "50 m/s"]}


class _Terminals:
    """What was at the terminals, and when it came there."""

    def __init__(self) -> None:
        self.levels: list[tuple[float, float]] = []

    def __call__(self, level: float) -> None:
        self.levels.append((now_s(), level))


def _level(port: str, spec: dict[str, Any], **wired: Any) -> Level:
    options = {"port": port, **wired}
    output = TypeAdapter(OutputSpec).validate_python({**spec, "driver": "scpi-level", "wired": options})
    driver = find("scpi-level")
    made: Level = driver.build(
        driver.options.model_validate(options), Wiring(name="source", output=output, ports=Ports())
    )
    return made


@asynccontextmanager
async def _served(peer: Peer, link: str) -> AsyncIterator[str]:
    if link == "pty":
        async with serve_pty(peer) as port:
            yield port
    else:
        async with serve_tcp(lambda: peer) as number:
            yield f"socket://127.0.0.1:{number}"


@pytest.mark.parametrize("link", ["pty", "tcp"])
@pytest.mark.parametrize(
    ("spec", "quantity", "levels", "factor"),
    [
        (SUPPLY, "VOLTage", (24.0, 18.5, 0.0), 1.0),
        (RESISTANCE, "RESistance", (1000.0, 1097.35), 1.0),
        (CURRENT, "CURRent", (4.0, 20.0), 1000.0),
    ],
    ids=["supply", "resistance", "current"],
)
def test_what_is_put_is_at_the_terminals_within_the_window(link, spec, quantity, levels, factor):
    """A brown-out, a resistance, a current in mA that goes out in A; opening puts nothing."""

    async def main() -> None:
        terminals = _Terminals()
        source = ScpiSource(quantity, most=2000.0, at_terminals=terminals, step=1e-6)
        async with _served(source, link) as port:
            level = _level(port, spec, decimals=6)
            await level.open()
            assert terminals.levels == []
            for wanted in levels:
                window = await level.put(wanted)
                at_s, found = terminals.levels[-1]
                assert found * factor == pytest.approx(wanted)
                assert window.earliest_s <= at_s <= window.latest_s
            await level.close()
            await level.close()

    run(main(), virtual=False)


@pytest.mark.parametrize(
    ("source", "wired", "says"),
    [
        ({"most": 12.0}, {}, 'output source: the source on .* reports -222,"Data out of range"'),
        ({"step": 5.0}, {}, r"answered '\+2\.500000E\+01' to 'SOURce:VOLTage\?', not 24\.000 as it was set"),
        ({}, {"set": "SOURce:POTential {value}"}, 'reports -113,"Undefined header"'),
        ({}, {"read": "MEASure:VOLTage?"}, "did not answer 'MEASure:VOLTage\\?' within 0.1 s"),
        ({}, {"read": "OUTPut?"}, r"answered '1' to 'OUTPut\?', not 24\.000"),
        ({}, {"read": "*IDN?"}, "not a number"),
        ({}, {"turn_on": ""}, None),
    ],
)
def test_a_source_that_does_not_do_as_told_is_an_error(source, wired, says):
    """Out of its range, rounded away, words that it does not know: each with its reason; else nothing is wrong."""

    async def main() -> None:
        peer = ScpiSource("VOLTage", **{"most": 30.0, "at_terminals": lambda _: None, **source})
        async with serve_pty(peer) as port:
            level = _level(port, SUPPLY, reply_within="100 ms", **wired)
            try:
                await level.open()
                await level.put(24.0)
            finally:
                await level.close()

    if says is None:
        run(main(), virtual=False)
    else:
        with pytest.raises(DriverError, match=says):
            run(main(), virtual=False)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"set": "SOURce:VOLTage 5"}, "has no place for the number"),
        ({"read": "SOURce:VOLTage"}, "must be a query"),
        ({"turn_on": "OUTPut\nON"}, "must be printable ASCII"),
    ],
)
def test_texts_that_cannot_be_meant_are_refused(options, says):
    """A command without its number, a query that asks nothing, characters that end a line."""
    with pytest.raises(ValidationError, match=says):
        find("scpi-level").options.model_validate({"port": "/dev/source", **options})
