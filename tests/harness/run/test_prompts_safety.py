"""Prompts never hold up safety: whatever is open, a run ends at once, hardware first, and people are asked then."""

from __future__ import annotations

import asyncio

import pytest

from ventproof.case.case import case_of
from ventproof.log.events import (
    AnswerGiven,
    Header,
    OutputDriven,
    OutputsSafe,
    OutputsUnsafe,
    PromptOver,
    PromptShown,
    RunEnd,
)
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.run.engine import Engine
from ventproof.run.prompts import Prompts
from ventproof_bench.base.clock import run as run_loop
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.rig.build import assemble

MIXED = """
bench: a person beside a bus
buses: {unit: {link: in-process, poll_every: 100 ms}}
people: {roof: {answers_in: 5 s, safe_within: 20 s, played: {answers_after: [1 s, 2 s]}}}
outputs:
  rain: {driver: person, wired: {who: roof, closed: Wet it., open: Dry it., mock: rain}}
  gate: {driver: mock, wired: {input: rain_2}, operate: 0 s, release: 0 s, bounce: 0 s}
signals:
  roof_vent: {bus: unit, table: input, address: 0, scale: 0.1, unit: "%", full_travel: 28 s}
  rain_override: {bus: unit, table: input, address: 5, type: bit, bit: 0, unit: flag, keeps_for: 1 s}
  rain_contact: {bus: unit, table: input, address: 5, type: bit, bit: 1, unit: flag, keeps_for: 500 ms}
mock:
  vents: {roof: {full_travel: 30 s, stages: [30 %, 60 %, 90 %]}}
  house: {temperature: 30 °C, stage_at: [22 °C, 25 °C, 28 °C], hysteresis: 1 °C}
  rain: {positions: {roof: 8 %}}
"""
LOCKED = MIXED.replace("8 %}", "8 %}, entry_delay: 9 s") + "interlock: {signal: rain_override, healthy: 0}\n"
PROFILE = """
profile: wet it
needs: {outputs: {rain: contact, gate: contact}, signals: {rain_override: flag, rain_contact: flag}}
start: {set: {rain: open}, until: [{signal: rain_override, equals: off, within: 60 s}]}
steps:
  - step: the gate closes
    do: [close: gate]
    expect: [{signal: rain_contact, equals: on, within: 60 s}]
  - step: rain
    do: [close: rain]
    expect: [{signal: rain_override, unchanged: {for: 5 s}}]
"""


class Script:
    """A desk that answers each text with its answers in turn, a second after it is shown; None: it never does."""

    def __init__(self, **answers):
        self._answers = {key.replace("_", " ") + ".": list(value) for key, value in answers.items()}

    def begin(self, prompts):
        """Answer these."""
        self._prompts = prompts

    def show(self, number, prompt):
        """Answer a second later."""
        said = self._answers[prompt.text].pop(0)
        if said is not None:
            asyncio.get_running_loop().call_later(1.0, self._prompts.answer, number, said, prompt.who)

    def over(self, number):
        """Nothing to do."""

    def end(self):
        """Nothing to do."""


def played(script, bench=MIXED, *, interrupted_at_s=None):
    """Run the profile with a script of answers, perhaps interrupted; return its events and the mock unit."""
    file, profile, events = read_bench("bench", bench), read_profile("profile", PROFILE), []
    bound = bind(profile, file, {})

    async def main():
        prompts = Prompts([script])
        rig = assemble(file.model, seed=0, asker=prompts)
        engine = Engine(
            profile.model,
            rig,
            case_of(bound),
            record=events.append,
            prompts=prompts,
            output_names=bound.outputs,
        )
        task = asyncio.ensure_future(engine.run(Header()))
        if interrupted_at_s is not None:
            asyncio.get_running_loop().call_later(interrupted_at_s, task.cancel)
        await asyncio.gather(task, return_exceptions=True)

    run_loop(main(), virtual=True)
    return events


def of(events, kind):
    """Return the events of a kind."""
    return [event for event in events if isinstance(event, kind)]


def test_a_run_to_its_end_asks_for_the_safe_state_and_the_log_tells_who_confirmed_it():
    """The sensor is dry when the run is over, by the person's own word."""
    events = played(Script(Dry_it=["done", "done"], Wet_it=["done"]))
    assert of(events, RunEnd)[0].abort is None
    assert [event.prompt.text for event in of(events, PromptShown)] == ["Dry it.", "Wet it.", "Dry it."]
    assert of(events, PromptShown)[-1].prompt.within_s == 20.0
    assert [d.driven.output for d in of(events, OutputDriven) if d.driven.why == "safe"] == ["gate", "rain"]
    assert of(events, OutputsSafe)


def test_an_interrupted_run_takes_its_prompt_back_at_once():
    """Ctrl-C while somebody is to wet the sensor: the hardware is safe in that instant, the sensor once it is dry."""
    events = played(Script(Dry_it=["done", "done"], Wet_it=[None]), interrupted_at_s=20.0)
    assert [event.t_s for event in of(events, PromptOver)] == [20.0]
    safe = {d.driven.output: d.t_s for d in of(events, OutputDriven) if d.driven.why == "safe"}
    assert safe == {"gate": 20.0, "rain": 21.0}
    assert of(events, OutputsSafe)
    assert of(events, RunEnd)[0].abort.kind == "operator"


def test_who_does_not_confirm_is_waited_for_no_longer_than_declared():
    """The hardware does not wait, and the record says that nobody confirmed it."""
    events = played(Script(Dry_it=["done", None], Wet_it=["done"]))
    safe = {d.driven.output: d.t_s for d in of(events, OutputDriven) if d.driven.why == "safe"}
    assert set(safe) == {"gate"}
    unsafe = of(events, OutputsUnsafe)[0]
    assert unsafe.t_s - safe["gate"] == pytest.approx(20.0)
    assert "output rain: roof did not confirm: Dry it. (asked for 20 s)" in unsafe.reason
    assert of(events, RunEnd)[0].verdict is None


def test_what_a_person_cannot_do_ends_the_run():
    """There is no verdict then, and what was begun is undone."""
    events = played(Script(Dry_it=["done", "done"], Wet_it=["cannot"]))
    assert of(events, RunEnd)[0].abort.text == "output rain: roof cannot: Wet it."
    assert [event.text for event in of(events, AnswerGiven)] == ["done", "cannot", "done"]
    assert of(events, OutputsSafe)


def test_who_cannot_make_safe_is_not_asked_again():
    """One "cannot" is the answer, and the outputs count as unsafe."""
    events = played(Script(Dry_it=["done", "cannot"], Wet_it=["done"]))
    assert len(of(events, PromptShown)) == 3
    assert "output rain: roof cannot: Dry it." in of(events, OutputsUnsafe)[0].reason


def test_a_lost_interlock_ends_the_run_while_a_prompt_is_open():
    """Within one poll nothing is driven any more and the hardware is safe, whatever people are asked."""
    events = played(Script(Dry_it=["done", None], Wet_it=[None]), LOCKED)
    assert "the interlock rain_override is not healthy" in of(events, RunEnd)[0].abort.text
    asked, over = of(events, PromptShown)[1], of(events, PromptOver)[0]
    gate = next(d for d in of(events, OutputDriven) if d.driven.why == "safe")
    assert (asked.prompt.text, over.number) == ("Wet it.", asked.number)
    closed_s = next(event.t_s for event in events if event.name == "stimulus" and event.output == "gate")
    assert closed_s + 9 < over.t_s <= gate.t_s < closed_s + 9.3
