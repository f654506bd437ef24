"""Two buses ask one mock unit in virtual time: what is answered again is what the unit held when it was asked."""

from __future__ import annotations

import asyncio
from pathlib import Path

import yaml
from hypothesis import example, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

import ventproof_bench
from ventproof_bench.base.clock import ORIGIN_S, now_s, run, sleep_until
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.benchfile.model import InProcessBus
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build
from ventproof_bench.mock.wires.modbus_server import Responder
from ventproof_bench.modbus.bus import ModbusBus
from ventproof_bench.rig.build import devices_of

FILE = Path(ventproof_bench.__file__).parents[1] / "files" / "mock.yaml"
SETTINGS = MockSettings.model_validate(yaml.safe_load(FILE.read_text(encoding="utf-8"))["mock"])
SPEC = InProcessBus.model_validate({"link": "in-process", "framing": "tcp"})
LASTS_S = 8.0
REQUESTS = (ReadRequest(1, "discrete", 0, 4), ReadRequest(1, "input", 0, 4))


def unit_at(start_s):
    return build(SETTINGS, start_s, 0)


async def _asked(bus, every_s, phase_s, found):
    """Ask for everything again and again, and note each reply."""
    await sleep_until(ORIGIN_S + phase_s)
    while now_s() < ORIGIN_S + LASTS_S:
        began_s = now_s()
        for request in REQUESTS:
            reply = await bus.read(request)
            found.append((reply.requested_s, request, reply.words))
        await sleep_until(max(now_s(), began_s + every_s))


async def _switched(unit, edges):
    for at_s, closed in edges:
        await sleep_until(ORIGIN_S + at_s)
        unit.set_contact("rain", now_s(), closed=closed)


async def _both(edges, lateness_s, every_s, phases_s):
    """Return all replies that two buses brought, and when the rain contact was moved."""
    unit = unit_at(now_s())
    found = []
    async with asyncio.TaskGroup() as group:
        buses = []
        for number, late_s in enumerate(lateness_s):
            responder = Responder("tcp", devices_of(unit), reply_after_s=late_s)
            bus = ModbusBus(f"bus {number}", SPEC, peer=responder)
            await bus.open()
            buses.append(bus)
            group.create_task(_asked(bus, every_s[number], phases_s[number], found))
        group.create_task(_switched(unit, edges))
    for bus in buses:
        await bus.close()
    return found


SPANS_MS = st.integers(20, 900)


@hypothesis_settings(max_examples=60, deadline=None)
@example(edges_ms=[1_000], lateness_ms=(50, 2), every_ms=(90, 370))
@given(
    edges_ms=st.lists(SPANS_MS, min_size=1, max_size=8),
    lateness_ms=st.tuples(st.integers(1, 60), st.integers(1, 60)),
    every_ms=st.tuples(SPANS_MS, SPANS_MS),
)
def test_each_reply_is_what_the_unit_held_when_it_was_asked(edges_ms, lateness_ms, every_ms):
    """However late each bus brings its replies, and whatever the other one asks meanwhile."""
    at_s, edges = 0.0003, []  # no edge at the instant of a request
    for number, span_ms in enumerate(edges_ms):
        at_s += span_ms / 1000
        edges.append((at_s, number % 2 == 0))
    lateness_s = [late_ms / 1000 for late_ms in lateness_ms]
    every_s = [one_ms / 1000 for one_ms in every_ms]
    found = run(_both(edges, lateness_s, every_s, (0.01, 0.0171)), virtual=True)
    twin, left = unit_at(ORIGIN_S), list(edges)
    assert len(found) > LASTS_S
    for requested_s, request, words in sorted(found, key=lambda one: one[0]):
        while left and ORIGIN_S + left[0][0] <= requested_s:
            edge_s, closed = left.pop(0)
            twin.set_contact("rain", ORIGIN_S + edge_s, closed=closed)
        held = twin.read(request.table, request.address, request.count, requested_s)
        assert words == tuple(map(int, held)), f"asked at {requested_s - ORIGIN_S:.4f} s"
