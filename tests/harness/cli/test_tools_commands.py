"""`read` and `switch`: what a person sees who looks at a bench on wires, or moves one contact by hand."""

from __future__ import annotations

import asyncio
import threading
from contextlib import AsyncExitStack

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof_bench.base.clock import run
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.mock.wires.stand import serve
from ventproof_bench.outputs.wear import operations_in

pytestmark = pytest.mark.wire


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """The bench file of a mock unit with its relay boards on TCP and sockets, served by a thread of its own."""
    folder = tmp_path_factory.mktemp("stand")
    settings = load_bench(SHIPPED_BENCH).model.mock
    ready, over = threading.Event(), threading.Event()
    found = []

    async def main() -> None:
        async with AsyncExitStack() as stack:
            stand = await serve(settings, folder, stack, seed=0)
            found.extend(stand.bench_files)
            ready.set()
            await asyncio.to_thread(over.wait)

    thread = threading.Thread(target=run, args=(main(),), kwargs={"virtual": False})
    thread.start()
    assert ready.wait(20)
    yield next(path for path in found if "tcp" in path.name)
    over.set()
    thread.join()


def test_signals_and_registers_are_read_side_by_side(ventproof, bench):
    """A signal with its unit, a place as its registers; nothing is driven, so the rain count stands."""
    code, out, _ = ventproof(
        "read", "house_reading", "rain_count", "stage", "unit:input:2-5", "--bench", bench
    )
    assert code == 0
    assert out.startswith("house_reading: 18 °C, rain_count: 65525, stage: closed, unit:input:2-5@1: 4190 0 ")


def test_without_names_every_signal_is_read_as_often_as_asked(ventproof, bench):
    """A line a look where there is no terminal."""
    code, out, _ = ventproof("read", "--bench", bench, "--times", "2", "--every", "50 ms")
    assert code == 0
    lines = out.splitlines()
    assert len(lines) == 2
    assert all("roof_vent: 0 %" in line and "gale_override: off" in line for line in lines)


def test_what_does_not_answer_is_told_and_is_no_success(ventproof, bench):
    """The rest is read all the same."""
    code, out, _ = ventproof("read", "roof_vent", "unit:input:900", "--bench", bench)
    assert code == 2
    assert out.startswith("roof_vent: 0 %, unit:input:900@1: ")
    assert "illegal data address" in out


def test_all_wrong_names_are_told_at_once(ventproof, bench):
    """Nothing is opened."""
    code, _, err = ventproof("read", "roof_vant", "unit:inputs:1", "--bench", bench)
    assert code == 3
    assert err.splitlines() == [
        "roof_vant: there is no signal 'roof_vant' in registers; did you mean 'roof_vent'?",
        "unit:inputs:1: there is no table 'inputs'; use one of coil, discrete, input, holding",
    ]


def test_a_contact_is_switched_once_and_what_answered_is_told(ventproof, bench, tmp_path, monkeypatch):
    """There and back: the counter counts one closure, the contact's own flag shows it, its relay's ledger has it."""
    monkeypatch.setenv("VENTPROOF_HISTORY", str(tmp_path / "history.sqlite"))
    code, out, _ = ventproof("switch", "rain", "--bench", bench, "--confirm-clear", "--for", "400 ms")
    assert code == 0
    assert "rain was switched, within " in out
    assert "rain_count: 65525 to 65526" in out
    assert "rain_contact: off to on" in out
    code, out, _ = ventproof("read", "rain_contact", "rain_count", "--bench", bench)
    assert out == "rain_contact: off, rain_count: 65526\n"
    assert list(operations_in(tmp_path / "relays.sqlite").values()) == [1]


def test_nothing_is_switched_before_somebody_says_that_all_is_clear(ventproof, bench):
    """As before a run; an output that is no contact is refused with its name."""
    code, _, err = ventproof("switch", "rain", "--bench", bench)
    assert code == 3
    assert "no one is here to confirm" in err
    code, _, err = ventproof("switch", "house_temperature", "--bench", bench, "--confirm-clear")
    assert code == 3
    assert "has no contact 'house_temperature'; known: " in err


def test_the_mock_inside_the_process_is_nothing_to_look_at(ventproof):
    """It says how to serve it instead."""
    code, _, err = ventproof("read", "--bench", SHIPPED_BENCH)
    assert code == 3
    assert "serve it with `ventproof mock`" in err


@pytest.mark.parametrize("span", ["0 s", "2", "soon"])
def test_a_span_that_is_none_is_refused(ventproof, bench, span):
    """The option is named."""
    code, _, err = ventproof("read", "--bench", bench, "--every", span)
    assert code == 3
    assert err.startswith("--every: ")


def test_before_vents_are_played_a_person_is_told_that_no_drive_may_be_connected(ventproof):
    """A real drive would follow feedback that is not its own; the vents are named before anybody confirms."""
    bench = SHIPPED_BENCH.with_name("mock-loop-tcp.yaml")
    code, _, err = ventproof("switch", "rain", "--bench", bench)
    assert code == 3
    assert "This bench plays vents (roof, side): no drive may be connected in their place" in err
