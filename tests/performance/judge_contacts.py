"""Cases of a position that is reckoned from a drive's contacts: a true vent with times inside the declared ranges."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Iterator
from typing import Any, NamedTuple

from judge_cases import Case, Truth
from judge_draws import question

from ventproof_bench.base.evidence import Gap, Sample, Window
from ventproof_bench.plant.contacts import ReckonedTraits, packed
from ventproof_bench.plant.reckoned import TravelRange
from ventproof_bench.plant.vent import Vent, VentTravel

BEFORE_S = 25.0
AFTER_S = 55.0


class _Contacts(NamedTuple):
    """When the contacts changed, and to what."""

    at_s: list[float]
    states: list[tuple[bool, bool]]

    def at(self, t_s: float) -> tuple[bool, bool]:
        """Return both as they were at an instant."""
        return self.states[max(0, bisect_right(self.at_s, t_s) - 1)]


def _range(r: random.Random, middle: float, spread: float) -> tuple[float, float]:
    return middle * (1 - r.random() * spread), middle * (1 + r.random() * spread)


def travel_range(r: random.Random) -> TravelRange:
    """Return what is declared of a vent: quick or slow, known exactly or not."""
    spread = r.choice([0.0, 0.01, 0.05])
    return TravelRange(
        open_s=_range(r, r.choice([10, 28]), spread),
        close_s=_range(r, r.choice([10, 26]), spread),
        dead_time_s=_range(r, r.choice([0.0, 0.2, 0.5]), 4 * spread),
        coast_s=_range(r, r.choice([0.0, 0.1, 0.4]), 4 * spread),
        play_percent=_range(r, r.choice([0.0, 0.0, 1.0]), 4 * spread),
        both=r.choice(["stands", "opens", "closes"]),
    )


def _true_vent(r: random.Random, travel: TravelRange, start: float) -> Vent:
    def one(span: tuple[float, float]) -> float:
        return r.choice([*span, r.uniform(*span)])

    true = VentTravel(
        open_s=one(travel.open_s),
        close_s=one(travel.close_s),
        dead_time_s=one(travel.dead_time_s),
        coast_s=one(travel.coast_s),
        play_percent=one(travel.play_percent),
        both=travel.both,
    )
    return Vent(true, start, percent=r.choice([0.0, 100.0, r.uniform(0, 100)]))


def _driven(
    r: random.Random, vent: Vent, keeps_s: float, span: tuple[float, float], calm: float
) -> _Contacts:
    """Drive a vent by random contacts, mostly after a full run; each keeps its state for its time."""
    contacts, (begin, until) = _Contacts([], []), span

    def switch(at_s: float, opens: bool, closes: bool) -> None:  # noqa: FBT001 - two contacts
        contacts.at_s.append(at_s)
        contacts.states.append((opens, closes))
        vent.switch(at_s, opens=opens, closes=closes)

    t, opens, closes = begin + 0.5, False, False
    switch(t, opens, closes)
    if r.random() < 0.85:
        opens = r.random() < 0.5
        switch(t + keeps_s, opens, not opens)
        t += r.choice([20.0, 30.0, 33.0])
        switch(t, False, False)  # noqa: FBT003 - two contacts
        opens = closes = False
    while t < until:
        t += keeps_s + r.expovariate(1 / r.choice([0.2, 3, 8 * calm]))
        if opens or closes:
            reverses = (closes, opens) if r.random() < 0.7 else (True, True)
            opens, closes = (False, False) if r.random() < 0.7 else reverses
        else:
            opens = r.random() < 0.5
            closes = not opens or r.random() < 0.03
        switch(t, opens, closes)
    return contacts


def _polled(
    r: random.Random, contacts: _Contacts, truth: Truth, traits: ReckonedTraits, ill: float
) -> Iterator[Any]:
    """Yield readings of contacts and flags, and gaps: some replies late, some lost, some connections too."""
    every, drops, lates = r.choice([0.05, 0.1, 0.1, 0.2]), r.choice([0, 0, 0.02, 0.1]), r.choice([0, 0, 0.05])
    drops, lates, age = ill * drops, ill * lates, traits.refreshed_every_s
    t, phase = truth.ts[0] + 1.0, r.random()
    while t < truth.ts[-1] - 1.0:
        if r.random() < drops:
            lost_s = r.choice([0.06, 0.5])
            yield Gap("io", t, t + lost_s, r.choice(["timeout"] * 9 + ["disconnected"]))
            t += lost_s
        else:
            trip = r.uniform(0.001, 0.04) if r.random() >= lates else r.uniform(0.1, 0.6)
            at = t + r.random() * trip
            if age:
                at = max(truth.ts[0], (at - phase) // age * age + phase)
            flags = [abs(truth.at(at) - place) < 1e-9 for place in traits.known_at]
            yield Sample(packed([*contacts.at(at), *flags]), t, t + trip)
            t += trip
        t += every * r.uniform(0.7, 1.3) if r.random() < 0.5 else every


def contacts_case(seed: int, calm: float = 1.0, travel: TravelRange | None = None) -> Case:
    """Return one random case.

    Args:
        seed: draws the rest.
        calm: how many times as long it stands, and the square of it so much less often a reply is late or lost.
        travel: what is declared of the vent; drawn unless given.
    """
    r = random.Random(f"contacts {seed}")
    travel = travel or travel_range(r)
    start = r.choice([0.0, 12345.678])
    begin, until = start - BEFORE_S - 12, start + AFTER_S
    keeps_s = r.choice([0.3, 0.3, 1.0])
    vent = _true_vent(r, travel, begin)
    contacts = _driven(r, vent, keeps_s, (begin, until), calm)
    truth = Truth(*(list(column) for column in zip(*vent.breakpoints(until), strict=True)))
    places = r.choice([(), (0.0,), (0.0, 100.0), (40.0,)])
    refresh = r.choice([0.0, 0.0, 0.05, 0.2])
    traits = ReckonedTraits(
        name="roof_vent",
        unit="%",
        rate_per_s=100 / min(travel.open_s[0], travel.close_s[0]),
        refreshed_every_s=refresh,
        keeps_for_s=keeps_s,
        travel=travel,
        flags=("opens", "closes", "shut", "wide")[: 2 + len(places)],
        known_at=places,
    )
    evidence = list(_polled(r, contacts, truth, traits, 1 / calm**2))
    s, width = start + r.uniform(2, 8), r.choice([0.0, 0.0, 0.03, 0.3])
    before = r.random() * width
    return Case(traits, evidence, question(r, truth, s), Window(s - before, s - before + width), s, truth)
