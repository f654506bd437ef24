"""A dry run shows what would be switched and drives nothing; a folder may hold more than profiles."""

from __future__ import annotations

import shutil

from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH, SHIPPED_TABLE


def test_a_dry_run_shows_every_switch_and_opens_nothing(ventproof, tmp_path):
    """Exact within a step, between two times where the unit decides; no log, no port, nobody is asked."""
    wires = SHIPPED_BENCH.parent / "mock-rtu.yaml"  # its ports are not there
    code, out, err = ventproof("run", shipped_path("rain-count"), "--bench", wires, "--dry-run")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0].endswith("; seconds after its start state is set:")
    assert lines[-1].endswith(" at most; nothing was driven")
    closes = [line for line in lines if line.endswith("rain closes")]
    opens = [line for line in lines if line.endswith("rain opens")]
    assert len(closes) == len(opens) == 35  # 25 and 10
    assert closes[0].split("rain")[0].strip()[-1] == "s"
    assert list(tmp_path.iterdir()) == []


def test_bench_files_and_tables_beside_profiles_are_left_out_with_a_note(ventproof, tmp_path):
    """`run` of the folder that holds everything just works."""
    folder = tmp_path / "profiles"
    folder.mkdir()
    for path in (shipped_path("rain-count"), SHIPPED_BENCH, SHIPPED_TABLE):
        shutil.copy(path, folder)
    code, out, err = ventproof("run", "profiles", "--bench", "profiles/mock.yaml")
    assert (code, "1 run: 1 pass" in out) == (0, True)
    left = "profiles/mock-overrides.yaml (an override table), profiles/mock.yaml (a bench file)"
    assert err == f"left out, no profiles: {left}\n"
    (folder / "rain-count.yaml").unlink()
    code, _, err = ventproof("run", "profiles", "--bench", "profiles/mock.yaml")
    assert (code, err) == (3, "profiles: holds no profile; name profiles, or their folder\n")


def test_a_part_of_a_name_selects_profiles(ventproof):
    """In the profile's name or its file's, whatever the capitals; several texts select more; none is an error."""

    def dry(*words):
        code, out, err = ventproof("run", SHIPPED, "--bench", SHIPPED_BENCH, "--dry-run", *words)
        return code, out.splitlines()[-1] if out else err

    assert dry("-k", "LOOSE-terminal")[1].startswith("1 run, ")
    assert dry("-k", "uptime")[1].startswith("2 runs, ")
    assert dry("-k", "loose-t", "-k", "uptime", "--repeat", "2")[1].startswith("6 runs, ")
    assert dry("-k", "hail") == (3, "-k: no profile's name or id holds 'hail'; write part of a name\n")
