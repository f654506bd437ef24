"""The unit's own settings: found before anything is written, changed by visible steps only, and put back."""

from __future__ import annotations

import json

import pytest

from ventproof.log.read import read_log
from ventproof.rejudge.again import decide_again
from ventproof_bench.mock.registers import DEVICE_BUSY, RefusedError
from ventproof_bench.mock.unit import MockUnit

DELAY = "rain_release_delay"


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


@pytest.fixture
def written(monkeypatch):
    """The holding registers that runs write, with their values, in order."""
    seen, write = [], MockUnit.write

    def watched(unit, table, address, words, now_s):
        seen.append((address, tuple(words)))
        write(unit, table, address, words, now_s)

    monkeypatch.setattr(MockUnit, "write", watched)
    return seen


def test_a_unit_that_lets_go_late_is_not_set_right_first(run, shipped, bench_text, written):
    """A release delay of 45 s instead of 30 s fails, on the unit as it was found; the log tells what was found."""
    late = bench_text.replace("    release_delay: 30 s\n", "    release_delay: 45 s\n")
    result = run(shipped["rain-closes-holds-releases"], bench=late)
    assert result.outcome.verdict == "fail"
    failed = {f.signal for f in result.findings if f.verdict == "fail"}
    assert failed == {"rain_override", "roof_vent", "side_vent"}
    events = lines_of(result.log)
    found = {e["output"]: e["value"] for e in events if e["event"] == "found"}
    assert found == {"house_temperature": 18.0, DELAY: 45.0}
    assert {address for address, _ in written} == {0}
    assert decide_again(read_log(result.log)).verdict == "fail"


def test_every_write_is_told_with_its_reason(run, shipped, written):
    """What a profile sets is found first, written as it says, and put back; contacts are told as they are made safe."""
    result = run(shipped["power-keeps-the-delays"])
    assert result.outcome.verdict == "pass"
    events = lines_of(result.log)
    told = [
        (e["event"], e.get("why"), e.get("value"))
        for e in events
        if e.get("output") == DELAY and e["event"] != "command"
    ]
    assert told == [("found", None, 30.0), ("stimulus", None, 12.0), ("driven", "restore", 30.0)]
    assert written == [(0, (230,)), (2, (120,)), (0, (180,)), (2, (300,))]
    safe = {(e["why"], e["output"], e["closed"]) for e in events if "closed" in e and e["event"] == "driven"}
    assert safe == {
        (why, name, name == "unit_supply")
        for why in ("open", "safe")
        for name in ("rain", "cups", "bucket", "unit_supply")
    }
    assert [e["t"] for e in events] == sorted(e["t"] for e in events)


def test_a_unit_that_forgets_a_setting_without_supply_gets_it_back(run, shipped, written):
    """Where the delay is lost with the supply the profile fails, and what was found stands there again all the same."""
    result = run(shipped["power-keeps-the-delays"], faults=["delays_lost"])
    assert result.outcome.verdict == "fail"
    assert written[-1] == (2, (300,))


def test_a_setting_that_is_not_put_back_leaves_no_verdict(run, shipped, monkeypatch):
    """A unit that refuses at the end is said to be left otherwise than it was found, and the run counts for nothing."""
    write = MockUnit.write

    def refuses(unit, table, address, words, now_s):
        if (address, list(words)) == (2, [300]):
            raise RefusedError(DEVICE_BUSY)
        write(unit, table, address, words, now_s)

    monkeypatch.setattr(MockUnit, "write", refuses)
    result = run(shipped["power-keeps-the-delays"])
    assert result.outcome.verdict is None
    assert f"output {DELAY}: 30 s could not be put back" in result.outcome.unsafe
    assert [e["event"] for e in lines_of(result.log)][-2:] == ["not_safe", "run_end"]


@pytest.fixture
def locked(written, monkeypatch):
    """The release delay cannot be read until it was written."""
    read = MockUnit.read

    def refuses(unit, table, address, count, now_s):
        if (table, address) == ("holding", 2) and (2, (120,)) not in written:
            raise RefusedError(DEVICE_BUSY)
        return read(unit, table, address, count, now_s)

    monkeypatch.setattr(MockUnit, "read", refuses)
    return written


@pytest.mark.parametrize("leaves", ["", "    leaves: 20 s\n"])
def test_a_setting_that_cannot_be_read_is_not_written(run, shipped, bench_text, leaves, locked):
    """A run that would set it is broken off before, unless the bench file says what to leave; any other run goes on."""
    bench = bench_text.replace("    unit: s\n", f"    unit: s\n{leaves}", 1)
    assert run(shipped["rain-closes-holds-releases"], bench=bench).outcome.verdict == "pass"
    locked.clear()
    result = run(shipped["power-keeps-the-delays"], bench=bench)
    if leaves:
        assert result.outcome.verdict == "pass"
        assert locked[-1] == (2, (200,))
    else:
        assert result.outcome.abort.kind == "bench"
        assert f"output {DELAY}: nothing is written there" in result.outcome.aborted
        assert {address for address, _ in locked} == {0}
