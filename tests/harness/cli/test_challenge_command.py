"""`ventproof challenge`: what it says, what it writes down, and how it ends."""

from __future__ import annotations

import json
import shutil

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH


@pytest.fixture
def suite(tmp_path):
    """A folder with two short profiles."""
    folder = tmp_path / "suite"
    folder.mkdir()
    for name in ("rain-count", "rain-contact-bounce-ignored"):
        shutil.copy(shipped_path(name), folder)
    return folder


def test_a_suite_is_challenged(ventproof, suite, tmp_path):
    """Caught, missed and why are told and written down, the log of a catch is kept, and the exit code is a fail's."""
    faults = ("counts_twice", "ignores_gale", "misses_counts")
    words = [word for fault in faults for word in ("--fault", fault)]
    code, out, _ = ventproof(
        "challenge",
        suite,
        *words,
        "--full",
        "--severities",
        "--jobs",
        1,
        "--json",
        "c.json",
        "--logs",
        "kept",
    )
    assert code == 1
    assert "2 of 3 faults detected, 0 inconclusive, 1 not detected" in out
    assert "not detected: ignores_gale (logic): never stimulated" in out
    found = json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    by_name = {fault["name"]: fault for fault in found["faults"]}
    assert {name: by_name[name]["found"] for name in faults} == {
        "counts_twice": "caught",
        "ignores_gale": "missed",
        "misses_counts": "caught",
    }
    assert [len(fault["trials"]) for fault in found["faults"]] == [2, 0, 2]
    # The profile counts 35 closures and the n-th is lost, n = 5 / severity rounded: n is 35 at the most.
    smallest = by_name["misses_counts"]["smallest_severity"]
    assert 5 / 35.5 <= smallest <= 1.1 * 5 / 35.5
    assert found["profiles"][1]["only_it_finds"] == ["counts_twice", "misses_counts"]
    assert found["enough"] == [found["profiles"][1]["name"]]
    assert "1 of 2 profiles detect the same faults as the suite" in out
    assert sorted(path.parent.name for path in (tmp_path / "kept").rglob("*.jsonl")) == [
        "counts_twice",
        "misses_counts",
    ]


def test_healthy_variations_pass(ventproof, suite):
    """Two of them, one a profile: none fails."""
    code, out, _ = ventproof("challenge", suite, "--variants", 2, "--jobs", 1)
    assert code == 0
    assert "2 healthy variations of Osmerley house 3, mock in process: 2 pass" in out


def test_a_suite_that_fails_the_healthy_unit_is_refused(ventproof, suite):
    """It would prove nothing of a faulty one; the message says which profile and why."""
    path = suite / "rain-count.yaml"
    path.write_text(path.read_text("utf-8").replace("counts: 25", "counts: 24"), encoding="utf-8")
    code, _, err = ventproof("challenge", suite, "--fault", "counts_twice", "--jobs", 1)
    assert code == 3
    assert "rain-count.yaml: the healthy unit does not pass this profile (fail): " in err


def test_a_challenge_needs_a_healthy_mock_in_this_process(ventproof, suite, tmp_path):
    """A bench on wires, a faulty mock and an unknown fault are refused before anything runs."""
    wires = SHIPPED_BENCH.parent / "mock-tcp.yaml"
    code, _, err = ventproof("challenge", shipped_path("rain-count"), "--bench", wires)
    assert code == 3
    assert "a suite is challenged on the mock unit inside this process" in err
    faulty = tmp_path / "bench.yaml"
    text = SHIPPED_BENCH.read_text(encoding="utf-8") + "  faults: {ignores_rain: 1}\n"
    faulty.write_text(text, encoding="utf-8")
    code, _, err = ventproof("challenge", suite, "--bench", faulty)
    assert code == 3
    assert "the mock unit is faulty already: ignores_rain" in err
    code, _, err = ventproof("challenge", suite, "--fault", "ignore_rain")
    assert code == 3
    assert "'ignore_rain' is not a fault of the mock unit; did you mean 'ignores_rain'?" in err


def test_what_cannot_be_written_or_does_not_go_together_is_told_first(ventproof, suite, tmp_path):
    """Nobody waits for minutes to learn that a file cannot be written, or that an option meant nothing.

    What stood there before stands there until all that replaces it is written.
    """
    (tmp_path / "before.json").write_text("before", encoding="utf-8")
    code, _, err = ventproof("challenge", suite, "--json", "before.json/c.json")
    assert code == 3
    assert "before.json/c.json: cannot be written: " in err
    code, _, err = ventproof("challenge", suite, "--json", "before.json", "--fault", "ignore_rain")
    assert (code, (tmp_path / "before.json").read_text(encoding="utf-8")) == (3, "before")
    code, _, err = ventproof("challenge", suite, "--variants", 2, "--full")
    assert code == 3
    assert "--variants runs no faults" in err
