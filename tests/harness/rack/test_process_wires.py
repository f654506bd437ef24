"""Racks on real wires: sockets, a process a place, real time; what befalls one place touches no other."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest
from fast_house import VENTPROOF, faster, served

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.events import GapSeen, OutputsSafe, StimulusApplied
from ventproof.log.read import check_log, read_log
from ventproof.rack.process import _WARM
from ventproof.runset.rack_record import read_rack_record
from ventproof_bench.outputs.wear import operations_in

pytestmark = pytest.mark.wire

RAIN = """
profile: rain for a while
needs: {outputs: {rain: contact}, signals: {rain_override: flag, roof_vent: "%"}}
start:
  set: {rain: open}
  until: [{signal: rain_override, equals: off, within: 6 s}]
steps:
  - step: rain begins
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 1500 ms}
      - {signal: roof_vent, stays_at_most: 101 %, for: 12 s}
"""
PLACES = ("fine", "faulty", "dead", "hit")


@pytest.fixture(scope="module")
def bay(tmp_path_factory):
    """Four units on sockets, each served by a process of its own, and rack files for them."""
    folder = tmp_path_factory.mktemp("bay")
    (folder / "rain.yaml").write_text(RAIN, encoding="utf-8")
    house = faster(SHIPPED_BENCH.read_text(encoding="utf-8"))
    mocks = {}
    with ExitStack() as stack:
        for name in PLACES:
            own = folder / name
            own.mkdir()
            faulty = house.replace("\nmock:\n", "\nmock:\n  faults: {ignores_rain: 1}\n")
            (own / "house.yaml").write_text(faulty if name == "faulty" else house, encoding="utf-8")
            mocks[name] = stack.enter_context(served(own, own / "house.yaml"))
            bench = own / "bench-tcp.yaml"
            bench.write_text(faster(bench.read_text(encoding="utf-8")), encoding="utf-8")
        yield folder, mocks


def rack_of(folder, names):
    """Write a rack file of some of the units; returns it."""
    places = "".join(f"  {name}: {{bench: {name}/bench-tcp.yaml, unit: V-{name}}}\n" for name in names)
    path = folder / f"{'-'.join(names)}.yaml"
    path.write_text(f"rack: {' '.join(names)}\nprofiles: [rain.yaml]\nplaces:\n{places}", encoding="utf-8")
    return path


class Running:
    """A rack that goes on: its process, and its logs as they come."""

    def __init__(self, folder, out, names):
        self.names = names
        self.folder = out / "-".join(names)
        command = [*VENTPROOF, "rack", rack_of(folder, names), "--confirm-clear", "--out", out]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
        )

    def log(self, name):
        """Return the log of a place; None before it is there."""
        return next((self.folder / name).glob("*.jsonl"), None)

    def until_it_rains(self, within_s=90.0):
        """Wait until the contact was closed at every place."""
        end_s = time.monotonic() + within_s
        for name in self.names:
            while (log := self.log(name)) is None or b'"said":"close rain"' not in log.read_bytes():
                assert time.monotonic() < end_s, f"no rain at {name}"
                assert self.process.poll() is None, self.process.communicate()[0]
                time.sleep(0.05)

    def writer(self, name):
        """Return the number of the process that writes the log of a place."""
        target = self.log(name).resolve()
        for descriptors in Path("/proc").glob("[0-9]*/fd"):
            with suppress(OSError):
                if descriptors.parent.name == str(self.process.pid):
                    continue  # it reads what others write
                if any(one.resolve() == target for one in descriptors.iterdir()):
                    return int(descriptors.parent.name)
        raise AssertionError(f"nobody writes {target}")

    def ended(self, within_s=90.0):
        """Return the exit code and all that was said."""
        said, _ = self.process.communicate(timeout=within_s)
        return self.process.returncode, said


def outcomes(rack, names):
    return [check_log(rack.log(name)).outcome for name in names]


def test_what_befalls_one_place_touches_no_other(bay, tmp_path):
    """A unit that fails, a unit that dies and a process that is killed: the fourth passes, on time."""
    folder, mocks = bay
    rack = Running(folder, tmp_path, PLACES)
    rack.until_it_rains()
    mocks["dead"].send_signal(signal.SIGSTOP)
    os.kill(rack.writer("hit"), signal.SIGKILL)
    try:
        code, said = rack.ended()
    finally:
        mocks["dead"].send_signal(signal.SIGCONT)
    assert code == 4, said
    assert outcomes(rack, PLACES) == ["pass", "fail", "aborted", "aborted"], said
    events = read_log(rack.log("fine")).events
    assert not [event for event in events if isinstance(event, GapSeen)]
    edges = [edge for event in events if isinstance(event, StimulusApplied) for edge in event.edges]
    assert max(edge.window.earliest_s - edge.due_s for edge in edges if edge.window) < 0.1
    record = read_rack_record(rack.folder / "rack.json")
    assert [(one.place, one.code) for one in record.places] == [
        ("fine", 0),
        ("faulty", 1),
        ("dead", 4),
        ("hit", 4),
    ]
    assert record.places[3].remark == "its process was ended by signal 9"
    assert re.search(r"│ fine +│ V-fine +│ +│ 1 of 1 │ 1 pass +│ safe +│", said)
    assert re.search(r"│ hit +│ V-hit +│ +│ 1 of 1 │ 1 aborted +│ not confirmed │", said)
    assert f"  {rack.log('hit')} ends without its last line: this run counts as aborted\n" in said
    assert "OUTPUTS MAY NOT BE SAFE (hit): its run did not confirm that they are." in said
    assert "OUTPUTS MAY NOT BE SAFE (fine)" not in said
    used = operations_in(tmp_path / "relays.sqlite")
    assert sum(bool(count) for count in used.values()) >= 2, used


def test_ctrl_c_stops_all_places_and_makes_their_outputs_safe(bay, tmp_path):
    """One signal to the rack: each log is closed as aborted with its outputs safe, and the table says so."""
    folder, _ = bay
    names = ("fine", "faulty", "hit")
    rack = Running(folder, tmp_path, names)
    rack.until_it_rains()
    warned = rack.folder / "fine" / "run-warnings.txt"
    assert warned.stat().st_size >= 16_384  # room on the disk for why it is full
    os.killpg(rack.process.pid, signal.SIGINT)  # as a terminal does, to all processes of its foreground
    code, said = rack.ended()
    assert code == 130, said
    for name in names:
        state = read_log(rack.log(name))
        assert state.outcome == "aborted"
        assert any(isinstance(event, OutputsSafe) for event in state.events)
        assert re.search(rf"│ {name} +│ V-{name} +│ +│ 1 of 1 │ 1 aborted │ safe +│", said)
    assert read_rack_record(rack.folder / "rack.json").places[0].code == 130
    assert warned.read_text(encoding="utf-8").startswith("\ninterrupted; ")
    assert "--resume" not in warned.read_text(encoding="utf-8")  # the rack goes on, not a place
    assert "\0" not in warned.read_text(encoding="utf-8")
    assert said.endswith(
        f"interrupted; to go on: ventproof rack {folder}/fine-faulty-hit.yaml --resume {rack.folder}\n"
    )


def test_a_rack_that_is_killed_leaves_nothing_driven(bay, tmp_path):
    """Without who watches over them the runs end in order: logs closed, outputs safe."""
    folder, _ = bay
    names = ("fine", "hit")
    rack = Running(folder, tmp_path, names)
    rack.until_it_rains()
    rack.process.kill()
    rack.process.communicate(timeout=30)
    end_s = time.monotonic() + 30
    for name in names:
        while not check_log(rack.log(name)).closed:
            assert time.monotonic() < end_s, f"{name} goes on"
            time.sleep(0.1)
        state = read_log(rack.log(name))
        assert state.outcome == "aborted"  # it did not simply go on to its end
        assert any(isinstance(event, OutputsSafe) for event in state.events)


def test_a_unit_that_is_not_there_is_said_before_any_other_is_driven(bay, tmp_path):
    """Exit code 3 with the bench file's line, and no folder for logs."""
    folder, mocks = bay
    mocks["dead"].send_signal(signal.SIGSTOP)
    try:
        code, said = Running(folder, tmp_path, ("fine", "dead")).ended()
    finally:
        mocks["dead"].send_signal(signal.SIGCONT)
    assert code == 3
    assert re.search(r"dead/bench-tcp.yaml:\d+:\d+: ", said)
    assert "fine/bench-tcp.yaml" not in said
    assert not list(tmp_path.iterdir())


def test_a_run_imports_nothing_more_once_it_is_warm(tmp_path):
    """What its modules import late is there before the first output of a rack is opened."""
    script = (
        "import importlib, sys\n"
        f"for name in {_WARM!r}: importlib.import_module(name)\n"
        "before = set(sys.modules)\n"
        f"sys.argv = ['ventproof', 'run', '--quiet', '--bench', {str(SHIPPED_BENCH)!r}, 'rain.yaml']\n"
        "from ventproof.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'ventproof', 'ventproof_bench', 'numpy', 'scipy', 'pymodbus', 'serial', 'alembic'}\n"
        "late = {name for name in sys.modules if name.partition('.')[0] in heavy}\n"
        "print('late:', *sorted(late - before), sep='\\n', file=sys.stderr)\n"
    )
    (tmp_path / "rain.yaml").write_text(RAIN.replace("within: 6 s", "within: 90 s"), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, cwd=tmp_path, check=True
    )
    assert done.stderr.partition("late:")[2].split() == []
