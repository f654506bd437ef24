"""Prompts: one at a time to each person, the first fitting answer counts, and nobody waits for what is over."""

from __future__ import annotations

import asyncio

import pytest

from ventproof.log.decode import event_of
from ventproof.log.encode import fields_of
from ventproof.run.prompts import Prompts
from ventproof_bench.base.asking import NOT_SURE, Prompt, understood
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.clock import run as run_loop

LAMP = Prompt(who="cabinet", text="Is the rain lamp on?", kind="read", of="rain_lamp", choices=("on", "off"))
VENT = Prompt(who="roof", text="How far is it open?", kind="read", of="roof_vent", unit="%", resolution=5.0)
WET = Prompt(who="roof", text="Wet the sensor.", kind="act", of="rain", choices=("done", "cannot"))


def told(main):
    """Run `main(prompts)` in virtual time; return what it returns and the events that were told."""
    events = []

    async def play():
        prompts = Prompts()
        prompts.tell = lambda kind, *args: events.append(kind(0.0, *args))
        return await main(prompts)

    return run_loop(play(), virtual=True), events


@pytest.mark.parametrize(
    ("prompt", "text", "choice", "number"),
    [
        (LAMP, "on", "on", None),
        (LAMP, " OFF ", "off", None),
        (LAMP, "2", "off", None),
        (LAMP, "n", NOT_SURE, None),
        (LAMP, "?", NOT_SURE, None),
        (VENT, "45", "", 45.0),
        (VENT, "45 %", "", 45.0),
        (VENT, "7,5", "", 7.5),
        (VENT, "2", "", 2.0),
        (VENT, "not  sure", NOT_SURE, None),
        (WET, "d", "done", None),
        (WET, "2", "cannot", None),
    ],
)
def test_an_answer_is_a_word_its_beginning_its_place_or_a_number(prompt, text, choice, number):
    """A number of a choice is no number of a reading, where a reading is wanted."""
    assert understood(prompt, text) == (choice, number)


@pytest.mark.parametrize(
    ("prompt", "text"), [(LAMP, "o"), (LAMP, "4"), (LAMP, ""), (VENT, "nan"), (VENT, "x"), (WET, "?")]
)
def test_what_is_no_answer_is_refused_with_what_would_be(prompt, text):
    """An act has no "not sure": it was done, or could not be."""
    with pytest.raises(ValueError, match=r"none of the answers: |is not a number in %; or say 'not sure'"):
        understood(prompt, text)


def test_the_first_answer_wins_and_only_of_whom_it_is_for():
    """Whoever is late, is somebody else, or says nothing that was asked is told why."""

    async def main(prompts):
        asked = asyncio.ensure_future(prompts.ask(LAMP))
        await asyncio.sleep(2)
        said = [
            prompts.answer(7, "on", "cabinet"),
            prompts.answer(1, "on", "roof"),
            prompts.answer(1, "perhaps", "cabinet"),
            prompts.answer(1, "on", "cabinet"),
            prompts.answer(1, "off", "cabinet"),
        ]
        return said, await asked

    (said, answer), events = told(main)
    assert said == [
        "there is no such prompt",
        "this is for cabinet",
        "'perhaps' is none of the answers: on, off, not sure",
        None,
        "prompt 1 is not open any more",
    ]
    assert (answer.choice, answer.given_s - answer.shown_s) == ("on", 2.0)
    assert [event.name for event in events] == ["prompt", "answer"]


def test_a_person_has_one_prompt_at_a_time_and_two_people_have_two():
    """The second for the roof is shown when the first is answered; the cabinet's is shown at once."""

    async def main(prompts):
        asked = [asyncio.ensure_future(prompts.ask(prompt)) for prompt in (VENT, WET, LAMP)]
        await asyncio.sleep(1)
        first = {number: prompt.of for number, prompt in prompts.open.items()}
        prompts.answer(1, "40", "roof")
        await asyncio.sleep(1)
        then = [prompt.of for prompt in prompts.open.values()]
        for task in asked:
            task.cancel()
        await asyncio.gather(*asked, return_exceptions=True)
        return first, then, dict(prompts.open)

    (first, then, left), events = told(main)
    assert (first, then, left) == ({1: "roof_vent", 2: "rain_lamp"}, ["rain_lamp", "rain"], {})
    assert [event.name for event in events][-2:] == ["prompt_over", "prompt_over"]


def test_nobody_waits_longer_than_a_prompt_allows():
    """What comes afterwards is too late."""

    async def main(prompts):
        with pytest.raises(TimeoutError):
            await prompts.ask(Prompt(who="roof", text="Dry it.", kind="act", of="rain", within_s=30.0))
        return now_s(), prompts.answer(1, "done", "roof")

    (_, late), events = told(main)
    assert late == "prompt 1 is not open any more"
    assert [event.name for event in events] == ["prompt", "prompt_over"]


def test_prompts_and_answers_come_back_from_the_log_as_they_went():
    """Every event that is told is read back from its line."""

    async def main(prompts):
        asked = asyncio.ensure_future(prompts.ask(VENT))
        await asyncio.sleep(1)
        prompts.answer(1, "45 %", "roof")
        await asked

    _, events = told(main)
    for event in events:
        fields = {key: list(v) if isinstance(v, tuple) else v for key, v in fields_of(event).items()}
        assert event_of(event.name, 0.0, fields) == event
