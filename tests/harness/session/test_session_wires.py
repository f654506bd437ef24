"""Whole runs on real wires: pseudo-terminals and sockets, separate processes, real time."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import time
from pathlib import Path

import pytest
from fast_house import LONG_RAIN, VENTPROOF, served_house
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient
from typist import Typist

from ventproof.log.read import read_log
from ventproof_bench.outputs.wear import operations_in

pytestmark = pytest.mark.wire

FAST_RAIN = """
profile: rain, on a small fast house
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", side_vent: "%", rain_override: flag, rain_count: count}
always:
  - {signal: roof_vent, stays_at_most: 15 %, while: {rain: closed}, applies_after: 4 s}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 75 %, tolerance: 6 %, within: 8 s}
    - {signal: side_vent, reaches: 65 %, tolerance: 6 %, within: 8 s}
steps:
  - step: rain begins
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 1500 ms}
      - {signal: roof_vent, reaches: 8 %, tolerance: 6 %, within: 6 s, holds: 1 s}
      - {signal: side_vent, reaches: 45 %, tolerance: 6 %, within: 6 s, holds: 1 s}
  - step: rain ends
    do:
      - open: rain
    expect:
      - {signal: rain_override, equals: off, within: 4 s}
      - {signal: roof_vent, returns: 50 %, tolerance: 6 %, not_before: 1 s, within: 9 s}
"""
PULSES = """
profile: six closures are counted and start nothing
needs:
  outputs: {rain: contact}
  signals: {rain_count: count, rain_override: flag}
start:
  set: {rain: open}
  until:
    - {signal: rain_override, equals: off, within: 4 s}
    - {signal: rain_count, unchanged: {for: 500 ms}}
steps:
  - step: six pulses
    do:
      - {pulse: rain, times: 6, closed_for: 125 ms, open_for: 125 ms, label: train}
    expect:
      - {signal: rain_count, counts: 6, within: 2 s}
      - {signal: rain_override, unchanged: {for: 2 s}}
"""
WEATHER = """
profile: rain and wind beside each other
needs:
  outputs: {bucket: contact, cups: contact}
  signals: {tip_count: count, gale_override: flag}
start:
  until:
    - {signal: gale_override, equals: off, within: 4 s}
    - {signal: tip_count, unchanged: {for: 500 ms}}
steps:
  - step: a shower and a wind that changes
    do:
      - rainfall: bucket
        blocks: [{for: 1500 ms, intensity: 1920 mm/h}, {for: 1500 ms, intensity: 960 mm/h}]
        label: shower
      - {wind: cups, speed: 6 m/s}
      - {wait: 500 ms}
      - {wind: cups, speed: 5 m/s, to: 9 m/s, over: 1500 ms, label: rise}
    expect:
      - {signal: tip_count, counts: 6, within: 3500 ms, after: shower}
      - {signal: gale_override, unchanged: {for: 500 ms}, after_end_of: rise}
"""
ONLY_RAIN = """
table: rain alone, on a small fast house
opened_by: {house_temperature: 30 °C}
vents:
  roof: {signal: roof_vent, open: 92 %, starts_within: 600 ms, full_travel: [2900 ms, 3100 ms], tolerance: 1 %}
overrides:
  rain: {when: [{contact: rain}], entry_delay: 500 ms, release_delay: 1 s, positions: {roof: 8 %}}
"""
BESIDE_A_PERSON = """
profile: rain sounds no horn
needs:
  outputs: {rain: contact, door: contact}
  signals: {rain_override: flag, horn: flag}
start:
  set: {rain: open, door: open}
  until: [{signal: rain_override, equals: off, within: 4 s}]
steps:
  - step: the door is shut
    do: [close: door]
    expect: [{signal: horn, unchanged: {for: 1 s}}]
  - step: rain
    do: [close: rain]
    expect:
      - {signal: rain_override, equals: on, within: 1500 ms}
      - {signal: horn, unchanged: {for: 3 s}}
"""


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    """A small fast house, served by `ventproof mock` in a process of its own; returns its folder."""
    folder = tmp_path_factory.mktemp("stand")
    (folder / "rain.yaml").write_text(FAST_RAIN, encoding="utf-8")
    (folder / "long.yaml").write_text(LONG_RAIN, encoding="utf-8")
    (folder / "pulses.yaml").write_text(PULSES, encoding="utf-8")
    (folder / "weather.yaml").write_text(WEATHER, encoding="utf-8")
    with served_house(folder) as mock:
        (folder.parent / f"mock-{mock.pid}.pid").write_text(str(mock.pid), encoding="ascii")
        yield folder


def run_command(stand, out, bench, *more, profile="rain.yaml"):
    return [
        *VENTPROOF,
        "run",
        stand / profile,
        "--bench",
        stand / bench,
        "--confirm-clear",
        "--out",
        out,
        *more,
    ]


@pytest.mark.parametrize(
    ("bench", "profile", "more"),
    [
        ("bench-rtu.yaml", "rain.yaml", []),
        ("bench-tcp.yaml", "pulses.yaml", []),
        ("bench-rtu.yaml", "pulses.yaml", ["--map", "rain=rain_frames"]),
        ("bench-rtu.yaml", "pulses.yaml", ["--map", "rain=rain_lines"]),
        ("bench-rtu.yaml", "weather.yaml", []),
    ],
    ids=[
        "coil relay on the RTU line",
        "TCP and SCPI switch",
        "framed relay board",
        "serial control line",
        "two trains on the RTU line",
    ],
)
def test_a_unit_is_proved_on_real_wires(bench, profile, more, stand, ventproof):
    """Every kind of relay drives the unit's contact in real time and the unit passes; no control codes are printed."""
    code, out, err = ventproof(
        *run_command(stand, Path.cwd(), bench, *more, profile=profile)[len(VENTPROOF) :]
    )
    assert code == 0, out + err
    assert "1 run: 1 pass" in out
    assert "\x1b" not in out
    state = read_log(next(Path.cwd().glob("*.jsonl")))
    assert (state.broken_at, state.outcome) == (None, "pass")
    assert state.events[0].header.clock == "wall"


def test_a_person_beside_relays_and_a_bus_is_judged_with_them(stand, ventproof, tmp_path):
    """One opens the door and looks at the horn, the relay makes the rain, and the bus is read: one run, one verdict."""
    bench = (stand / "bench-tcp.yaml").read_text(encoding="utf-8")
    assert "\noutputs:\n" in bench
    assert "\nsignals:\n" in bench
    door = "  door: {driver: person, wired: {who: cabinet, closed: Shut the door., open: Open the door.}}\n"
    horn = "  horn: {read_by: cabinet, asks: Is the horn on?, unit: flag, keeps_for: 10 s}\n"
    bench = bench.replace("\noutputs:\n", f"\noutputs:\n{door}").replace(
        "\nsignals:\n", f"\nsignals:\n{horn}"
    )
    people = "people: {cabinet: {answers_in: 500 ms, reaction: 200 ms, safe_within: 5 s}}\n"
    (tmp_path / "mixed.yaml").write_text(bench + people, encoding="utf-8")
    (tmp_path / "horn.yaml").write_text(BESIDE_A_PERSON, encoding="utf-8")
    words = [
        "run",
        tmp_path / "horn.yaml",
        "--bench",
        tmp_path / "mixed.yaml",
        "--confirm-clear",
        "--out",
        tmp_path,
    ]
    with Typist(words, lambda _, what: "off" if "horn" in what else "done") as typist:
        assert typist.run(within_s=90) == 0, typist.shown
    asked = [what for _, what in typist.prompts]
    assert (asked[0], asked[-1]) == ("Open the door.", "Open the door.")
    assert {"Shut the door.", "Is the horn on?"} <= set(asked)
    state = read_log(next(tmp_path.glob("*.jsonl")))
    assert {event.poll.bus for event in state.events if event.name == "poll"} >= {"cabinet", "unit"}
    assert ventproof("judge", next(tmp_path.glob("*.jsonl")))[0] == 0


def rain_and_house(stand):
    """Read the relay that makes rain and the unit's temperature, with a client of its own on their line."""
    client = ModbusSerialClient(
        str(stand / "unit"), framer=FramerType.RTU, baudrate=19200, timeout=0.3, retries=3
    )
    try:
        while not client.connect():  # the guard holds the port until it has let go of it
            time.sleep(0.01)
        rain = client.read_coils(0, count=1, device_id=2).bits[0]
        return rain, client.read_holding_registers(0, count=1, device_id=1).registers[0] / 10
    finally:
        client.close()


def wait_for_rain(log_folder, process):
    """Wait until the run has closed the rain contact; returns its log."""
    for _ in range(1200):
        for log in log_folder.glob("*.jsonl"):
            if b'"said":"close rain"' in log.read_bytes():
                return log
        assert process.poll() is None
        time.sleep(0.05)
    raise AssertionError("the run never closed the rain contact")


def test_a_killed_run_leaves_safe_outputs_and_an_intact_aborted_log(stand, tmp_path):
    """A second after SIGKILL of the whole process group relay and setting are as they were; the log's chain holds."""
    with subprocess.Popen(
        run_command(stand, tmp_path, "bench-rtu.yaml", profile="long.yaml"),
        stdout=subprocess.DEVNULL,
        start_new_session=True,
    ) as process:
        log = wait_for_rain(tmp_path, process)
        killed = time.monotonic()
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
    assert b'"value":30.0' in log.read_bytes()
    while rain_and_house(stand) != (False, 18.0):
        assert time.monotonic() - killed < 1, "the bench is not as it was a second after the kill"
    done = subprocess.run([*VENTPROOF, "verify", log], capture_output=True, text=True, check=False)
    assert done.returncode == 4
    assert "intact" in done.stdout
    assert "aborted" in done.stdout


def line_process_of(process):
    """Return the process id of the line process of a run."""
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii").split()
    return next(int(c) for c in children if b"line_process" in Path(f"/proc/{c}/cmdline").read_bytes())


@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGSTOP], ids=["is killed", "hangs"])
def test_a_run_whose_line_process_is_lost_says_that_the_outputs_are_safe(sent, stand, tmp_path):
    """A second process makes safe: the screen says so in its one line, and relay and setting are as they were."""
    with subprocess.Popen(
        run_command(stand, tmp_path, "bench-rtu.yaml", profile="long.yaml"),
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        wait_for_rain(tmp_path, process)
        os.kill(line_process_of(process), sent)
        said = process.communicate(timeout=60)[0]
        assert process.returncode in {2, 4}  # a standby may take over, and then the run goes on
    assert (
        "\noutputs: all in their safe state (3 read back, 2 only commanded); settings as they were found; "
        in said
    )
    assert "MAY NOT BE SAFE" not in said
    assert rain_and_house(stand) == (False, 18.0)


def test_a_run_whose_boards_fall_silent_says_what_is_left_at_what_value(stand, tmp_path):
    """With unit and boards dead each output is told with its last value and what may keep moving; so in the report."""
    mock = next(p for p in stand.parent.glob("mock-*.pid"))
    with subprocess.Popen(
        run_command(stand, tmp_path, "bench-rtu.yaml", "--report", tmp_path / "r.html", profile="long.yaml"),
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        log = wait_for_rain(tmp_path, process)
        os.kill(int(mock.read_text(encoding="ascii")), signal.SIGSTOP)
        try:
            said = process.communicate(timeout=90)[0]
        finally:
            os.kill(int(mock.read_text(encoding="ascii")), signal.SIGCONT)
        assert process.returncode == 4
    assert "OUTPUTS MAY NOT BE SAFE (rain for a minute)" in said
    assert re.search(
        r"\n  house_temperature left at 30 °C, found at 18 °C \(.*\): roof_vent, side_vent may keep", said
    )
    assert re.search(
        r"\n  rain left closed \(.*\): roof_vent, side_vent may keep moving; board relays makes it", said
    )
    assert "present state not confirmed: " in said
    assert {"rain", "house_temperature"} <= {e["output"] for e in lines_of(log) if e["event"] == "undriven"}
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "Outputs: house_temperature left at 30 °C, found at 18 °C" in page


def test_ctrl_c_leaves_safe_outputs_and_says_so(stand, tmp_path):
    """Ctrl-C ends the run with code 130, outputs safe and the log closed as aborted."""
    with subprocess.Popen(
        run_command(stand, tmp_path, "bench-rtu.yaml", profile="long.yaml"),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        log = wait_for_rain(tmp_path, process)
        process.send_signal(signal.SIGINT)
        said = process.stderr.read()
        assert (
            f"interrupted; {log} is closed\noutputs: all in their safe state (3 read back, 2 only commanded); "
            in said
        )
        assert "settings as they were found" in said
        assert process.wait(10) == 130
    assert rain_and_house(stand) == (False, 18.0)
    events = lines_of(log)
    assert [e["event"] for e in events[-2:]] == ["safe", "run_end"]
    assert events[-1]["aborted"] == "interrupted by the operator"


def test_exploring_that_is_interrupted_leaves_safe_outputs(stand, tmp_path):
    """Ctrl-C while a sequence is played on real wires ends the exploration like a run: 130, safe, logs kept."""
    (stand / "table.yaml").write_text(ONLY_RAIN, encoding="utf-8")
    words = [
        "--bench",
        stand / "bench-rtu.yaml",
        "--confirm-clear",
        "--time-limit",
        "5 min",
        "--out",
        tmp_path / "found",
    ]
    with subprocess.Popen(
        [*VENTPROOF, "explore", stand / "table.yaml", *words, "--logs", tmp_path],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        log = wait_for_rain(tmp_path, process)
        process.send_signal(signal.SIGINT)
        said, wrong = process.communicate(timeout=20)
        assert process.returncode == 130, said + wrong
    assert "outputs: all in their safe state" in wrong
    assert "Traceback" not in wrong
    assert rain_and_house(stand) == (False, 18.0)
    assert lines_of(log)[-1]["aborted"] == "interrupted by the operator"


def test_more_ctrl_c_do_not_break_the_tidying_off(stand, tmp_path):
    """An impatient operator who presses Ctrl-C again and again still gets safe outputs and a closed log."""
    with subprocess.Popen(
        run_command(stand, tmp_path, "bench-rtu.yaml", profile="long.yaml"), stdout=subprocess.DEVNULL
    ) as process:
        log = wait_for_rain(tmp_path, process)
        while process.poll() is None:
            process.send_signal(signal.SIGINT)
            time.sleep(0.005)
        assert process.wait(10) == 130
    assert rain_and_house(stand) == (False, 18.0)
    assert lines_of(log)[-1]["event"] == "run_end"


def test_a_reader_that_goes_away_changes_nothing(stand, tmp_path):
    """When whoever reads the output hangs up, the run goes on to its end and its exit code."""
    with subprocess.Popen(
        run_command(stand, tmp_path, "bench-tcp.yaml", profile="pulses.yaml"), stdout=subprocess.PIPE
    ) as process:
        process.stdout.close()
        assert process.wait(30) == 0
    assert read_log(next(tmp_path.glob("*.jsonl"))).outcome == "pass"


def test_sigterm_ends_like_ctrl_c(stand, tmp_path):
    """A service manager's SIGTERM is an interruption like any other."""
    with subprocess.Popen(
        run_command(stand, tmp_path, "bench-rtu.yaml", profile="long.yaml"), stdout=subprocess.DEVNULL
    ) as process:
        log = wait_for_rain(tmp_path, process)
        process.terminate()
        assert process.wait(10) == 130
    assert rain_and_house(stand) == (False, 18.0)
    assert lines_of(log)[-1]["event"] == "run_end"


def test_a_suite_goes_on_after_a_run_whose_line_process_was_killed(stand, tmp_path):
    """The first profile is left open, outputs safe; the next one waits for its known state and passes."""
    (stand / "both").mkdir(exist_ok=True)
    for number, text in enumerate((LONG_RAIN, PULSES)):
        (stand / "both" / f"{number}.yaml").write_text(text, encoding="utf-8")
    command = run_command(stand, tmp_path, "bench-rtu.yaml", profile="both")
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        wait_for_rain(tmp_path, process)
        os.kill(line_process_of(process), signal.SIGKILL)
        out, _ = process.communicate(timeout=120)
    assert (process.returncode, "2 runs: 1 inconclusive, 1 pass\n" in out) == (2, True), out
    assert "MAY NOT BE SAFE" not in out
    assert read_log(tmp_path / "rain-for-a-minute.jsonl").outcome == "inconclusive"


def test_an_interlock_that_opens_makes_all_safe_at_once_and_ends_the_suite(stand, tmp_path):
    """A guard door on an input, here the one that the rain relay closes: nobody drives on behind an opened door."""
    text = (stand / "bench-rtu.yaml").read_text(encoding="utf-8")
    (stand / "bench-door.yaml").write_text(
        f"{text}\ninterlock: {{signal: rain_contact, healthy: 0}}\n", encoding="utf-8"
    )
    (stand / "door").mkdir(exist_ok=True)
    for number, profile in enumerate((LONG_RAIN, PULSES)):
        (stand / "door" / f"{number}.yaml").write_text(profile, encoding="utf-8")
    command = run_command(stand, tmp_path, "bench-door.yaml", profile="door")
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, "1 of 2 planned runs not run\n" in done.stdout) == (4, True), done.stdout
    assert "aborted: the interlock rain_contact is not healthy (it reads 1, healthy is 0)" in done.stdout
    lines = lines_of(tmp_path / "rain-for-a-minute.jsonl")
    opened_s = next(
        line["t"] for line in lines if line["event"] == "poll" and line["values"].get("rain_contact")
    )
    safe_s = next(line["t"] for line in lines if line["event"] == "driven" and line["t"] > opened_s)
    assert safe_s - opened_s < 0.5
    assert rain_and_house(stand) == (False, 18.0)


def test_operations_are_counted_over_runs_and_survive_a_kill(stand, tmp_path):
    """Six pulses, then one closure of a run that is killed with SIGKILL: seven in the ledger beside the history."""
    place = f"coil 0 of unit 2 on {stand / 'unit'}"
    subprocess.run(
        run_command(stand, tmp_path, "bench-rtu.yaml", profile="pulses.yaml"), capture_output=True, check=True
    )
    assert operations_in(tmp_path / "relays.sqlite")[place] == 6
    with subprocess.Popen(
        run_command(stand, tmp_path, "bench-rtu.yaml", profile="long.yaml"), stdout=subprocess.DEVNULL
    ) as process:
        wait_for_rain(tmp_path, process)
        process.kill()
    for _ in range(200):
        if operations_in(tmp_path / "relays.sqlite")[place] == 7:
            break
        time.sleep(0.1)
    assert operations_in(tmp_path / "relays.sqlite")[place] == 7


def refused(stand, tmp_path, bench, *changes):
    """Run on a bench file with a slip in it; returns what is said, without line ends, once nothing was driven."""
    text = (stand / bench).read_text(encoding="utf-8")
    for right, wrong in changes:
        assert right in text
        text = text.replace(right, wrong)
    (stand / "bench-wrong.yaml").write_text(text, encoding="utf-8")
    done = subprocess.run(
        run_command(stand, tmp_path / "none", "bench-wrong.yaml"), capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (3, "")
    assert not (tmp_path / "none").exists()
    return done.stderr


def test_what_is_not_there_is_told_with_its_place_before_anything_is_driven(stand, tmp_path):
    """A port, a host and a unit id that are wrong are exit code 3 with line and column, and no log."""
    unit = str(stand / "unit")
    said = refused(stand, tmp_path, "bench-rtu.yaml", (unit, str(stand / "nothing")))
    assert re.search(
        r"bench-wrong.yaml:\d+:\d+: there is no port \S+/nothing; is the adapter plugged in\? Ports", said
    )
    port = re.search(r"tcp_port: (\d+)", (stand / "bench-tcp.yaml").read_text(encoding="utf-8"))[0]
    said = refused(stand, tmp_path, "bench-tcp.yaml", (port, "tcp_port: 1"))
    assert re.search(r"bench-wrong.yaml:\d+:\d+: bus \w+: 127.0.0.1 port 1 cannot be opened: ", said), said


def test_a_unit_with_another_id_is_found_where_it_is(stand, tmp_path):
    """The unit that is silent and the one that answers are both named, at the line that names the first."""
    text = (stand / "bench-rtu.yaml").read_text(encoding="utf-8")
    wrong = re.sub(r"bus: unit,(?! unit_id)", "bus: unit, unit_id: 9,", text)
    wrong = re.sub(r"\n( +)bus: unit\n(?! +unit_id)", r"\n\1bus: unit\n\1unit_id: 9\n", wrong)
    said = refused(stand, tmp_path, "bench-rtu.yaml", (text, wrong))
    found = r":\d+:\d+: unit id 9 on bus \w+ does not answer, and something else answers at unit id 1; set the unit"
    assert re.search(found, said), said


@pytest.mark.parametrize("bench", ["bench-rtu.yaml", "bench-tcp.yaml"])
def test_who_holds_the_bench_is_named_and_nobody_is_told_to_isolate_drives(bench, stand, tmp_path):
    """While one run drives it, a second one is refused with the first one's process."""
    with subprocess.Popen(
        run_command(stand, tmp_path, bench, profile="long.yaml"), stdout=subprocess.DEVNULL
    ) as first:
        wait_for_rain(tmp_path, first)
        said = refused(stand, tmp_path, bench)
        first.terminate()
        assert first.wait(10) == 130
    assert re.search(r"bench-wrong.yaml:\d+:\d+: .* process \d+, begun \d\d:\d\d, ventproof run", said), said
    assert "solate" not in said
