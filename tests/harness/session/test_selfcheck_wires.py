"""A self-check and a hook-up check on pseudo-terminals, in real time."""

from __future__ import annotations

import asyncio
import threading
from contextlib import AsyncExitStack

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.read import read_log
from ventproof.session.selfcheck import selfcheck
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.wires.stand import serve

pytestmark = pytest.mark.wire

FASTER = (
    ("full_travel: 28 s", "full_travel: 2800 ms"),
    ("full_travel: 38 s", "full_travel: 3800 ms"),
    ("answers_within: 10 ms", "answers_within: 60 ms"),  # a loaded machine answers late
    ("timeout: 300 ms", "timeout: 150 ms"),
    ("driver: frames", "driver: frames\n    selfcheck: leave"),
    ("driver: control-line", "driver: control-line\n    selfcheck: leave"),
    ("settles: 110 s", "settles: 300 ms"),
    ("within: 45 s", "within: 1 s"),
    ("within: 60 s", "within: 1 s"),
    (
        "answers: {rain_contact: on, rain_override: on, roof_vent: 99 % to 5 %, side_vent: 99 % to 50 %}",
        "answers: {rain_contact: on}",
    ),
    (
        "answers: {house_reading: up, roof_vent: 0 % to 99 %, side_vent: 0 % to 99 %}",
        "answers: {house_reading: up}",
    ),
    ("counted_by: rain_count", "counted_by: rain_count\n    feedback: rain_contact"),
)


@pytest.fixture
def hurried(monkeypatch):
    """Listen and pulse for as long as a quick bench needs; how long a check lasts is tested in virtual time."""
    monkeypatch.setattr("ventproof_bench.selfcheck.procedure.LISTEN_S", 1.0)
    monkeypatch.setattr("ventproof_bench.selfcheck.procedure._HALF_PERIOD_S", 0.1)


@pytest.fixture
def bench(tmp_path):
    """Serve the mock from a thread; returns a function that loads its RTU bench, quick and changed."""
    ready, leave = threading.Event(), asyncio.Event()
    found = {}

    async def main():
        settings = load_bench(SHIPPED_BENCH).model.mock
        found["loop"] = asyncio.get_running_loop()
        async with AsyncExitStack() as stack:
            found["stand"] = await serve(settings, tmp_path / "stand", stack)
            ready.set()
            await leave.wait()

    thread = threading.Thread(target=asyncio.run, args=(main(),))
    thread.start()
    assert ready.wait(10)

    def load(*changes):
        text = next(p for p in found["stand"].bench_files if "rtu" in p.name).read_text(encoding="utf-8")
        for said, instead in (*FASTER, *changes):
            assert said in text
            text = text.replace(said, instead)
        (tmp_path / "bench.yaml").write_text(text, encoding="utf-8")
        return load_bench(tmp_path / "bench.yaml")

    yield load
    found["loop"].call_soon_threadsafe(leave.set)
    thread.join(10)


@pytest.mark.usefixtures("hurried")
def test_a_bench_on_wires_measures_itself(bench, tmp_path):
    """Edges, feedback, counts and round trips come from real wires, and the log is whole."""
    result = selfcheck(bench(), tmp_path, kind="bench")
    assert result.aborted == ""
    measured = result.measured
    (bus,) = measured.buses
    assert 0.003 < bus.round_trip.median_s <= bus.round_trip.worst_s
    assert bus.age_s > 0.1
    assert [e.output for e in measured.edges] == ["rain"]
    assert [(c.sent, c.counted) for c in measured.counts] == [(6, 6)]
    assert [(e.followed, e.cycles) for e in measured.echoes] == [(6, 3)]
    state = read_log(result.log)
    assert state.broken_at is None
    assert state.outcome in ("fine", "worse")  # a loaded machine may be slower than declared
    assert "safe" in [event.name for event in state.events]


@pytest.mark.usefixtures("hurried")
def test_a_contact_wired_the_wrong_way_round_is_named_on_wires(bench, tmp_path):
    """A normally open relay that the bench file takes for a normally closed one."""
    result = selfcheck(
        bench(("at_rest: open\n    safe: open", "at_rest: closed\n    safe: open")), tmp_path, kind="unit"
    )
    (said,) = result.sentences
    assert said.startswith("output 'rain' works the wrong way round")
