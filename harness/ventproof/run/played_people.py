"""People who are played, in virtual time: they do to the mock unit what is asked, and read its truth as people do."""

from __future__ import annotations

import asyncio
import random
from bisect import bisect_right
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, final

from ventproof.run.prompts import Prompts
from ventproof_bench.base.asking import DONE, NOT_SURE, Prompt
from ventproof_bench.base.clock import now_s
from ventproof_bench.relays.person import PersonOptions
from ventproof_bench.rig.build import Rig, assemble

if TYPE_CHECKING:
    from pathlib import Path

    from ventproof.run.prompts import Desk
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.people import PersonSignal, PersonSpec
    from ventproof_bench.drivers.people import People
    from ventproof_bench.mock.unit import MockUnit


@final
class PlayedPeople:
    """Answers every prompt after a while; implements `ventproof.run.prompts.Desk`.

    A person looks at some moment between the reaction before the prompt and the answer, rounds to the resolution, and
    tells nothing that is older than what was told before; acts at some moment between the prompt and the reaction after
    the answer; and is not sure at times.

    Args:
        people: who is asked, and what they read.
        mock: the unit whose truth they read.
        seed: of all chance.
    """

    def __init__(self, people: People, mock: MockUnit, seed: int) -> None:
        self._people = people
        self._mock = mock
        self._chance = random.Random(seed)  # noqa: S311 - played, not secret
        self._prompts: Prompts
        self._calls: dict[int, list[asyncio.TimerHandle]] = {}
        self._looked_s: dict[str, float] = {}  # nobody tells what is older than what they told before

    def begin(self, prompts: Prompts) -> None:
        """Answer these."""
        self._prompts = prompts

    def show(self, number: int, prompt: Prompt) -> None:
        """Take a prompt; what is done and said of it follows by itself."""
        loop, person = asyncio.get_running_loop(), self._people.specs[prompt.who]
        assert person.played is not None, "loading a bench file sees to it"
        given_s = now_s() + self._chance.uniform(*person.played.answers_after)
        say: Callable[[], str] = lambda: DONE  # noqa: E731 - the simplest of three
        calls = []
        if prompt.kind == "act":
            acts_s = self._chance.uniform(now_s(), given_s + person.reaction)
            loop.call_at(acts_s, self._act, prompt)  # who has begun does not stop when a prompt is taken back
        elif prompt.kind == "read":
            say, looks_s = self._look(prompt, person, given_s)
            calls.append(loop.call_at(max(looks_s, now_s()), say))
        calls.append(loop.call_at(given_s, lambda: self._prompts.answer(number, say(), prompt.who)))
        self._calls[number] = calls

    def over(self, number: int) -> None:
        """Say nothing more to a prompt."""
        for call in self._calls.pop(number, ()):
            call.cancel()

    def end(self) -> None:
        """Nobody is asked any more."""
        for number in list(self._calls):
            self.over(number)

    def _act(self, prompt: Prompt) -> None:
        output = self._people.acts[prompt.of]
        options = PersonOptions.model_validate(output.wired)
        assert options.mock is not None, "loading a bench file sees to it"
        self._mock.set_contact(options.mock, now_s(), closed=prompt.text == options.closed)
        self._mock.advance(now_s())

    def _look(self, prompt: Prompt, person: PersonSpec, given_s: float) -> tuple[Callable[[], str], float]:
        """Return what says what was seen, once it was called when that is looked at; and when that is."""
        signal, played = self._people.signals[prompt.of], person.played
        assert played is not None, "loading a bench file sees to it"
        if self._chance.random() < played.unsure:
            return lambda: NOT_SURE, given_s
        looks_s = self._chance.uniform(now_s() - person.reaction, given_s)
        looks_s = self._looked_s[prompt.of] = max(looks_s, self._looked_s.get(prompt.of, looks_s))
        if signal.unit == "%":
            return partial(self._position, signal, looks_s), looks_s
        seen: list[str] = []

        def flag() -> str:
            self._mock.advance(now_s())
            seen.append("on" if signal.mock in self._mock.active else "off")
            return seen[0]

        return flag, looks_s

    def _position(self, signal: PersonSignal, looks_s: float) -> str:
        assert signal.mock is not None, "loading a bench file sees to it"
        assert signal.resolution is not None, "likewise"
        self._mock.advance(now_s())
        step, seen = signal.resolution.value, at(self._mock.truth(signal.mock), looks_s)
        return f"{round(seen / step) * step:g}"


def peopled(
    file: BenchFile, *, seed: int, desks: Sequence[Desk] = (), ledger: Path | None = None
) -> tuple[Rig, Prompts]:
    """Return a bench's running parts on the running loop, and the prompts of its people, who are played beside a mock.

    Args:
        file: the bench.
        seed: for what is random on a virtual bench.
        desks: where people of flesh and blood see prompts.
        ledger: where the operations of relays on wires are added up; None: nowhere.
    """
    prompts = Prompts(desks)
    rig = assemble(file, seed=seed, asker=prompts, ledger=ledger)
    if rig.mock is not None and rig.people is not None:
        prompts.join(PlayedPeople(rig.people, rig.mock, seed))
    return rig, prompts


def at(course: tuple[tuple[float, float], ...], t_s: float) -> float:
    """Return the value of a course of corners (instant, value), straight between them, at an instant."""
    index = bisect_right(course, t_s, key=lambda corner: corner[0])
    if index == 0:
        return course[0][1]
    if index == len(course):
        return course[-1][1]
    (t0, v0), (t1, v1) = course[index - 1], course[index]
    return v0 + (v1 - v0) * (t_s - t0) / (t1 - t0)
