"""Reports for CI from the command line: written beside a run or from logs, by the ending of their names."""

from __future__ import annotations

import json
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner
from shipped_profiles import shipped_path

from ventproof.cli import ventproof
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.verdict.finding import EXIT_BENCH, EXIT_PASS
from ventproof_bench.base.errors import FileError, Problem

QUICK = str(shipped_path("rain-count"))
LONG = str(shipped_path("rain-while-partly-open"))


@pytest.fixture
def command(tmp_path, monkeypatch):
    """Run a command in an empty folder; returns its exit code and what it printed."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments):
        result = CliRunner().invoke(ventproof, list(arguments), standalone_mode=False)
        if result.exception:
            raise result.exception
        return result.return_value, result.output

    return run


def test_a_run_writes_the_reports_that_it_is_asked_for(command, tmp_path):
    """Each ending gives its kind, and each is told in a line."""
    asked = [part for ending in ("xml", "md", "json") for part in ("--report", f"out/r.{ending}")]
    code, output = command("run", QUICK, "--bench", str(SHIPPED_BENCH), *asked)
    assert code == EXIT_PASS
    assert ElementTree.parse(tmp_path / "out/r.xml").getroot().get("errors") == "0"
    assert (tmp_path / "out/r.md").read_text().startswith("### ✅ ventproof: pass")
    assert json.loads((tmp_path / "out/r.json").read_text())["verdict"] == "pass"
    assert "out/r.json: pass: 1 run: 1 pass" in output


def test_reports_from_logs_are_those_of_the_run(command, tmp_path):
    """`report` makes from the logs what `run --report` wrote."""
    command("run", QUICK, "--bench", str(SHIPPED_BENCH), "--report", "a.json", "--report", "a.xml")
    code, _ = command("report", "records", "-o", "b.json", "-o", "b.xml")
    assert code == EXIT_PASS
    for ending in ("json", "xml"):
        assert (tmp_path / f"a.{ending}").read_text() == (tmp_path / f"b.{ending}").read_text()


def test_an_ending_that_asks_for_nothing_is_refused_before_anything_is_switched(command, tmp_path):
    """The error names the file and the endings there are, and no log is begun."""
    with pytest.raises(
        FileError, match=r"r\.txt: no report can be made as \.txt; end its name in \.html, \.pdf, "
    ):
        command("run", QUICK, "--bench", str(SHIPPED_BENCH), "--report", "r.txt")
    assert not (tmp_path / "records").exists()
    with pytest.raises(FileError, match=r"junit: no report can be made as a file without an ending"):
        command("report", "records", "-o", "junit")


@pytest.mark.parametrize(
    "words", [("run", QUICK, "--bench", str(SHIPPED_BENCH)), ("rack", "r"), ("campaign", "c")]
)
def test_a_report_that_cannot_be_written_is_refused_before_anything_is_switched(command, tmp_path, words):
    """No log is begun, and no folder made; one that is not there yet is no fault."""
    (tmp_path / "blocked").touch()
    with pytest.raises(FileError, match=r"^blocked/more/r\.xml: cannot be written"):
        command(*words, "--report", "fine/r.xml", "--report", "blocked/more/r.xml")
    assert [one.name for one in tmp_path.iterdir()] == ["blocked"]


def test_a_report_that_is_not_written_is_no_pass(command, monkeypatch):
    """The logs stand and it is said what makes the report of them; the exit code tells that something is missing."""

    def full(path, _):
        raise FileError([Problem(str(path), None, None, "cannot be written: No space left on device")])

    monkeypatch.setattr("ventproof.cli.report.write_output", full)
    code, output = command("run", QUICK, LONG, "--bench", str(SHIPPED_BENCH), "--report", "r.xml")
    assert code == EXIT_BENCH
    assert "REPORT NOT WRITTEN: r.xml: cannot be written: No space left" in output
    assert "The logs hold everything: ventproof report records -o r.xml\n" in output
    assert "2 runs: 2 pass" in output


def test_profiles_that_were_not_run_are_errors_in_the_report(command, tmp_path):
    """What breaks a suite off, here the third run in a row that hears nothing, leaves its mark in the report."""
    deaf = SHIPPED_BENCH.read_text(encoding="utf-8").replace("timeout: 500 ms", "timeout: 1 ms")
    (tmp_path / "deaf.yaml").write_text(deaf, encoding="utf-8")
    others = [str(shipped_path(name)) for name in ("rain-by-tips", "wind-leeward")]
    code, _ = command("run", LONG, *others, QUICK, "--bench", "deaf.yaml", "--report", "r.xml")
    assert code == EXIT_BENCH
    whole, not_run, *aborted = ElementTree.parse(tmp_path / "r.xml").getroot()
    assert "Broken off: " in whole.find("testcase/error").get("message")
    assert [suite[1].find("error").get("type") for suite in aborted] == ["aborted"] * 3
    assert not_run.get("name") == "every closure of the rain contact is counted"
    assert not_run[0].find("error").get("message") == "this run was planned and is not here"


@pytest.mark.parametrize("kind", ["results", "comparison", "trend"])
def test_the_schema_of_what_programs_read_is_printed(command, kind):
    """`schema results` and its like print the published formats."""
    code, output = command("schema", kind)
    assert code is None
    assert json.loads(output)["title"] == f"ventproof {kind}"
