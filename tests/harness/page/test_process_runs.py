"""A run on real wires with its page in a real browser: followed, reconnected, stopped, and left alone."""

from __future__ import annotations

import os
import signal
import subprocess

import pytest
from chromium import DESKTOP, PHONE, severe, sized
from live_page import enter, eventually

pytestmark = [pytest.mark.wire, pytest.mark.lasting]


def text(browser, ident):
    return browser.find_element("id", ident).text


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_the_page_follows_a_run_to_its_verdict(size, running, browser):
    """Vents move, the step and what is required are named, findings appear, and the end is told with its outputs."""
    sized(browser, size)
    with running("rain.yaml", "--unit", "GH-7") as command:
        enter(browser, command.url)
        eventually(lambda: "Step 1 of 1: rain begins" in text(browser, "step"))
        vent = browser.find_element("css selector", ".vent")
        bar = vent.find_element("css selector", "[role=meter]")
        assert bar.get_attribute("aria-label") == "roof vent"
        eventually(lambda: 8 < float(bar.get_attribute("aria-valuenow")) < 70)
        eventually(lambda: "holding" in vent.text)
        assert "unit GH-7" in text(browser, "unit")
        assert command.end() == 0
        eventually(lambda: text(browser, "link") == "■ the command has ended")
    assert text(browser, "step") == "Ended: pass"
    assert "The outputs are in their safe state." in text(browser, "left")
    assert text(browser, "verdicts").count("pass") == 4  # three responses and the run
    width = browser.execute_script("return document.querySelector('.all').scrollWidth")
    assert width <= size[0], "the page is wider than the screen"
    assert severe(browser) == []


def test_stop_ends_the_run_safe_with_its_log_closed(running, browser):
    """The button does what Ctrl-C does: outputs safe, log closed as aborted, exit code 130; the page shows it."""
    with running("long.yaml") as command:
        enter(browser, command.url)
        eventually(lambda: "Step 1" in text(browser, "step"))
        browser.find_element("id", "stop").click()
        assert command.end() == 130
        assert "Stopped from the page by roof." in command.said
        assert [e["event"] for e in command.events()[-2:]] == ["safe", "run_end"]
        assert command.events()[-1]["aborted"] == "interrupted by the operator"
        eventually(lambda: text(browser, "step") == "Ended: aborted")
    assert "The outputs are in their safe state." in text(browser, "left")


def test_a_page_that_was_away_catches_up(running, browser):
    """A page that hears nothing says so and asks again; what was told meanwhile comes once, and nothing twice."""
    with running("rain.yaml") as command:
        enter(browser, command.url)
        seen = eventually(lambda: browser.execute_script("return shown.readings.roof_vent?.length"))
        (child,) = children(command.process.pid)
        os.kill(child, signal.SIGSTOP)
        eventually(lambda: "no connection" in text(browser, "link"))
        os.kill(child, signal.SIGCONT)
        eventually(lambda: text(browser, "link") == "● live")
        assert command.end() == 0
        eventually(lambda: text(browser, "step") == "Ended: pass")
        points = browser.execute_script("return shown.readings.roof_vent.map((p) => p[0])")
    read = [round(e["t"], 3) for e in command.events() if "roof_vent" in e.get("values", {})]
    assert len(points) > seen
    assert points == read


@pytest.mark.parametrize("what", [signal.SIGSTOP, signal.SIGKILL], ids=["stalled", "killed"])
def test_a_page_that_fails_changes_no_run(what, running, browser):
    """The page's process stalls or dies in the middle of a step: the run has the same verdict and findings."""
    with running("rain.yaml") as command:
        enter(browser, command.url)
        eventually(lambda: "Step 1" in text(browser, "step"))
        (child,) = children(command.process.pid)
        os.kill(child, what)
        assert command.end() == 0
    events = command.events()
    assert events[-1]["verdict"] == "pass"
    assert [e["verdict"] for e in events if e["event"] == "finding"] == ["pass"] * 3
    assert not [e for e in events if e["event"] == "gap"]
    gone = "The page is gone; the command goes on without it." in command.said
    assert gone is (what == signal.SIGKILL)


def children(pid):
    """Return the processes that serve pages for a command."""
    listed = subprocess.run(
        ["ps", "--ppid", str(pid), "-o", "pid=,args="], capture_output=True, text=True, check=True
    )
    return [int(line.split()[0]) for line in listed.stdout.splitlines() if "ventproof.page.serve" in line]


def test_the_page_ends_with_a_command_that_is_killed(running):
    """Nothing serves a page for a command that is gone."""
    with running("long.yaml") as command:
        eventually(lambda: any(e["event"] == "step_begin" for e in command.events()))
        (child,) = children(command.process.pid)
        command.process.kill()
        command.process.communicate()
        eventually(lambda: not alive(child))


def alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_several_profiles_are_numbered_and_kept(running, house, browser):
    """Run i of n is named with the time left in all, and the verdict of the run before stays on the page."""
    with running("rain.yaml", house / "rain.yaml") as command:
        enter(browser, command.url)
        eventually(lambda: text(browser, "place") == "Run 1 of 2")
        assert "in all" in text(browser, "left")
        eventually(lambda: text(browser, "place") == "Run 2 of 2", within_s=40)
        assert "in all" not in text(browser, "left")
        runs = browser.find_elements("css selector", "#verdicts > li")
        assert [run.text.split("\n")[0] for run in runs] == [
            "rain closes the roof running",
            "rain closes the roof pass",
        ]
