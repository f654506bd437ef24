"""Prompts on the page: large buttons in a browser, two phones at once, and a log that states who answered."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from urllib.parse import urlencode, urlsplit

import pytest
from chromium import PHONE, severe, sized
from live_page import eventually

pytestmark = [pytest.mark.wire, pytest.mark.lasting]

BENCH = """
bench: by hand
people:
  roof: {where: on the roof, answers_in: 2 s, safe_within: 5 s}
  cabinet: {where: at the cabinet, answers_in: 2 s}
outputs:
  rain:
    driver: person
    wired: {who: roof, ready: Stand by the rain sensor., closed: Wet the rain sensor., open: Dry the rain sensor.}
signals:
  roof_vent:
    {read_by: roof, asks: How far is the roof vent open?, unit: "%", resolution: 5 %, full_travel: 20 s}
  rain_override: {read_by: cabinet, asks: Is the rain lamp on?, unit: flag, keeps_for: 20 s}
"""
RAIN = """
profile: rain by hand
needs:
  outputs: {rain: contact}
  signals: {roof_vent: "%", rain_override: flag}
start:
  set: {rain: open}
  until:
    - {signal: roof_vent, reaches: 90 %, tolerance: 10 %, within: 60 s}
steps:
  - step: rain begins
    do:
      - close: rain
    expect:
      - {signal: rain_override, equals: on, within: 30 s}
"""


@pytest.fixture
def asked(command, tmp_path):
    """Start a run by hand alone."""
    (tmp_path / "bench.yaml").write_text(BENCH, encoding="utf-8")
    (tmp_path / "rain.yaml").write_text(RAIN, encoding="utf-8")
    with command(
        "run", tmp_path / "rain.yaml", "--bench", tmp_path / "bench.yaml", "--confirm-clear", "--page"
    ) as one:
        yield one


class Phone:
    """A guest without a browser."""

    def __init__(self, url, people):
        self.netloc = urlsplit(url).netloc
        form = urlencode({"key": re.search("key=(.*)", url)[1], "for": people}, doseq=True)
        answer = self.post("/enter", form)
        assert answer.status == 303
        self.cookie = answer.getheader("Set-Cookie").split(";")[0]

    cookie = ""

    def post(self, path, body):
        """Send something."""
        connection = HTTPConnection(self.netloc, timeout=20)
        connection.request("POST", path, body, {"Origin": f"http://{self.netloc}", "Cookie": self.cookie})
        answer = connection.getresponse()
        answer.read()
        connection.close()
        return answer

    def answer(self, number, who, text):
        """Answer a prompt; returns the status."""
        return self.post("/answer", json.dumps({"prompt": number, "who": who, "text": text})).status


def prompt(command, who, seen=()):
    """Return the number of the next prompt for a person."""
    return eventually(
        lambda: next(
            (
                e["number"]
                for e in command.events()
                if e["event"] == "prompt" and e["who"] == who and e["number"] not in seen
            ),
            None,
        )
    )


def answers(command):
    return [(e["number"], e["who"], e["text"]) for e in command.events() if e["event"] == "answer"]


def test_of_two_phones_that_answer_the_first_wins(asked, browser):
    """One of two answers given at once stands in the log; the prompt goes from the other's screen, which is told."""
    sized(browser, PHONE)
    browser.get(asked.url)
    browser.find_element("css selector", "[name=for][value=roof]").click()
    browser.find_element("name", "name").send_keys("on the roof\n")
    eventually(lambda: browser.find_elements("id", "guests"))
    press(browser, "#guests > summary")
    press(browser, "#invite")
    one = eventually(lambda: invited(browser))
    first = Phone(one, ["roof", "cabinet"])
    press(browser, "#invite")
    second = Phone(eventually(lambda: invited(browser, one)), ["roof"])
    number = prompt(asked, "roof")
    box = eventually(lambda: browser.find_elements("css selector", ".prompt"))[0]
    assert "Dry the rain sensor." in box.text
    button = box.find_element("tag name", "button")
    assert button.size["height"] >= 44, "WCAG 2.2, 2.5.5: targets of 44 by 44 CSS pixels"
    with ThreadPoolExecutor(2) as both:
        sent = list(both.map(lambda phone: phone.answer(number, "roof", "done"), (first, second)))
    assert sent == [202, 202]
    eventually(lambda: answers(asked))
    assert answers(asked) == [(number, "roof", "done")]
    eventually(lambda: "Dry the rain sensor." not in browser.find_element("id", "prompts").text)
    vent = prompt(asked, "roof", {number})
    box = eventually(lambda: browser.find_elements("css selector", f".prompt[data-number='{vent}']"))[0]
    box.find_element("tag name", "input").send_keys("wide open\n")
    eventually(lambda: "Not taken" in box.text)
    box.find_element("tag name", "input").clear()
    box.find_element("tag name", "input").send_keys("90\n")
    eventually(lambda: (vent, "roof", "90") in answers(asked))
    assert first.answer(vent, "roof", "10") == 202
    lamp = prompt(asked, "cabinet")
    assert second.answer(lamp, "cabinet", "on") == 403
    eventually(lambda: "cabinet is asked: Is the rain lamp on?" in browser.find_element("id", "prompts").text)
    assert first.answer(lamp, "cabinet", "off") == 202
    eventually(lambda: (lamp, "cabinet", "off") in answers(asked))
    assert len([one for one in answers(asked) if one[0] == vent]) == 1
    assert severe(browser) == []
    assert first.post("/stop", "{}").status == 202
    assert asked.end(40) == 130
    assert asked.events()[-1]["event"] == "run_end"


def press(browser, selector):
    """Press a button by the keyboard's way: the page above it grows meanwhile, and a pointer might miss it."""
    browser.execute_script("arguments[0].click()", browser.find_element("css selector", selector))


def invited(browser, before=None):
    """Return the address that the page shows for one guest more, once it is another than before."""
    return next((p.text for p in browser.find_elements("css selector", "#code p") if p.text != before), None)
