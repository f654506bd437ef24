"""A fast house, a browser, and commands with a page."""

from __future__ import annotations

import signal
import subprocess
from contextlib import contextmanager

import pytest
from chromium import DESKTOP, chromium, sized
from fast_house import LONG_RAIN, VENTPROOF, served_house
from live_page import SHORT_RAIN, Command


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """Serve a small fast house; returns its folder, with profiles."""
    folder = tmp_path_factory.mktemp("house")
    (folder / "rain.yaml").write_text(SHORT_RAIN, encoding="utf-8")
    (folder / "long.yaml").write_text(LONG_RAIN, encoding="utf-8")
    with served_house(folder):
        yield folder


@pytest.fixture
def command(tmp_path):
    """Start commands with a page; those that still run at the end are interrupted."""

    @contextmanager
    def started(*words, out=tmp_path / "records"):
        line = [*VENTPROOF, *words, *(["--out", out] if out else [])]
        with subprocess.Popen(
            line, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, cwd=tmp_path
        ) as process:
            try:
                yield Command(process, out)
            finally:
                if process.poll() is None:
                    process.send_signal(signal.SIGINT)
                    process.communicate(timeout=20)

    return started


@pytest.fixture
def running(command, house):
    """Start a run of a profile on the house, with a page."""
    return lambda profile, *more, **kept: command(
        "run",
        house / profile,
        "--bench",
        house / "bench-rtu.yaml",
        "--confirm-clear",
        "--page",
        *more,
        **kept,
    )


@pytest.fixture(scope="module")
def chrome():
    """Start Chromium once."""
    with chromium() as driver:
        yield driver


@pytest.fixture
def browser(chrome):
    """Give it without what the tests before left behind."""
    chrome.delete_all_cookies()
    chrome.get_log("browser")
    sized(chrome, DESKTOP)
    return chrome
