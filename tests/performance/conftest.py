"""Collects what benchmarks measured: one table, a JSON file, and what became of each figure since another one."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version
from pathlib import Path

import pytest
from figures import Figure, read, table, written

MEASURED = pytest.StashKey[list[Figure]]()


def pytest_addoption(parser):
    """Say where figures are written, and with which they are compared."""
    group = parser.getgroup("figures")
    group.addoption("--figures", type=Path, metavar="FILE", help="Write what benchmarks measured (JSON).")
    group.addoption(
        "--compare", type=Path, metavar="FILE", help="Mark what got worse than in FILE, beyond noise."
    )


@pytest.fixture
def figure(request):
    """Return a function that takes down a figure and asserts its limit."""

    def take(name, values, *, better="less", limit, wanted=None, bound_by=""):
        one = Figure(name, [round(value, 4) for value in values], better, limit, wanted, bound_by)
        request.config.stash.setdefault(MEASURED, []).append(one)
        assert one.holds, one

    return take


def pytest_terminal_summary(terminalreporter, config):
    """Print the table, and write the file."""
    measured = config.stash.get(MEASURED, [])
    if not measured:
        return
    path, before = config.getoption("--compare", None), []
    if path is not None:
        before = read(path.read_text(encoding="utf-8"))
    terminalreporter.section("figures, ratios within one run")
    terminalreporter.write_line(table(measured, before))
    if (path := config.getoption("--figures", None)) is not None:
        about = {
            "ventproof": version("ventproof"),
            "python": platform.python_version(),
            "machine": f"{platform.machine()}, {os.cpu_count()} processors",
        }
        path.write_text(written(measured, about), encoding="utf-8")
        terminalreporter.write_line(f"written: {path}")
