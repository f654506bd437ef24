"""`ventproof rack`: what it refuses before anything is opened, and what it says and writes of virtual benches."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
from dataclasses import replace

import pytest
from fast_house import VENTPROOF
from screen import played
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.cli.rack import RackWanted, _tell, ready_places
from ventproof.cli.suite import Selection
from ventproof.history.database import place_of
from ventproof.history.store import History
from ventproof.log.signing import make_key
from ventproof.rack.closing import of_waivers, shows
from ventproof.rack.follow import PlaceProgress, RackPlace
from ventproof.runset.rack_file import load_rack
from ventproof.runset.rack_record import read_rack_record

COUNT = shipped_path("rain-count")
RAIN = shipped_path("rain-closes-holds-releases")
REAL = SHIPPED_BENCH.with_name("mock-tcp.yaml")


def written(folder, places, profiles=(COUNT,), rack="bay 2"):
    """Write a rack file; returns it."""
    names = ", ".join(map(str, profiles))
    lines = "".join(f"  {name}: {said}\n" for name, said in places.items())
    path = folder / "rack.yaml"
    path.write_text(f"rack: {rack}\nprofiles: [{names}]\nplaces:\n{lines}", encoding="utf-8")
    return path


def virtual(unit, more=""):
    """Return a place on the mock inside the process."""
    return f"{{bench: {SHIPPED_BENCH}, unit: {unit}{more}}}"


@pytest.fixture(scope="module")
def tested(tmp_path_factory):
    """A rack of three virtual benches, one of them with a fault, tested; returns its folder, exit code and words."""
    folder = tmp_path_factory.mktemp("racked")
    bench = SHIPPED_BENCH.read_text(encoding="utf-8").replace(
        "\nmock:\n", "\nmock:\n  faults: {ignores_rain: 1}\n"
    )
    (folder / "faulty.yaml").write_text(bench, encoding="utf-8")
    places = {
        "left": virtual("V-1"),
        "middle": "{bench: faulty.yaml, unit: V-2}",
        "right": virtual("V-3", ', firmware: "3.2"'),
    }
    file = written(folder, places, (COUNT, RAIN))
    make_key(folder / "anna.key", folder / "anna.pub")
    command = [*VENTPROOF, "rack", file, "--out", folder / "records", "--at-once", "2", "--save-settling"]
    command += ["--sign", "anna.key", "--operator", "Anna Falk", "--report", "all.json"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder)
    return folder / "records", done


def test_the_worst_place_gives_the_exit_code_and_the_others_pass(tested):
    """The unit with the fault fails, and what its run said is shown; nothing is shown of those that passed."""
    _, done = tested
    assert done.returncode == 1, done.stderr
    assert re.search(r"│ left +│ V-1 +│ +│ 2 of 2 │ 2 pass +│ safe +│", done.stdout)
    assert re.search(r"│ middle │ V-2 +│ +│ 2 of 2 │ .*1 fail.* │ safe +│", done.stdout)
    assert re.search(r"│ right +│ V-3 +│ 3.2 +│ 2 of 2 │ 2 pass +│ safe +│", done.stdout)
    assert "\nmiddle, unit V-2:\n" in done.stdout
    assert "\nleft" not in done.stdout.partition("logs in")[2]


def test_lines_say_what_happens_at_which_place(tested):
    """Where there is no terminal: a line when a place starts, when a run begins and ends, and when a place is over."""
    _, done = tested
    lines = [re.sub(r"^ *[\d.]+ s  ", "", line) for line in done.stdout.splitlines()]
    assert "left    run 1 of 2: every closure of the rain contact is counted" in lines
    assert "left    ended (exit code 0, outputs safe)" in lines
    assert "middle  ended (exit code 1, outputs safe)" in lines
    assert lines[0] == "3 places, at most 2 at the same time (--at-once)"


def test_one_record_lists_all_logs(tested):
    """Each place with its unit, how it ended, and its logs."""
    records, _ = tested
    record = read_rack_record(records / "bay-2" / "rack.json")
    assert [(one.place, one.unit, one.firmware, one.code) for one in record.places] == [
        ("left", "V-1", "", 0),
        ("middle", "V-2", "", 1),
        ("right", "V-3", "3.2", 0),
    ]
    logs = {log.log for one in record.places for log in one.logs}
    assert logs == {path.relative_to(records / "bay-2").as_posix() for path in records.rglob("*.jsonl")}
    assert len(logs) == 6


def test_all_runs_are_in_one_history(tested):
    """Several processes enter their runs into the history beside the racks."""
    records, _ = tested
    history = History(place_of(str(records / "history.sqlite")), create=False)
    assert sorted(entry.record.unit for entry in history.entries()) == [
        "V-1",
        "V-1",
        "V-2",
        "V-2",
        "V-3",
        "V-3",
    ]


def test_a_log_that_is_taken_away_is_missed(tested, ventproof, tmp_path):
    """Of the whole rack it is said; one place alone is a whole of its own, to be handed over."""
    records, _ = tested
    copy = tmp_path / "bay-2"
    subprocess.run(["cp", "-r", records / "bay-2", copy], check=True)
    assert ventproof("verify", copy)[0] == 0
    gone = min((copy / "right").glob("*.jsonl"))
    gone.unlink()
    code, out, _ = ventproof("verify", copy)
    assert (
        code,
        f"1 of 2 logs of place right is not as listed, or is not here: right/{gone.name}" in out,
    ) == (2, True)
    assert ventproof("verify", copy / "left")[0] == 0
    code, out, _ = ventproof("report", copy, "-o", tmp_path / "report.md")
    assert "1 of 2 logs of place right" in (tmp_path / "report.md").read_text(encoding="utf-8")


def test_a_place_that_is_taken_away_with_the_record_is_missed(tested, ventproof, tmp_path):
    """Its unit may be the one that failed: each log says of how many places of which rack it is."""
    records, _ = tested
    copy = tmp_path / "bay-2"
    subprocess.run(["cp", "-r", records / "bay-2", copy], check=True)
    for path in (copy / "rack.json", copy / "rack.json.sig"):
        path.unlink()
    shutil.rmtree(copy / "middle")
    code, out, _ = ventproof("verify", copy)
    said = "Of rack bay 2 2 of 3 places are here, without its record."
    assert (code, out.splitlines()[0]) == (2, said)
    code, out, _ = ventproof("verify", copy / "left")
    assert (code, "Of rack bay 2 1 of 3 places is here, without its record." in out) == (0, True)


def test_a_rack_signs_its_logs_and_its_record(tested, ventproof, tmp_path):
    """Whoever has the public key sees that nothing was changed, and that no place was left out."""
    records, done = tested
    public, copy = records.parent / "anna.pub", tmp_path / "bay-2"
    assert re.search(r"^rack.json is signed, key( [0-9a-f]{4}){16}$", done.stdout, re.MULTILINE)
    subprocess.run(["cp", "-r", records / "bay-2", copy], check=True)
    code, out, _ = ventproof("verify", copy, "--key", public)
    assert code == 0
    assert (
        "All logs of the 3 places of rack bay 2 are here, as rack.json lists them, signed by Anna Falk.\n"
        in out
    )
    right = (copy / "rack.json").read_text(encoding="utf-8")
    (copy / "rack.json").write_text(right.replace("V-3", "V-4"), encoding="utf-8")
    code, out, _ = ventproof("verify", copy)
    assert (code, "rack.json: it was changed since it was signed." in out) == (4, True)
    (copy / "rack.json").write_text(right, encoding="utf-8")
    (copy / "rack.json.sig").unlink()
    for asked in ((), ("--key", public)):  # the logs are signed, and so should it be
        code, out, _ = ventproof("verify", copy, *asked)
        assert (code, out.startswith("rack.json is not signed: it does not prove that all logs")) == (2, True)
    assert ventproof("sign", copy, "--key", records.parent / "anna.key")[1] == f"{copy}/rack.json: signed\n"
    assert ventproof("verify", copy, "--key", public)[0] == 0


def test_a_report_of_all_places_is_written_with_the_last(tested):
    """Of every log of the rack; that its plans are several is no remark."""
    records, done = tested
    told = json.loads((records.parent / "all.json").read_text(encoding="utf-8"))
    assert len(told["runs"]) == 6
    assert "different plans" not in done.stdout


def test_an_interrupted_rack_goes_on(tested, ventproof, tmp_path):
    """What stands is left alone, an unfinished plan goes on, a place that was never begun is tested, all is signed."""
    records, _ = tested
    copy = tmp_path / "bay-2"
    subprocess.run(["cp", "-r", records / "bay-2", copy], check=True)
    for path in (copy / "rack.json", *(copy / "right").glob("series*"), *(copy / "right").glob("rain*")):
        path.unlink()
    shutil.rmtree(copy / "middle")
    before = {path: path.read_bytes() for path in copy.rglob("*.jsonl")}
    command = ["rack", records.parent / "rack.yaml", "--resume", copy, "--history", "none"]
    code, _, err = ventproof(*command)
    assert (code, "rack.json: it is signed, and what is to come would not be; give --sign" in err) == (
        3,
        True,
    )
    command += ["--sign", records.parent / "anna.key", "--operator", "Anna Falk"]
    done = subprocess.run([*VENTPROOF, *command], capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stderr
    assert done.stderr.splitlines()[:2] == [
        "left: 2 runs done, nothing is left to run",
        "middle: nothing was run here yet",
    ]
    assert re.search(r"^right: plan \w+ goes on: 1 of 2 runs stand$", done.stderr, re.MULTILINE)
    assert re.search(r"│ left +│ V-1 +│ +│ 2 of 2 │ 2 pass +│ not driven +│", done.stdout)
    assert re.search(r"│ right +│ V-3 +│ 3.2 +│ 2 of 2 │ 2 pass +│ safe +│", done.stdout)
    assert {path: path.read_bytes() for path in before} == before
    record, old = (read_rack_record(one / "rack.json") for one in (copy, records / "bay-2"))
    for one, other in zip(record.places, old.places, strict=True):
        assert (one.place, one.code) == (other.place, other.code)
        assert [(log.log, log.outcome) for log in one.logs] == [(log.log, log.outcome) for log in other.logs]
    assert ventproof("verify", copy, "--key", records.parent / "anna.pub")[0] == 0


@pytest.mark.parametrize(
    ("folder", "said"),
    [
        ("nowhere", "there is no such folder; give the folder of the rack's logs"),
        (".", "no place of this rack was tested in this folder; leave --resume out"),
        (
            "bay-2",
            "these are the logs of rack 'bay 2', and the file is of 'bay 3'; a rack goes on with the places",
        ),
    ],
)
def test_only_the_same_rack_goes_on(tested, ventproof, tmp_path, folder, said):
    """Nothing of another rack is taken for what this one left."""
    records, _ = tested
    file = written(tmp_path, {"left": virtual("V-1")}, rack="bay 3")
    code, _, err = ventproof("rack", file, "--resume", records / folder)
    assert (code, said in err) == (3, True)


def test_a_finished_place_is_none_of_another_unit(tested, ventproof, tmp_path):
    """What V-1 did is not recorded as what stands now in its place: nothing is left to run, and all is checked."""
    records, _ = tested
    places = {name: virtual(unit) for name, unit in (("left", "V-9"), ("middle", "V-2"), ("right", "V-3"))}
    file = written(tmp_path, places, (COUNT, RAIN))
    code, _, err = ventproof("rack", file, "--resume", records / "bay-2")
    assert code == 3
    assert re.search(
        rf"^{file}:4:\d+: place left: unit: 'V-9', where the plan says 'V-1'; ", err, re.MULTILINE
    )
    assert "this is not the bench file of the plan, as it was" in err  # of the middle


def test_each_place_is_told_what_is_wanted_of_all(tmp_path):
    """Values and order go on to its run, and the waivers that are given take the place of those in the file."""
    waivers = SHIPPED_BENCH.parent / "papers" / "waivers.yaml"
    wanted = RackWanted(Selection(values=["a=1 s"]), waivers=waivers, save_settling=True)
    assert wanted.words == ["--set=a=1 s", "--save-settling"]
    file = written(tmp_path, {"left": virtual("V-1", ", waivers: none.yaml"), "right": virtual("V-2")})
    ready = ready_places(load_rack(file), replace(wanted, selection=Selection()))
    assert [f"--waivers={waivers}" in one.plan.words for one in ready] == [True, True]


WAIVER = """
  - {{id: {0}, profile: "{1}", response: {2}, reason: known, disposition: use as is, owner: A, approved_by: B,
     retest_by: 2099-12-31}}
"""
RAINED = "rain closes, holds and releases the vents"


def test_waivers_are_judged_by_all_places_that_have_them(tested, tmp_path):
    """What the middle needs is not to be removed since the others pass; nothing is said of needs where a log lacks."""
    records, _ = tested
    waivers = [
        WAIVER.format(name, RAINED, said) for name, said in (("W-1", "roof_vent reaches"), ("W-2", "x y"))
    ]
    (tmp_path / "waivers.yaml").write_text("waivers:" + "".join(waivers), encoding="utf-8")
    shutil.copy(records.parent / "faulty.yaml", tmp_path)
    places = {"left": virtual("V-1"), "middle": "{bench: faulty.yaml, unit: V-2}", "right": virtual("V-3")}
    wanted = RackWanted(waivers=tmp_path / "waivers.yaml")
    ready = ready_places(load_rack(written(tmp_path, places, (COUNT, RAIN))), wanted)
    ended = read_rack_record(records / "bay-2" / "rack.json").places
    said = [*of_waivers(records / "bay-2", ready, ended)]
    (cover,) = (line for line in said if "cover" in line)
    assert cover.startswith(f"waiver W-2 covers no response of these runs ({RAINED}: x y); ")
    lacks = [replace(ended[0], planned=3), *ended[1:]]
    assert [*of_waivers(records / "bay-2", ready, lacks)] == [line for line in said if line != cover]


def test_a_name_that_no_profile_of_any_place_has_is_told_once(ventproof, tmp_path):
    """And none that a profile of another place has."""
    counted = "every closure of the rain contact is counted"
    waivers = WAIVER.format("W-1", counted, "rain_count equals") + WAIVER.format(
        "W-2", RAINED, "roof_vent reeches"
    )
    (tmp_path / "w.yaml").write_text(f"waivers:{waivers}", encoding="utf-8")
    profiles = {"left": RAIN, "right": COUNT, "spare": RAIN}
    places = {
        name: virtual(f"V-{name}", f", profiles: [{profile}], waivers: w.yaml")
        for name, profile in profiles.items()
    }
    code, _, err = ventproof("check", written(tmp_path, places))
    assert code == 0
    assert err.count("no response 'roof_vent reeches'") == 1
    assert err.count("no response 'rain_count equals'") == 1


def test_what_a_place_that_passed_said_is_shown(tmp_path, capsys):
    """Each line of its standard error, whatever it begins with: a history that was not written, for one."""
    one = PlaceProgress(
        RackPlace(name="left", unit="V-1", folder=tmp_path, profiles=(), silence_s=9.0, code=0)
    )
    (tmp_path / "run.txt").write_text("1 run: 1 pass\n", encoding="utf-8")
    (tmp_path / "run-warnings.txt").write_bytes(b"not entered into the history: full\n" + bytes(9))
    _tell(one)
    assert capsys.readouterr().out == "\nleft, unit V-1:\n  not entered into the history: full\n"


def test_a_bundle_of_a_rack_keeps_its_record(tested, ventproof, tmp_path):
    """Unpacked elsewhere, it is still known which logs there should be, and which of them is not there."""
    records, _ = tested
    assert ventproof("bundle", records / "bay-2", "-o", tmp_path / "bay.zip")[0] == 0
    assert ventproof("verify", tmp_path / "bay.zip")[0] == 0
    copy = tmp_path / "bay-2"
    subprocess.run(["cp", "-r", records / "bay-2", copy], check=True)
    for path in (copy / "right").iterdir():
        path.unlink()
    assert ventproof("bundle", copy, "-o", tmp_path / "less.zip")[0] == 2
    code, out, _ = ventproof("verify", tmp_path / "less.zip")
    assert (code, "2 of 2 logs of place right are not as listed, or are not here" in out) == (2, True)


def test_a_second_rack_has_a_folder_of_its_own(tested):
    """Nothing is written over, and no log of another rack is taken for one of this."""
    records, _ = tested
    before = {path: path.read_bytes() for path in records.rglob("*.jsonl")}
    file = written(records.parent, {"left": virtual("V-1")})
    command = [*VENTPROOF, "rack", file, "--out", records, "--history", "none"]
    assert subprocess.run(command, capture_output=True, check=False).returncode == 0
    assert len(list((records / "bay-2-2").rglob("*.jsonl"))) == 1
    assert {path: path.read_bytes() for path in before} == before


def test_every_slip_of_every_place_is_found_at_once(ventproof, tmp_path):
    """A bench that is not there, a profile that is wrong, and a port that two places have; nothing is written."""
    (tmp_path / "wrong.yaml").write_text("profile: wrong\nsteps: []\n", encoding="utf-8")
    places = {
        "left": f"{{bench: {REAL}, unit: V-1}}",
        "right": f"{{bench: {REAL}, unit: V-2}}",
        "spare": "{bench: nowhere.yaml, unit: V-3}",
        "last": virtual("V-4", ", profiles: [wrong.yaml]"),
    }
    file = written(tmp_path, places)
    code, out, err = ventproof("rack", file, "--confirm-clear")
    assert (code, out) == (3, "")
    assert f"{tmp_path / 'nowhere.yaml'}: there is no such file" in err
    assert f"{tmp_path / 'wrong.yaml'}:" in err
    assert re.search(rf"{file}:5:18: place right has a port of place left \(.*{REAL}:\d+:\d+; ", err)
    assert not (tmp_path / "records").exists()


def test_a_question_names_every_bench(ventproof, tmp_path):
    """One caution and one answer for all; without a terminal it is refused, and nothing is switched."""
    other = tmp_path / "other.yaml"
    other.write_text(REAL.read_text(encoding="utf-8").replace("15", "25"), encoding="utf-8")
    places = {"left": f"{{bench: {REAL}, unit: V-1}}", "right": "{bench: other.yaml, unit: V-2}"}
    code, _, err = ventproof("rack", written(tmp_path, places))
    assert code == 3
    assert f"  {REAL}: " in err
    assert f"  {other}: " in err
    assert err.count("Vents and drives move without warning") == 1
    assert "these benches drive real outputs and no one is here to confirm" in err


def test_every_bench_that_is_not_there_is_named(ventproof, tmp_path):
    """All are looked at before the first is opened."""
    other = tmp_path / "other.yaml"
    other.write_text(REAL.read_text(encoding="utf-8").replace("15", "25"), encoding="utf-8")
    places = {"left": f"{{bench: {REAL}, unit: V-1}}", "right": "{bench: other.yaml, unit: V-2}"}
    code, _, err = ventproof("rack", written(tmp_path, places), "--confirm-clear")
    assert code == 3
    assert f"{REAL}:" in err
    assert f"{other}:" in err
    assert not (tmp_path / "records").exists()


def test_a_bench_that_asks_people_is_no_place_of_a_rack(ventproof, tmp_path):
    """Prompts of several benches in one terminal would be answered for the wrong one."""
    places = {"left": f"{{bench: {SHIPPED_BENCH.with_name('by-hand.yaml')}, unit: V-1}}"}
    code, _, err = ventproof("rack", written(tmp_path, places))
    assert code == 3
    assert "rack.yaml:4:3: bench " in err
    assert "asks people" in err


def test_check_looks_at_all_that_a_rack_names(ventproof, tmp_path):
    """It says what each place tests, or all that is wrong."""
    code, out, _ = ventproof("check", written(tmp_path, {"left": virtual("V-1"), "right": virtual("V-2")}))
    assert code == 0
    assert "tests 2 places" in out
    assert "  right: Osmerley house 3, mock in process, 1 profile" in out
    code, _, err = ventproof("check", written(tmp_path, {"left": "{bench: nowhere.yaml}"}))
    assert (code, "nowhere.yaml: there is no such file" in err) == (3, True)


def test_a_terminal_shows_one_table_and_ctrl_c_stops_all(tmp_path):
    """Every place is a row with its unit, its profile and its verdicts; a stop is told, and what was not run."""
    profiles = sorted(SHIPPED.rglob("rain-*.yaml"))
    places = {f"place_{n}": virtual(f"V-{n}") for n in range(4)}
    file = written(tmp_path, places, profiles)
    shown = []

    def seen(screen, process):
        if "place_0" in screen.text and "Ctrl-C stops all places" in screen.text:
            shown.append(screen.text)
            if re.search(r"place_0 .* \d+ pass", screen.text) and len(shown) > 3:
                os.kill(process.pid, signal.SIGINT)

    command = [*VENTPROOF, "rack", str(file), "--out", str(tmp_path / "records"), "--at-once", "2"]
    screen, code = played(command, 100, 24, seen=seen, within_s=60)
    assert code == 130
    before = next(text for text in reversed(shown) if "waits" in text)
    assert re.search(r"bay 2 +2 at work, 2 to come, 0 ended", before)
    assert re.search(r"place +unit +run +does +at most +so far +outputs", before)
    assert re.search(r"place_0 +V-0 +\d+ of \d+ +\S.* \d+ pass +(in use|safe)", before)
    assert re.search(r"place_3 +V-3 +waits", before)
    told = "\n".join([*screen.scrolled, screen.text])
    assert re.search(r"place_0 .* safe ", told)
    assert len(re.findall(r"place_[23] .*not run.*not driven", told)) == 2
    assert (
        f"interrupted; to go on: ventproof rack {file} --resume {tmp_path}/records/bay-2"
        in screen.text.replace("\n", "")
    )
    record = read_rack_record(tmp_path / "records" / "bay-2" / "rack.json")
    assert [one.code for one in record.places] == [130, 130, None, None]


@pytest.mark.parametrize(
    ("code", "outcomes", "shown"),
    [
        (0, ["pass", "pass"], True),
        (0, ["pass"], False),
        (0, [], False),
        (0, ["pass", "fail"], False),
        (0, ["pass", "aborted"], False),
        (1, ["pass", "fail"], True),
        (1, [], False),
        (1, ["pass", "pass"], False),
        (2, ["inconclusive", "fail"], True),
        (2, ["pass", "pass"], False),
        (5, ["pass", "fail"], True),
        (5, ["pass", "pass"], False),
    ],
)
def test_an_exit_code_that_logs_do_not_show_is_no_verdict(code, outcomes, shown):
    """A process may end with any number: a verdict is what all planned runs left in their logs."""
    assert shows(code, outcomes, 2) is shown
