"""Runs on real wires that are hit: stalled, signalled at any instant, or cut off from their boards."""

from __future__ import annotations

import asyncio
import random
import signal
import subprocess
import sys
import threading
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from ventproof.log.read import check_log, read_log
from ventproof.rejudge.again import decide_again
from ventproof_bench.base.clock import now_s
from ventproof_bench.mock.wires.modbus_server import Responder, Trouble
from ventproof_bench.mock.wires.relay_boards import CoilBoard
from ventproof_bench.mock.wires.stand import serve_tcp

pytestmark = pytest.mark.wire

VENTPROOF = [sys.executable, "-m", "ventproof"]
BENCH = """
bench: a relay on a socket
buses:
  io: {{link: tcp, host: 127.0.0.1, tcp_port: {port}, timeout: 300 ms, poll_every: 100 ms}}
outputs:
  rain: {{driver: coil, wired: {{bus: io, unit_id: 1, coil: 0}}, operate: 5 ms, release: 5 ms, bounce: 0 ms}}
signals:
  wet: {{bus: io, table: coil, address: 0, type: bit, unit: flag, keeps_for: 1 s}}
"""
RAIN = """
profile: rain
needs: {outputs: {rain: contact}, signals: {wet: flag}}
start:
  until: [{signal: wet, equals: off, within: 5 s}]
steps:
  - step: rain begins
    do: [{close: rain}]
    expect: [{signal: wet, equals: on, within: 2 s}]
  - step: rain ends
    do: [{wait: 5 s}, {open: rain, label: dry}]
    expect: [{signal: wet, equals: off, within: 2 s, after: dry}]
"""


class _Relay:
    """A relay board on a socket in a thread of its own; knows what its relay does, and can be cut off once."""

    def __init__(self) -> None:
        self.edges: list[tuple[float, bool]] = []
        self.port = 0
        self._cut = False
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._over: asyncio.Event | None = None
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    @property
    def closed(self) -> bool:
        """Whether the contact is closed now."""
        return bool(self.edges) and self.edges[-1][1]

    def cut(self) -> None:
        """Drop the connection with the next request, and take new ones."""
        self._cut = True

    def _trouble(self, _):
        cut, self._cut = self._cut, False
        return Trouble(cut=True) if cut else None

    async def _serve(self) -> None:
        self._loop, self._over = asyncio.get_running_loop(), asyncio.Event()
        board = CoilBoard({0: lambda closed: self.edges.append((now_s(), closed))})
        async with serve_tcp(lambda: Responder("tcp", {1: board}, trouble=self._trouble)) as self.port:
            self._ready.set()
            await self._over.wait()

    def __enter__(self):
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(10)


@contextmanager
def _begun(tmp_path: Path):
    """Begin a run on a relay board; gives both, and the folder of its log."""
    with ExitStack() as stack:
        relay = stack.enter_context(_Relay())
        (tmp_path / "bench.yaml").write_text(BENCH.format(port=relay.port), encoding="utf-8")
        (tmp_path / "rain.yaml").write_text(RAIN, encoding="utf-8")
        words = ["run", tmp_path / "rain.yaml", "--bench", tmp_path / "bench.yaml", "--confirm-clear"]
        words += ["--out", tmp_path / "out", "--history", "none"]
        process = subprocess.Popen(
            [*VENTPROOF, *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        try:
            yield relay, process, tmp_path / "out"
        finally:
            process.kill()
            process.wait()
            process.stdout.close()


def _until_rain(relay: _Relay, process: subprocess.Popen) -> None:
    for _ in range(6000):
        if relay.closed:
            return
        assert process.poll() is None, process.stdout.read()
        time.sleep(0.01)
    raise AssertionError("the contact was never closed")


def test_a_dropped_connection_ends_the_profile_inconclusive_and_outputs_safe(tmp_path):
    """The peer takes a new connection at once: no alarm, no contact left closed, and judging again says the same."""
    with _begun(tmp_path) as (relay, process, out):
        _until_rain(relay, process)
        time.sleep(0.5)
        relay.cut()
        said, _ = process.communicate(timeout=60)
        assert process.returncode == 2, said
        assert not relay.closed
    assert "may not be in their safe state" not in said
    assert "the commands to the unit since then are unknown" in " ".join(said.split())
    (log,) = out.glob("*.jsonl")
    state = read_log(log)
    assert state.outcome == "inconclusive"
    assert "safe" in {event.name for event in state.events}
    assert str(decide_again(state).verdict) == "inconclusive"


def test_a_harness_that_is_stalled_for_half_a_second_goes_on(tmp_path):
    """Overload is weather: what was not read meanwhile is less evidence, and nothing is aborted."""
    with _begun(tmp_path) as (relay, process, out):
        _until_rain(relay, process)
        for _ in range(3):
            time.sleep(0.3)
            process.send_signal(signal.SIGSTOP)
            time.sleep(0.6)
            process.send_signal(signal.SIGCONT)
            assert relay.closed
        said, _ = process.communicate(timeout=60)
        assert process.returncode in {0, 2}, said
        assert not relay.closed
    (log,) = out.glob("*.jsonl")
    assert read_log(log).outcome in {"pass", "inconclusive"}


def test_a_harness_that_hangs_for_longer_ends_its_profile_inconclusive_with_that_reason(tmp_path):
    """After the heartbeat limit the contact opens; the profile that cannot be judged says why."""
    with _begun(tmp_path) as (relay, process, out):
        _until_rain(relay, process)
        time.sleep(0.3)
        process.send_signal(signal.SIGSTOP)
        time.sleep(3.5)
        assert not relay.closed
        process.send_signal(signal.SIGCONT)
        said, _ = process.communicate(timeout=60)
        assert process.returncode == 2, said
    assert "it heard nothing of the harness for 2 s" in " ".join(said.split()), said
    (log,) = out.glob("*.jsonl")
    assert read_log(log).outcome == "inconclusive"


@pytest.mark.parametrize("seed", range(5))
def test_a_signal_at_any_instant_ends_the_program_with_its_code_and_safe_outputs(tmp_path, seed):
    """From its start to its end: 130 or 128 and the signal's number, the contact open, and the log, if any, closed."""
    chance = random.Random(f"{seed} of signals")
    number = chance.choice([signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
    with _begun(tmp_path) as (relay, process, out):
        if chance.random() < 0.5:
            time.sleep(chance.uniform(0, 6))
        else:
            _until_rain(relay, process)
            time.sleep(chance.uniform(0, 3))
        process.send_signal(number)
        said, _ = process.communicate(timeout=60)
        # Python itself ends by SIGINT where that came amid an import: 130 to a shell.
        assert process.returncode in {130, 128 + number, -number, -signal.SIGINT}, said
        limit_s = time.monotonic() + 2
        while relay.closed:
            assert time.monotonic() < limit_s
            time.sleep(0.01)
    assert "ventproof itself failed" not in said
    for log in out.glob("*.jsonl"):
        assert log.stat().st_size == 0 or check_log(log).closed
