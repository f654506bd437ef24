"""Contacts are held to the limits of their bench file whatever is asked of them, and their operations are counted."""

from __future__ import annotations

import asyncio
import sqlite3
import subprocess
import sys
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base.clock import now_s, run, utc_now
from ventproof_bench.base.edges import pulse_plan
from ventproof_bench.base.errors import DriverError, LimitError
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.outputs import wear
from ventproof_bench.outputs.outputs import LocalOutputs
from ventproof_bench.outputs.wear import Ledger, _add, life_of, operations_in, places_of


class Terminals:
    """The mock's terminals: keeps what it was told."""

    def __init__(self):
        self.edges = []

    def set_contact(self, _name, at_s, *, closed):
        """Take an edge."""
        self.edges.append((at_s, closed))


def outputs_with(limits, terminals=None):
    spec = ContactOutput.model_validate(
        {
            "driver": "mock",
            "wired": {"input": "rain"},
            "operate": "0 s",
            "release": "0 s",
            "bounce": "0 s",
            "limits": limits,
        }
    )
    return LocalOutputs({"rain": spec}, buses={}, specs={}, inputs=terminals or Terminals())


def play(limits, work, terminals=None):
    """Open an output with limits, work with it, and close it, in virtual time."""

    async def main():
        outputs = outputs_with(limits, terminals)
        await outputs.open()
        try:
            return await work(outputs)
        finally:
            await outputs.close()

    return run(main(), virtual=True)


def test_a_closure_that_is_too_short_or_comes_too_soon_is_refused():
    """The contact stays as it is; to its safe state it goes at any time."""

    async def work(outputs):
        await outputs.contact("rain", closed=True)
        await asyncio.sleep(0.5)
        with pytest.raises(
            DriverError,
            match=r"^output rain: a limit .*: it is closed for 0.5 s, and shortest_closed is 2 s$",
        ):
            await outputs.contact("rain", closed=False)
        await outputs.make_safe()
        await asyncio.sleep(1)
        with pytest.raises(DriverError, match=r"it is open for 1 s, and shortest_open is 3 s$"):
            await outputs.contact("rain", closed=True)
        await asyncio.sleep(2)
        await outputs.contact("rain", closed=True)

    play({"shortest_closed": "2 s", "shortest_open": "3 s"}, work)


def test_a_contact_that_is_driven_for_too_long_is_made_safe_and_the_run_ends():
    """It goes safe by itself at the limit, not before, and the next look tells."""
    terminals = Terminals()

    async def work(outputs):
        assert outputs.shared  # so that a run looks
        await outputs.contact("rain", closed=True)
        await asyncio.sleep(59)
        await outputs.look()
        await asyncio.sleep(2)
        with pytest.raises(DriverError, match=r"it was not open for 60 s, and that is longest_driven$"):
            await outputs.look()
        (from_s, _), (to_s, closed) = terminals.edges[-2:]
        assert (to_s - from_s, closed) == (pytest.approx(60.6, abs=0.1), False)

    play({"longest_driven": "1 min"}, work, terminals)


@given(st.integers(1, 5), st.lists(st.floats(0.5, 2000), min_size=1, max_size=12))
def test_no_hour_holds_more_closures_than_the_limit(most, pauses_s):
    """Whatever is asked for, in any 3600 s from a closure on there are at most so many (counted by brute force)."""
    closures_s = []

    async def work(outputs):
        for pause_s in pauses_s:
            try:
                await outputs.contact("rain", closed=True)
                closures_s.append(now_s())
                await outputs.contact("rain", closed=False)
            except LimitError:
                recent = [at_s for at_s in closures_s if at_s > now_s() - 3600]
                assert len(recent) == most
            await asyncio.sleep(pause_s)

    play({"operations_an_hour": most}, work)
    assert all(sum(at_s <= other < at_s + 3600 for other in closures_s) <= most for at_s in closures_s)


def test_trains_are_held_to_limits_too():
    """The fourth of five pulses is refused, and the contact is open."""

    async def work(outputs):
        plan = pulse_plan(5, closed_for_s=0.1, open_for_s=0.1)
        with pytest.raises(LimitError, match="operations_an_hour"):
            await outputs.train("rain", plan, start_s=now_s())
        assert sum(closed for _, closed in terminals.edges) == 3
        assert not terminals.edges[-1][1]

    terminals = Terminals()
    play({"operations_an_hour": 3}, work, terminals)


BENCH = """
bench: two boards
buses: {line: {link: tcp, host: 192.0.2.7}}
boards:
  relays: {bus: line, unit_id: 2, goes_safe_after: 4 s, set_at: {table: holding, address: 1}, then: "off",
    relay_life: 500}
outputs:
  rain: {driver: coil, wired: {bus: line, unit_id: 2, coil: 0}}
  cups: {driver: coil, wired: {bus: line, unit_id: 2, coil: 1}, relay: {kind: solid-state}}
  gust: {driver: coil, wired: {bus: line, unit_id: 3, coil: 1}, relay: {life: 9, fitted: '2026-03'}}
signals: {wet: {bus: line, table: discrete, address: 0, type: bit, unit: flag}}
"""


def test_a_ledger_adds_up_over_runs_and_processes(tmp_path):
    """Each relay at its place, whatever the bench file calls its bus; two that write at once lose nothing."""
    path = tmp_path / "bench.yaml"
    path.write_text(BENCH, encoding="utf-8")
    file = load_bench(path).model
    places = places_of(file)
    assert places == {
        "rain": "coil 0 of unit 2 on 192.0.2.7:502",
        "cups": "coil 1 of unit 2 on 192.0.2.7:502",
        "gust": "coil 1 of unit 3 on 192.0.2.7:502, fitted 2026-03",
    }
    assert [life_of(file, name) for name in places] == [500, None, 9]
    ledger = tmp_path / "history" / "relays.sqlite"
    assert operations_in(ledger) == {}

    async def main():
        both = [Ledger(ledger, file) for _ in range(2)]
        for one in both:
            for _ in range(7):
                one.count("rain")
        await asyncio.gather(*(one.write() for one in both))
        await both[0].write()  # nothing new
        assert [one.trouble for one in both] == ["", ""]

    run(main(), virtual=False)
    assert operations_in(ledger) == {places["rain"]: 14}


ADD_MANY = """
import sys
from pathlib import Path
from ventproof_bench.outputs.wear import _add
sys.stdin.read()
for _ in range(20):
    _add(Path(sys.argv[1]), {("every", 0): 1, (sys.argv[2], 0): 3})
"""


def test_many_processes_that_write_one_new_ledger_at_once_lose_nothing(tmp_path):
    """A rack of eight: each adds to its own relay, and to one that all share, while the others do."""
    ledger = tmp_path / "relays.sqlite"
    command = [sys.executable, "-c", ADD_MANY, ledger]
    running = [subprocess.Popen([*command, f"place {n}"], stdin=subprocess.PIPE) for n in range(8)]
    for process in running:
        process.stdin.close()
    assert [process.wait(120) for process in running] == [0] * 8
    assert operations_in(ledger) == {"every": 160, **{f"place {n}": 60 for n in range(8)}}


def test_a_ledger_that_cannot_be_written_loses_no_count_and_says_so(tmp_path):
    """What could not be written is added the next time."""
    path = tmp_path / "bench.yaml"
    path.write_text(BENCH, encoding="utf-8")
    file, ledger = load_bench(path).model, tmp_path / "relays.sqlite"
    ledger.write_bytes(b"no database" * 100)

    async def main():
        book = Ledger(ledger, file)
        book.count("rain")
        await book.write()
        assert book.trouble.startswith(f"operations of relays could not be added to {ledger}: ")
        ledger.unlink()
        await book.write()

    run(main(), virtual=False)
    assert operations_in(ledger) == {"coil 0 of unit 2 on 192.0.2.7:502": 1}


def test_a_ledger_is_a_plain_database(tmp_path):
    """Anyone reads it with any SQLite."""
    _add(tmp_path / "relays.sqlite", {("a", 0): 2})
    with sqlite3.connect(tmp_path / "relays.sqlite") as base:
        assert base.execute("SELECT * FROM relays").fetchall() == [("a", 2)]
    base.close()


def limited(tmp_path, ledger):
    """Return outputs whose rain contact may close four times within an hour, and that count into a ledger."""
    (tmp_path / "bench.yaml").write_text(BENCH, encoding="utf-8")
    file = load_bench(tmp_path / "bench.yaml").model
    spec = outputs_with({"operations_an_hour": 4})._specs["rain"]
    return LocalOutputs({"rain": spec}, buses={}, specs={}, inputs=Terminals(), ledger=Ledger(ledger, file))


def closes(outputs, times):
    """Open outputs, close the contact so often, and return how often it was, why no more, and the notes."""

    async def main():
        await outputs.open()
        done, why = 0, ""
        try:
            for _ in range(times):
                await outputs.contact("rain", closed=True)
                done += 1
                await outputs.contact("rain", closed=False)
        except LimitError as error:
            why = str(error)
        await outputs.close()
        return done, why, outputs.notes

    return run(main(), virtual=False)


def test_an_hour_counts_over_runs(tmp_path):
    """What an earlier run closed counts in the next; the first says that there was no ledger before it."""
    ledger = tmp_path / "history" / "relays.sqlite"
    first = closes(limited(tmp_path, ledger), 3)
    said = f"operations_an_hour of rain counts in this run only: no ledger in {ledger}"
    assert first == (3, "", [said])
    done, why, notes = closes(limited(tmp_path, ledger), 3)
    assert (done, notes) == (1, [])
    assert why.endswith(
        "it was closed 4 times within an hour (3 of them in earlier runs), and operations_an_hour is 4"
    )


@pytest.mark.parametrize(
    ("ago_s", "left"),
    [(3500, 1), (3700, 4), (-9_000_000, 1)],
    ids=["within", "before", "the clock went back"],
)
def test_the_hour_is_that_of_the_wall_clock(ago_s, left, tmp_path, monkeypatch):
    """What was closed longer ago counts no more; what the clock says is still to come counts as now, and ages then."""
    ledger, at = tmp_path / "relays.sqlite", utc_now()
    place = "coil 0 of unit 2 on 192.0.2.7:502"
    with monkeypatch.context() as then:
        then.setattr(wear, "utc_now", lambda: at - timedelta(seconds=ago_s))
        _add(ledger, {(place, 2**40): 3})
    done, _, _ = closes(limited(tmp_path, ledger), 5)
    assert done == left
    monkeypatch.setattr(wear, "utc_now", lambda: at + timedelta(seconds=3700))
    assert closes(limited(tmp_path, ledger), 4)[0] == 4
