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


def test_the_page_follows_runs_to_their_verdicts(running, house, browser):
    """On a phone and on a desktop vents move, what is required is named, findings appear, and the end is told."""
    with running("rain.yaml", house / "rain.yaml", "--unit", "GH-7") as command:
        for run, size in ((1, PHONE), (2, DESKTOP)):
            sized(browser, size)
            if run == 1:
                enter(browser, command.url)
            eventually(lambda: text(browser, "place") == f"Run {run} of 2", within_s=40)  # noqa: B023 - called at once
            assert ("in all" in text(browser, "left")) is (run == 1)
            eventually(lambda: "Step 1 of 1: rain begins" in text(browser, "step"))
            vent = browser.find_element("css selector", ".vent")
            bar = vent.find_element("css selector", "[role=meter]")
            assert bar.get_attribute("aria-label") == "roof vent"
            eventually(lambda: 8 < float(bar.get_attribute("aria-valuenow")) < 70)  # noqa: B023 - likewise
            eventually(lambda: "holding" in vent.text)  # noqa: B023 - likewise
            width = browser.execute_script("return document.querySelector('.all').scrollWidth")
            assert width <= size[0], "the page is wider than the screen"
        assert "unit GH-7" in text(browser, "unit")
        assert command.end() == 0
        eventually(lambda: text(browser, "link") == "■ the command has ended")
    assert "The page was opened by roof." in command.said
    assert text(browser, "step") == "Ended: pass"
    assert "Outputs: all in their safe state (" in text(browser, "left")
    runs = browser.find_elements("css selector", "#verdicts > li")
    assert [run.text.split("\n")[0] for run in runs] == ["rain closes the roof pass"] * 2
    assert runs[0].text.count("pass") == 4  # three responses and the run
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
    assert "Outputs: all in their safe state (" in text(browser, "left")


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


def test_a_campaign_shows_how_far_it_is_and_is_stopped_from_the_keyboard(command, browser):
    """A challenge fills its table; Tab leads to the button, and Enter ends the command like Ctrl-C."""
    sized(browser, PHONE)
    with command("challenge", "--page", out=None) as challenge:
        enter(browser, challenge.url)
        eventually(lambda: "the healthy unit" in text(browser, "progress"), within_s=60)
        assert text(browser, "title") == "Challenge of the suite"
        assert browser.execute_script("return document.querySelector('.all').scrollWidth") <= PHONE[0]
        for _ in range(8):
            browser.switch_to.active_element.send_keys("\t")
            if browser.switch_to.active_element.get_attribute("id") == "stop":
                break
        browser.switch_to.active_element.send_keys("\n")
        assert challenge.end(60) == 130
        eventually(lambda: text(browser, "link") == "■ the command has ended")


def test_a_selfcheck_is_shown_part_by_part(command, house, browser):
    """What is measured now is named while signals are read, and what was found at the end."""
    words = "selfcheck", "--bench", house / "bench-tcp.yaml", "--wiring", "--confirm-clear", "--page"
    with command(*words) as check:
        enter(browser, check.url)
        eventually(lambda: browser.find_elements("css selector", ".vent"), within_s=40)
        eventually(lambda: text(browser, "step") not in {"", "opening the bench"})
        assert text(browser, "title") == "How the unit is hooked up"
        browser.find_element("id", "stop").click()
        assert check.end(60) == 130
        eventually(lambda: text(browser, "step") == "Ended: aborted")
