"""`ventproof compare`: a regression of the mock is found with the right sentence, healthy versions are not flagged."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from ventproof.cli import ventproof
from ventproof.cli.options import SHIPPED, SHIPPED_BENCH, with_faults
from ventproof.profile.load import load_profile
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof.verdict.finding import EXIT_FAIL, EXIT_PASS
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench

PROFILE = SHIPPED / "rain-while-partly-open.yaml"


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
    assert re.search(r"\d differences worse in 1 profile$", said)


def test_healthy_versions_are_not_flagged(compare):
    """Two healthy versions on other seeds: nothing flipped, no shift, exit code 0."""
    code, said = compare("1.0", "1.0.1")
    assert code == EXIT_PASS
    assert "0 worse, 0 better, 0 inconclusive" in said
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
        "roof_vent responds later. firmware 1.1: all 3 runs passed; 2 differences worse in 1 profile" in said
    )
    assert "1.0 to 1.1" in (records / "t.html").read_text(encoding="utf-8")
