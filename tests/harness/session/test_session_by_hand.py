"""The profiles by hand: right for people, green on a healthy unit, red on a faulty one; and what else a bench does."""

from __future__ import annotations

from pathlib import Path

import pytest

from ventproof.log.read import read_log
from ventproof.profile.load import load_profile
from ventproof.rejudge.again import decide_again
from ventproof.report.build import report_of
from ventproof.run.view import SilentView
from ventproof.session.selfcheck import selfcheck
from ventproof.session.session import Session
from ventproof.session.tools import switch
from ventproof_bench.base.errors import FileError
from ventproof_bench.benchcheck.load import load_bench, with_faults

ROOT = Path(__file__).parents[3]
PROFILES = sorted((ROOT / "profiles" / "by-hand").glob("*.yaml"))
PLAYED, REAL = (ROOT / "bench" / "files" / name for name in ("by-hand-mock.yaml", "by-hand.yaml"))


def ran(path, out, *, faults=(), seed=0):
    """Run a profile by played people; return its result."""
    bench = with_faults(load_bench(PLAYED), dict.fromkeys(faults, 1.0))
    return Session(bench=bench, out=out, seed=seed).run(load_profile(path), SilentView())


@pytest.mark.parametrize("bench", [PLAYED, REAL], ids=["played", "real"])
@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_people_can_decide_every_shipped_response(path, bench, tmp_path):
    """Nothing is undecidable, nothing a matter of luck, and nothing could not fail."""
    bound = Session(bench=load_bench(bench), out=tmp_path).bind(load_profile(path))
    assert (bound.undecidable, bound.warnings) == ((), ())


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_a_healthy_unit_passes_by_hand(path, tmp_path):
    """And what its log holds says the same again."""
    result = ran(path, tmp_path)
    assert result.outcome.verdict == "pass", [f for f in result.findings if f.verdict != "pass"]
    again = decide_again(read_log(result.log))
    assert again.verdict == "pass"


@pytest.mark.parametrize(
    ("fault", "profile"),
    [
        ("ignores_rain", "rain-closes-holds-releases"),
        ("slow_travel", "rain-closes-holds-releases"),
        ("never_releases", "rain-closes-holds-releases"),
        ("release_early", "rain-ends-lamp-waits"),
        ("blind_after_restart", "power-fails-in-the-rain"),
    ],
)
def test_a_faulty_unit_fails_by_hand(fault, profile, tmp_path):
    """People find it without any hardware."""
    path = next(path for path in PROFILES if path.stem == profile)
    assert ran(path, tmp_path, faults=[fault]).outcome.verdict == "fail"


def test_the_same_seed_leaves_the_same_bytes(tmp_path):
    """Played people are as repeatable as anything in virtual time."""
    logs = [
        ran(PROFILES[0], tmp_path / str(n), seed=seed).log.read_bytes() for n, seed in enumerate((3, 3, 4))
    ]
    assert logs[0] == logs[1]
    assert logs[0] != logs[2]


def test_the_report_tells_who_was_asked_what_and_answered_what_when(tmp_path):
    """A row for each prompt, with the answer as it was given; and who the people are."""
    result = ran(next(path for path in PROFILES if path.stem == "rain-ends-lamp-waits"), tmp_path)
    report = report_of([result.log])
    table = report.chapters[0].tables[0]
    assert table.head == ("asked at", "whom", "what", "answer", "after")
    assert {row[1] for row in table.rows} == {"roof", "cabinet"}
    assert ("roof", "Wet the rain sensor.", "done") in {row[1:4] for row in table.rows}
    assert {row[3] for row in table.rows} <= {"done", "on", "off"}
    titles = [one.title for section in report.sections for one in section.tables]
    assert {"Done by people", "Read by people", "People, as declared"} <= set(titles)


def test_without_anybody_to_ask_nothing_begins(tmp_path):
    """A session that has no desk refuses, with the cure, before a log is there."""
    with pytest.raises(FileError, match=r"asks people \(roof, cabinet\).*; run it in a terminal"):
        Session(bench=load_bench(REAL), out=tmp_path).run(load_profile(PROFILES[0]), SilentView())
    assert list(tmp_path.iterdir()) == []


def test_a_bench_of_people_alone_has_nothing_to_measure_and_no_contact_to_switch(tmp_path):
    """Both say so, and nobody is asked."""
    with pytest.raises(FileError, match="people do or read everything on this bench"):
        selfcheck(load_bench(REAL), tmp_path, kind="bench")
    with pytest.raises(FileError, match="'rain' is what a person does"):
        switch(load_bench(REAL), "rain", for_s=1.0)
