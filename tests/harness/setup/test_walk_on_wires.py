"""A first bench is set up against a unit that nobody described: real processes, a serial line, a network."""

from __future__ import annotations

import os
import signal
import time

import pytest
import yaml

from ventproof.setup.dialogue import SetupFile
from ventproof_bench.outputs.wear import operations_in
from ventproof_bench.yamlfile.load import load_document

pytestmark = pytest.mark.wire
CLEAR_LINE = "\x15"
"""Ctrl-U."""
TRAVEL_S = 7.0
"""The stranger's slower vent, and a little more: what a person sees who looks at it."""


def test_a_newcomer_is_led_to_what_moves_and_may_leave_at_any_question(stranger, setup):
    """Wrong answers, a step back, a search, a pasted list, vents moved by hand; what was answered is kept."""
    first = setup("table.yaml", terminal=True)
    for question, said in (
        ("bench [First bench]:", "Hollerbach table\r"),
        ("link [rtu]:", "carrier pigeon\r"),
        ("is none of the answers", f"{CLEAR_LINE}back\r"),
        ("bench [First bench]:", "Table of Hollerbach\r"),
        ("link [rtu]:", "1\r"),
        ("port:", "/dev/nowhere\r"),
        ("is the adapter plugged in?", f"{CLEAR_LINE}{stranger.port}\r"),
        ("line [search]:", "38400 8X1\r"),
        ("is not a parity", f"{CLEAR_LINE}\r"),
        ("ids [1-50]:", "3-4\r"),
        ("unit id 4 has coils and no input registers: a relay board", ""),
        ("unit_id [3]:", "\r"),
        ("list [paste]:", "\r"),
        ("list.text:", "Vent,nowhere\r\r"),
        ("'nowhere' is not an address", ""),
        ("list.text:", "".join(f"{line}\r" for line in (*_lines(stranger), ""))),
        ("signals [all]:", "\r"),
        ("moves [hand]:", "\r"),
    ):
        first.until(question)
        first.write(said)
    for text, where in (
        ("Close all vents fully", "close"),
        ("Open all vents fully", "open"),
        ("Turn every hand switch back to automatic", "auto"),
    ):
        first.until(text)
        first.until("Enter:")
        stranger.hands(where)
        stranger.until("hand switch of side")
        time.sleep(TRAVEL_S)
        first.write("\r")
    first.until("u16 0.5: 0 % closed, 100 % open")
    for key, proposed in (
        ("ridge_vent_position.coding", "u16 0.5"),
        ("ridge_vent_position.full_travel", ""),
        ("ridge_vent_position.refreshed_every", ""),
        ("wall_vent_position.coding", "f32 low-first"),
    ):
        first.until(f"{key} [{proposed}")
        first.write("\r")
    first.until("wall_vent_position.full_travel [")
    first.process.send_signal(signal.SIGINT)  # as Ctrl-C does at a prompt
    assert first.end() == 130
    assert "give the same command again to go on where this was left" in first.heard
    kept = load_document(first.folder / "table.setup.yaml", SetupFile).model.answers
    assert (kept["bench"], kept["wall_vent_position.coding"]) == ("Table of Hollerbach", "f32 low-first")
    assert 4 < float(kept["ridge_vent_position.full_travel"].removesuffix(" s")) <= 6  # it is 6 s
    assert kept["automatic"] == "yes"
    assert not (first.folder / "table.yaml").exists()


def _lines(stranger):
    return stranger.list.read_text(encoding="utf-8").splitlines()


def test_whoever_leaves_while_a_relay_is_switched_leaves_it_safe(stranger, setup):
    """Ctrl-C lets the relay go; the answers up to there are kept."""
    known = _known(stranger) | {"automatic": "yes", "warm": "stand"}
    stranger.hands("open")
    left = setup("table.yaml", *answers(**known), terminal=True)
    left.until("clear:")
    left.write("yes\r")
    left.until("relay.1.lamp [1]:")
    stranger.until("lamp 1 on")
    left.process.send_signal(signal.SIGINT)
    stranger.until("lamp 1 off")  # whatever ends it, the relay is let go
    assert left.end() == 130
    assert "relays" in load_document(left.folder / "table.setup.yaml", SetupFile).model.answers
    assert [*operations_in(left.folder / "records" / "relays.sqlite").values()] == [1]  # the click counts


def test_a_setup_that_was_left_goes_on_to_a_first_verdict(stranger, setup, program):
    """At a terminal: relays click, each lamp lit while it is asked for, and the rain test passes."""
    kept = {"setup": "table.yaml", "answers": {key: str(text) for key, text in _known(stranger).items()}}
    (stranger.work / "table.setup.yaml").write_text(
        yaml.safe_dump(kept, allow_unicode=True), encoding="utf-8"
    )
    goes_on = setup("table.yaml", *answers(selfcheck="no"), terminal=True)
    for question, said in (
        ("Going on where this was left", ""),
        ("Turn every hand switch of the vents to automatic", ""),
    ):
        goes_on.until(question)
        goes_on.write(said)
    stranger.hands("auto")
    stranger.until("hand switch of side: automatic")
    goes_on.write("\r")
    for question, said in (
        ("warm [room_temperature_simulated]:", "\r"),
        ("room_temperature_simulated.coding [s16 0.1]:", "\r"),
        ("warm.value [30 °C]:", "\r"),
        ("clear:", "yes\r"),
    ):
        goes_on.until(question)
        goes_on.write(said)
    goes_on.until("relay.1.lamp [1]:")
    stranger.until("lamp 1 on")
    assert "lamp 1 off" not in stranger.heard, "the lamp is lit while it is asked for"
    goes_on.write("\r")
    goes_on.until("relay 1 is on; until something answers, at most")
    goes_on.write("impatient\r")  # what is typed while nothing is asked answers nothing
    for question, said in (
        ("nothing that is read changed", ""),
        ("relay.1 [none]:", "\r"),
        ("relay.2.lamp [2]:", "green\r"),
        ("s more: ", ""),
        ("Ridge vent position: 100 % to 10 %", ""),
        ("relay.2 [rain]:", "\r"),
        ("relay.2.contact [no]:", "\r"),
    ):
        goes_on.until(question)
        goes_on.write(said)
    goes_on.until("Written: table.yaml and table-rain.yaml")
    goes_on.until("rain_test [yes]:")
    goes_on.write("\r")
    assert goes_on.end() == 0, goes_on.heard[-2000:]
    assert "lamp green of the board" in (goes_on.folder / "table.yaml").read_text(encoding="utf-8")
    code, said = program("check", "table.yaml", "table-rain.yaml", "--bench", "table.yaml")
    assert code == 0, said


def _known(stranger):
    """Return all answers up to the relay board, over the network."""
    return {
        "link": "tcp",
        "host": stranger.host,
        "ids": "3-4",
        "unit_id": "3",
        "list": stranger.list,
        "signals": "all",
        "moves": "skip",
        "ridge_vent_position.coding": "u16 0.5",
        "ridge_vent_position.full_travel": "5.7 s",
        "ridge_vent_position.refreshed_every": "110 ms",
        "wall_vent_position.coding": "f32 low-first",
        "wall_vent_position.full_travel": "4.7 s",
        "wall_vent_position.refreshed_every": "110 ms",
        "bench": "Table of Hollerbach",
        "flags.keep": "1 s",
        "board": "same",
        "board.unit_id": "4",
        "board.first_coil": "0",
        "relays": "2",
    }


def answers(**given):
    """Return `--answer` options."""
    return [word for key, text in given.items() for word in ("--answer", f"{key}={text}")]


def test_a_script_sets_up_a_bench_over_the_network_without_a_question(stranger, setup, program):
    """Every answer is an option, the rest is what Enter alone answers; the hook-up is tried and found right."""
    given = answers(**_known(stranger), **{"relay.1": "none", "rain_test": "no"})
    stranger.hands("auto")
    script = setup("net.yaml", "--confirm-clear", *given)
    assert script.end(within_s=200) == 0, script.heard
    assert "Rain alarm: on after" in script.heard
    assert "rain: " in script.heard
    code, said = program("check", "net.yaml")
    assert code == 0, said
    again = setup("other.yaml", "--answers", "net.setup.yaml", "--any-path", "--answer", "selfcheck=no")
    assert again.end() == 0, again.heard
    bench, other = ((script.folder / name).read_text(encoding="utf-8") for name in ("net.yaml", "other.yaml"))
    assert bench == other


def test_nothing_is_clicked_unless_somebody_says_that_it_is_clear(stranger, setup):
    """A script without --confirm-clear ends before the first relay; the answers up to there are kept."""
    given = answers(link="tcp", host=stranger.host, ids="3-4", list=stranger.list, signals="rain_alarm")
    script = setup("net.yaml", *given)
    assert script.end() == 3
    assert (
        "no one is here to confirm that vents and drives are clear; give --confirm-clear once that is so"
        in script.heard
    )
    assert "lamp" not in stranger.heard
    assert (script.folder / "net.setup.yaml").exists()


def test_a_line_on_which_nobody_answers_is_told(setup):
    """A silent pseudo-terminal: every setting is tried, then what may be wrong with the wires is said."""
    master, slave = os.openpty()
    try:
        given = answers(link="rtu", port=os.ttyname(slave), line="9600 none", ids="1-3")
        script = setup("silent.yaml", *given)
        assert script.end() == 3
    finally:
        os.close(master)
        os.close(slave)
    assert (
        "no unit responds there; is it powered? swap the two wires A and B, and look for the line settings"
        in script.heard
    )


def test_a_bench_file_that_exists_is_never_replaced(setup):
    """Nor is a rain test; both are told before anything is asked."""
    one = setup("mine.yaml")
    one.process.kill()
    (one.folder / "mine.yaml").write_text("bench: mine\n", encoding="utf-8")
    script = setup("mine.yaml")
    assert script.end() == 3
    assert "mine.yaml: exists already; name another" in script.heard
    assert (script.folder / "mine.yaml").read_text(encoding="utf-8") == "bench: mine\n"
