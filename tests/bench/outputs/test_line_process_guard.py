"""The line process: outputs as in this process, errors that travel, and the guard."""

import asyncio
import os
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from plain_unit import PlainBank

from ventproof_bench.base.clock import now_s, run
from ventproof_bench.base.edges import pulse_plan
from ventproof_bench.base.errors import BenchError, BusFault, DriverError, LinkError, StimulusError
from ventproof_bench.base.evidence import DrivenOutput, FoundSetting
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.mock.wires.modbus_server import Request, Responder, Trouble
from ventproof_bench.mock.wires.relay_boards import CoilBoard, FramesBoard
from ventproof_bench.mock.wires.stand import serve_pty, serve_tcp
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.outputs.parts import carried_buses

pytestmark = pytest.mark.wire


class _Truth:
    """When the board's contact _really moved."""

    def __init__(self) -> None:
        self.edges: list[tuple[float, bool]] = []
        self.moved = asyncio.Event()

    def __call__(self, closed: bool) -> None:  # noqa: FBT001 - as boards call it
        self.edges.append((now_s(), closed))
        self.moved.set()

    async def becomes(self, *, closed: bool, within_s: float) -> float:
        """Wait for a state of the contact; returns how long it took."""
        begun_s = now_s()
        async with asyncio.timeout(within_s):
            while not self.edges or self.edges[-1][1] is not closed:
                self.moved.clear()
                await self.moved.wait()
        return now_s() - begun_s


def _bench_file(frames_port: str, rtu_port: str = "/dev/null", **wired: Any) -> BenchFile:
    """Return a bench with a frames board, a coil board on the unit's bus, and a spare bus."""
    frames = {"on": "55 01 01 {sum8}", "off": "55 01 00 {sum8}", "reply": "AA 01 {state} {sum8}"}
    rain = {"driver": "frames", "wired": {"port": frames_port, **frames, **wired}}
    flood = {"driver": "coil", "wired": {"bus": "unit", "unit_id": 7, "coil": 0}}
    relay = {"operate": "1 ms", "release": "1 ms", "bounce": "1 ms"}
    rtu = {
        "link": "rtu",
        "port": rtu_port,
        "parity": "none",
        "timeout": "200 ms",
        "quiet_after_fault": "20 ms",
    }
    house = {
        "kind": "register",
        "driver": "register",
        "unit": "°C",
        "wired": {"bus": "unit", "table": "holding", "address": 1, "type": "s16", "scale": 0.1},
    }
    on_bus = {"flood": flood | relay, "house": house} if rtu_port != "/dev/null" else {}
    return BenchFile.model_validate(
        {
            "bench": "line test",
            "buses": {"unit": rtu, "spare": {"link": "tcp", "host": "192.0.2.1"}},
            "outputs": {"rain": rain | relay, **on_bus},
            "signals": {"vent": {"bus": "unit", "table": "holding", "address": 0, "unit": "%"}},
        }
    )


def _really(main: Coroutine[Any, Any, None]) -> None:
    run(main, virtual=False)


@asynccontextmanager
async def _bench(
    tell: Callable[[FoundSetting | DrivenOutput], None] = lambda _: None,
) -> AsyncIterator[tuple[LineOutputs, dict[str, _Truth], PlainBank]]:
    """Open a line process on a frames board, and on a bus with the unit and a coil board."""
    truth = {"rain": _Truth(), "flood": _Truth()}
    unit = PlainBank({"holding": [42, 215, 0]})
    devices = {1: unit, 7: CoilBoard({0: truth["flood"]})}
    async with (
        serve_pty(FramesBoard({1: truth["rain"]})) as frames,
        serve_pty(Responder("rtu", devices)) as rtu,
    ):
        outputs = LineOutputs(_bench_file(frames, rtu))
        outputs.tell = tell
        await outputs.open()
        try:
            yield outputs, truth, unit
        finally:
            await outputs.close()
            await outputs.close()


def _line_pid(outputs: LineOutputs) -> int:
    assert outputs._line is not None
    assert outputs._line._process is not None
    return outputs._line._process.pid


def test_buses_that_carry_outputs_live_in_the_line_process():
    """A bus with a relay or a register output on it is the line process's; others stay with the harness."""
    assert carried_buses(_bench_file("/dev/x", "/dev/y")) == ("unit",)
    assert carried_buses(_bench_file("/dev/x")) == ()


def test_a_bench_file_travels_unchanged():
    """What the line process builds from is the bench file itself, to the last digit."""
    file = _bench_file("/dev/x", "/dev/y")
    assert BenchFile.model_validate_json(file.model_dump_json(exclude_unset=True)) == file


def test_outputs_and_polls_go_through_the_line_process():
    """Contacts, levels and polls of the shared bus work, windows hold the truth, and closing makes safe."""

    async def main():
        told = list[FoundSetting | DrivenOutput]()
        async with _bench(told.append) as (outputs, truth, unit):
            assert set(outputs.buses) == {"unit"}
            for name in ("rain", "flood"):
                for closed in (True, False, True):
                    window = await outputs.contact(name, closed=closed)
                    at_s, became = truth[name].edges[-1]
                    assert became is closed
                    assert window.earliest_s <= at_s <= window.latest_s
            await outputs.level("house", -12.3)
            assert unit.tables["holding"] == [42, 65536 - 123, 0]
            assert [(one.output, one.words) for one in told if isinstance(one, FoundSetting)] == [
                ("house", (215,))
            ]
            reply = await outputs.buses["unit"].read(ReadRequest(1, "holding", 0, 2))
            assert reply.words == (42, 65536 - 123)
            assert reply.requested_s < reply.replied_s <= now_s()
            await outputs.make_safe()
            assert [t.edges[-1][1] for t in truth.values()] == [False, False]
            assert unit.tables["holding"] == [42, 215, 0]
            back = told[-1]
            assert isinstance(back, DrivenOutput)
            assert (back.output, back.why, back.value, back.words) == ("house", "restore", 21.5, (215,))
            assert reply.replied_s < back.window.earliest_s < back.window.latest_s <= now_s()
            await outputs.contact("rain", closed=True)
        assert truth["rain"].edges[-1][1] is False

    _really(main())


def test_a_train_goes_out_on_time_beside_polls():
    """Every edge's window holds the board's own instant; due times are those asked for."""

    async def main():
        async with _bench() as (outputs, truth, _):
            truth["rain"].edges.clear()
            start_s = now_s() + 0.1
            plan = pulse_plan(10, closed_for_s=0.012, open_for_s=0.018)

            async def poll():
                while True:
                    await outputs.buses["unit"].read(ReadRequest(1, "holding", 0, 1))

            polls = asyncio.ensure_future(poll())
            reports = await outputs.train("rain", plan, start_s=start_s)
            polls.cancel()
            assert [(r.closed, r.due_s) for r in reports] == [(e.closed, start_s + e.at_s) for e in plan]
            for report, (at_s, closed) in zip(reports, truth["rain"].edges, strict=True):
                assert report.closed is closed
                assert report.window is not None
                assert report.due_s <= report.window.earliest_s <= at_s <= report.window.latest_s

    _really(main())


def test_errors_travel_as_what_they_are():
    """A bus fault keeps its kind and times, a driver error its text, and an unknown name the nearest one."""

    async def main():
        async with _bench() as (outputs, _, __):
            with pytest.raises(BusFault, match=r"exception|address") as fault:
                await outputs.buses["unit"].read(ReadRequest(1, "holding", 77, 1))
            assert fault.value.kind == "exception"
            assert fault.value.requested_s < fault.value.ended_s <= now_s()
            with pytest.raises(DriverError, match=r"^there is no contact 'rian'; did you mean 'rain'\?$"):
                await outputs.contact("rian", closed=True)
            with pytest.raises(DriverError, match=r"^output rain: edges 1 ms apart are too fast"):
                await outputs.train("rain", pulse_plan(2, closed_for_s=0.001, open_for_s=1), start_s=now_s())
            with pytest.raises(DriverError, match="out of range"):
                await outputs.level("house", 1e6)

    _really(main())


@pytest.mark.parametrize(
    ("wired", "error", "says"),
    [
        ({"port": "/dev/no-such-port"}, LinkError, "there is no such port"),
        ({"reply": "AB 01 {state} {sum8}"}, DriverError, "answered aa 01 00 ab, not ab 01 00 ac"),
        ({"on": "55 0"}, DriverError, "output rain: .*is neither a hex byte"),
    ],
)
def test_a_bench_that_cannot_be_opened_leaves_no_process(wired, error, says):
    """The reason comes from the line process, which is gone afterwards."""

    async def main():
        async with serve_pty(FramesBoard({1: _Truth()})) as port:
            outputs = LineOutputs(_bench_file(port, **wired))
            with pytest.raises(error, match=says):
                await outputs.open()
            assert outputs._line is None
            with pytest.raises(LinkError, match=r"^the outputs are not open$"):
                await outputs.contact("rain", closed=True)
            await outputs.close()

    _really(main())


HARNESS = """
import asyncio, sys
from ventproof_bench.outputs.line import LineOutputs
from ventproof_bench.benchfile.model import BenchFile

async def main():
    outputs = LineOutputs(BenchFile.model_validate_json(sys.argv[1]))
    await outputs.open()
    await outputs.contact("rain", closed=True)
    if "house" in sys.argv[1]:
        await outputs.level("house", -12.3)
    print("closed", outputs._line._process.pid, flush=True)
    {then}

asyncio.run(main())
"""


@pytest.mark.parametrize(
    ("then", "end", "within_s", "also_line"),
    [
        pytest.param("await asyncio.sleep(60)", signal.SIGKILL, 1.0, False, id="killed"),
        pytest.param("await asyncio.sleep(60)", signal.SIGSTOP, 3.0, False, id="stopped"),
        pytest.param("while True: pass", None, 3.0, False, id="hung"),
        pytest.param("sys.exit(1)", None, 1.0, False, id="exited"),
        pytest.param("await asyncio.sleep(60)", signal.SIGTERM, 1.0, False, id="terminated"),
        pytest.param("await asyncio.sleep(60)", signal.SIGKILL, 1.0, True, id="both killed"),
        pytest.param("await asyncio.sleep(60)", signal.SIGSTOP, 1.0, True, id="both stopped"),
    ],
)
def test_outputs_are_safe_soon_after_the_harness_is_gone(then, end, within_s, also_line):
    """Whatever ends the harness's process group, and its line process too, within a second all is as it was.

    A harness that hangs has the heartbeat limit of two seconds before.

    The contact opens, and the setting that a step wrote is what the unit had before.
    """

    async def main():
        truth, unit = _Truth(), PlainBank({"holding": [42, 215, 0]})
        devices = {1: unit, 7: CoilBoard({0: _Truth()})}
        async with (
            serve_pty(FramesBoard({1: truth})) as port,
            serve_pty(Responder("rtu", devices)) as rtu,
        ):
            harness = subprocess.Popen(  # noqa: ASYNC220 - a few ms
                [
                    sys.executable,
                    "-c",
                    HARNESS.replace("{then}", then),
                    _bench_file(port, rtu).model_dump_json(exclude_unset=True),
                ],
                start_new_session=True,
                stdout=subprocess.PIPE,
                cwd=Path(__file__).parents[3],
            )
            try:
                assert harness.stdout is not None
                said = await asyncio.get_running_loop().run_in_executor(None, harness.stdout.readline)
                assert said.startswith(b"closed ")
                assert truth.edges[-1][1] is True
                assert unit.tables["holding"] == [42, 65536 - 123, 0]
                if also_line:
                    os.kill(int(said.split()[1]), end)
                if end is not None:
                    os.killpg(harness.pid, end)
                async with asyncio.timeout(within_s):
                    await truth.becomes(closed=False, within_s=within_s)
                    while unit.tables["holding"] != [42, 215, 0]:
                        await asyncio.sleep(0.01)
            finally:
                os.killpg(harness.pid, signal.SIGKILL)
                harness.wait()
                harness.stdout.close()
            # The guard still reads back what it put back; the next test may be given ports of the same names.
            await _let_go({port, rtu})

    _really(main())


async def _let_go(ports: set[str]) -> None:
    """Wait until no other process has one of the ports open."""
    async with asyncio.timeout(10):
        while any(_held(ports)):
            await asyncio.sleep(0.02)


def _held(ports: set[str]) -> Iterator[bool]:
    for entry in Path("/proc").glob("[0-9]*/fd/*"):
        with suppress(OSError):  # it is gone meanwhile
            yield entry.parts[2] != str(os.getpid()) and str(entry.readlink()) in ports


def test_a_train_that_nobody_waits_for_stops():
    """A cancelled train plays no further edge, and the outputs can be used on."""

    async def main():
        async with _bench() as (outputs, truth, _):
            plan = pulse_plan(100, closed_for_s=0.03, open_for_s=0.03)
            train = asyncio.ensure_future(outputs.train("rain", plan, start_s=now_s()))
            await truth["rain"].becomes(closed=True, within_s=1)
            train.cancel()
            await outputs.contact("rain", closed=True)
            seen = len(truth["rain"].edges)
            await asyncio.sleep(0.1)
            assert len(truth["rain"].edges) == seen

    _really(main())


def test_a_killed_line_process_is_noticed_at_once_and_another_makes_safe():
    """Whoever waits gets a link error; a second line process opens the contact and puts back what the first found."""

    async def main():
        async with _bench() as (outputs, truth, unit):
            await outputs.contact("rain", closed=True)
            await outputs.level("house", -12.3)
            train = asyncio.ensure_future(
                outputs.train("flood", pulse_plan(100, closed_for_s=0.5, open_for_s=0.5), start_s=now_s())
            )
            await truth["flood"].becomes(closed=True, within_s=1)
            begun_s = now_s()
            os.kill(_line_pid(outputs), signal.SIGKILL)
            with pytest.raises(
                LinkError, match=r"^the line process, which owns the outputs, is lost: it died"
            ):
                await train
            assert now_s() - begun_s < 0.5
            with pytest.raises(LinkError, match="is lost: it died"):
                await outputs.buses["unit"].read(ReadRequest(1, "holding", 0, 1))
            await outputs.make_safe()
            assert [t.edges[-1][1] for t in truth.values()] == [False, False]
            assert unit.tables["holding"] == [42, 215, 0]
            assert outputs.notes[-1].endswith("the outputs were made safe by it or its standby")

    _really(main())


def test_a_line_process_that_hangs_is_noticed_and_another_makes_safe():
    """A stopped line process is killed by its standby, and all is as it was in less than a second."""

    async def main():
        async with _bench() as (outputs, truth, unit):
            await outputs.contact("rain", closed=True)
            await outputs.level("house", -12.3)
            os.kill(_line_pid(outputs), signal.SIGSTOP)
            with pytest.raises(LinkError, match="is lost: it was stopped"):
                await outputs.contact("rain", closed=True)
            assert await truth["rain"].becomes(closed=False, within_s=1) < 1
            await outputs.make_safe()
            assert unit.tables["holding"] == [42, 215, 0]

    _really(main())


def test_a_line_process_that_was_stopped_never_drives_again():
    """It is ended before another drives: when it is told to go on, there is nobody."""

    async def main():
        async with _bench() as (outputs, truth, _):
            plan = pulse_plan(100, closed_for_s=0.05, open_for_s=0.05)
            train = asyncio.ensure_future(outputs.train("rain", plan, start_s=now_s()))
            await truth["rain"].becomes(closed=True, within_s=1)
            line = _line_pid(outputs)
            os.kill(line, signal.SIGSTOP)
            with pytest.raises(LinkError, match="it was stopped"):
                await train
            await outputs.make_safe()
            with suppress(ProcessLookupError):
                os.kill(line, signal.SIGCONT)
            driven = len(truth["rain"].edges)
            await asyncio.sleep(0.5)
            assert len(truth["rain"].edges) == driven
            assert truth["rain"].edges[-1][1] is False

    _really(main())


def test_without_its_standby_a_killed_line_process_is_followed_by_a_second_one():
    """The loss of the standby is on record at once; the outputs are made safe all the same."""

    async def main():
        async with _bench() as (outputs, truth, unit):
            await outputs.level("house", -12.3)
            await outputs.contact("rain", closed=True)
            (standby,) = _children_of(_line_pid(outputs))
            os.kill(standby, signal.SIGKILL)
            async with asyncio.timeout(2):
                while not any("the standby is lost" in note for note in outputs.notes):
                    await asyncio.sleep(0.01)
            os.kill(_line_pid(outputs), signal.SIGKILL)
            with pytest.raises(LinkError, match="it died"):
                await outputs.contact("rain", closed=True)
            await outputs.make_safe()
            assert truth["rain"].edges[-1][1] is False
            assert unit.tables["holding"] == [42, 215, 0]
            assert outputs.notes[-1].endswith("a second one made the outputs safe")

    _really(main())


def _children_of(pid: int) -> list[int]:
    return list(map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="utf-8").split()))


def test_the_line_process_minds_sigterm_and_not_sigint():
    """Ctrl-C is the harness's business; a termination makes safe, and the harness is told."""

    async def main():
        async with _bench() as (outputs, truth, _):
            await outputs.contact("rain", closed=True)
            os.kill(_line_pid(outputs), signal.SIGINT)
            await outputs.contact("rain", closed=True)
            assert truth["rain"].edges[-1][1] is True
            os.kill(_line_pid(outputs), signal.SIGTERM)
            await truth["rain"].becomes(closed=False, within_s=0.5)
            with pytest.raises(LinkError, match=r"is lost: it was asked to end \(SIGTERM\)$"):
                await outputs.contact("rain", closed=True)

    _really(main())


def test_a_coil_board_whose_connection_was_cut_is_made_safe_all_the_same():
    """On its way out the line process connects a lost bus again rather than leave a relay energised."""

    async def main():
        truth, cut = _Truth(), {"now": False}
        board = CoilBoard({0: truth})

        def trouble(_: Request) -> Trouble | None:
            wanted, cut["now"] = cut["now"], False
            return Trouble(cut=True) if wanted else None

        async with serve_tcp(lambda: Responder("tcp", {1: board}, trouble=trouble)) as port:
            outputs = LineOutputs(
                BenchFile.model_validate(
                    {
                        "bench": "coil test",
                        "buses": {"relays": {"link": "tcp", "host": "127.0.0.1", "tcp_port": port}},
                        "outputs": {"rain": {"driver": "coil", "wired": {"bus": "relays", "coil": 0}}},
                        "signals": {
                            "vent": {
                                "bus": "relays",
                                "table": "coil",
                                "address": 0,
                                "unit": "flag",
                                "type": "bit",
                            }
                        },
                    }
                )
            )
            await outputs.open()
            await outputs.contact("rain", closed=True)
            cut["now"] = True
            with pytest.raises(BusFault, match=r"cut|lost|connection"):
                await outputs.buses["relays"].read(ReadRequest(1, "coil", 0, 1))
            os.kill(_line_pid(outputs), signal.SIGTERM)
            await truth.becomes(closed=False, within_s=1)
            await outputs.close()

    _really(main())


def test_a_harness_that_comes_back_from_a_stall_is_told():
    """Half a second is weather; after two without a sign of life the contact is open, and the next call says why."""

    async def main():
        async with _bench() as (outputs, truth, _):
            await outputs.contact("rain", closed=True)
            time.sleep(0.7)  # noqa: ASYNC251 - the stall
            await outputs.contact("rain", closed=True)
            broke = list[BenchError]()
            outputs.broke = broke.append
            stalled_s = now_s()
            time.sleep(2.5)  # noqa: ASYNC251 - the stall
            with pytest.raises(
                LinkError, match=r"it heard nothing of the harness for 2 s; is the machine over"
            ):
                await outputs.contact("rain", closed=True)
            assert truth["rain"].edges[-1][1] is False
            (error,) = broke
            assert isinstance(error, StimulusError)
            assert error.since_s <= stalled_s + 0.1

    _really(main())
