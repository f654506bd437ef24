"""Chromium without its window, for pages to be opened in."""

from __future__ import annotations

import shutil
from contextlib import contextmanager

import pytest

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")

PHONE, DESKTOP = (390, 844), (1280, 900)
"""Width and height in CSS pixels."""


@contextmanager
def chromium():
    """Start it; skip what needs it where it is not installed."""
    if CHROMIUM is None or DRIVER is None:
        pytest.skip("chromium and chromedriver are not installed")
    webdriver = pytest.importorskip("selenium.webdriver")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-background-networking"):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    service = webdriver.chrome.service.Service(DRIVER)
    with webdriver.Chrome(options=options, service=service) as driver:
        yield driver


def sized(browser, size):
    """Show pages as on a screen of this size."""
    width, height = size
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


def severe(browser):
    """Return what the browser complains of since this was asked last."""
    return [entry["message"] for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]
