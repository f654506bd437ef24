"""The register output: written, read back, put back, and refused when nothing proves what it holds."""

from collections.abc import Sequence
from typing import Any

import pytest
from plain_unit import PlainBank

from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import DriverError
from ventproof_bench.base.evidence import Window
from ventproof_bench.base.protocols import Peer
from ventproof_bench.benchfile.model import InProcessBus, RegisterOutput
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.outputs.outputs import LocalOutputs

BUS = InProcessBus(link="in-process", framing="rtu", reply_after="4 ms", reply_jitter="0 s")


def _put(
    peer: Peer, *values: float, leaves: str | None = None, seen: PlainBank | None = None, **wired: Any
) -> list[Any]:
    """Write values to an output at holding register 2; returns the windows, and what a bank held before the end."""
    where = {"bus": "unit", "table": "holding", "address": 2, "type": "s16", "scale": 0.1}
    spec = RegisterOutput(kind="register", driver="register", wired=where | wired, unit="°C", leaves=leaves)

    async def main() -> list[Any]:
        bus = ModbusBus("unit", BUS, peer=peer)
        await bus.open()
        outputs = LocalOutputs({"house": spec}, buses={"unit": bus}, specs={"unit": BUS})
        await outputs.open()
        windows: list[Any] = [await outputs.level("house", value) for value in values]
        if seen is not None:
            windows.append(list(seen.tables["holding"]))
        await outputs.close()
        await bus.close()
        return windows

    return run(main(), virtual=True)


def test_a_value_is_written_in_the_units_own_coding():
    """Scale, sign, width and word order are those of the bench file; the window is that of the write."""
    bank = PlainBank({"holding": [0] * 8})
    window, held = _put(Responder("rtu", {1: bank}, reply_after_s=0.004), -12.3, seen=bank)
    assert held == [0, 0, 65536 - 123, 0, 0, 0, 0, 0]
    assert isinstance(window, Window)
    assert window.latest_s - window.earliest_s == pytest.approx(0.004, abs=1e-3)
    # 18.5 as an IEEE 754 single is 41940000 in hex.
    wide = {"type": "f32", "scale": 1.0, "word_order": "low-first", "address": 4}
    _, held = _put(Responder("rtu", {1: bank}), 18.5, seen=bank, **wide)
    assert held[4:6] == [0x0000, 0x4194]


class _Clamps:
    """A unit that takes no more than 250 and acknowledges all the same."""

    def __init__(self) -> None:
        self.value = 0

    def read(self, table: str, address: int, count: int, now_s: float) -> list[int]:  # noqa: ARG002 - a bank
        return [self.value] * count

    def write(self, table: str, address: int, words: Sequence[int], now_s: float) -> None:  # noqa: ARG002 - a bank
        self.value = min(250, words[0])


class _Echo:
    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:  # noqa: ARG002 - a Peer
        return ((0.0, data),)


@pytest.mark.parametrize(
    ("peer", "value", "says"),
    [
        (
            Responder("rtu", {1: _Clamps()}),
            30.0,
            r"holding 2 of unit 1 on bus unit holds \[250\] after \[300\] was",
        ),
        (_Echo(), 30.0, r"holding 2 of unit 1 on bus unit: write not confirmed"),
        (Responder("rtu", {}), 30.0, r"write not confirmed: .*no reply"),
        (
            Responder("rtu", {1: PlainBank({"holding": [0]})}),
            30.0,
            r"write not confirmed: .*exception 2",
        ),
        (Responder("rtu", {1: _Clamps()}), 4000.0, r"4000 is out of range: type s16 with scale 0\.1"),
    ],
    ids=["clamped", "echo", "silent", "no-such-register", "out-of-range"],
)
def test_a_value_that_nothing_proves_is_an_error(peer, value, says):
    """A clamped value, an echo, silence, an exception and a value out of range: each with its reason."""
    with pytest.raises(DriverError, match=rf"^output house: .*{says}"):
        _put(peer, value, leaves="18 °C")


@pytest.mark.parametrize(
    ("wired", "says"),
    [
        ({"table": "input"}, "table 'input' cannot be written; use holding or coil"),
        ({"table": None, "address": None, "reference": "30003"}, "in table 'input', which can be read only"),
        ({"type": "bit", "bit": 3, "scale": 1.0}, "one bit of a register cannot be written by itself"),
        ({"bus": "unti"}, r"there is no bus 'unti' on this bench; did you mean 'unit'\?"),
    ],
)
def test_places_that_cannot_be_written_are_refused(wired, says):
    """Input registers, single bits and unknown buses are refused before anything is sent."""
    with pytest.raises(ValueError, match=rf"^output house: .*{says}"):
        _put(_Echo(), 1.0, **wired)
