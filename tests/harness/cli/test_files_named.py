"""Files that files name: they stand below the folder of the one that names them, unless `--any-path` allows more."""

from __future__ import annotations

import re
import shutil

import pytest
from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH, SHIPPED_TABLE

SHOWER = shipped_path("rain-measured-shower")
SERIES = "series/shower.csv"

COMMANDS = [
    "check tests",
    f"check tests --bench {SHIPPED_BENCH}",
    f"run tests --bench {SHIPPED_BENCH} --history none",
    f"trace {SHIPPED_TABLE} tests",
    f"challenge tests --bench {SHIPPED_BENCH} --fault ignores_rain --jobs 1",
]


@pytest.fixture
def outside(tmp_path):
    """Return a function that lets measured rain stand outside its profile's folder, and returns its name there."""
    folder = tmp_path / "tests"
    (folder / "series").mkdir(parents=True)
    (tmp_path / "series").mkdir()
    for series in (tmp_path / SERIES, folder / SERIES):
        shutil.copy(SHIPPED / "rain" / SERIES, series)

    def stands(how):
        named = f"../{SERIES}" if how == ".." else SERIES
        text = SHOWER.read_text(encoding="utf-8").replace(SERIES, named)
        (folder / "shower.yaml").write_text(text, encoding="utf-8")
        if how == "a link":
            (folder / SERIES).unlink()
            (folder / SERIES).symlink_to(tmp_path / SERIES)
        elif how == "a link to a folder":
            shutil.rmtree(folder / "series")
            (folder / "series").symlink_to(tmp_path / "series")
        return named

    return stands


def refused(named):
    """Return what is said of a series outside."""
    return (
        rf"tests/shower\.yaml:21:\d+: {re.escape(named)}: leads out of the profile's folder; "
        r"move the file into the profile's folder, or give --any-path\n"
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_series_outside_is_refused_unless_any_path_is_given(command, outside, ended):
    """Each command that loads profiles says where it is named and what would be right, and takes the flag."""
    named = outside("..")
    code, said = ended(command)
    assert code == 3
    assert re.fullmatch(refused(named), said)
    code, said = ended(f"{command} --any-path")
    assert code != 3
    assert "leads out" not in said


@pytest.mark.parametrize("how", ["a link", "a link to a folder"])
def test_link_that_leads_outside_is_refused_too(how, outside, ended):
    """What counts is where a file really stands."""
    named = outside(how)
    code, said = ended("check tests")
    assert code == 3
    assert re.match(refused(named), said)
    assert ended("check tests --any-path") == (0, "")


def test_log_is_judged_again_without_the_files_that_it_names(outside, ended, tmp_path):
    """What a log holds of a series is in the log: its file is neither looked for nor refused."""
    outside("..")
    assert ended(f"run tests --bench {SHIPPED_BENCH} --history none --any-path --out made") == (0, "")
    shutil.rmtree(tmp_path / "series")
    (log,) = (tmp_path / "made").glob("*.jsonl")
    assert ended(f"judge {log}") == (0, "")
    code, said = ended(f"judge {log} --profile tests/shower.yaml")
    assert code == 3
    assert re.match(refused(f"../{SERIES}"), said)


def test_folder_may_itself_be_a_link(tmp_path, ended):
    """A profile that is reached by a link to its folder has its series beside it all the same."""
    (tmp_path / "suite").symlink_to(SHIPPED)
    assert ended("check suite/rain/rain-measured-shower.yaml") == (0, "")


@pytest.mark.parametrize(
    "url", ["spy:///dev/null?file=spied.txt", "alt:///dev/ttyS0?class=Serial", "loop://"]
)
@pytest.mark.parametrize("place", ["bus", "relay"])
def test_port_of_a_kind_that_may_write_files_is_refused(url, place, tmp_path, ended):
    """A bench file opens serial devices and network ports: no other kind of port, one of which would write a file."""
    bus, relay = (url, "/dev/ttyS1") if place == "bus" else ("/dev/ttyS0", url)
    (tmp_path / "bench.yaml").write_text(
        "bench: b\n"
        f"buses: {{line: {{link: rtu, port: '{bus}', answers_within: 20 ms}}}}\n"
        "outputs:\n"
        f"  rain: {{driver: control-line, wired: {{port: '{relay}', line: rts}}}}\n"
        "signals:\n"
        "  wet: {bus: line, table: coil, address: 1, type: bit, unit: flag}\n",
        encoding="utf-8",
    )
    code, said = ended("read wet --bench bench.yaml")
    assert code == 3
    assert re.search(r"bench\.yaml:\d:\d+: .*is not a port that a bench can open; write a device path", said)
    assert not (tmp_path / "spied.txt").exists()
