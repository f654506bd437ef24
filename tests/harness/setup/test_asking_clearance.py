"""Whoever goes on with a setup is asked anew whether vents and drives are clear, before anything is switched."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from ventproof.setup.dialogue import Dialogue, SetupLeft
from ventproof.setup.walk import HookUpTried, Trials, set_up


class Technician:
    """Answers questions by their keys, and notes what was asked and said."""

    there = True

    def __init__(self, **answers):
        self.answers = answers
        self.asked = []
        self.said = []

    def ask(self, question):
        """Answer by its key, or as Enter alone would."""
        self.asked.append(question.key)
        return question.checked(self.answers.get(question.key, question.default))

    def say(self, text):
        """Note it."""
        self.said.append(text)

    def glance(self, text):
        """Nobody looks."""

    def wait(self, *_):
        """What was written waits for nothing."""
        raise AssertionError("nothing is waited for")


@pytest.fixture
def written(tmp_path):
    """A setup that had written its files before it was left, its trials answered beforehand."""
    for name in ("house.yaml", "house-rain.yaml"):
        (tmp_path / name).write_text("as it was written\n", encoding="utf-8")
    answers = {"written": "house.yaml", "selfcheck": "yes", "rain_test": "yes"}
    kept = {"setup": "house.yaml", "answers": answers}
    (tmp_path / "house.setup.yaml").write_text(yaml.safe_dump(kept), encoding="utf-8")
    return tmp_path / "house.yaml"


def goes_on(written, technician, codes):
    """Go on; returns what was tried, in order, and the exit code."""
    tried = []

    def hookup(_bench):
        tried.append(("hook-up", list(technician.asked)))
        result = {0: "fine", 2: "partial", 4: "failed"}[codes["hook-up"]]
        return HookUpTried(codes["hook-up"], result, Path("hook-up.jsonl"))

    def run(_profile, _bench):
        tried.append(("rain test", list(technician.asked)))
        return codes["rain test"]

    trials = Trials(hookup=hookup, run=run)
    return tried, set_up(written, Dialogue(written, technician, {}), trials, clear=False)


def test_a_kept_answer_switches_nothing_before_it_is_clear(written):
    """The trials were agreed to in an earlier sitting; that vents are clear must be said in this one, once."""
    tried, code = goes_on(written, Technician(clear="yes"), {"hook-up": 0, "rain test": 0})
    assert tried == [("rain test", ["clear"]), ("hook-up", ["clear"])]
    assert code == 0


def test_what_is_not_clear_is_left(written):
    """Saying no tries nothing."""
    technician = Technician(clear="no")
    with pytest.raises(SetupLeft, match="nothing was switched"):
        goes_on(written, technician, {})


def test_the_end_says_what_its_exit_code_stands_for(written):
    """A rain test that passed does not hide that the hook-up was not judged whole."""
    technician = Technician(clear="yes")
    _, code = goes_on(written, technician, {"hook-up": 2, "rain test": 0})
    assert code == 2
    assert "The wiring: no wiring error found; not everything could be judged." in technician.said
    assert "The rain test: all passed." in technician.said


@pytest.mark.parametrize(("ended", "named"), [(0, True), (4, False)])
def test_the_next_run_names_a_wiring_check_that_came_to_its_end(written, ended, named):
    """The command to go on with is told whole."""
    technician = Technician(clear="yes")
    _, code = goes_on(written, technician, {"hook-up": ended, "rain test": 0})
    assert code == ended
    assert (" --selfcheck hook-up.jsonl`" in technician.said[-1]) == named
