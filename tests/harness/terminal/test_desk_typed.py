"""Acceptance by prompts alone: no hardware, no mock in the process; a person types, on a pseudo-terminal."""

from __future__ import annotations

import subprocess
import sys
import time

import pytest
from typist import Typist

from ventproof.log.events import AnswerGiven, OutputsSafe, OutputsUnsafe, PromptShown, RunEnd
from ventproof.log.read import read_log
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build

pytestmark = pytest.mark.wire

BENCH = """
bench: by hand
people:
  roof: {answers_in: 500 ms, reaction: 200 ms, safe_within: 2 s}
  cabinet: {answers_in: 500 ms, reaction: 200 ms}
outputs:
  rain:
    driver: person
    wired: {who: roof, ready: Take the wet cloth., closed: Wet the sensor., open: Dry the sensor.}
signals:
  roof_vent: {read_by: roof, asks: How far is it open?, unit: "%", resolution: 5 %, full_travel: 6 s}
  rain_override: {read_by: cabinet, asks: Is the rain lamp on?, unit: flag, keeps_for: 3 s}
"""
PROFILE = """
profile: rain by hand
needs: {outputs: {rain: contact}, signals: {roof_vent: "%", rain_override: flag}}
start:
  set: {rain: open}
  until:
    - {signal: roof_vent, reaches: 90 %, tolerance: 25 %, within: 20 s}
    - {signal: rain_override, equals: off, within: 20 s}
steps:
  - step: rain begins
    do: [close: rain]
    expect:
      - {signal: rain_override, equals: on, within: 10 s}
      - {signal: roof_vent, reaches: 10 %, tolerance: 25 %, within: 20 s, holds: 1 s}
  - step: rain ends
    do: [open: rain]
    expect:
      - {signal: roof_vent, returns: 90 %, tolerance: 25 %, not_before: 2 s, within: 30 s}
"""
UNIT = {
    "vents": {"roof": {"full_travel": "6 s", "stages": ["30 %", "60 %", "90 %"]}},
    "house": {"temperature": "30 °C", "stage_at": ["22 °C", "25 °C", "28 °C"], "hysteresis": "1 °C"},
    "rain": {
        "debounce": "50 ms",
        "entry_delay": "500 ms",
        "release_delay": "2 s",
        "positions": {"roof": "10 %"},
    },
}


class Hands:
    """Does to a mock unit in real time what prompts ask for, and reads its truth."""

    def __init__(self):
        self.unit = build(MockSettings.model_validate(UNIT), start_s=time.monotonic(), seed=0)

    def __call__(self, _who, what):
        """Do or read it, and return what is typed."""
        time.sleep(0.05)  # nobody is quicker than that
        now_s = time.monotonic()
        if what in {"Wet the sensor.", "Dry the sensor."}:
            self.unit.set_contact("rain", now_s, closed=what.startswith("Wet"))
        self.unit.advance(now_s)
        if what == "How far is it open?":
            return f"{round(self.unit.position('roof') / 5) * 5}"
        if what == "Is the rain lamp on?":
            return "on" if "rain" in self.unit.active else "2"
        return "1"


@pytest.fixture
def words(tmp_path):
    """Return the words of a run by hand in a folder."""
    (tmp_path / "bench.yaml").write_text(BENCH)
    (tmp_path / "rain.yaml").write_text(PROFILE)
    return ["run", tmp_path / "rain.yaml", "--bench", tmp_path / "bench.yaml", "--out", tmp_path / "logs"]


def log_of(tmp_path):
    """Return the events of the one log in a folder."""
    return read_log(next((tmp_path / "logs").glob("*.jsonl"))).events


def test_a_unit_is_accepted_by_typed_answers_alone(words, tmp_path):
    """Everything passes, and the report shows who answered what when."""
    report = tmp_path / "acceptance.html"
    with Typist([*words, "--unit", "4711", "--confirm-clear", "--report", report], Hands()) as typist:
        assert typist.run(within_s=120) == 0, typist.shown
    assert ("roof", "Take the wet cloth. Then wait until you are asked to go on.") in typist.prompts
    events, page = log_of(tmp_path), report.read_text()
    answers = [event for event in events if isinstance(event, AnswerGiven)]
    assert {event.who for event in answers} == {"roof", "cabinet"}
    assert page.count("How far is it open?") >= 4
    assert page.count("Wet the sensor.") >= 1
    assert "Prompts and answers" in page


def test_ctrl_c_takes_the_prompt_back_and_asks_for_the_safe_state(words, tmp_path):
    """The answer to it is the last thing that is asked for; the log tells that it was given."""
    hands, asked = Hands(), []

    def answer(who, what):
        asked.append(what)
        return None if what == "Wet the sensor." else hands(who, what)

    with Typist([*words, "--confirm-clear"], answer) as typist:
        typist.run(within_s=60, until="? roof: Wet the sensor.\n")
        typist.interrupt()
        assert typist.run(within_s=30) == 130, typist.shown
    events = log_of(tmp_path)
    last = [event.prompt for event in events if isinstance(event, PromptShown)][-1]
    assert (last.text, last.within_s) == ("Dry the sensor.", 2.0)
    assert any(isinstance(event, OutputsSafe) for event in events)
    assert events[-1].abort.kind == "operator"


def test_nobody_at_the_terminal_leaves_a_record_that_says_so(words, tmp_path):
    """Two seconds after Ctrl-C the run is over, and its outputs count as unsafe."""
    hands = Hands()
    with Typist(
        [*words, "--confirm-clear"], lambda who, what: None if "Wet" in what else hands(who, what)
    ) as typist:
        typist.run(within_s=60, until="? roof: Wet the sensor.\n")
        typist.leave()
        typist.interrupt()
        assert typist.run(within_s=30) == 4, typist.shown
    events = log_of(tmp_path)
    assert "roof did not confirm: Dry the sensor." in next(
        event.reason for event in events if isinstance(event, OutputsUnsafe)
    )
    assert isinstance(events[-1], RunEnd)


def test_without_a_terminal_it_is_refused_at_once(words):
    """The cure is named, and nobody is asked anything."""
    run = subprocess.run(
        [sys.executable, "-m", "ventproof", *map(str, words), "--confirm-clear"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 3
    assert (
        "this bench asks people (roof, cabinet), and no one is here to answer; run it in a terminal"
        in " ".join(run.stderr.split())
    )
