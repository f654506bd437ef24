"""An acceptance from the command line: papers are checked before a run, and exit codes keep their word."""

from __future__ import annotations

import json

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH, log_paths
from ventproof.verdict.finding import EXIT_ACCEPTED, EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_INPUT, EXIT_PASS

PAPERS = SHIPPED_BENCH.parent / "papers"
RAIN = shipped_path("rain-closes-holds-releases")
RUN = ("run", RAIN, "--bench", SHIPPED_BENCH, "--quiet", "--firmware", "3.1")


def waivers_in(folder, old="", new=""):
    """Write the waivers that ship, changed in one place; return the file."""
    path = folder / "waivers.yaml"
    path.write_text((PAPERS / "waivers.yaml").read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    return path


def test_accepted_deviations_alone_have_an_exit_code_of_their_own(ventproof, tmp_path):
    """5 is no pass and no fail; without the waivers the same run ends with 1, and the log says fail in both."""
    code, out, _ = ventproof(
        *RUN, "--fault", "clock_slow", "--waivers", waivers_in(tmp_path), "--out", "logs"
    )
    assert code == EXIT_ACCEPTED == 5
    assert "accepted deviation OSM-W-01: rain closes, holds and releases the vents: rain ends" in out
    assert "1 run: 1 fail" in out
    assert ventproof(*RUN, "--fault", "clock_slow", "--out", "logs-2")[0] == EXIT_FAIL
    for folder in ("logs", "logs-2"):
        (log,) = log_paths([tmp_path / folder])
        assert json.loads(log.read_bytes().splitlines()[-1])["verdict"] == "fail"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("2031-03-31", "2026-01-31", "waiver OSM-W-01 expired on 2026-01-31"),
        ("    firmware", "    margin_at_least: -1 %\n    firmware", "accepts a margin in %"),
    ],
)
def test_a_waiver_that_does_not_reach_is_named_and_the_run_fails(old, new, said, ventproof, tmp_path):
    """Whoever relies on it sees why it does not hold."""
    waivers = waivers_in(tmp_path, old, new)
    code, out, _ = ventproof(*RUN, "--fault", "clock_slow", "--waivers", waivers, "--out", "logs")
    assert code == EXIT_FAIL
    assert "fail, not accepted: rain closes, holds and releases the vents: rain ends" in out
    assert said in out


def test_a_waiver_changes_no_pass_and_is_told_when_it_is_not_needed(ventproof, tmp_path):
    """A unit that was corrected passes, and its waiver is to be removed."""
    told = ("--report", "acceptance.html")
    code, _, err = ventproof(*RUN, "--waivers", waivers_in(tmp_path), "--out", "logs", *told)
    assert code == EXIT_PASS
    assert "warning: waiver OSM-W-01 is not needed: only passes are covered; remove it" in err
    assert err.lower().count("is not needed") == 1, "the report of the run does not say it again"


def test_a_waiver_for_nothing_is_a_warning(ventproof, tmp_path):
    """A name that was mistyped is not silently of no effect: it is told with its line, before anything is run."""
    waivers = waivers_in(tmp_path, "step: rain ends", "step: rain end")
    code, _, err = ventproof(*RUN, "--fault", "clock_slow", "--waivers", waivers, "--out", "logs")
    assert code == EXIT_FAIL
    assert "warning: waiver OSM-W-01 covers no response of these runs" in err
    said = (
        "waivers.yaml:6:11: waiver OSM-W-01: its profile has no step 'rain end'; did you mean 'rain ends'?\n"
    )
    assert err.startswith(f"warning: {tmp_path}/{said}")
    assert ventproof(*RUN, "--waivers", waivers, "--dry-run")[2].endswith(said)


def test_a_known_fail_that_keeps_others_from_being_run_leaves_the_run_open(ventproof, tmp_path):
    """What was not run because of it was not shown: exit code 2."""
    text = (PAPERS / "waivers.yaml").read_text(encoding="utf-8").replace("rain ends", "rain begins")
    head, _, body = text.partition("  - id")
    many = [
        f"  - id{body}".replace("rain_override equals", one).replace("W-01", one)
        for one in ("rain_override equals", "roof_vent reaches", "side_vent reaches")
    ]
    (tmp_path / "waivers.yaml").write_text(head + "".join(many), encoding="utf-8")
    code, out, _ = ventproof(*RUN, "--fault", "ignores_rain", "--waivers", "waivers.yaml", "--out", "logs")
    assert code == EXIT_INCONCLUSIVE
    assert out.count("accepted deviation OSM-") == 3


def test_wrong_papers_are_found_before_anything_is_switched(ventproof, tmp_path):
    """One error with its line, and no log."""
    (tmp_path / "acceptance.yaml").write_text("acceptance: FAT\ncustomer: 7\n", encoding="utf-8")
    code, _, err = ventproof(*RUN, "--acceptance", "acceptance.yaml", "--out", "logs")
    assert code == EXIT_INPUT
    assert "acceptance.yaml:2:11: expected text, found 7; put it in quotes" in err
    code, _, err = ventproof(*RUN, "--waivers", "acceptance.yaml", "--out", "logs")
    assert code == EXIT_INPUT
    assert "acceptance.yaml:1:1: expected a waivers file, found an acceptance file" in err
    assert not (tmp_path / "logs").exists()


def test_the_file_states_unit_and_operator_and_must_not_contradict_the_options(ventproof, tmp_path):
    """The record names one unit, whoever stated it."""
    acceptance = PAPERS / "acceptance.yaml"
    assert ventproof(*RUN, "--acceptance", acceptance, "--out", "logs")[0] == EXIT_PASS
    (log,) = log_paths([tmp_path / "logs"])
    first = json.loads(log.read_bytes().splitlines()[0])
    assert (first["unit"], first["operator"]) == ("V-1042", "I. Halvorsen")
    assert first["acceptance"]["text"] == acceptance.read_text(encoding="utf-8")
    assert ventproof("verify", "logs")[0] == 0
    code, _, err = ventproof(*RUN, "--acceptance", acceptance, "--unit", "V-7", "--out", "more")
    assert code == EXIT_INPUT
    assert "unit 'V-1042' contradicts 'V-7', which the command states; correct it, or leave --unit out" in err


def test_papers_are_checked_and_lie_beside_profiles_without_being_run(ventproof, tmp_path):
    """`check` takes them as any file, warns of what is over, and a folder with them is still a suite."""
    for paper in PAPERS.glob("*.yaml"):
        (tmp_path / paper.name).write_text(paper.read_text(encoding="utf-8"), encoding="utf-8")
    waivers_in(tmp_path, "2031-03-31", "2026-01-31")
    code, out, _ = ventproof("check", "acceptance.yaml", "waivers.yaml")
    assert code == 0
    assert "acceptance.yaml: valid" in out
    assert "warning: waiver OSM-W-01 expired on 2026-01-31: what it covers counts as a fail" in out
    (tmp_path / "rain.yaml").write_text(RAIN.read_text(encoding="utf-8"), encoding="utf-8")
    code, _, err = ventproof("run", tmp_path, "--bench", SHIPPED_BENCH, "--out", "logs", "--quiet")
    assert code == EXIT_PASS
    assert "acceptance.yaml (an acceptance file)" in err


def test_overdue_calibration_is_told_before_the_run(ventproof, tmp_path):
    """`check` and `run` say which piece is to be calibrated; it keeps nobody from testing."""
    bench = SHIPPED_BENCH.read_text(encoding="utf-8")
    pieces = "\nequipment:\n  - {name: decade, serial: R-03, calibration_due: 2026-03-31}\n  - {name: relays}\nbuses:"
    (tmp_path / "bench.yaml").write_text(bench.replace("\nbuses:", pieces, 1), encoding="utf-8")
    said = "warning: the calibration of decade (R-03) is overdue: it was due on 2026-03-31; calibrate it"
    code, out, _ = ventproof("check", "bench.yaml")
    assert (code, said in out) == (0, True)
    code, _, err = ventproof("run", RAIN, "--bench", "bench.yaml", "--out", "logs", "--quiet")
    assert (code, said in err) == (EXIT_PASS, True)


def test_the_report_compares_settings_with_the_last_run_of_the_unit(ventproof, tmp_path):
    """The history finds that run, and never one of another unit, a later one, or one of the report's own."""
    bench = SHIPPED_BENCH.read_text(encoding="utf-8")
    (tmp_path / "set.yaml").write_text(bench.replace("    release_delay: 30 s", "    release_delay: 25 s", 1))
    profile = shipped_path("rain-count")
    for unit, firmware, on in (
        ("V-1042", "3.0", SHIPPED_BENCH),
        ("V-1043", "3.1", "set.yaml"),
        ("V-1042", "3.1", "set.yaml"),
        ("V-1042", "3.2", "set.yaml"),
    ):
        stated = (
            "--unit",
            unit,
            "--firmware",
            firmware,
            "--history",
            "all.sqlite",
            "--out",
            f"{unit}-{firmware}",
        )
        assert ventproof("run", profile, "--bench", on, "--quiet", *stated)[0] == EXIT_PASS
    said = "Settings of the unit changed since its last run before, firmware 3.0, "
    for firmware, changed in (("3.0", False), ("3.1", True), ("3.2", False)):
        out = ("-o", f"{firmware}.html", "--history", "all.sqlite")
        assert ventproof("report", f"V-1042-{firmware}", *out)[0] == 0
        page = (tmp_path / f"{firmware}.html").read_text(encoding="utf-8")
        assert (said in page) == changed
    assert "rain_release_delay: 25 s, before 30 s" in (tmp_path / "3.1.html").read_text(encoding="utf-8")
