"""One reply lost at any place of a run: the verdict is the true one or none, and hardly ever none."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire_campaign import AS_BEFORE, OWN, TIMES, Trial, Truth, bench_of, judged, profile_of
from wire_faults import decode

from ventproof.cli.options import with_faults
from ventproof.log.events import Note, StimulusApplied
from ventproof.log.read import read_log
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.mock.wires.modbus_server import Framing, Responder
from ventproof_bench.rig import build

WRITES = {5, 6, 15, 16}
RAIN = """
profile: rain over a wire that loses one reply
needs: {outputs: {rain: contact, house_temperature: °C}, signals: {rain_override: flag}}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until: [{signal: rain_override, equals: off, within: 60 s}]
steps:
  - step: rain begins
    do: [{close: rain}]
    expect: [{signal: rain_override, equals: on, within: 8 s}]
  - step: rain ends
    do: [{wait: 10 s}, {open: rain}]
    expect: [{signal: rain_override, equals: off, within: 60 s}]
"""
OWN["one lost reply"] = RAIN


class LosesOne:
    """A wire that loses one request, or the reply to it; counts both what goes over it and what writes."""

    def __init__(self, framing: Framing, right: Any, at: int | None, *, carried_out: bool) -> None:
        self.framing, self.right, self.at, self.carried_out = framing, right, at, carried_out
        self.asked = 0
        self.writes: list[int] = []

    def exchange(self, data: bytes, now_s: float) -> Any:
        """Take a request; give what comes back."""
        number, self.asked = self.asked, self.asked + 1
        if decode(self.framing, data).pdu[0] in WRITES:
            self.writes.append(number)
        if number != self.at:
            return self.right.exchange(data, now_s)
        if self.carried_out:
            self.right.exchange(data, now_s)
        return []


@contextmanager
def losing(at: int | None, *, carried_out: bool) -> Iterator[tuple[Truth, list[LosesOne]]]:
    """Put a relay board and such a wire before the unit."""
    truth, wires, before = Truth(), list[LosesOne](), (build.devices_of, build.Responder)

    def answers(framing: Framing, *words: Any, **options: Any) -> Any:
        wires.append(LosesOne(framing, Responder(framing, *words, **options), at, carried_out=carried_out))
        return wires[-1]

    build.devices_of, build.Responder = truth.wired, answers  # type: ignore[assignment, misc]
    try:
        yield truth, wires
    finally:
        build.devices_of, build.Responder = before  # type: ignore[misc]


def ran(
    folder: Any, framing: Framing, at: int | None, *, fault: str = "", carried_out: bool = True
) -> tuple[str, list[str], LosesOne, list[str]]:
    """Return the verdict of a run that loses what is asked at a place, what is wrong with it, its wire and notes."""
    bench = bench_of(framing, TIMES[0], on_board=True)
    bench = with_faults(bench, [fault] if fault else [])
    trial = Trial(0, "one lost reply", fault, framing, TIMES[0], (), 1, 0, on_board=True, seed=0)
    with losing(at, carried_out=carried_out) as (truth, wires):
        result = Session(bench=bench, out=folder).run(profile_of("one lost reply"), SilentView())
        verdict, wrong = judged(trial, result.log, truth.left())
    assert truth.left() == AS_BEFORE
    notes = [event.text for event in read_log(result.log).events if isinstance(event, Note)]
    return verdict, wrong, wires[0], notes


@cache
def places(framing: Framing) -> tuple[int, ...]:
    """Return which requests of a run over a good wire open the bench, write, or read that back."""
    with tempfile.TemporaryDirectory() as name:
        verdict, _, wire, _ = ran(Path(name), framing, None)
    assert verdict == "pass"
    near = {place + beside for place in wire.writes for beside in (0, 1)}
    return tuple(sorted(near | {*range(wire.writes[0])}))


@pytest.mark.parametrize(
    ("framing", "carried_out"),
    [("tcp", True), ("tcp", False), ("rtu", True), ("rtu", False), ("ascii", True)],
)
def test_one_reply_lost_as_the_bench_opens_or_writes_costs_no_verdict(tmp_path, framing, carried_out):
    """What opens the bench is asked again; a write is read back, and written again where it was not carried out."""
    for at in places(framing):
        verdict, wrong, _, _ = ran(tmp_path / str(at), framing, at, carried_out=carried_out)
        assert (at, verdict, wrong) == (at, "pass", [])


@pytest.mark.hypothesis
@given(
    framing=st.sampled_from(["tcp", "rtu", "ascii"]),
    at=st.integers(0, 180),
    carried_out=st.booleans(),
    fault=st.sampled_from(["", "ignores_rain", "flag_inverted"]),
)
@settings(max_examples=20, deadline=None)
def test_one_reply_lost_anywhere_makes_no_verdict_wrong(framing, at, carried_out, fault):
    """A healthy unit never fails, a faulty one never passes; no run is aborted, and nothing is left driven."""
    with tempfile.TemporaryDirectory() as name:
        verdict, wrong, _, _ = ran(Path(name), framing, at, fault=fault, carried_out=carried_out)
    assert not wrong
    assert verdict in {"fail" if fault else "pass", "inconclusive"}


def test_the_log_tells_of_a_write_that_was_given_again_and_of_its_wide_window(tmp_path):
    """The edge lies between the first command and the proof."""
    at = places("tcp")[-8]
    _, _, _, notes = ran(tmp_path, "tcp", at, carried_out=False)
    assert any("no reply within 0.5 s; it was read back, and was done within 1.5" in note for note in notes)
    (edge,) = next(
        event.edges
        for event in read_log(next(tmp_path.glob("*.jsonl"))).events
        if isinstance(event, StimulusApplied) and event.edges and event.edges[0].window.again
    )
    assert edge.closed
    assert edge.window.latest_s - edge.window.earliest_s == pytest.approx(1.5, abs=0.05)
