"""Bench files whose buses cannot carry what is asked of them, and what is computed of those that can."""

import re
from pathlib import Path

import pytest

from ventproof_bench.base.errors import FileError
from ventproof_bench.base.protocols import BusUse, ReadRequest
from ventproof_bench.benchcheck.load import load_bench, read_bench
from ventproof_bench.benchcheck.traffic import said
from ventproof_bench.benchfile.model import InProcessBus, RegisterOutput, SerialBus, TcpBus
from ventproof_bench.drivers.driver import bus_use
from ventproof_bench.modbus.traffic import Budget, Lasts, Load, answering_at_once, budget, load_of

ROOT = Path(__file__).parents[3]

BENCH = """\
bench: a slow line
buses:
  line:
    link: rtu
    port: /dev/x
    baud: 4800
    poll_every: 100 ms
outputs:
  rain: {driver: coil, wired: {bus: line, unit_id: 2, coil: 0}}
signals:
  roof_vent: {bus: line, table: input, address: 0, unit: "%"}
  side_vent: {bus: line, table: input, address: 9, unit: "%"}
  far_vent: {bus: line, table: input, address: 90, unit: "%"}
"""


def load(tmp_path, text):
    """Load a bench file from its text."""
    path = tmp_path / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    return load_bench(path)


def test_a_line_too_slow_for_its_polls_is_refused_at_the_interval(tmp_path):
    """Three reads of 50.4 ms do not go into 100 ms; the message names an interval and a line speed that do."""
    with pytest.raises(FileError) as caught:
        load(tmp_path, BENCH)
    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == (7, 17)
    assert problem.reason == (
        "bus 'line' is polled every 100 ms, but a round of its polls takes 151.3 ms at 4800 Bd, "
        "even if the unit answers at once"
    )
    assert problem.hint == "poll every 152 ms or less often, or let line and unit run at 9600 Bd"


@pytest.mark.parametrize(
    ("line", "better"), [("poll_every: 100 ms", "poll_every: 152 ms"), ("baud: 4800", "baud: 9600")]
)
def test_what_is_advised_does(tmp_path, line, better):
    """The advised interval and the advised speed are accepted, and the next lower ones are not."""
    assert load(tmp_path, BENCH.replace(line, better))
    with pytest.raises(FileError, match="is polled every"):
        load(tmp_path, BENCH.replace(line, better.replace("152", "151").replace("9600", "7200")))


def test_a_declared_answering_time_counts(tmp_path):
    """A line that would carry its polls with a unit that answers at once does not with one that takes its time."""
    fast = BENCH.replace("baud: 4800", "baud: 19200")
    assert load(tmp_path, fast)
    with pytest.raises(
        FileError, match="with a unit that answers within 25 ms; poll every 113 ms or less often, or "
    ):
        load(tmp_path, fast.replace("link: rtu", "link: rtu\n    answers_within: 25 ms"))


def test_no_speed_may_be_enough(tmp_path):
    """Where the unit itself is too slow, no line speed is advised."""
    with pytest.raises(FileError) as caught:
        load(tmp_path, BENCH.replace("link: rtu", "link: rtu\n    answers_within: 40 ms"))
    assert caught.value.problems[0].hint == "poll every 272 ms or less often"


def test_answers_after_the_timeout_are_refused(tmp_path):
    """A unit that answers later than the time-out allows would never be heard."""
    with pytest.raises(
        FileError, match=r"answers_within is 0\.6 s, but after the timeout of 0\.5 s no answer counts"
    ):
        load(tmp_path, BENCH.replace("link: rtu", "link: rtu\n    answers_within: 600 ms"))


def test_the_bench_of_an_old_record_is_not_asked():
    """A log that was made on an overloaded bus can be judged all the same: reading its bench file does not refuse."""
    assert read_bench("bench file in the log", BENCH).model.bench == "a slow line"


@pytest.mark.parametrize("name", ["mock.yaml", "mock-rtu.yaml", "mock-tcp.yaml"])
def test_shipped_benches_carry_their_polls(name):
    """No bench file that ships is refused."""
    assert load_bench(ROOT / "bench" / "files" / name)


def test_only_the_timeout_bounds_a_unit_of_which_nothing_is_known():
    """Unless declared, a transaction may last as long as a reply still counts, and may be as short as its bytes."""
    spec = SerialBus.model_validate({"link": "rtu", "port": "/dev/x", "baud": 115200, "timeout": "0.3 s"})
    request = ReadRequest(1, "input", 0, 8)
    (read,) = load_of(spec, [request], ()).reads
    assert read == Lasts(6269, 301_750)  # 29 characters and two silences; a silence and the time-out
    (at_once,) = load_of(answering_at_once(spec), [request], ()).reads
    assert at_once == Lasts(6269, 6270)


@pytest.mark.parametrize(
    ("spec", "read"),
    [
        (TcpBus(link="tcp", host="192.0.2.7", timeout="0.2 s"), Lasts(0, 200_000)),
        (TcpBus(link="tcp", host="192.0.2.7", answers_within="15 ms"), Lasts(0, 15_000)),
        (InProcessBus(link="in-process", reply_after="4 ms", reply_jitter="2 ms"), Lasts(4_000, 6_000)),
    ],
)
def test_buses_without_a_line_speed_take_the_declared_round_trip(spec, read):
    """On TCP a read lasts until answers_within or the time-out; in process what the mock is told to take."""
    assert load_of(spec, [ReadRequest(1, "input", 0, 125)], ()).reads == (read,)


@pytest.mark.parametrize(
    ("framing", "bits"),
    [
        ({"parity": "even"}, 11),
        ({"parity": "none"}, 11),
        ({"parity": "none", "stop_bits": 1}, 10),
        ({"parity": "odd", "stop_bits": 2}, 12),
        ({"link": "ascii"}, 10),
    ],
)
def test_bits_of_a_character_are_the_declared_ones(framing, bits):
    """Start, data, parity and stop bits are counted as declared."""
    raw = {"link": "rtu", "port": "/dev/x", "baud": 300, "answers_within": "0 s", **framing}
    spec = SerialBus.model_validate(raw)
    (read,) = load_of(spec, [ReadRequest(1, "coil", 0, 9)], ()).reads
    characters, silences_us = (17 + 15, 0) if spec.link == "ascii" else (8 + 7, 7 * 11e6 / 300)
    assert read.longest_us == pytest.approx(characters * bits * 1e6 / 300 + silences_us, abs=2)


def test_a_bus_with_nothing_to_do_has_nothing_to_be_late_with():
    """Neither signals nor outputs: every figure is nothing."""
    assert budget(Load(100_000, (), (), ())) == Budget(0, 0, 0)


def test_figures_by_hand():
    """One write waits for the longest read; a reading ages for an interval, a stimulus's turn and its own reply."""
    load = Load(
        100_000,
        (Lasts(10_000, 12_000), Lasts(20_000, 25_000)),
        (Lasts(5_000, 6_000),),
        (Lasts(4_000, 5_000),),
    )
    found = budget(load)
    assert found.latency_us == 25_000 + 6_000
    assert found.complete_us == 25_000 + 6_000 + 25_000 + 5_000
    first, second = 12_000 + 6_000, 12_000 + 25_000 + 2 * 6_000
    assert found.age_us == 100_000 + max(first, second - 10_000)
    crowded = budget(Load(45_000, load.reads, load.writes, load.read_backs))
    assert crowded.age_us == 90_000 + second - 10_000, "49 ms do not go into 45 ms: a round is left out"


def test_drivers_say_what_they_do_on_a_bus():
    """A coil and a register output use their bus; others use none."""
    bench = load_bench(ROOT / "bench" / "files" / "mock-rtu.yaml").model
    assert bus_use(bench.outputs["rain"]) == BusUse("unit", "coil", 1)
    assert bus_use(bench.outputs["house_temperature"]) == BusUse("unit", "holding", 1)
    assert bus_use(bench.outputs["rain_frames"]) is None
    wired = {"bus": "unit", "table": "holding", "address": 4, "type": "f32"}
    wide = RegisterOutput.model_validate(
        {"kind": "register", "driver": "register", "unit": "°C", "wired": wired}
    )
    assert bus_use(wide) == BusUse("unit", "holding", 2)


@pytest.mark.parametrize(
    ("span_us", "text"), [(20_623, "20.7 ms"), (100_000, "100 ms"), (1_234_567, "1.2346 s")]
)
def test_spans_are_said_rounded_up(span_us, text):
    """A worst case is never said shorter than it is."""
    assert said(span_us) == text
    number = float(re.sub(r"[^0-9.]", "", text))
    assert number * (1000 if "ms" in text else 1_000_000) >= span_us


def test_a_stimulus_due_before_a_round_may_end_in_it():
    """Of edges 100 ms apart two can fall into a round of 80 ms: one was due up to 30 ms before it and is not done."""
    turn = (Lasts(5_000, 5_000),)
    load = Load(200_000, (Lasts(10_000, 10_000),) * 8, turn, turn)
    apart, in_a_row = budget(load, edges_apart_us=100_000), budget(load)
    assert apart.complete_us == 30_000
    assert apart.age_us == 200_000 + (80_000 + 2 * 10_000) - 70_000
    assert in_a_row.age_us == 200_000 + (80_000 + 8 * 5_000) - 70_000
