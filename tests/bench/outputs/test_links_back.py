"""Links that are lost and come back: outputs safe before all else, and then it is decided whether the run goes on."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from plain_unit import PlainBank

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.errors import BenchError, DriverError, LinkError, StimulusError
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.mock.wires.modbus_server import Request, Responder, Trouble
from ventproof_bench.mock.wires.relay_boards import CoilBoard, FramesBoard
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.links import LONGEST_LOSS_S
from ventproof_bench.outputs.outputs import LocalOutputs

IN_PROCESS = {"link": "in-process", "timeout": "60 ms", "quiet_after_fault": "30 ms", "poll_every": "50 ms"}
FRAMES = {"on": "55 01 01 {sum8}", "off": "55 01 00 {sum8}", "reply": "AA 01 {state} {sum8}"}
RELAY = {"operate": "1 ms", "release": "1 ms", "bounce": "0 ms"}


class _Stand:
    """A coil board and a unit on one bus: what its contact really did, and a bus that is out of order at will."""

    def __init__(self) -> None:
        self.edges: list[tuple[float, bool]] = []
        self.unit = PlainBank({"holding": [300]})
        self.board = CoilBoard({0: lambda closed: self.edges.append((now_s(), closed))})
        self.trouble: Trouble | None = None
        self.away = False
        self.broke: list[BenchError] = []

    @property
    def closed(self) -> bool:
        return bool(self.edges) and self.edges[-1][1]

    def responder(self, framing: str) -> Responder:
        devices = {1: self.unit, 2: self.board}
        return Responder(framing, devices, trouble=self._troubled)  # type: ignore[arg-type]

    def _troubled(self, _: Request) -> Trouble | None:
        if self.trouble is not None and self.trouble.cut and not self.away:
            self.trouble, cut = None, self.trouble
            return cut
        return Trouble(cut=True) if self.away else self.trouble


def _file(bus: dict[str, Any], **outputs: dict[str, Any]) -> BenchFile:
    rain = {"driver": "coil", "wired": {"bus": "io", "unit_id": 2, "coil": 0}, **RELAY}
    house = {
        "kind": "register",
        "driver": "register",
        "unit": "°C",
        "wired": {"bus": "io", "table": "holding", "address": 0, "type": "s16", "scale": 0.1},
    }
    return BenchFile.model_validate(
        {
            "bench": "links",
            "buses": {"io": bus},
            "outputs": outputs or {"rain": rain, "house": house},
            "signals": {"vent": {"bus": "io", "table": "holding", "address": 0, "unit": "%"}},
        }
    )


@asynccontextmanager
async def _opened(stand: _Stand) -> AsyncIterator[tuple[LocalOutputs, ModbusBus]]:
    file = _file(IN_PROCESS)
    bus = ModbusBus("io", file.buses["io"], peer=stand.responder("tcp"))
    await bus.open()
    outputs = LocalOutputs(file.outputs, buses={"io": bus}, specs=file.buses)
    outputs.broke = stand.broke.append
    await outputs.open()
    try:
        yield outputs, bus
    finally:
        with suppress(DriverError):
            await outputs.close()
        await bus.close()


async def _cut(stand: _Stand, bus: ModbusBus) -> None:
    stand.trouble = Trouble(cut=True)
    with suppress(BenchError):
        await bus.read(ReadRequest(1, "holding", 0, 1))


def test_a_link_lost_while_a_contact_is_closed_opens_it_at_once_and_ends_the_profile():
    """Safe before all else, in the moment in which the far end takes connections again; commands are refused then."""

    async def main():
        stand = _Stand()
        async with _opened(stand) as (outputs, bus):
            await outputs.contact("rain", closed=True)
            await asyncio.sleep(1)
            last_s = now_s()
            await bus.read(ReadRequest(1, "holding", 0, 1))
            await asyncio.sleep(1)
            cut_s = now_s()
            await _cut(stand, bus)
            await asyncio.sleep(0.2)
            assert not stand.closed
            assert stand.edges[-1][0] - cut_s < 0.1
            (lost,) = stand.broke
            assert isinstance(lost, StimulusError)
            assert str(lost).startswith("bus io was lost while rain was not in its safe state")
            assert last_s <= lost.since_s <= cut_s
            with pytest.raises(StimulusError):
                await outputs.contact("rain", closed=True)
            await outputs.make_safe()
            assert not stand.closed
            assert "its outputs were made safe and read back" in outputs.notes[-1]

    run(main(), virtual=True)


def test_a_train_goes_on_no_further_after_its_link_was_lost():
    """No pulse comes after the contact was made safe: whoever plays it is told."""

    async def main():
        from ventproof_bench.base.edges import pulse_plan  # noqa: PLC0415

        stand = _Stand()
        async with _opened(stand) as (outputs, bus):
            plan = pulse_plan(20, closed_for_s=0.3, open_for_s=0.3)
            train = asyncio.ensure_future(outputs.train("rain", plan, start_s=now_s()))
            await asyncio.sleep(1)
            await _cut(stand, bus)
            with pytest.raises(StimulusError):
                await train
            await asyncio.sleep(2)
            assert not stand.closed
            assert len(stand.edges) <= 6

    run(main(), virtual=True)


def test_a_link_lost_while_all_is_safe_leaves_a_gap_only():
    """Nothing else was given to the unit: nobody is told to end, and the contact takes commands again."""

    async def main():
        stand = _Stand()
        async with _opened(stand) as (outputs, bus):
            await outputs.level("house", 25.0)
            await _cut(stand, bus)
            await asyncio.sleep(0.2)
            assert stand.broke == []
            await outputs.contact("rain", closed=True)
            assert stand.closed

    run(main(), virtual=True)


def test_a_unit_that_restarted_meanwhile_is_found_by_what_it_holds():
    """What was written is not there any more: the unit was given something else, and the profile ends."""

    async def main():
        stand = _Stand()
        async with _opened(stand) as (outputs, bus):
            await outputs.level("house", 25.0)
            stand.unit.tables["holding"] = [180]
            await _cut(stand, bus)
            await asyncio.sleep(0.2)
            (lost,) = stand.broke
            assert isinstance(lost, StimulusError)
            assert str(lost).startswith("output house holds 18 °C, and 25 °C was written")

    run(main(), virtual=True)


def test_a_link_that_stays_away_is_a_fault_of_the_bench_and_is_brought_back_all_the_same():
    """After ten seconds it is told; the contact opens whenever the far end is there again."""

    async def main():
        stand = _Stand()
        async with _opened(stand) as (outputs, bus):
            await outputs.contact("rain", closed=True)
            stand.away = True
            await _cut(stand, bus)
            await asyncio.sleep(LONGEST_LOSS_S + 2)
            assert [type(error) for error in stand.broke] == [StimulusError, LinkError]
            assert stand.closed
            with pytest.raises(DriverError, match="write not confirmed"):
                await outputs.make_safe(patience_s=5)
            stand.away = False
            await asyncio.sleep(3)
            assert not stand.closed

    run(main(), virtual=True)


def test_making_safe_waits_for_a_board_that_is_silent_and_then_answers():
    """With patience the outputs are safe once it answers; without, they may not be."""

    async def main():
        stand = _Stand()
        async with _opened(stand) as (outputs, _):
            await outputs.contact("rain", closed=True)
            stand.trouble = Trouble(silent=True)
            asked_s = now_s()
            with pytest.raises(StimulusError, match="no reply within") as lost:
                await outputs.contact("rain", closed=False)
            assert lost.value.since_s == asked_s
            with pytest.raises(DriverError):
                await outputs.make_safe()
            answers = asyncio.get_running_loop().call_later(3, setattr, stand, "trouble", None)
            await outputs.make_safe(patience_s=5)
            assert not stand.closed
            answers.cancel()

    run(main(), virtual=True)


def test_what_was_safe_and_is_not_reached_again_is_no_alarm():
    """The record says that it could not be read again; nobody is sent to isolate a drive that stands safe."""

    async def main():
        stand = _Stand()
        async with _opened(stand) as (outputs, bus):
            await outputs.contact("rain", closed=True)
            await outputs.contact("rain", closed=False)
            stand.away = True
            await _cut(stand, bus)
            await outputs.make_safe(patience_s=1)
            assert "output rain was left in its safe state before, and not reached again" in outputs.notes[-1]

    run(main(), virtual=True)


@pytest.mark.wire
def test_one_dropped_connection_during_rain_leaves_no_contact_closed():
    """The peer takes a new connection at once: the line process opens the contact over it and tells the harness."""

    async def main():
        stand = _Stand()
        async with serve_tcp(lambda: stand.responder("tcp")) as port:
            outputs = LineOutputs(_file({"link": "tcp", "host": "127.0.0.1", "tcp_port": port}))
            outputs.broke = stand.broke.append
            await outputs.open()
            try:
                await outputs.contact("rain", closed=True)
                stand.trouble, cut_s = Trouble(cut=True), now_s()
                with suppress(BenchError):
                    await outputs.buses["io"].read(ReadRequest(1, "holding", 0, 1))
                async with asyncio.timeout(2):
                    while stand.closed:
                        await asyncio.sleep(0.01)
                assert stand.edges[-1][0] - cut_s < 1
                async with asyncio.timeout(2):
                    while not stand.broke:
                        await asyncio.sleep(0.01)
                assert isinstance(stand.broke[0], StimulusError)
                await outputs.make_safe()
            finally:
                await outputs.close()

    run(main(), virtual=False)


@pytest.mark.wire
@pytest.mark.parametrize("kind", ["bus", "port"])
def test_an_adapter_that_is_unplugged_and_plugged_in_again_is_found_by_its_stable_name(tmp_path, kind):
    """Another terminal appears under the same name: the relay, which stayed closed, opens before anything else."""

    async def main():
        stand, name = _Stand(), tmp_path / "by-id"
        frames = FramesBoard({1: lambda closed: stand.edges.append((now_s(), closed))})
        rtu = {"link": "rtu", "port": str(name), "parity": "none", "timeout": "200 ms"}
        on_port = {"rain": {"driver": "frames", "wired": {"port": str(name), **FRAMES}, **RELAY}}
        away = {"link": "tcp", "host": "192.0.2.1"}
        file = _file(rtu) if kind == "bus" else _file(away, **on_port)
        peer = stand.responder("rtu") if kind == "bus" else frames
        outputs = LineOutputs(file)
        outputs.broke = stand.broke.append
        try:
            async with serve_pty(peer, link=Path(name)):
                await outputs.open()
                await outputs.contact("rain", closed=True)
            await asyncio.sleep(0.5)
            assert stand.closed
            async with serve_pty(peer, link=Path(name)):
                plugged_s = now_s()
                async with asyncio.timeout(3):
                    while stand.closed:
                        await asyncio.sleep(0.01)
                assert stand.edges[-1][0] - plugged_s < 2
                assert isinstance(stand.broke[0], StimulusError)
                await outputs.make_safe()
                await outputs.close()
        finally:
            await outputs.close()

    run(main(), virtual=False)
