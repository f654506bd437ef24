"""`ventproof explore`: faults found unaided and written as profiles, a healthy unit not accused, and its exit codes."""

from __future__ import annotations

import sys
from multiprocessing import active_children

import pytest

from ventproof.challenge.trial import run_unrecorded
from ventproof.cli import main
from ventproof.cli.options import SHIPPED_BENCH
from ventproof.explore.searches import Brought
from ventproof.log.read import header_of, read_log
from ventproof.profile.load import load_profile

TABLE = SHIPPED_BENCH.with_name("mock-overrides.yaml")


@pytest.fixture
def explore(capsys, monkeypatch, tmp_path):
    """Explore in this process; returns (exit code, standard output, standard error)."""
    monkeypatch.chdir(tmp_path)

    def call(*words, bench=SHIPPED_BENCH):
        monkeypatch.setattr(
            sys, "argv", ["ventproof", "explore", *map(str, (TABLE, "--bench", bench, *words))]
        )
        with pytest.raises(SystemExit) as left:
            main()
        captured = capsys.readouterr()
        return left.value.code, captured.out, captured.err

    return call


@pytest.mark.parametrize(
    ("words", "name", "shortest"),
    [
        (["--fault", "misses_side_vent", "--seed", 8], "side-vent-reaches", "rain closes"),
        (
            ["--fault", "failure_not_told", "--seed", 5],
            "outside-failed-equals",
            "the wires of outside_temperature break",
        ),
    ],
    ids=["logic", "sensor failure"],
)
def test_a_fault_is_found_made_short_and_written_as_a_profile(words, name, shortest, explore, tmp_path):
    """What is written fails the faulty unit and passes the healthy one; nothing is overwritten or left beside it."""
    (tmp_path / "found").mkdir()
    earlier = tmp_path / "found" / f"found-by-exploring-{name}.yaml"
    earlier.write_text("mine", encoding="utf-8")
    code, out, _ = explore(*words, "--time-limit", "10 min")
    assert code == 1
    assert "FOUND: the unit does not do what its override table says." in out
    assert shortest in out
    assert "The unit without --fault passes this profile." in out
    assert {path.name for path in tmp_path.iterdir()} == {"found", "records"}
    assert earlier.read_text(encoding="utf-8") == "mine"
    profile = load_profile(earlier.with_stem(f"{earlier.stem}-2"))
    assert (len(profile.model.steps[0].do), len(profile.model.steps[0].expect)) == (1, 1)
    (log,) = (tmp_path / "records").glob("*.jsonl")
    assert read_log(log).outcome == "fail"


def test_a_healthy_unit_is_not_accused(explore, tmp_path):
    """Nothing is found in a healthy unit: exit code 0, no profile, no log, and no more claimed than was tried."""
    code, out, _ = explore("--max-sequences", 3, "--seed", 5, "--time-limit", "10 min", "--jobs", 1)
    assert (code, list(tmp_path.iterdir())) == (0, [])
    assert "Nothing was found; that proves nothing" in out


def test_a_unit_that_never_opens_its_vents_is_no_pass(explore, tmp_path):
    """Where the start state is never reached nothing was tried: exit code 2, and the screen says where to look."""
    words = ("--fault", "runs_inverted", "--max-sequences", 2, "--time-limit", "10 min", "--jobs", 1)
    code, out, _ = explore(*words)
    assert (code, list(tmp_path.iterdir())) == (2, [])
    assert "the vents never reached the open position of the start" in out


def test_time_that_is_over_at_once_is_no_pass(explore, tmp_path):
    """Where no sequence could begin, nothing is claimed: exit code 2, and the screen says that nothing was tried."""
    code, out, _ = explore("--time-limit", "1 ms", "--jobs", 1)
    assert (code, list(tmp_path.iterdir())) == (2, [])
    assert "0 sequences played" in out
    assert "Nothing was tried." in out


def test_ctrl_c_ends_the_search_and_its_processes(explore, monkeypatch, tmp_path):
    """After the first search that found nothing: exit code 130, nothing written, no process left."""

    def interrupted(_, ended):
        assert next(ended) is not None
        raise KeyboardInterrupt

    monkeypatch.setattr("ventproof.explore.searches.Brought.look", interrupted)
    code, out, err = explore("--time-limit", "10 min", "--jobs", 1)
    assert (code, out, list(tmp_path.iterdir()), active_children()) == (130, "", [], [])
    assert "Traceback" not in err


def find_is_kept(out, folder):
    """Require that a find was told, written as a profile, and run on record."""
    assert "The shortest weather so far:" in out
    (profile,) = (folder / "found").iterdir()
    (log,) = (folder / "records").glob("*.jsonl")
    assert read_log(log).outcome == "fail"
    assert load_profile(profile).digest == header_of(read_log(log)).profile.sha256


def test_ctrl_c_keeps_a_find_that_waits_for_searches_below_it(explore, monkeypatch, tmp_path):
    """Exit code 130; what was found is written as it is, with no more time spent on it."""
    look = Brought.look

    def interrupted(brought, ended):
        found = next((number, searched) for number, searched in ended if searched.found)
        look(brought, [found])
        raise KeyboardInterrupt

    monkeypatch.setattr(Brought, "look", interrupted)
    code, out, _ = explore("--fault", "misses_side_vent", "--seed", 8, "--time-limit", "10 min", "--jobs", 1)
    assert code == 130
    find_is_kept(out, tmp_path)


def test_ctrl_c_while_a_find_is_made_shorter_keeps_it(explore, monkeypatch, tmp_path):
    """Exit code 130; the shortest weather so far is written as a profile that fails the unit."""
    played = []

    def interrupted(*given, **named):
        played.append(given)
        if len(played) == 2:
            raise KeyboardInterrupt
        return run_unrecorded(*given, **named)

    monkeypatch.setattr("ventproof.challenge.trial.run_unrecorded", interrupted)
    words = ("--fault", "misses_side_vent", "--seed", 8, "--time-limit", "10 min", "--jobs", 1)
    code, out, _ = explore(*words)
    assert code == 130
    find_is_kept(out, tmp_path)


def test_a_lab_does_not_explore_a_bench_on_real_wires(explore):
    """Nobody else has its wires: refused in a line that says what to do, before a lab is looked for."""
    real = SHIPPED_BENCH.with_name("mock-rtu.yaml")
    code, out, err = explore("--scheduler", "127.0.0.1:1", bench=real)
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert "is explored by the computer that it is wired to; omit --scheduler, and explore it there" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--time-limit", "60"], "--time-limit: expected a time, found '60', a number without unit"),
        (["--time-limit", "-1 s"], "--time-limit: '-1 s' is not longer than zero; write a span, such as 2 s"),
        (["--fault", "ignore_gale"], "did you mean 'ignores_gale'?"),
    ],
    ids=["no unit", "less than nothing", "misspelt"],
)
def test_a_wrong_argument_gets_one_clear_error(words, said, explore):
    """Wrong arguments are told in a line before anything is played, with exit code 3."""
    code, out, err = explore(*words)
    assert (code, out, err.count("\n")) == (3, "", 1)
    assert said in err


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("contact: rain,", "contact: rein,", "has no output 'rein'; did you mean 'rain'?"),
        ("signal: roof_vent", "signal: roof_vemt", "has no signal 'roof_vemt'; did you mean 'roof_vent'?"),
    ],
)
def test_a_table_that_the_bench_does_not_fit_is_refused(old, new, said, ventproof, tmp_path):
    """A name that the bench lacks is placed in the table, with the nearest right one, before anything is played."""
    table = tmp_path / "table.yaml"
    table.write_text(TABLE.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    code, _, err = ventproof("explore", table, "--bench", SHIPPED_BENCH)
    assert (code, err.count("\n")) == (3, 1)
    assert err.startswith(
        f"{table}:{TABLE.read_text(encoding='utf-8').partition(old)[0].count(chr(10)) + 1}:"
    )
    assert said in err


def test_a_file_that_is_no_table_is_refused(capsys, monkeypatch):
    """A bench file in the table's place is named for what it is."""
    words = ["ventproof", "explore", str(SHIPPED_BENCH), "--bench", str(SHIPPED_BENCH)]
    monkeypatch.setattr(sys, "argv", words)
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 3
    assert "expected an override table, found a bench file" in capsys.readouterr().err
