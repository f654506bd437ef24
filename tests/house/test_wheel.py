"""The wheel: what it puts into somebody's environment, and that it works there without the checkout."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import zipfile

import pytest
from hatchling.build import build_wheel
from source import ROOT


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Build the wheel of this checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    with contextlib.chdir(ROOT):  # the build reads the project of the folder it stands in
        return folder / build_wheel(str(folder))


@pytest.fixture(scope="module")
def installed(wheel, tmp_path_factory):
    """Unpack the wheel as an installer would."""
    site = tmp_path_factory.mktemp("site")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    return site


def test_every_installed_name_begins_with_ventproof(wheel):
    """Nobody's environment gets a package called bench, harness or profiles."""
    with zipfile.ZipFile(wheel) as archive:
        tops = {name.partition("/")[0] for name in archive.namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"ventproof", "ventproof_bench"}
    assert all(top.startswith("ventproof") for top in tops)


def test_the_wheel_holds_what_the_checkout_holds(wheel):
    """Every module, profile, bench file, example and template is in it, and no test is."""
    with zipfile.ZipFile(wheel) as archive:
        held = {name for name in archive.namelist() if ".dist-info/" not in name}
    expected = set()
    for folder, there in (
        ("bench/ventproof_bench", "ventproof_bench"),
        ("harness/ventproof", "ventproof"),
        ("profiles", "ventproof/profiles"),
        ("bench/files", "ventproof_bench/files"),
    ):
        root = ROOT / folder
        expected |= {
            f"{there}/{path.relative_to(root).as_posix()}"
            for path in root.rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        }
    assert held == expected


def test_a_run_from_the_wheel_needs_no_checkout(installed, tmp_path):
    """The installed command, its shipped profile and bench give a verdict and a report in a folder of their own."""
    program = (
        "import sys, ventproof, ventproof_bench; from ventproof.cli.options import SHIPPED, SHIPPED_BENCH;"
        f"assert ventproof.__file__.startswith({str(installed)!r}), ventproof.__file__;"
        f"assert ventproof_bench.__file__.startswith({str(installed)!r});"
        f"assert str(SHIPPED).startswith({str(installed)!r}) and str(SHIPPED_BENCH).startswith({str(installed)!r});"
        "sys.argv = ['ventproof', 'run', str(SHIPPED / 'rain' / 'rain-count.yaml'), '--bench', str(SHIPPED_BENCH),"
        "'--out', 'out', '--report', 'out/page.html'];"
        "from ventproof.cli import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(installed)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert (tmp_path / "out" / "page.html").stat().st_size > 10_000


def test_entry_points_name_what_is_there(wheel):
    """The command and the pytest plugin of the wheel's metadata can be imported."""
    with zipfile.ZipFile(wheel) as archive:
        name = next(name for name in archive.namelist() if name.endswith("entry_points.txt"))
        text = archive.read(name).decode()
    assert "ventproof = ventproof.__main__:main" in text
    assert "ventproof = ventproof.plugin" in text
