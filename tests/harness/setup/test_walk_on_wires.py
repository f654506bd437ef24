"""A first bench is set up against a unit that nobody described: real processes, a serial line, a network."""

from __future__ import annotations

import os
import signal
import time

import pytest

pytestmark = pytest.mark.wire
TRAVEL_S = 5.5
"""The stranger's slower vent, and a little more: what a person sees who looks at it."""


def test_a_newcomer_comes_from_nothing_to_a_first_verdict_at_a_terminal(stranger, setup, program):
    """Wrong answers, a step back, leaving in the middle and going on: a bench file that is right, and a rain test."""
    first = setup("table.yaml", terminal=True)
    first.until("bench [First bench]:")
    first.write("Hollerbach table\r")
    first.until("link [rtu]:")
    first.write("carrier pigeon\r")
    first.until("is none of the answers")
    first.write("\x15back\r")
    first.until("bench [First bench]:")
    first.write("Table of Hollerbach\r")
    first.until("link [rtu]:")
    first.write("1\r")
    first.until("port:")
    first.write("/dev/nowhere\r")
    first.until("is the adapter plugged in?")
    first.write(f"\x15{stranger.port}\r")
    first.until("baud [search]:")
    first.write("\r")
    first.until("parity [search]:")
    first.write("none\r")
    first.until("ids [1-50]:")
    first.write("3-4\r")
    first.until("unit id 4 has coils and no input registers: a relay board", within_s=60)
    first.until("unit_id [3]:")
    first.write("\r")
    first.until("list [paste]:")
    first.write("\r")
    first.until("list.text:")
    for line in stranger.list.read_text(encoding="utf-8").splitlines():
        first.write(f"{line}\r")
    first.write("\r")
    first.until("Ridge vent position")
    first.until("signals [all]:")
    first.write("\r")
    first.until("moves [hand]:")
    first.write("\r")
    _moves_the_vents(stranger, first)
    first.until("u16 0.5: 0 % closed, 100 % open")
    first.until("ridge_vent_position.coding [u16 0.5]:")
    first.process.send_signal(signal.SIGINT)  # as Ctrl-C does at a prompt
    assert first.end() != 0
    kept = (first.folder / "table.setup.yaml").read_text(encoding="utf-8")
    assert "bench: Table of Hollerbach" in kept
    assert "moves: hand" in kept
    assert not (first.folder / "table.yaml").exists()
    _goes_on_to_a_verdict(stranger, setup, program)


def _moves_the_vents(stranger, at):
    for word, where in (("Close all", "close"), ("Open all", "open"), ("Close all", "close")):
        at.until(f"{word} vents fully")
        at.until("Enter:")
        stranger.hands(where)
        stranger.until("hand switch of side")
        time.sleep(TRAVEL_S)
        at.write("\r")


def _goes_on_to_a_verdict(stranger, setup, program):
    second = setup("table.yaml", "--answer", "selfcheck=no", terminal=True)
    second.until("Going on where this was left")
    _moves_the_vents(stranger, second)
    for key in (
        "ridge_vent_position.coding",
        *_OF_VENTS,
        "flags.keep",
        "board",
        "board.unit_id",
        "board.first_coil",
    ):
        second.until(f"{key} [")
        second.write("\r")
    second.until("relays [2]:")
    second.write("\r")
    second.until("clear:")
    second.write("yes\r")
    second.until("nothing that is read changed")
    second.until("relay.1 [none]:")
    second.write("\r")
    second.until("Rain alarm: on")
    for key in (
        "relay.2 [rain]",
        "relay.2.lamp [2]",
        "relay.2.contact [no]",
        "warm [room_temperature_simulated]",
    ):
        second.until(f"{key}:")
        second.write("\r")
    second.until("room_temperature_simulated.coding [s16 0.1]:")
    second.write("\r")
    second.until("warm.value [30 °C]:")
    second.write("\r")
    second.until("Turn every hand switch back to automatic")
    stranger.hands("auto")
    second.write("\r")
    second.until("Ridge vent position: 100 % to 10 %")
    second.until("Written: table.yaml and table-rain.yaml")
    second.until("rain_test [yes]:")
    second.write("\r")
    assert second.end() == 0, second.heard[-2000:]
    assert "pass" in second.heard
    code, said = program("check", "table.yaml", "table-rain.yaml", "--bench", "table.yaml")
    assert code == 0, said
    _, said = program("setup", "table.yaml", "--answer", "selfcheck=no", "--answer", "rain_test=no")
    assert "Written" not in said


_OF_VENTS = (
    *("ridge_vent_position.full_travel", "ridge_vent_position.refreshed_every", "wall_vent_position.coding"),
    *("wall_vent_position.full_travel", "wall_vent_position.refreshed_every"),
)


def answers(**given):
    """Return `--answer` options."""
    return [word for key, text in given.items() for word in ("--answer", f"{key.replace('__', '.')}={text}")]


def test_a_script_sets_up_a_bench_over_the_network_without_a_question(stranger, setup, program):
    """Every answer is an option, the rest is what Enter alone answers; the hook-up is tried and found right."""
    given = answers(
        link="tcp",
        host=stranger.host,
        ids="3-4",
        list=stranger.list,
        moves="skip",
        ridge_vent_position__coding="u16 0.5",
        ridge_vent_position__full_travel="3.8 s",
        wall_vent_position__coding="f32 low-first",
        wall_vent_position__full_travel="2.8 s",
        relay__1="none",
        rain_test="no",
    )
    stranger.hands("auto")
    script = setup("net.yaml", "--clear", *given)
    assert script.end(within_s=200) == 0, script.heard
    assert "Rain alarm: on after" in script.heard
    assert "what answers rain" in script.heard
    code, said = program("check", "net.yaml")
    assert code == 0, said
    again = setup("other.yaml", "--answers", "net.setup.yaml", "--answer", "selfcheck=no")
    assert again.end() == 0, again.heard
    bench, other = ((script.folder / name).read_text(encoding="utf-8") for name in ("net.yaml", "other.yaml"))
    assert bench == other


def test_nothing_is_clicked_unless_somebody_says_that_it_is_clear(stranger, setup):
    """A script without --clear ends before the first relay; the answers up to there are kept."""
    given = answers(link="tcp", host=stranger.host, ids="3-4", list=stranger.list, signals="rain_alarm")
    script = setup("net.yaml", *given)
    assert script.end() == 3
    assert (
        "nobody is here to confirm that vents and drives are clear; give --clear once that is so"
        in script.heard
    )
    assert "lamp" not in stranger.heard
    assert (script.folder / "net.setup.yaml").exists()


def test_a_line_on_which_nobody_answers_is_told(setup):
    """A silent pseudo-terminal: every setting is tried, then what may be wrong with the wires is said."""
    master, slave = os.openpty()
    try:
        given = answers(link="rtu", port=os.ttyname(slave), baud="9600", parity="none", ids="1-3")
        script = setup("silent.yaml", *given)
        assert script.end() == 3
    finally:
        os.close(master)
        os.close(slave)
    assert (
        "nobody answers there; is it powered? swap the two wires A and B; give other settings" in script.heard
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
