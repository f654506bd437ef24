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
from ventproof_bench.outputs.wear import operations_in

pytestmark = pytest.mark.wire

SLOW = (
    "rain_override: on",
    "rain_by_tips: stays",
    "gale_override: stays",
    "roof_vent: 92 % to 8 %",
    "side_vent: 88 % to 45 %",
    "roof_vent: 0 % to 92 %",
    "side_vent: 0 % to 88 %",
)
BUCKET = """    hookup:
      values: [0 mm/h, 200 mm/h]
      answers: {rain_intensity: 0 mm/h to 200 mm/h, rain_by_tips: on, rain_override: on, rain_contact: stays}
      settles: 35 s
      within: 20 s
"""
FASTER = (
    ("full_travel: 28 s", "full_travel: 2800 ms"),
    ("full_travel: 38 s", "full_travel: 3800 ms"),
    ("answers_within: 10 ms", "answers_within: 60 ms"),  # a loaded machine answers late
    ("timeout: 300 ms", "timeout: 150 ms"),
    ("settles: 110 s", "settles: 300 ms"),
    (BUCKET, ""),
    ("settles: 5 s", "settles: 300 ms"),
    ("within: 45 s", "within: 1 s"),
    ("within: 60 s", "within: 1 s"),
    ("within: 25 s", "within: 4 s"),
    # What comes of delays and travels takes its time; it is tried in virtual time.
    *((f"        {slow}\n", "") for slow in SLOW),
    ("gale_override: on, rain_contact: stays", "rain_contact: stays"),
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

    def load(*changes, link="rtu"):
        text = next(p for p in found["stand"].bench_files if link in p.name).read_text(encoding="utf-8")
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
    result = selfcheck(bench(), tmp_path, kind="bench", ledger=tmp_path / "relays.sqlite")
    assert result.aborted == ""
    measured = result.measured
    (bus,) = measured.buses
    assert 0.003 < bus.round_trip.median_s <= bus.round_trip.worst_s
    assert bus.age_s > 0.1
    assert [e.output for e in measured.edges] == ["rain"]
    assert [(c.sent, c.counted) for c in measured.counts] == [(6, 6)]
    assert [(e.followed, e.cycles) for e in measured.echoes] == [(6, 3)]
    (board,) = measured.boards
    assert (board.board, board.output, board.told) == ("relays", "rain", True)
    assert board.after_s <= 2.0 <= board.within_s < 2.5
    assert any("relays makes rain, cups, bucket safe by itself 2 s" in note for note in result.notes)
    state = read_log(result.log)
    assert state.broken_at is None
    assert state.outcome in ("partial", "worse")  # a loaded machine may be slower than declared
    assert "safe" in [event.name for event in state.events]
    assert max(operations_in(tmp_path / "relays.sqlite").values()) >= 6


@pytest.mark.usefixtures("hurried")
def test_a_contact_wired_the_wrong_way_round_is_named_on_wires(bench, tmp_path):
    """A normally open relay that the bench file takes for a normally closed one."""
    result = selfcheck(
        bench(("at_rest: open\n    safe: open", "at_rest: closed\n    safe: open")), tmp_path, kind="unit"
    )
    (said,) = (
        one for one in result.sentences if "wrong way round" in one
    )  # a busy computer may be slow besides
    assert said.startswith("output 'rain' works the wrong way round")


UNIT_7 = (
    ("    bus: unit\n    table: input", "    bus: unit\n    unit_id: 7\n    table: input"),
    ("{bus: unit, table: input", "{bus: unit, unit_id: 7, table: input"),
)
MISWIRED = {
    "rtu, silent unit": (
        "rtu",
        UNIT_7,
        "unit 7 never answers on bus 'unit', units 1, 2 do: look at `unit_id` of 'ro",
    ),
    "tcp, wrong framing": (
        "tcp",
        [("link: tcp", "link: rtu-over-tcp")],
        "nothing answers on bus 'unit', where unit 1",
    ),
    "rtu, refused": (
        "rtu",
        [("gust: {bus: unit, table: input, address: 8", "gust: {bus: unit, table: input, address: 15")],
        "'gust' cannot be read: input 15 of unit 1: the unit refused with exception 2, illegal data address",
    ),
    "tcp, wrong scale": (
        "tcp",
        [("address: 8, scale: 0.1", "address: 8, scale: 1")],
        "'gust' reads 0 and then 1",
    ),
}


@pytest.mark.parametrize("name", MISWIRED)
def test_a_miswiring_is_named_on_wires(bench, tmp_path, name):
    """Who is silent and who answers, what is refused, what reads otherwise: within seconds, and nothing is fine."""
    link, changes, said = MISWIRED[name]
    result = selfcheck(bench(*changes, link=link), tmp_path, kind="unit")
    assert result.result == "worse", result.aborted
    assert any(sentence.startswith(said) for sentence in result.sentences), result.sentences
