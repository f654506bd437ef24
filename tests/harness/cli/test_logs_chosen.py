"""Runs chosen by name, id or tag in report, compare and trend: as `run` chooses profiles, and never as a whole set."""

from __future__ import annotations

import json

import pytest

from ventproof.cli.options import SHIPPED_BENCH

TEXT = """
profile: {title}
id: {ident}
tags: [{tags}]
needs:
  outputs: {{rain: contact}}
  signals: {{rain_count: count}}
start:
  set: {{rain: open}}
  until: [{{signal: rain_count, unchanged: {{for: 1 s}}}}]
steps:
  - step: a tip
    do: [{{pulse: rain, times: 1, closed_for: 1 s, open_for: 1 s}}]
    expect: [{{signal: rain_count, counts: 1, within: 10 s}}]
"""
PROFILES = (
    ("rain counts", "R-1", "rain, quick"),
    ("wind counts", "W-1", "wind"),
    ("frost counts", "F-1", "frost, quick"),
)


@pytest.fixture
def sides(ventproof, tmp_path):
    """Two versions of three profiles, in folders and in a history, with a self-check beside the first."""
    for title, ident, tags in PROFILES:
        text = TEXT.format(title=title, ident=ident, tags=tags)
        (tmp_path / f"{ident}.yaml").write_text(text, encoding="utf-8")
    files = [f"{ident}.yaml" for _, ident, _ in PROFILES]
    for folder, version, seed in (("old", "1", 0), ("new", "2", 7)):
        words = ["run", *files, "--bench", SHIPPED_BENCH, "--out", folder, "--seed", seed]
        done = ventproof(*words, "--firmware", version, "--history", "past.sqlite")
        assert done[0] == 0, done
    return tmp_path


def reported(folder, name="out.json"):
    """Return the profiles in a report for programs."""
    found = json.loads((folder / name).read_text(encoding="utf-8"))
    return [one["profile"] for one in found["runs"]]


@pytest.mark.parametrize(
    ("words", "profiles"),
    [
        (["-k", "WIND"], ["wind counts"]),
        (["-k", "f-1", "-k", "r-1"], ["frost counts", "rain counts"]),
        (["-k", "rain-counts.jsonl"], ["rain counts"]),
        (["--tag", "quick"], ["frost counts", "rain counts"]),
        (["--tag", "quick", "--tag", "wind"], ["frost counts", "rain counts", "wind counts"]),
        (["--tag", "quick", "-k", "frost"], ["frost counts"]),
    ],
)
def test_a_report_holds_the_runs_that_are_chosen(sides, ventproof, words, profiles):
    """By part of the profile's title, of its id or of the log's name, and by tags; from archives, too."""
    ventproof("archive", "old/frost-counts.jsonl")
    ventproof("report", "old", "-o", "out.json", *words)
    assert reported(sides) == profiles


@pytest.mark.usefixtures("sides")
def test_a_report_of_some_is_not_complete(ventproof):
    """Where all that was planned is chosen it is whole; otherwise it says how many are not here, with exit code 2."""
    code, said, _ = ventproof("report", "old", "-o", "out.html", "--tag", "quick")
    assert (code, said.startswith("out.html: incomplete")) == (2, True)
    assert "1 of 3 planned runs is not here" in said
    assert ventproof("report", "old", "-o", "out.html", "-k", "counts")[0] == 0


def test_a_self_check_and_what_is_no_log_are_not_left_out(sides, ventproof):
    """The one stands behind the runs, the other is named as unreadable."""
    (sides / "old" / "odd.jsonl").write_text("odd\n", encoding="utf-8")
    code, said, _ = ventproof("report", "old", "-o", "out.html", "-k", "wind")
    assert (code, "old/odd.jsonl: line 1: this is not a ventproof log" in said) == (3, True)


@pytest.mark.parametrize("sides_named", [["1", "2"], ["old", "new"]], ids=["history", "folders"])
def test_versions_are_compared_by_the_runs_that_are_chosen(sides, ventproof, sides_named):
    """Versions of the history and folders alike; a trend, too."""
    for words, profiles in ((["-k", "wind"], ["wind"]), (["--tag", "quick"], ["rain", "frost"])):
        named = [*sides_named, "--history", "past.sqlite", "-o", "out.json", *words]
        assert ventproof("compare", *named)[0] in {0, 2}
        found = json.loads((sides / "out.json").read_text(encoding="utf-8"))
        assert [found[side]["runs"] for side in ("base", "candidate")] == [len(profiles)] * 2
        others = [one["profile"].split()[0] for one in found["one_side_only"]]
        assert set(others).isdisjoint(profiles)
        assert ventproof("trend", *named)[0] == 0
        found = json.loads((sides / "out.json").read_text(encoding="utf-8"))
        assert [version["runs"] for version in found["versions"]] == [len(profiles)] * 2


def test_a_history_whose_logs_are_gone_knows_titles_and_no_tags(sides, ventproof):
    """`-k` finds the title; `--tag` says that only the log has the tags."""
    for folder in ("old", "new"):
        (sides / folder).rename(sides / f"gone-{folder}")
    words = ["compare", "1", "2", "--history", "past.sqlite"]
    assert ventproof(*words, "-k", "wind")[0] in {0, 2}
    code, _, said = ventproof(*words, "--tag", "quick")
    assert (code, "and a history has no tags; give -k" in said) == (3, True)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("report old -o out.html -k snow", "-k: no run's name or id holds 'snow'; write part of a name"),
        (
            "report old -o out.html --tag snow",
            "--tag: no run has the tag 'snow'; there are frost, quick, rain, wind",
        ),
        ("compare old new -k snow", "old: holds no run of such a profile; give another -k or --tag"),
        (
            "trend 1 2 -k snow --history past.sqlite",
            "1: holds no run of such a profile; give another -k or --tag",
        ),
    ],
)
def test_a_choice_of_nothing_is_refused(sides, ended, words, said):
    """With what there is to choose from, where it is known."""
    assert ended(words) == (3, f"{said}\n")
    assert not (sides / "out.html").exists()
