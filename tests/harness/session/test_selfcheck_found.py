"""Self-check and hook-up check on the mock, in virtual time: what is measured is true, what is miswired is named."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from miswired import quick_text

from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.log.events import PinnedCheck
from ventproof.log.read import read_log
from ventproof.profile.load import read_profile
from ventproof.run.view import SilentView
from ventproof.session.selfcheck import pinned, selfcheck
from ventproof.session.session import Session
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench, read_bench
from ventproof_bench.selfcheck.diagnosis import Exercised, diagnose
from ventproof_bench.selfcheck.slips import UnitReadings

AT_REST = """
profile: a vent at rest
needs: {{outputs: {{house_temperature: °C}}, signals: {{roof_vent: "%"}}}}
start:
  write: {{house_temperature: 30 °C}}
  until:
    - {{signal: roof_vent, reaches: 92 %, tolerance: 3 %, within: 60 s, holds: 5 s}}
steps:
  - step: nothing moves
    do: [{{write: house_temperature, value: 31 °C}}]
    expect:
      - {{signal: roof_vent, stays: 92 %, tolerance: {tolerance} %, for: 10 s}}
"""
WEATHER = Path(__file__).parents[1] / "data" / "bench-weather.yaml"


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


@pytest.fixture
def check(tmp_path):
    """Check the shipped bench with a quicker mock, changed and with faults; returns the result."""

    def check_it(kind, *changes, faults=(), source=None):
        text = quick_text() if source is None else source.read_text(encoding="utf-8")
        for said, instead in changes:
            assert said in text
            text = text.replace(said, instead)
        bench = with_faults(read_bench("bench.yaml", text), faults)
        return selfcheck(bench, tmp_path, kind=kind)

    return check_it


def events(result, name):
    return [event for event in lines_of(result.log) if event["event"] == name]


def test_a_bench_measures_itself_and_says_what_it_can_decide(check):
    """The mock's own figures come out, the log is whole, and the outputs are safe at the end."""
    result = check("bench")
    assert (result.result, result.sentences) == ("fine", ())
    measured = result.measured
    (bus,) = measured.buses
    assert 0.004 <= bus.round_trip.median_s <= bus.round_trip.worst_s <= 0.0061
    assert (bus.gaps, bus.late.p99_s) == (0, pytest.approx(0, abs=1e-6))
    assert bus.late.worst_s < 0.0062  # a poll waited for a write
    (edges,) = measured.edges
    assert (edges.missing, edges.width.worst_s) == (0, pytest.approx(0.011))
    assert [(c.sent, c.counted, c.certain) for c in measured.counts] == [(6, 6, True)]
    for refresh in measured.refreshes:
        assert refresh.at_least_s <= 0.2 <= refresh.at_most_s < 0.22
    assert {one.name for one in result.unjudged if not one.left} == set()
    decided = {one.signal: one for one in result.decidable}
    assert decided["rain_contact"].tolerance is None
    assert "keeps_for" in decided["rain_contact"].lacks
    assert decided["roof_vent"].tolerance == pytest.approx(0.5 + 100 / 2.8 * (bus.age_s + 0.2) / 2)
    state = read_log(result.log)
    assert (state.broken_at, state.outcome) == (None, "fine")
    names = [event.name for event in state.events]
    assert names[0] == "selfcheck_begin"
    assert names.index("safe") > max(n for n, name in enumerate(names) if name == "stimulus")


@pytest.mark.parametrize(
    ("faults", "jitter", "sentence"),
    [
        (["stale_registers=0.0417"], "2 ms", "signal roof_vent: refreshed every 39"),
        (["stale_registers=0.125"], "90 ms", "signal roof_vent: refreshed every 79"),
        (["counts_twice"], "2 ms", "output rain: 6 closures were sent and rain_count counted 12"),
        (["misses_counts"], "2 ms", "output rain: 6 closures were sent and rain_count counted 5"),
    ],
)
def test_worse_than_declared_is_said(check, faults, jitter, sentence):
    """A unit that refreshes less often or counts otherwise than the bench file says makes the check worse than fine."""
    jittery = ("poll_every: 100 ms", f"poll_every: 100 ms\n    reply_jitter: {jitter}")
    result = check("bench", jittery, faults=faults, source=SHIPPED_BENCH)
    assert result.result == "worse"
    assert any(said.startswith(sentence) for said in result.sentences)
    assert read_log(result.log).outcome == "worse"


def test_a_feedback_is_measured(check):
    """The unit's own contact flag as feedback: it follows every edge, within its refresh and a poll."""
    result = check("bench", ("counted_by: rain_count", "counted_by: rain_count\n    feedback: rain_contact"))
    (echo,) = result.measured.echoes
    assert (echo.cycles, echo.followed) == (3, 6)
    assert echo.at_least_s == 0
    assert 0.05 < echo.at_most_s < 0.4


def test_a_slow_feedback_is_worse_than_declared(check):
    """A contact that is read back long after its declared operate time is slower than that."""
    feedback = ("counted_by: rain_count", "counted_by: rain_count\n    feedback: rain_contact")
    result = check("bench", feedback, ("debounce: 50 ms", "debounce: 600 ms"))
    assert result.result == "worse"
    assert any("rain_contact moved" in sentence for sentence in result.sentences)


def test_a_feedback_that_never_follows_fails_the_bench(check):
    """Nothing proves that such a contact moves: no result, and the outputs are safe."""
    result = check("bench", ("counted_by: rain_count", "feedback: rain_override"), faults=["flag_stuck"])
    assert result.result == "failed"
    assert "its feedback rain_override followed none of 6 edges" in result.aborted
    assert read_log(result.log).outcome == "aborted"
    assert events(result, "safe")


def test_a_bus_in_trouble_is_no_fine_bench(check):
    """A unit that never answers in time is said to be silent; nothing is driven, and nothing is measured of the bus."""
    result = check("bench", ("timeout: 500 ms", "timeout: 1 ms"))
    assert result.result == "worse"
    assert result.sentences[0].startswith("nothing answers on bus 'unit', where unit 1 was asked")
    assert not events(result, "stimulus")
    assert all("no reply within 0.001 s" in told.trouble for told in result.settings)


def test_a_bus_that_only_keeps_silent_is_no_fine_bench(check):
    """A wrong unit id is said at once, and who answers; nothing is driven and nothing waited for."""
    silent = ("    bus: unit\n    table", "    bus: unit\n    unit_id: 9\n    table")
    briefly = ("{bus: unit, table: input", "{bus: unit, unit_id: 9, table: input")
    result = check("bench", silent, briefly, source=WEATHER)
    assert result.result == "worse"
    (said,) = result.sentences
    assert said.startswith(
        "unit 9 never answers on bus 'unit', unit 1 does: look at `unit_id` of 'roof_vent', "
    )
    assert lines_of(result.log)[-1]["t"] < 20
    assert not events(result, "stimulus")


def test_one_signal_that_is_never_read_is_said(check):
    """The others answer; the one at another unit does not."""
    silent = ("rain_contact: {bus: unit,", "rain_contact: {bus: unit, unit_id: 9,")
    result = check("bench", silent, source=WEATHER)
    assert result.result == "worse"
    (said,) = result.sentences
    assert "unit 9 never answers on bus 'unit', unit 1 does: look at `unit_id` of 'rain_contact'" in said


def test_a_bus_that_cannot_keep_its_poll_interval_is_said(check):
    """Replies take 4 ms or more, so that rounds of 2 ms are missed."""
    result = check("bench", ("poll_every: 100 ms", "poll_every: 2 ms"), source=WEATHER)
    (said,) = result.sentences
    assert said == "bus unit: polled every 6 ms, where `poll_every` declares 2 ms; declare what it can do"


def test_an_unhealthy_interlock_stops_the_check(check):
    """While the interlock is not healthy nothing is driven."""
    result = check("bench", ("\nmock:", "\ninterlock: {signal: rain_override, healthy: 1}\n\nmock:"))
    assert result.result == "failed"
    assert "the interlock rain_override is not healthy" in result.aborted
    assert not events(result, "stimulus")


def test_a_right_hook_up_is_found_right(check):
    """Every output brings about what the bench file says, with delays that hold the unit's own."""
    result = check("unit")
    assert (result.result, result.sentences) == ("fine", ())
    delays = result.measured.exercised["rain"].delays
    least_s, most_s = delays["rain_override"]
    assert least_s <= 2.05 <= most_s
    assert {e["output"] for e in events(result, "hookup")} == set(result.measured.exercised)


MISWIRED = {
    "dead channel": (["slow_debounce=1000"], (), "nothing answers output 'rain': a dead channel"),
    "input not enabled": (["ignores_rain"], (), "output 'rain' is answered by 'rain_contact', but not by"),
    "all addresses one off": (
        ["address_shift"],
        (),
        "'house_reading', 'roof_vent', 'side_vent', 'stage', ",
    ),
    "one wrong address": (
        (),
        [("    address: 1\n", "    address: 7\n")],
        "'side_vent' is read from the wrong add",
    ),
    "wrong bit": (
        (),
        [("    bit: 0\n", "    bit: 3\n")],
        "'rain_override' is read from the wrong address: its ",
    ),
    "signals exchanged": (["positions_exchanged"], (), "signals 'roof_vent' and 'side_vent' are exchanged"),
    "drive reversed": (["runs_inverted"], (), "'roof_vent' reads 8 and then 92 % where output 'rain' should"),
    "scale off by ten": (
        (),
        [("    address: 0\n    type: u16\n    scale: 0.1", "    address: 0\n    type: u16\n    scale: 0.01")],
        "'roof_vent' reads 0 and then 9.2 % where output 'house_temperature' should",
    ),
    "thermometer off by ten": (
        (),
        [("address: 11, type: s16, scale: 0.1", "address: 11, type: s16, scale: 1")],
        "'outside_reading' reads 100 and then -50 °C where output 'outside_temperature' should",
    ),
    "stuck flag": (["flag_stuck"], (), "'rain_override' reads 0 and then 0 flag where output 'rain' should"),
}


@pytest.mark.parametrize(("faults", "changes", "sentence"), MISWIRED.values(), ids=MISWIRED)
def test_a_wrong_hook_up_is_named_in_one_sentence(check, faults, changes, sentence):
    """Each way to wire or declare it wrong is said once, and nothing else is."""
    result = check("unit", *changes, faults=faults)
    assert result.result == "worse"
    (said,) = result.sentences
    assert said.startswith(sentence)
    (event,) = events(result, "wrong")
    assert said == f"{event['text']} (line {event['line']} of the bench file)"


SWAPPABLE = (
    ("    bounce: 3 ms\n  cups:", "    bounce: 3 ms\n    hookup: {answers: {rain_contact: on}}\n  cups:"),
    (
        "    fastest_edge: 50 ms\n",
        "    fastest_edge: 50 ms\n    hookup: {answers: {tip_count: up}, settles: 5 s, within: 5 s}\n",
    ),
)


def test_two_swapped_outputs_are_named(check):
    """Rain contact and tipping bucket on each other's terminals; the right way round they are fine."""
    right = check("unit", *SWAPPABLE, source=WEATHER)
    assert (right.result, right.sentences) == ("partial", ())
    assert [one.name for one in right.unjudged if one.what == "output" and not one.left] == [
        "cups",
        "house_temperature",
        "outside_temperature",
    ]
    swap = (
        ("input: rain}", "input: x}"),
        ("input: bucket}", "input: rain}"),
        ("input: x}", "input: bucket}"),
    )
    result = check("unit", *SWAPPABLE, *swap, source=WEATHER)
    (said,) = result.sentences
    assert said.startswith("outputs 'rain' and 'bucket' are swapped: each causes the response of the other")


def tried(bench, output, before, after, changed):
    """Make an exercise of an output up, with what was read before and after it."""
    delays = dict.fromkeys(changed, (0.0, 0.3))
    wanted = {
        s: answer for s, answer in bench.outputs[output].hookup.answers.items() if answer.way != "stays"
    }
    return Exercised(output, UnitReadings(before), UnitReadings(after), delays, wanted)


def test_outputs_on_each_others_terminals_in_a_ring_are_named():
    """Three wires moved on by one terminal: each output brings about what the next one should."""
    bench = read_bench("bench.yaml", SHIPPED_BENCH.read_text(encoding="utf-8")).model
    calm = {"rain_contact": 0.0, "rain_override": 0.0, "roof_vent": 92.0, "side_vent": 88.0, "gust": 0.0}
    dry = {"rain_intensity": 0.0, "rain_by_tips": 0.0, "gale_override": 0.0}
    rest = UnitReadings({**calm, **dry})
    rain = {"rain_contact": 1.0, "rain_override": 1.0, "roof_vent": 8.0, "side_vent": 45.0}
    tips = {"rain_intensity": 200.0, "rain_by_tips": 1.0, "rain_override": 1.0}
    brought = {"rain": tips, "cups": rain, "bucket": {"gust": 16.0, "gale_override": 1.0}}
    exercised = {
        name: tried(bench, name, rest.values, {**rest.values, **now}, now) for name, now in brought.items()
    }
    said = "output {!r} is on the wrong terminals: it causes the response of {!r}, and none of its own"
    pairs = (("rain", "bucket"), ("cups", "rain"), ("bucket", "cups"))
    assert [one.text for one in diagnose(bench, exercised.values())] == [said.format(*pair) for pair in pairs]


def test_an_output_that_brings_about_something_else_altogether_is_said_once():
    """What should answer does not, and another signal does: one sentence for all of them."""
    bench = read_bench("bench.yaml", SHIPPED_BENCH.read_text(encoding="utf-8")).model
    rest = {
        "rain_contact": 0.0,
        "rain_override": 0.0,
        "roof_vent": 92.0,
        "side_vent": 88.0,
        "outside_failed": 0.0,
    }
    made = tried(bench, "rain", rest, {**rest, "outside_failed": 1.0}, ["outside_failed"])
    (said,) = diagnose(bench, [made])
    assert said.text.startswith(
        "output 'rain' is answered by none of 'rain_contact', 'rain_override', 'roof_vent', "
    )


def test_a_value_that_a_sensor_cannot_show_is_refused_before_anything_is_driven(check):
    """A hook-up of a transmitter is in the transmitter's range, or the bench file is wrong there."""
    with pytest.raises(
        FileError, match=r"bench\.yaml:\d+:23: 200 °C would need 60 mA; stay from -25 to 65 °C"
    ):
        check("unit", ("values: [10 °C, 20 °C]", "values: [10 °C, 200 °C]"))


def test_a_normally_closed_contact_taken_for_open_is_named():
    """What should answer at closing answers at opening."""
    bench = read_bench("bench.yaml", SHIPPED_BENCH.read_text(encoding="utf-8")).model
    on = {"rain_contact": 1.0, "rain_override": 1.0, "roof_vent": 8.0, "side_vent": 45.0}
    off = {"rain_contact": 0.0, "rain_override": 0.0, "roof_vent": 33.0, "side_vent": 61.0}
    (said,) = diagnose(bench, [tried(bench, "rain", on, off, ["rain_contact"])])
    assert said.text.startswith("output 'rain' works the wrong way round")


def test_a_signal_that_cannot_be_read_is_no_right_answer():
    """No reading, no answer: it is said so."""
    bench = read_bench("bench.yaml", SHIPPED_BENCH.read_text(encoding="utf-8")).model
    before = {"rain_contact": 0.0, "rain_override": 0.0, "roof_vent": 92.0, "side_vent": 88.0}
    after = {"rain_contact": 1.0, "rain_override": 1.0, "roof_vent": 8.0}
    (said,) = diagnose(bench, [tried(bench, "rain", before, after, ["rain_contact"])])
    assert said.text.startswith("'side_vent' cannot be read")


def test_a_bench_without_hook_ups_has_nothing_to_try(check):
    """A hook-up check of nothing would be a false pass."""
    with pytest.raises(FileError, match="no output declares which signals respond to it; add `hookup:`"):
        check("unit", source=WEATHER)


def test_two_checks_of_one_bench_give_the_same_log(check):
    """In virtual time nothing depends on when it runs."""
    first, second = check("bench"), check("bench")
    assert first.log != second.log
    assert first.log.read_bytes() == second.log.read_bytes()


def test_a_setting_that_a_hook_up_needs_is_put_back_after_each(check):
    """A hook-up's values are told as they are written, and what was found is there again before the next is tried."""
    result = check("unit")
    assert [str(told) for told in result.settings] == [
        "house_temperature: found 18 °C, written and put back",
        "rain_release_delay: found 3 s, never written",
    ]
    events = [line for line in lines_of(result.log) if line.get("output") == "house_temperature"]
    told = [(e["event"], e.get("value")) for e in events if e["event"] in {"found", "stimulus", "driven"}]
    assert [value for event, value in told if event == "found"] == [18.0]
    assert {value for event, value in told if event == "driven"} == {18.0}
    assert (told[0][0], told[-1][0]) == ("found", "driven")
    assert sum(event == "driven" for event, _ in told) > 1


def test_a_run_pins_the_self_check_of_its_own_bench_only(check, tmp_path):
    """Digest, kind, result and what was left out stand in the header; another bench's, an aborted one are refused."""
    bench = read_bench("bench.yaml", quick_text())
    result = check("bench")
    left = (
        *("unit_supply", "rain_release_delay"),
        *(name for name, spec in bench.model.signals.items() if spec.selfcheck == "leave"),
    )
    for kind, one in (("bench", result), ("unit", check("unit"))):
        assert pinned(one.log, bench) == PinnedCheck(one.digest, None, "fine", kind, left)
    other = read_bench("bench.yaml", bench.text + "\n")
    with pytest.raises(FileError, match="it was made with another bench file than"):
        pinned(result.log, other)
    lines = result.log.read_bytes().splitlines(keepends=True)
    (tmp_path / "torn.jsonl").write_bytes(b"".join(lines[:-1]))
    with pytest.raises(FileError, match="the self-check was aborted"):
        pinned(tmp_path / "torn.jsonl", bench)
    at = next(number for number, line in enumerate(lines) if number and b"poll" in line)
    lines[at] = lines[at].replace(b"poll", b"pole")
    (tmp_path / "changed.jsonl").write_bytes(b"".join(lines))
    with pytest.raises(FileError, match="the log is broken"):
        pinned(tmp_path / "changed.jsonl", bench)


def test_the_judge_decides_what_the_bench_says_it_can(check, tmp_path):
    """A vent that rests where it should passes with that tolerance; where the envelope is wider it is undecided."""
    result = check("bench", source=SHIPPED_BENCH)
    one = next(one for one in result.decidable if one.signal == "roof_vent")
    bench = read_bench("bench.yaml", SHIPPED_BENCH.read_text(encoding="utf-8"))
    session = Session(bench=bench, out=tmp_path)

    def verdict(tolerance):
        profile = read_profile("profile.yaml", AT_REST.format(tolerance=f"{tolerance:.4f}"))
        return session.run(profile, SilentView()).outcome.verdict

    error = bench.model.signals["roof_vent"].traits("roof_vent").error
    assert verdict(one.tolerance + 1e-4) == "pass"
    assert verdict(0.95 * (one.tolerance - error)) == "inconclusive"


def test_an_operator_is_told_what_takes_how_long(tmp_path):
    """Each part of the check is announced as it begins, with its seconds; together they are most of the check."""
    told = []
    bench = read_bench("bench", quick_text())
    selfcheck(bench, tmp_path, kind="unit", begins=lambda what, takes_s: told.append((what, takes_s)))
    assert ("rain: the unit settles in its known state", 10.0) in told
    assert ("rain: driven; watching what answers", 8.0) in told


@pytest.mark.parametrize("name", ["mock", "mock-rtu", "mock-tcp"])
def test_a_shipped_hook_up_waits_for_a_unit_that_was_left_alone(name):
    """A mock that nobody asked for ten minutes is closed, and opens a release delay and a travel after it is asked."""
    mock = load_bench(SHIPPED_BENCH).model.mock
    opens_s = mock.wind.release_delay + max(v.dead_time + v.full_travel for v in mock.vents.values())
    outputs = load_bench(SHIPPED_BENCH.with_name(f"{name}.yaml")).model.outputs.values()
    waits = [o.hookup.settles for o in outputs if o.hookup is not None and "side_vent" in o.hookup.answers]
    assert waits
    assert min(waits) > opens_s
