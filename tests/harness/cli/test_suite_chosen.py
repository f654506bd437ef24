"""Profiles are chosen by name, id and tag; an id names one test."""

from __future__ import annotations

import re

import pytest

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH

PROFILE = """profile: {title}
id: {ident}
tags: [{tags}]
needs:
  outputs: {{rain: contact}}
  signals: {{rain_override: flag}}
steps:
  - step: rain
    do: [{{close: rain}}]
    expect: [{{signal: rain_override, equals: on, within: 3 s, id: {ident}.1}}]
"""


@pytest.fixture
def suite(tmp_path):
    """Three profiles in a folder."""
    folder = tmp_path / "suite"
    folder.mkdir()
    for title, ident, tags in (
        ("first", "AT-1", "rain, quick"),
        ("second", "AT-2", "rain"),
        ("third", "BT-1", "wind, quick"),
    ):
        text = PROFILE.format(title=title, ident=ident, tags=tags)
        (folder / f"{title}.yaml").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("words", "chosen"),
    [
        ((), ["first", "second", "third"]),
        (("--tag", "rain"), ["first", "second"]),
        (("--tag", "rain", "--tag", "wind"), ["first", "second", "third"]),
        (("-k", "at-"), ["first", "second"]),
        (("-k", "AT-2", "-k", "thi"), ["second", "third"]),
        (("--tag", "quick", "-k", "t-1"), ["first", "third"]),
        (("--tag", "quick", "-k", "fir"), ["first"]),
    ],
)
def test_profiles_are_chosen(ventproof, suite, words, chosen):
    """A profile is run that has one of the tags, and one of the texts in its name or id."""
    code, out, err = ventproof(
        "run", suite, "--bench", SHIPPED_BENCH, "--dry-run", "--history", "none", *words
    )
    assert (code, err) == (0, "")
    assert re.findall(r"^(\w+) \(", out, re.MULTILINE) == chosen


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--tag", "hail"), "--tag: no profile has the tag 'hail'; there are quick, rain, wind\n"),
        (
            ("--tag", "wind", "-k", "second"),
            "--tag: no profile has the tag 'wind' and 'second' in its name or id; there are quick, rain, wind\n",
        ),
        (("-k", "hail"), "-k: no profile's name or id holds 'hail'; write part of a name\n"),
    ],
)
def test_a_choice_of_nothing_is_refused(ventproof, suite, words, said):
    """A suite of no test would pass."""
    assert ventproof("run", suite, "--bench", SHIPPED_BENCH, "--dry-run", *words) == (3, "", said)


def test_two_profiles_of_one_id_are_refused(ventproof, suite):
    """A record that names the id would name two tests; the same file named twice is one."""
    third = suite / "third.yaml"
    third.write_text(third.read_text(encoding="utf-8").replace("id: BT-1\n", "id: AT-1\n"), encoding="utf-8")
    code, _, err = ventproof("run", suite, "--bench", SHIPPED_BENCH, "--dry-run")
    assert (code, err) == (
        3,
        f"{third}:2:5: the id 'AT-1' is also that of {suite / 'first.yaml'}; give each profile an id of its own\n",
    )
    first = suite / "first.yaml"
    assert ventproof("run", first, first, "--bench", SHIPPED_BENCH, "--dry-run", "--history", "none")[0] == 0


def test_two_profiles_of_one_name_are_refused(ventproof, suite):
    """A report tells runs apart by it."""
    third = suite / "third.yaml"
    third.write_text(
        third.read_text(encoding="utf-8").replace("profile: third", "profile: first"), encoding="utf-8"
    )
    code, _, err = ventproof("run", suite, "--bench", SHIPPED_BENCH, "--dry-run")
    said = f"the name 'first' is also that of {suite / 'first.yaml'}; give each profile a name of its own"
    assert (code, err) == (3, f"{third}:1:10: {said}\n")


def test_an_id_that_stands_twice_in_a_profile_is_refused(ventproof, suite):
    """Whatever it names; the second one is told."""
    first = suite / "first.yaml"
    first.write_text(first.read_text(encoding="utf-8").replace("AT-1.1", "AT-1"), encoding="utf-8")
    assert ventproof("check", first) == (
        3,
        "",
        f"{first}:10:67: the id 'AT-1' stands here twice; give each its own\n",
    )


def test_every_shipped_profile_has_an_id_of_its_own_and_a_tag(ventproof):
    """So that a plan of tests can name them, all folders together; the tags divide them."""
    words = ("--bench", SHIPPED_BENCH, "--dry-run", "--history", "none", "--tag", "frost")
    code, out, err = ventproof("run", SHIPPED, *words)
    assert (code, err, out.partition(" (")[0]) == (0, "", "frost closes and releases the vents")
    heads = [
        re.search(r"^id: ([A-Z]+-\d\d)\ntags: \[[\w-]+(?:, [\w-]+)*\]$", text, re.MULTILINE)
        for text in (path.read_text(encoding="utf-8") for path in SHIPPED.parent.rglob("*.yaml"))
    ]
    assert all(heads)
    ids = [head[1] for head in heads]
    assert len(set(ids)) == len(ids) > 60


def test_the_acceptance_suite_takes_an_hour_at_most(ventproof):
    """Its tag chooses profiles of each theme that a unit can be taken over with before lunch."""
    words = ("--bench", SHIPPED_BENCH, "--dry-run", "--history", "none", "--tag", "acceptance")
    code, out, _ = ventproof("run", SHIPPED, *words)
    runs, most_min = re.search(
        r"^(\d+) runs, ([\d.]+) min at most; nothing was driven$", out, re.MULTILINE
    ).groups()
    assert (code, int(runs) >= 12, float(most_min) <= 60) == (0, True, True)
