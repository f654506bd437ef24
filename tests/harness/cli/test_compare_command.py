"""`ventproof compare`: a regression of the mock is found with the right sentence, healthy versions are not flagged."""

from __future__ import annotations

import csv
import json
import re

import pytest
from click.testing import CliRunner
from shipped_profiles import shipped_path

from ventproof.cli import ventproof
from ventproof.cli.options import SHIPPED_BENCH, with_faults
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof.verdict.finding import EXIT_FAIL, EXIT_PASS
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench

PROFILE = shipped_path("rain-while-partly-open")


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    """Folders of runs: two healthy versions, and one whose drives run a tenth slower."""
    folder = tmp_path_factory.mktemp("records")
    versions = {"1.0": ((), 0), "1.0.1": ((), 10), "1.1": (("slow_travel=0.2",), 20)}
    profile = load_profile(PROFILE)
    for firmware, (faults, first) in versions.items():
        bench = with_faults(load_bench(SHIPPED_BENCH), faults)
        for seed in range(first, first + 3):
            session = Session(bench=bench, out=folder / firmware, unit="GH-7", firmware=firmware, seed=seed)
            session.run(profile, SilentView())
    return folder


@pytest.fixture
def compare(records, monkeypatch):
    """Compare two of the folders; returns the exit code and what was printed."""
    monkeypatch.chdir(records)

    def run(*arguments):
        result = CliRunner().invoke(ventproof, ["compare", *arguments], standalone_mode=False)
        if result.exception:
            raise result.exception
        return result.return_value, " ".join(result.output.split())

    return run


def test_slower_drives_are_found(compare):
    """Travel 10 % longer: from 0 to 25 % of 33 s instead of 30 s is 0.75 s more, and the sentence says so."""
    code, said = compare("1.0", "1.1", "--limit-time", "0.3 s")
    assert code == EXIT_FAIL
    assert "; responds 0.7 s later (95 %: +0.4" in said
    assert (
        "limit 0.3 s): changed for the worse (rain while the vents are partly open: start: roof_vent reaches 25 % ± 2 %"
        in said
    )
    assert re.search(
        r"\d measured differences worse in 1 profile(; firmware is not the only difference)?$", said
    )


def test_healthy_versions_are_not_flagged(compare):
    """Two healthy versions on other seeds: nothing flipped, no shift, exit code 0."""
    code, said = compare("1.0", "1.0.1")
    assert code == EXIT_PASS
    assert re.search(r"(\d+) differences measured: \1 within their limits\.", said)
    assert said.endswith("nothing is worse")


def test_a_page_is_written(compare, records):
    """`-o` writes the whole comparison."""
    _, said = compare("1.0", "1.0.1", "-o", "out/c.html")
    assert said.startswith("written: out/c.html")
    assert said.endswith("nothing is worse")
    assert "Base 1.0, candidate 1.0.1" in (records / "out" / "c.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("1.0", "1.0"), r"1\.0: its run 1\.0/.*\.jsonl is also one of 1\.0, and nothing can be learned from that"),
        (("1.0", "9.9"), r"(?s)9\.9: is neither a log nor a folder of logs, and no history .* there is no history"),
        (("1.0", "1.1", "--limit-time", "5"), r"--limit-time: expected a time, found '5', a number without unit"),
        (("1.0", "1.1", "--limit-position=-1 %"), r"--limit-position: '-1 %' is negative; 0 at the least"),
        (("1.0", "1.1", "-o", "c.pdf"), r"c\.pdf: no comparison can be written as \.pdf; end its name in \.html, \.md"),
    ],
)  # fmt: skip
def test_a_wrong_argument_is_one_clear_error(compare, arguments, message):
    """Each says what is wrong and what would be right."""
    with pytest.raises(FileError, match=message):
        compare(*arguments)


def test_firmware_versions_are_looked_up_in_the_history(compare, records):
    """What is no path is a firmware version of the history."""
    runner = CliRunner()
    place = ("--history", "kept/history.sqlite")
    imported = runner.invoke(ventproof, ["history", "import", "1.0", "1.1", *place], standalone_mode=False)
    assert imported.exception is None, imported.output
    (records / "1.0").rename(records / "moved")
    (records / "1.1").rename(records / "moved-too")
    try:
        code, said = compare("1.0", "1.1", *place, "--limit-time", "0.3 s")
    finally:
        (records / "moved").rename(records / "1.0")
        (records / "moved-too").rename(records / "1.1")
    assert code == EXIT_FAIL
    assert "worse in 1 profile" in said
    with pytest.raises(
        FileError, match=r"2\.0: is neither .* no run in the history .* states such a firmware"
    ):
        compare("1.0", "2.0", *place)


def test_a_trend_names_the_version_that_brought_the_change(records, monkeypatch):
    """`trend` follows the versions in the order of their numbers, and tells the change as `compare` does."""
    monkeypatch.chdir(records)
    result = CliRunner().invoke(
        ventproof,
        ["trend", "1.1", "1.0.1", "1.0", "--limit-time", "0.3 s", "-o", "t.html"],
        standalone_mode=False,
    )
    said = " ".join(result.output.split())
    assert result.exception is None
    assert "profile 1.1 1.0.1 1.0 rain while the vents are partly open 3 pass 3 pass 3 pass" in said
    assert "changed with 1.1, against the versions before it worse " in said
    assert "changed with 1.0" not in said
    assert re.search(r"worse roof_vent responds (up to )?\d\.\d s later: \d differences? in 1 profile", said)
    assert "values followed over 3 versions" in said
    assert (
        "roof_vent responds later. firmware 1.1: all 3 runs passed; 2 measured differences worse in 1 profile"
        in said
    )
    assert "1.0 to 1.1" in (records / "t.html").read_text(encoding="utf-8")


@pytest.fixture
def faulty(ventproof):
    """Run a profile with two versions of firmware, as a user does: the second on a mock with a fault."""
    for firmware, fault in (("1", ()), ("2", ("--fault", "slow_travel=2"))):
        words = (shipped_path("rain-closes-holds-releases"), "--bench", SHIPPED_BENCH, *fault)
        ventproof("run", *words, "--firmware", firmware, "--unit", "GH-7", "--history", "h.sqlite")
    return ventproof


SAID = "ran with fault slow_travel=2: the drives run slow, as with a weak supply or a dragging gear"


@pytest.mark.parametrize(
    ("words", "whose"),
    [
        (("compare", "1", "2"), "candidate"),
        (("compare", "2", "1"), "base"),
        (("trend", "1", "2"), "firmware 2"),
    ],
)
def test_a_fault_that_was_injected_is_said_wherever_versions_are_compared(faulty, words, whose, tmp_path):
    """In the terminal, on the page, in Markdown and in JSON: who reads of slower vents reads why."""
    outs = ("-o", "c.html", "-o", "c.md", "-o", "c.json")
    code, out, _ = faulty(*words, "--history", "h.sqlite", *outs)
    assert code == (1 if words == ("compare", "1", "2") else code)
    assert out.startswith("written: c.html\nwritten: c.md\nwritten: c.json\n")
    assert f"! {whose} {SAID}" in out
    page, summary, data = (
        (tmp_path / f"c.{kind}").read_text(encoding="utf-8") for kind in ("html", "md", "json")
    )
    assert f'<p class="alarm"><bdi>{whose} {SAID}</bdi></p>' in page
    assert f"- {whose} {SAID.replace('_', chr(92) + '_')}" in summary
    assert json.loads(data)["faults"] == [f"{whose} {SAID}"]
    assert out.count("ran with fault") == 1
    assert "different bench files" not in out + summary


def test_what_bench_files_differ_in_besides_faults_is_told(faulty, tmp_path):
    """The same fault on a bench that is polled otherwise: the fault is one difference, and not the only one."""
    bench = tmp_path / "other.yaml"
    text = SHIPPED_BENCH.read_text(encoding="utf-8")
    bench.write_text(text.replace("poll_every: 100 ms", "poll_every: 200 ms"), encoding="utf-8")
    words = (shipped_path("rain-closes-holds-releases"), "--bench", bench, "--fault", "slow_travel=2")
    faulty("run", *words, "--firmware", "3", "--unit", "GH-7", "--history", "h.sqlite")
    told = "the faults are one difference, and there may be more"
    assert told in " ".join(faulty("compare", "1", "3", "--history", "h.sqlite")[1].split())
    assert "different bench files" in faulty("trend", "1", "3", "--history", "h.sqlite")[1]


def test_the_history_says_which_run_had_which_fault(faulty, tmp_path):
    """In its list, on its page, and in its export."""
    _, out, _ = faulty("history", "--history", "h.sqlite")
    assert "firmware 2, fault slow_travel=2  " in out
    assert "firmware 1  " in out
    faulty("history", "--history", "h.sqlite", "--html", "h.html")
    page = (tmp_path / "h.html").read_text(encoding="utf-8")
    assert f"<bdi>firmware 2 {SAID}</bdi>" in page
    assert page.count("<p><bdi>fault slow_travel=2</bdi></p>") == 1
    faulty("history", "export", "--history", "h.sqlite", "h.csv")
    with (tmp_path / "h.csv").open(encoding="utf-8", newline="") as file:
        rows = {(row["firmware"], row["faults"]) for row in csv.DictReader(file)}
    assert rows == {("1", ""), ("2", "slow_travel=2")}


def test_a_report_for_programs_names_the_fault_of_its_runs(faulty, tmp_path):
    """A summary on a pull request does not show a failure without its cause."""
    (log,) = (tmp_path / "records").glob("*-2.jsonl")
    faulty("report", log, "-o", "r.md", "-o", "r.json")
    assert "**The mock unit had faults: slow\\_travel=2** (1 of 1 runs)." in (tmp_path / "r.md").read_text(
        "utf-8"
    )
    (run,) = json.loads((tmp_path / "r.json").read_text("utf-8"))["runs"]
    assert run["faults"] == [{"name": "slow_travel", "severity": 2.0}]


def test_everything_is_shown_on_demand(compare):
    """`--verbose` lists every difference, also within its limit; so does `--all`, which was there before."""
    for option in ("--verbose", "--all"):
        _, said = compare("1.0", "1.0.1", option)
        assert said.count("): within the limit (") == 16
