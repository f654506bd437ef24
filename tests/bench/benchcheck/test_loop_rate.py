"""Whether a bench is quick enough for the vents that it plays: holes, hunting, and what its buses can carry."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench, read_bench
from ventproof_bench.benchcheck.loop import Lag
from ventproof_bench.benchcheck.traffic import load_on

BENCH = """
bench: a vent in the loop
buses:
  io: {link: rtu, port: /dev/io, baud: 115200, timeout: 60 ms, quiet_after_fault: 30 ms, poll_every: 50 ms}
outputs:
  feedback:
    kind: level
    driver: register
    wired: {bus: io, unit_id: 3, table: holding, address: 0, scale: 0.001}
    signal: 0-10 V
    range: [0 %, 100 %]
signals:
  opens: {bus: io, unit_id: 3, table: discrete, address: 0, type: bit, unit: flag, keeps_for: 300 ms}
  closes: {bus: io, unit_id: 3, table: discrete, address: 1, type: bit, unit: flag, keeps_for: 300 ms}
  roof_vent: {position_of: roof}
vents:
  roof:
    opens_on: opens
    closes_on: closes
    full_travel: 28 s
    coast: 100 ms
    plays: {position: {output: feedback, unit_deadband: 1 %}}
"""


def _text(*changes: tuple[str, str]) -> str:
    text = BENCH
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


def _refused(tmp_path, *changes: tuple[str, str]) -> str:
    path = tmp_path / "b.yaml"
    path.write_text(_text(*changes))
    with pytest.raises(FileError) as caught:
        load_bench(path)
    return str(caught.value).replace(str(path), "b.yaml")


def test_a_bench_that_is_quick_enough_has_nothing_to_remark_on(tmp_path):
    """Time-outs short beside what the contacts keep, and rounds short beside the unit's deadband."""
    path = tmp_path / "b.yaml"
    path.write_text(BENCH)
    assert load_bench(path).notes == ()


def test_one_lost_reply_must_not_hide_a_drive_contact(tmp_path):
    """Time-out, silence and a round come to 140 ms: a contact must keep its state longer than that."""
    assert _refused(
        tmp_path,
        (
            "address: 1, type: bit, unit: flag, keeps_for: 300 ms",
            "address: 1, type: bit, unit: flag, keeps_for: 140 ms",
        ),
    ) == (
        "b.yaml:14:96: one lost reply hides 'closes' for 140 ms, and it keeps for 140 ms only; shorten timeout and "
        "quiet_after_fault of bus 'io', or declare more than 140 ms"
    )


def test_the_usual_time_outs_are_too_long_for_a_loop(tmp_path):
    """Half a second and a second of silence make one lost reply a hole of 1.55 s."""
    said = _refused(tmp_path, (" timeout: 60 ms, quiet_after_fault: 30 ms,", ""))
    assert said.count("declare more than 1.55 s") == 2


def test_drive_contacts_must_say_how_long_they_keep(tmp_path):
    """Without that nobody could say what a hole hides."""
    said = _refused(tmp_path, (", keeps_for: 300 ms", ""))
    assert said.startswith(
        "b.yaml:13:3: nothing says how long 'opens', which commands a vent that is played, keeps its state; declare "
        "keeps_for; shorten timeout"
    )


def test_a_bus_must_carry_its_polls_and_the_vents(tmp_path):
    """At 4800 Bd the poll alone fits into 50 ms, and with the write and its read-back it does not."""
    said = _refused(tmp_path, ("115200", "4800"))
    assert said.startswith(
        "b.yaml:4:100: bus 'io' is polled every 50 ms, but a round of its polls with the vents that it moves takes "
    )
    assert said.endswith("or let line and unit run at 19200 Bd")


def test_a_loop_too_slow_for_the_unit_s_deadband_is_noted():
    """28 s of travel and 1 % leave 280 ms for two rounds, a reply and a write; beyond that a healthy unit may hunt."""
    assert read_bench("b.yaml", _text(("poll_every: 50 ms", "poll_every: 120 ms"))).notes == ()
    (note,) = read_bench("b.yaml", _text(("poll_every: 50 ms", "poll_every: 200 ms"))).notes
    assert note.reason.startswith(
        "vent 'roof' may move 1.5 % before the unit is shown it, more than its deadband of 1 %"
    )
    assert note.hint == "poll bus 'io' every 135 ms or more often"


@given(st.floats(0.01, 2.0), st.floats(1.0, 400.0), st.floats(0.0, 2.0), st.floats(0.1, 5.0))
def test_the_interval_that_is_said_to_do_is_the_longest_that_does(every_s, travel_s, coast_s, deadband):
    """With it the vent moves by the deadband unseen, with a longer one by more (or no interval is short enough)."""
    changes = [
        ("poll_every: 50 ms", f"poll_every: {every_s} s"),
        ("full_travel: 28 s", f"full_travel: {travel_s} s"),
        ("coast: 100 ms", f"coast: {coast_s} s"),
    ]
    bench = read_bench("b.yaml", _text(*changes)).model
    lag = Lag(bench, bench.vents["roof"])
    longest_s = lag.every_within_s(deadband)
    if longest_s > 0:
        assert lag.percent(longest_s) == pytest.approx(deadband)
        assert lag.percent(longest_s * 1.01) > deadband
    else:
        assert lag.percent(0.0) >= deadband - 1e-9


def test_a_vent_fed_over_another_bus_loads_that_bus():
    """The position goes out once a round of the bus that commands the vent, whatever its own bus polls."""
    second = "  out: {link: rtu, port: /dev/out, baud: 9600, poll_every: 1 s}\noutputs:"
    text = _text(("wired: {bus: io", "wired: {bus: out")).replace("outputs:", second)
    bench = read_bench("b.yaml", text).model
    own, fed = (
        load_on(bench, bus, bench.buses[bus].model_copy(update={"answers_within": 0.0}))
        for bus in ("io", "out")
    )
    assert own.played_us == 0
    assert fed.polling == pytest.approx(20 * (fed.writes[0].longest_us + fed.read_backs[0].longest_us) / 1e6)
