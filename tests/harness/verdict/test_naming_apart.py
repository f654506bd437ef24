"""Runs that are told of together have names that no two of them share, and no longer than that takes."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ventproof.verdict.naming import NamedRun, files_apart, names_apart

KNOWN = {"unit": "V-1", "firmware": "2.3", "bench": "mock", "faults": ""}


def run(profile="rain", repeat=1, seed=0, log="rain.jsonl", **known):
    return NamedRun(profile, KNOWN | known, repeat, seed, log)


def test_a_run_of_its_own_is_called_by_its_profile():
    """Whatever else is known of it; where all agree in that, it says nothing."""
    assert names_apart([run(), run("frost")]) == ["rain", "frost"]
    assert names_apart([]) == []


def test_what_differs_is_said_and_nothing_else():
    """Firmware and fault, then the first of repeat, seed and log that tells the rest apart."""
    runs = [run(), run(firmware="2.4"), run(firmware="2.4", faults="clock_slow")]
    assert names_apart(runs) == [
        "rain, firmware 2.3, no faults",
        "rain, firmware 2.4, no faults",
        "rain, firmware 2.4, fault clock_slow",
    ]
    racked = [run(unit="V-1", bench="left"), run(unit="V-2", bench="right")]
    assert names_apart(racked) == ["rain, unit V-1", "rain, unit V-2"]
    assert names_apart([run(bench="left"), run(bench="right")]) == ["rain, bench left", "rain, bench right"]
    assert names_apart([run(repeat=1), run(repeat=2)]) == ["rain, repeat 1", "rain, repeat 2"]
    assert names_apart([run(seed=0), run(seed=10), run("frost")]) == [
        "rain, seed 0",
        "rain, seed 10",
        "frost",
    ]
    assert names_apart([run(log="a.jsonl"), run(log="b.jsonl")]) == ["rain, a.jsonl", "rain, b.jsonl"]
    assert names_apart([run(), run()]) == ["rain, run 1", "rain, run 2"]


few = st.sampled_from("ab")


@given(st.lists(st.builds(run, few, st.integers(1, 2), st.integers(0, 1), few, unit=few, faults=few)))
def test_no_two_runs_share_a_name(runs):
    """However alike they are; each begins with its profile."""
    names = names_apart(runs)
    assert len(set(names)) == len(runs)
    assert all(name.startswith(run.profile) for name, run in zip(names, runs, strict=True))


def test_a_file_is_named_with_the_folders_that_tell_it_from_others():
    """And with no more of them: the place of a rack, where each place has a log of that name."""
    paths = [
        "rack/three/rain.jsonl",
        "rack/four/rain.jsonl",
        "rack/four/frost.jsonl",
        "other/four/rain.jsonl",
    ]
    assert files_apart(paths) == [
        "three/rain.jsonl",
        "rack/four/rain.jsonl",
        "frost.jsonl",
        "other/four/rain.jsonl",
    ]
    assert files_apart(["rain.jsonl", "a/rain.jsonl", "rain.jsonl"]) == [
        "rain.jsonl",
        "a/rain.jsonl",
        "rain.jsonl",
    ]


@given(st.lists(st.lists(few, min_size=1, max_size=4).map("/".join), unique=True))
def test_no_two_files_share_a_name(paths):
    """And each name is the end of its path."""
    names = files_apart(paths)
    assert len(set(names)) == len(paths)
    assert all(f"/{path}".endswith(f"/{name}") for path, name in zip(paths, names, strict=True))
