"""`--set`: a profile with values that were given for one run is the same profile with these values in its text."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.profile.given import text_with
from ventproof.profile.load import load_profile, read_profile
from ventproof_bench.base.errors import FileError

RAIN = shipped_path("rain-closes-holds-releases")

TEXT = """profile: p
needs:
  signals: {flag: flag, vent: "%"}
values: VALUES
steps:
  - step: s
    expect: [{signal: vent, reaches: $at, tolerance: 1 %, within: 5 s}]
"""


def with_values(values, **given_now):
    profile = read_profile("p.yaml", TEXT.replace("VALUES", values))
    return text_with(profile, given_now)


@pytest.mark.parametrize(
    ("values", "becomes"),
    [
        ("{at: 5 %, other: 1}", "{at: 12.5 %, other: 1}"),
        ("{ at : '5 %' , other: 1}", "{ at : 12.5 % , other: 1}"),
        (
            "\n  # the place\n  at: 5 %  # as agreed\n  other: 1",
            "\n  # the place\n  at: 12.5 %  # as agreed\n  other: 1",
        ),
        ('\n  other: 1\n  "at": "5 \\x25"', '\n  other: 1\n  "at": 12.5 %'),
    ],
)
def test_only_the_value_is_another_one(values, becomes):
    """Comments, order and everything else stay, so that the log shows the author's text."""
    assert with_values(values, at="12.5 %") == TEXT.replace("VALUES", becomes)


@pytest.mark.parametrize(
    "values", ["{at: &a 5 %, other: *a}", "{other: &a 5 %, at: *a}", "{at: !!str 5 %}", "\n  at: >-\n    5 %"]
)
def test_what_cannot_be_replaced_alone_is_refused(values):
    """Where one place stands for several, a new value would change what nobody named."""
    with pytest.raises(
        FileError, match=r"^p\.yaml:\d+:\d+: the value 'at' cannot be set with --set: an anchor"
    ):
        with_values(values, at="7 %")


@given(
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), min_size=1)
    .map(str.strip)
    .filter(bool)
)
def test_any_text_is_put_in_as_it_was_given(text):
    """Brackets, quotes, hashes and colons: the profile then has that text as its value, or that number."""
    profile = read_profile("p.yaml", TEXT.replace("VALUES", "{at: 5 %, other: x, last: 1}"))
    try:
        read = read_profile("p.yaml", text_with(profile, {"other": text}))
    except FileError as error:  # a text that is a reference, or holds what no file may
        lines = {problem.line for problem in error.problems}
    else:
        lines = {4}
        value = read.model.values["other"]
        assert value == (text if isinstance(value, str) else float(text))
        assert read.model.values["last"] == 1
    assert lines == {4}


@pytest.fixture
def slow(tmp_path):
    """A unit that releases after 45 s."""
    path = tmp_path / "slow.yaml"
    text = SHIPPED_BENCH.read_text(encoding="utf-8").replace("release_delay: 30 s", "release_delay: 45 s", 1)
    path.write_text(text, encoding="utf-8")
    return path


def test_a_unit_with_another_delay_is_held_to_it(ventproof, slow, tmp_path):
    """Without the value it fails, with it it passes; the log says what was set, and stands by itself."""
    common = ("run", RAIN, "--bench", slow, "--history", "none", "--quiet")
    assert ventproof(*common, "--out", tmp_path / "a")[0] == 1
    code, _, err = ventproof(*common, "--out", tmp_path / "b", "--set", "release_delay=45 s")
    assert (code, "set: release_delay = 45 s in 1 profile" in err) == (0, True)
    (log,) = (tmp_path / "b").glob("*.jsonl")
    begin = json.loads(log.read_text(encoding="utf-8").partition("\n")[0])
    pinned = begin["profile"]
    assert pinned["set"] == {"release_delay": "45 s"}
    assert pinned["file_sha256"] == load_profile(RAIN).digest != pinned["sha256"]
    assert pinned["text"] == RAIN.read_text(encoding="utf-8").replace(
        "release_delay: 30 s", "release_delay: 45 s"
    )
    assert ventproof("judge", log)[0] == 0
    assert ventproof("report", log, "-o", tmp_path / "r.html")[0] == 0
    said = "Values of the profile were set for the run: release_delay = 45 s"
    assert said in (tmp_path / "r.html").read_text(encoding="utf-8")
    for ending, shown in (
        ("md", said.replace("_", "\\_")),
        ("json", '"release_delay": "45 s"'),
        ("xml", "= 45 s"),
    ):
        assert ventproof("report", log, "-o", tmp_path / f"r.{ending}")[0] == 0
        assert shown in (tmp_path / f"r.{ending}").read_text(encoding="utf-8")


def test_a_comparison_with_a_looser_limit_is_not_one_of_firmware_alone(ventproof, slow, tmp_path):
    """The same unit passes with a limit that was moved: the conclusion says so."""
    common = ("run", RAIN, "--bench", slow, "--history", "none", "--quiet")
    ventproof(*common, "--out", tmp_path / "a", "--firmware", "1")
    ventproof(*common, "--out", tmp_path / "b", "--firmware", "2", "--set", "release_delay=45 s")
    _, out, _ = ventproof("compare", tmp_path / "a", tmp_path / "b")
    assert " ".join(out.split()).endswith("firmware is not the only difference")


def test_profiles_without_the_value_run_as_they_are(ventproof, tmp_path):
    """What one profile of a suite has, the others need not have."""
    out = tmp_path / "o"
    code, _, err = ventproof(
        *("run", RAIN, shipped_path("rain-count"), "--bench", SHIPPED_BENCH, "--history", "none"),
        *("--set", "tolerance=3 %", "--out", out, "-q"),
    )
    assert (code, "set: tolerance = 3 % in 1 profile\n" in err) == (0, True)
    told = [json.loads(path.read_text(encoding="utf-8").partition("\n")[0]) for path in out.glob("*.jsonl")]
    assert sorted("set" in one["profile"] for one in told) == [False, True]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--set", "tolernce=3 %"), "--set: no profile has a value 'tolernce'; did you mean 'tolerance'?"),
        (("--set", "tolerance"), "--set: 'tolerance' is not a pair; write delay='20 min'"),
        (
            ("--set", "tolerance=1 %", "--set", "tolerance=2 %"),
            "--set: 'tolerance' is set twice; give each name once",
        ),
        (
            ("--set", "release_delay=5 %"),
            (
                "adds '5 %' and '1 s', which are of different kinds; add times to times, positions to positions; "
                "with --set release_delay='5 %'"
            ),
        ),
    ],
)
def test_a_wrong_value_is_refused_before_anything_is_switched(ventproof, tmp_path, words, said):
    """By `check` as by `run`; nothing is written."""
    for command in ("check", "run"):
        more = ("--out", tmp_path / "o", "--history", "none") if command == "run" else ()
        code, _, err = ventproof(command, RAIN, "--bench", SHIPPED_BENCH, *words, *more)
        assert (code, said in err) == (3, True), err
    assert not (tmp_path / "o").exists()
