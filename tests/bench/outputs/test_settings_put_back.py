"""Settings of the unit in virtual time: read before they are written, put back, and refused when they cannot be."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from math import inf
from typing import Any

import pytest
from plain_unit import PlainBank

from ventproof_bench.base.clock import ORIGIN_S, now_s, run
from ventproof_bench.base.errors import DriverError
from ventproof_bench.base.evidence import DrivenOutput, FoundSetting
from ventproof_bench.benchfile.model import ContactOutput, InProcessBus, OutputSpec, RegisterOutput
from ventproof_bench.mock.registers import DEVICE_BUSY, RefusedError, SilentError
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.outputs.outputs import LocalOutputs

BOOTS_S = 3.0
BUS = InProcessBus(link="in-process", framing="rtu", reply_after="4 ms", reply_jitter="0 s")


class _Unit:
    """A unit with a few settings, and a supply that a contact can cut; it boots for a while."""

    def __init__(self, *values: int, powered: bool = True) -> None:
        self.bank = PlainBank({"holding": list(values)})
        self.writes: list[tuple[int, list[int]]] = []
        self.refuses: Callable[[str], bool] = lambda _: False
        self.reads_as: list[int] = []
        self._up_s = -inf if powered else inf

    @property
    def now(self) -> list[int]:
        return self.bank.tables["holding"]

    def set_contact(self, _name: str, at_s: float, *, closed: bool) -> None:
        if not closed:
            self._up_s = inf
        elif self._up_s == inf:
            self._up_s = at_s + BOOTS_S

    def read(self, table: Any, address: int, count: int, now_s: float) -> Sequence[int]:
        self._answer("read", now_s)
        return [self.reads_as.pop(0)] if self.reads_as else self.bank.read(table, address, count, now_s)

    def write(self, table: Any, address: int, words: Sequence[int], now_s: float) -> None:
        self._answer("write", now_s)
        self.writes.append((address, list(words)))
        self.bank.write(table, address, words, now_s)

    def _answer(self, what: str, now_s: float) -> None:
        if now_s < self._up_s:
            raise SilentError
        if self.refuses(what):
            raise RefusedError(DEVICE_BUSY)


def _setting(address: int, **more: Any) -> RegisterOutput:
    wired = {"bus": "unit", "table": "holding", "address": address, "scale": 0.1}
    return RegisterOutput(kind="register", driver="register", wired=wired, unit="s", **more)


SUPPLY = ContactOutput.model_validate(
    {"driver": "mock", "wired": {"input": "supply"}, "at_rest": "closed", "safe": "closed"}
)


def _with(
    unit: _Unit, outputs: dict[str, OutputSpec], work: Callable[[LocalOutputs], Awaitable[None]]
) -> list[FoundSetting | DrivenOutput]:
    """Open outputs, work, and close them whatever happens; returns what they told."""
    told: list[FoundSetting | DrivenOutput] = []

    async def main() -> None:
        bus = ModbusBus("unit", BUS, peer=Responder("rtu", {1: unit}))
        await bus.open()
        made = LocalOutputs(outputs, buses={"unit": bus}, specs={"unit": BUS}, inputs=unit)
        made.tell = told.append
        await made.open()
        try:
            await work(made)
        finally:
            try:
                await made.close()
            finally:
                await bus.close()

    run(main(), virtual=True)
    return told


def test_what_was_written_is_put_back_and_nothing_else_is_touched():
    """Two settings are read, one is written twice; it alone is put back, once, and each is told with its words."""
    unit = _Unit(450, 20)

    async def work(outputs: LocalOutputs) -> None:
        await outputs.level("delay", 12.0)
        await outputs.level("delay", 13.0)

    told = _with(unit, {"supply": SUPPLY, "delay": _setting(0), "entry": _setting(1)}, work)
    assert unit.now == [450, 20]
    assert unit.writes == [(0, [120]), (0, [130]), (0, [450])]
    assert [(t.output, t.words, t.value) for t in told if isinstance(t, FoundSetting)] == [
        ("delay", (450,), 45.0),
        ("entry", (20,), 2.0),
    ]
    driven = [(t.output, t.why, t.closed, t.value) for t in told if isinstance(t, DrivenOutput)]
    assert driven == [
        ("supply", "open", True, None),
        ("supply", "safe", True, None),
        ("delay", "restore", None, 45.0),
    ]


def test_the_bench_file_may_say_what_is_left():
    """A stated value is left in place of what was found, and only after a run that wrote the setting."""
    unit = _Unit(450, 20)

    async def work(outputs: LocalOutputs) -> None:
        await outputs.level("delay", 12.0)

    _with(unit, {"delay": _setting(0, leaves="30 s"), "entry": _setting(1, leaves="5 s")}, work)
    assert unit.now == [300, 20]


@pytest.mark.parametrize(("refuses_for_s", "left"), [(4.0, 450), (8.0, 120)])
def test_a_setting_is_put_back_as_long_as_patience_lasts(refuses_for_s, left):
    """A unit that takes nothing for a while is tried as long as all else that fails, however quickly it refuses."""
    unit = _Unit(450)

    async def work(outputs: LocalOutputs) -> None:
        await outputs.level("delay", 12.0)
        taken_s = now_s() + refuses_for_s
        unit.refuses = lambda what: what == "write" and now_s() < taken_s
        if left == 450:
            await outputs.make_safe(patience_s=5.0)
        else:
            with pytest.raises(DriverError, match="could not be put back"):
                await outputs.make_safe(patience_s=5.0)
        assert unit.now == [left]
        unit.refuses = lambda _: False

    _with(unit, {"delay": _setting(0)}, work)


@pytest.mark.parametrize(
    ("reads_as", "found"),
    [([7], 450), ([7, 8, 9], 450), ([7, 7], 7), ([1, 2, 3, 4, 5], None)],
    ids=["a stray first reply", "three strays", "two that agree", "never two that agree"],
)
def test_a_setting_is_known_when_two_readings_in_a_row_agree(reads_as, found):
    """A reply that belonged to another request is not put into the unit."""
    unit = _Unit(450)
    unit.reads_as = list(reads_as)

    async def work(_: LocalOutputs) -> None:
        unit.reads_as = []

    told = _with(unit, {"delay": _setting(0)}, work)
    assert [t.words for t in told] == [(450 if found is None else found,)]


@pytest.mark.parametrize("leaves", [None, "30 s"])
def test_nothing_is_written_that_could_not_be_put_back(leaves):
    """What cannot be read is not written, and the reason says so, unless the bench file states what to leave."""
    unit = _Unit(450)

    async def work(outputs: LocalOutputs) -> None:
        unit.refuses = lambda what: what == "read" and not unit.writes
        await outputs.level("delay", 12.0)

    unit.refuses = lambda what: what == "read"
    if leaves is None:
        with pytest.raises(
            DriverError, match=r"^output delay: nothing is written there, .*exception 6.*`leaves:`$"
        ):
            _with(unit, {"delay": _setting(0)}, work)
        assert (unit.writes, unit.now) == ([], [450])
    else:
        told = _with(unit, {"delay": _setting(0, leaves=leaves)}, work)
        assert unit.now == [300]
        assert "exception 6" in told[0].trouble


def test_a_unit_whose_supply_comes_back_is_waited_for():
    """Without supply when the bench is opened, and again when it is left, the unit has its setting put back."""
    unit = _Unit(450, powered=False)

    async def work(outputs: LocalOutputs) -> None:
        await asyncio.sleep(5)
        await outputs.level("delay", 12.0)
        await outputs.contact("supply", closed=False)
        await asyncio.sleep(1)

    _with(unit, {"delay": _setting(0), "supply": SUPPLY}, work)
    assert unit.now == [450]


def test_a_setting_that_cannot_be_put_back_is_said():
    """The reason names output, value and trouble; a unit that cannot be booting is given up soon."""
    unit, ends_s = _Unit(450), []

    async def work(outputs: LocalOutputs) -> None:
        await outputs.level("delay", 12.0)
        unit.refuses = lambda what: what == "write"
        with pytest.raises(DriverError, match=r"^output delay: 45 s could not be put back: .*exception 6"):
            await outputs.make_safe()
        ends_s.append(now_s())
        unit.refuses = lambda _: False

    _with(unit, {"delay": _setting(0)}, work)
    assert ends_s[0] < ORIGIN_S + 2
    assert unit.now == [450]


def test_a_value_out_of_range_leaves_the_unit_alone():
    """What the register cannot hold is refused before anything is written, so that nothing is put back either."""
    unit = _Unit(450)

    async def work(outputs: LocalOutputs) -> None:
        with pytest.raises(DriverError, match="out of range"):
            await outputs.level("delay", 1e6)

    _with(unit, {"delay": _setting(0)}, work)
    assert unit.writes == []
