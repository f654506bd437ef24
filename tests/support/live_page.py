"""Commands with a live page, and the page opened in a browser."""

from __future__ import annotations

import json
import re
import time
from urllib.parse import urlsplit

from selenium.common.exceptions import StaleElementReferenceException

SHORT_RAIN = """
profile: rain closes the roof
needs:
  outputs: {rain: contact, house_temperature: °C}
  signals: {roof_vent: "%", rain_override: flag}
start:
  set: {rain: open}
  write: {house_temperature: 30 °C}
  until:
    - {signal: roof_vent, reaches: 75 %, tolerance: 6 %, within: 8 s}
steps:
  - step: rain begins
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 1500 ms}
      - {signal: roof_vent, reaches: 8 %, tolerance: 6 %, within: 6 s, holds: 4 s}
"""


class Command:
    """A command with a page, running."""

    def __init__(self, process, out):
        self.process, self.out = process, out
        self.said = ""
        while not (found := re.search(r"Page: (\S+)", self.said)):
            line = process.stderr.readline()
            assert line, f"it ended: {self.said}"
            self.said += line
        self.url = found[1]

    @property
    def address(self):
        """Where it serves, without the key."""
        return urlsplit(self.url)._replace(query="").geturl()

    def log(self):
        """Return its log, once there is one."""
        return eventually(lambda: next(iter(sorted(self.out.glob("*.jsonl"))), None))

    def events(self):
        """Return the events of its log so far."""
        return [json.loads(line) for line in self.log().read_bytes().split(b"\n")[:-1]]

    def end(self, within_s=30):
        """Wait for its end; returns its exit code."""
        self.said += self.process.communicate(timeout=within_s)[1]
        return self.process.returncode


def eventually(look, within_s=20.0):
    """Return what a look shows as soon as it shows anything; a piece that the page replaced meanwhile shows nothing."""
    until = time.monotonic() + within_s
    while not (found := _seen(look)):
        assert time.monotonic() < until, "it never came"
        time.sleep(0.05)
    return found


def _seen(look):
    try:
        return look()
    except StaleElementReferenceException:
        return None


def enter(browser, url, name="roof"):
    """Open a page with its key, in a name."""
    browser.get(url)
    browser.find_element("name", "name").send_keys(f"{name}\n")
    eventually(lambda: browser.find_elements("id", "stop"))
