"""Cases for the judge told as stories: what a vent, a flag or a counter did, how the bus brought it, what is asked.

Written from the meaning of the demands alone, without a look at how the judge decides. A story is drawn in this order:
the scene (stimulus, polling, what is declared), the course, a demand whose limit lies on purpose beside what the course
did, and the readings, with the holes where they hurt most.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from judge_cases import Case, Truth, drift_of, runs_in

from ventproof.deciders import formulas as f
from ventproof_bench.base.evidence import Gap, GapReason, Sample, SignalTraits, Window

HAIR = 4e-5  # nearest that a limit lies to the course: more than a case is forgiven
SHORTEST_S = 0.05  # of spans that say how long: a span of no length demands nothing of a course
LEAD_S = 30.0  # a course is drawn from so long before the stimulus
REASONS: tuple[GapReason, ...] = ("restart", "timeout", "exception", "disconnected", "mismatch", "idle")


@dataclass(frozen=True, slots=True)
class Scene:
    """What is settled before anything moves."""

    r: random.Random
    s: float
    stimulus: Window
    period_s: float
    reply_s: float
    step: float
    traits: SignalTraits
    ticks: bool  # all on one clock: what happens does so as the bus reads

    def beside_s(self) -> float:
        """Return how far a limit lies from the instant of the course that it is about; less than 0: before it."""
        width_s = self.stimulus.latest_s - self.stimulus.earliest_s
        return self._beside(self.period_s + self.reply_s + self.traits.refreshed_every_s + width_s)

    def beside(self) -> float:
        """Return how far a limit lies from the value of the course that it is about; less than 0: below it."""
        rate = self.traits.rate_per_s or 1.0
        return self._beside(
            2 * self.traits.error + rate * (self.period_s / 2 + self.traits.refreshed_every_s)
        )

    def tick(self, t: float) -> float:
        """Return the nearest multiple of the poll interval where all is on one clock, else the time itself."""
        return round(t / self.period_s) * self.period_s if self.ticks else t

    def _beside(self, blur: float) -> float:
        size = self.r.choice((0.0, 0.5, 2.0, 5.0, 8.0)) * blur * self.r.uniform(0.6, 1.0)
        return self.r.choice((-1, 1)) * (HAIR + size)


def _scene(r: random.Random, unit: str) -> Scene:
    period_s = r.choice((r.uniform(0.25, 0.7), r.uniform(0.25, 0.7), 0.5, 1.0, r.uniform(1.0, 4.0)))
    width_s = r.choice((0.0, 0.0, 0.02, 0.02, 0.05, 0.3, r.uniform(0.5, 5.0)))
    begin_s = r.choice((50.0, 3_600.0, 40_000.0, 600_000.0)) + r.uniform(0.0, 10.0)
    refreshed_s = r.choice((0.0, 0.0, 0.0, 0.1, 0.5 * period_s, period_s, 1.5 * period_s))
    reply_s = r.choice((0.0, 0.005, 0.02, 0.02, 0.1 * period_s, 0.95 * period_s))
    ticks = r.random() < 0.15
    if ticks:
        begin_s, period_s, refreshed_s = round(begin_s), r.choice((0.25, 0.5, 1.0)), r.choice((0.0, 0.0, 0.5))
        width_s, reply_s = r.choice((0.0, 0.0, period_s)), r.choice((0.0, 0.0, 0.25))
    s = begin_s + width_s * r.choice((0.0, 1.0, r.random(), r.random()))
    rate, step, error, keeps_s = None, 0.0, 0.0, None
    if unit == "%":
        rate = r.choice((0.8, 1.0, 3.3, 10.0, r.uniform(0.5, 20.0), None if r.random() < 0.1 else 2.0))
        step = r.choice((0.0, 0.1, 0.1, 0.5, 1.0))
        error = step / 2 + r.choice((0.0, 0.0, 0.2, r.uniform(0.0, 1.0)))
    elif r.random() < 0.85:
        apart_s = period_s + refreshed_s
        keeps_s = r.choice((1.05 * apart_s, 3.0 * apart_s, 5.0 * apart_s, r.uniform(0.1, 8.0)))
    wraps_at = r.choice((None, 2**16, 2**32)) if unit == "count" else None
    traits = SignalTraits(
        name="told",
        unit=unit,
        error=error,
        rate_per_s=rate,
        refreshed_every_s=refreshed_s,
        keeps_for_s=keeps_s,
        wraps_at=wraps_at,
    )
    return Scene(r, s, Window(begin_s, begin_s + width_s), period_s, reply_s, step, traits, ticks)


class Pen:
    """Draws the course of a vent, never faster than its drive."""

    def __init__(self, r: random.Random, t: float, x: float, rate: float) -> None:
        """Begin at rest."""
        self.r, self.rate = r, rate
        self.ts, self.xs = [t], [x]

    def wait(self, span_s: float) -> None:
        """Stand still."""
        if span_s > 1e-6:
            self.ts.append(self.ts[-1] + span_s)
            self.xs.append(self.xs[-1])

    def to(self, goal: float, haste: float = 1.0) -> None:
        """Travel to a goal at a share of the greatest rate."""
        way = abs(goal - self.xs[-1])
        if way > 1e-6 * self.rate:
            self.ts.append(self.ts[-1] + way / (haste * self.rate))
            self.xs.append(goal)


def _straight(pen: Pen, goal: float) -> None:
    pen.to(goal, pen.r.choice((1.0, 1.0, 0.93, pen.r.uniform(0.2, 1.0))))


def _sticks(pen: Pen, goal: float) -> None:
    pen.to(pen.xs[-1] + pen.r.uniform(0.2, 0.9) * (goal - pen.xs[-1]))
    pen.wait(pen.r.uniform(0.3, 6.0))
    if pen.r.random() < 0.7:
        pen.to(goal)


def _bounces(pen: Pen, goal: float) -> None:
    back = pen.r.uniform(0.02, 0.2) * (pen.xs[-1] - goal)
    pen.to(goal)
    for _ in range(3):
        pen.to(goal + back)
        pen.to(goal)
        back *= 0.4


def _settles(pen: Pen, goal: float) -> None:
    over = pen.r.uniform(0.05, 0.4) * (goal - pen.xs[-1])
    for _ in range(4):
        pen.to(goal + over, pen.r.choice((1.0, 0.7)))
        over *= -pen.r.uniform(0.3, 0.7)
    pen.to(goal, 0.3)


def _turns_back(pen: Pen, goal: float) -> None:
    begin = pen.xs[-1]
    pen.to(goal)
    pen.wait(pen.r.choice((0.0, 0.0, pen.r.uniform(0.0, 3.0))))
    pen.to(begin + pen.r.uniform(-0.2, 0.9) * (goal - begin))


def _visits(pen: Pen, goal: float) -> None:
    begin = pen.xs[-1]
    pen.to(goal)
    pen.wait(pen.r.uniform(1.0, 8.0))
    pen.to(begin)
    pen.wait(pen.r.uniform(0.5, 3.0))
    pen.to(goal, 0.9)


def _creeps(pen: Pen, goal: float) -> None:
    slow = pen.r.choice((0.02, 0.1, 0.3))
    pen.to(pen.xs[-1] + min(1.0, 3 * slow) * (goal - pen.xs[-1]), slow)


def _stairs(pen: Pen, goal: float) -> None:
    begin, steps = pen.xs[-1], pen.r.randint(2, 6)
    for k in range(1, steps + 1):
        pen.to(begin + (goal - begin) * k / steps)
        pen.wait(pen.r.choice((0.2, 0.7, pen.r.uniform(0.1, 2.0))))


def _hunts(pen: Pen, goal: float) -> None:
    middle = pen.xs[-1]
    swing = 0.1 * (goal - middle) * pen.r.random()
    for k in range(8):
        pen.to(middle + (swing if k % 2 else -swing), pen.r.choice((1.0, 0.5)))


def _rests(pen: Pen, goal: float) -> None:
    if pen.r.random() < 0.5:
        pen.wait(pen.r.uniform(5.0, 15.0))
        pen.to(goal)


PLOTS = (
    _straight,
    _straight,
    _sticks,
    _bounces,
    _settles,
    _turns_back,
    _visits,
    _creeps,
    _stairs,
    _hunts,
    _rests,
)
ARRIVES = (_straight, _straight, _straight, _sticks, _bounces, _settles, _visits, _stairs)


def _vent(scene: Scene, plots: tuple[Callable[[Pen, float], None], ...] = PLOTS) -> tuple[Truth, float]:
    """Return what a vent did, and where it was sent."""
    r, rate = scene.r, scene.traits.rate_per_s or 2.0
    step = scene.step or 0.1
    begin = r.choice((0.0, 50.0, 100.0, step * (r.randint(5, 90) + 0.5), r.uniform(0.0, 100.0)))
    goal = begin + r.choice((-1, 1)) * min(80.0, rate * r.uniform(2.0, 12.0))
    pen = Pen(r, scene.s - LEAD_S, begin, rate)
    late_s = r.choice((0.0, r.uniform(0.0, 1.0), r.uniform(0.0, 4.0), -r.uniform(0.0, 2.0)))
    if scene.ticks:
        late_s, goal = scene.tick(late_s), begin + round(goal - begin)
    if r.random() < 0.15:  # on the move already: comes to a stop, or turns, as the stimulus comes
        from_ = begin + r.choice((-1, 1)) * rate * r.uniform(1.0, 6.0)
        pen.xs[0] = from_
        pen.wait(LEAD_S + r.choice((0.0, late_s)) - abs(begin - from_) / rate)
        pen.to(begin)
        if r.random() < 0.5:
            pen.wait(scene.s + late_s - pen.ts[-1])
    else:
        pen.wait(LEAD_S + late_s)
    r.choice(plots)(pen, goal)
    return Truth(pen.ts, pen.xs), goal


def _span_s(scene: Scene, truth: Truth) -> float:
    """Return a span that ends where something happens, at a knot of the course, or anywhere."""
    last_s = max(1.0, truth.ts[-1] - scene.s)
    knot_s = scene.r.choice(truth.ts) - scene.s
    chosen_s = scene.r.choice((knot_s, last_s, scene.r.uniform(0.2, 1.3) * last_s)) + scene.beside_s()
    return min(max(SHORTEST_S, chosen_s), 40.0)


def _about(scene: Scene, size: float) -> float:
    """Return a size just beside this one, or well below; sometimes 0, never less."""
    if scene.r.random() < 0.25:
        return max(0.0, size) * scene.r.uniform(0.0, 0.6)
    about = size + scene.beside()
    return abs(about) if scene.r.random() < 0.9 else max(0.0, about)


Told = tuple[Truth, Any, float]
"""A course, a demand, and the last instant that the demand is about."""


def _reaches(scene: Scene) -> Told:
    r, s = scene.r, scene.s
    truth, goal = _vent(scene)
    tolerance = r.choice((0.5, 2.0, r.uniform(0.1, 5.0))) + r.choice((0.0, scene.traits.error))
    target = r.choice(
        (goal, goal, goal + r.choice((-1, 1)) * (tolerance + scene.beside()), r.choice(truth.xs))
    )
    within_s, holds_s = _span_s(scene, truth), r.choice((0.0, 0.0, r.uniform(0.0, 8.0)))
    runs = runs_in(truth, s, s + 40.0, target - tolerance, target + tolerance)
    if runs:
        begin_s, end_s = r.choice((runs[0], r.choice(runs)))
        if r.random() < 0.5 and end_s < s + 39.0:
            holds_s = max(0.0, end_s - begin_s + scene.beside_s())
            within_s = max(0.0, begin_s - s + r.choice((abs(scene.beside_s()), scene.beside_s())))
        else:
            within_s = max(0.0, begin_s - s + scene.beside_s())
    return truth, f.ReachesFormula(target, tolerance, within_s, holds_s), s + within_s + holds_s


def _stays(scene: Scene) -> Told:
    r = scene.r
    truth, _ = _vent(scene)
    for_s = _span_s(scene, truth)
    values = [x for _, x in truth.between(scene.s, scene.s + for_s)]
    low, high = min(values) - scene.beside(), max(values) + scene.beside()
    open_ended = r.random()
    bounds = (min(low, high), max(low, high))
    if open_ended < 0.6:
        bounds = (None, high) if open_ended < 0.3 else (low, None)
    return truth, f.StaysFormula(*bounds, for_s), scene.s + for_s


def _returns(scene: Scene) -> Told:
    r, s = scene.r, scene.s
    truth, goal = _vent(scene, (_straight, _turns_back, _visits, _visits, _settles, _sticks, _bounces))
    tolerance = r.uniform(0.3, 3.0) + scene.traits.error
    target = r.choice((truth.xs[0], goal, goal, goal + r.choice((-1, 1)) * (tolerance + scene.beside())))
    runs = runs_in(truth, s, s + 40.0, target - tolerance, target + tolerance)
    came_s = runs[0][0] - s if runs else _span_s(scene, truth)
    if r.random() < 0.3:
        not_before_s = max(0.0, r.choice((0.0, came_s + scene.beside_s())))
        within_s = not_before_s + r.uniform(0.0, 10.0)
    else:
        within_s = max(0.0, came_s + scene.beside_s())
        not_before_s = within_s * r.choice((0.0, r.uniform(0.0, 0.9), 1.0))
    return truth, f.ReturnsFormula(target, tolerance, not_before_s, within_s), s + within_s


def _gone_s(truth: Truth, s: float, by: float) -> float | None:
    """Return after how long the course was `by` away from where it was at s."""
    x = truth.at(s)
    points = truth.crossings(s, s + 40.0, (x - by, x + by))
    return next((t - s for t, v in points if abs(v - x) >= by - 1e-9), None)


def _change(scene: Scene, truth: Truth) -> tuple[float, float]:
    """Return a change and a span, one of them just beside what the course did in the other."""
    by = abs(scene.beside())
    gone_s = _gone_s(truth, scene.s, by)
    if gone_s is not None and scene.r.random() < 0.5:
        return by, max(SHORTEST_S, gone_s + scene.beside_s())
    span_s = _span_s(scene, truth)
    return _about(scene, drift_of(truth, scene.s, span_s)), span_s


def _starts(scene: Scene) -> Told:
    truth, _ = _vent(scene)
    by, within_s = _change(scene, truth)
    return truth, f.StartsMovingFormula(by, within_s), scene.s + within_s


def _unchanged(scene: Scene) -> Told:
    if scene.traits.unit != "%":
        truth = _pulses(scene, 6.0) if scene.traits.unit == "count" else _flag(scene, 6.0)
        changed_s = next((t - scene.s for t in truth.ts if t > scene.s), 8.0)
        for_s = min(20.0, max(SHORTEST_S, scene.r.choice((changed_s, 6.0)) + scene.beside_s()))
        return truth, f.UnchangedFormula(None, for_s), scene.s + for_s
    truth, _ = _vent(scene)
    tolerance, for_s = _change(scene, truth)
    return truth, f.UnchangedFormula(tolerance, for_s), scene.s + for_s


def _overshoots(scene: Scene) -> Told:
    truth, goal = _vent(scene, (_settles, _settles, _bounces, *PLOTS))
    for_s, x = _span_s(scene, truth), truth.at(scene.s)
    target = scene.r.choice((goal, goal, x + scene.beside()))
    values = [v for _, v in truth.between(scene.s, scene.s + for_s)]
    beyond = max(values) - target if x <= target else target - min(values)
    return truth, f.OvershootsAtMostFormula(_about(scene, beyond), target, for_s), scene.s + for_s


def _reverses(scene: Scene) -> Told:
    truth, _ = _vent(scene, (_settles, _turns_back, _bounces, _hunts, *PLOTS))
    for_s = _span_s(scene, truth)
    values = [v for _, v in truth.between(scene.s, scene.s + for_s)]
    top, bottom, fall, rise = values[0], values[0], 0.0, 0.0
    for v in values:
        top, bottom = max(top, v), min(bottom, v)
        fall, rise = max(fall, top - v), max(rise, v - bottom)
    return truth, f.NeverReversesFormula(_about(scene, min(fall, rise)), for_s), scene.s + for_s


def _moves(scene: Scene) -> Told:
    r, s = scene.r, scene.s
    truth, goal = _vent(scene, ARRIVES)
    share = r.choice((1.0, 1.0, 1.0, r.uniform(0.3, 1.1), r.uniform(-1.0, 1.5)))
    target = truth.at(s) + share * (goal - truth.at(s))
    way = target - truth.at(s)
    levels = truth.at(s) + 0.1 * way, truth.at(s) + 0.9 * way
    points = truth.crossings(s, s + 40.0, levels)
    first = [next((t for t, v in points if (v - y) * way >= -1e-9), None) for y in levels]
    if first[0] is None or first[1] is None or first[1] <= first[0]:
        return truth, f.MovesAtFormula(1.0, 0.5, target, 20.0), s + 20.0
    went = 0.8 * abs(way) / (first[1] - first[0])
    tolerance = went * r.uniform(0.2, 0.9)
    hair = r.choice((-1, 1)) * (HAIR + went * r.choice((0.0, 0.1)))
    off = r.choice(
        (tolerance + hair, tolerance + went * r.uniform(0.3, 1.0), tolerance * r.uniform(0.0, 0.3))
    )
    rate = max(0.0, went + r.choice((-1, 1)) * off)
    within_s = max(0.0, first[1] - s + r.choice((5.0, abs(scene.beside_s()), scene.beside_s())))
    return truth, f.MovesAtFormula(rate, tolerance, target, within_s), s + within_s


def _flag(scene: Scene, span_s: float) -> Truth:
    """Return what a flag or a state did: it keeps a value for as long as declared, often not longer."""
    r, s = scene.r, scene.s
    keeps_s = scene.traits.keeps_for_s or r.uniform(0.2, 2.0)
    hair = r.choice((-1, 1)) * HAIR
    change_s = s + r.choice(
        (hair, span_s + hair, scene.beside_s(), r.uniform(0.0, span_s), r.uniform(0.0, 3.0))
    )
    times = [s + scene.tick(max(change_s - s, -LEAD_S / 6))]
    while len(times) < 6 and r.random() < 0.5:
        times.append(times[-1] + keeps_s * r.choice((1.0, 1.0, r.uniform(1.0, 4.0))))
    while len(times) < 9 and r.random() < 0.4 and times[0] > s - LEAD_S + 4 * keeps_s:
        times.insert(0, times[0] - keeps_s * r.choice((1.0, 1.0, r.uniform(1.0, 4.0))))
    late_s = HAIR if any(abs(t - s) < HAIR / 2 for t in times) else 0.0  # a tie is nobody's error
    x = float(r.randint(0, 1))
    ts, xs = [s - LEAD_S], [x]
    for t in times if r.random() < 0.75 else []:
        x = 1.0 - x if scene.traits.unit == "flag" else (x + r.randint(1, 3)) % 4
        ts.append(t + late_s)
        xs.append(x)
    return Truth(ts, xs, steps=True)


def _equals(scene: Scene) -> Told:
    r, s = scene.r, scene.s
    truth = _flag(scene, 5.0)
    value = r.choice((1.0, r.choice(truth.xs), truth.xs[-1], 2.0))
    came_s = next((t - s for t, x in zip(truth.ts, truth.xs, strict=True) if t > s and x == value), 5.0)
    within_s = min(20.0, max(0.0, r.choice((5.0, came_s, came_s)) + scene.beside_s()))
    return truth, f.EqualsFormula(value, within_s), s + within_s


def _pulses(scene: Scene, span_s: float) -> Truth:
    """Return what a counter did: a train of pulses after the stimulus, at rest before it as a rule."""
    r, s = scene.r, scene.s
    keeps_s = scene.traits.keeps_for_s or r.uniform(0.05, 0.5)
    t = s + max(
        -LEAD_S / 6, r.choice((HAIR, r.uniform(0.0, 2.0), scene.beside_s(), span_s + scene.beside_s()))
    )
    x = float((scene.traits.wraps_at or 70_000) - r.choice((1, 2, 5, 40_000)))
    ts, xs = [s - LEAD_S], [x]
    restart_s = scene.stimulus.earliest_s - 8 * scene.period_s - 3 * scene.traits.refreshed_every_s
    if r.random() < 0.2 and max(s - LEAD_S / 3, ts[0] + keeps_s) < restart_s < t - keeps_s:
        x = 0.0
        ts.append(restart_s)
        xs.append(x)
    for _ in range(r.choice((0, 1, 3, r.randint(1, 12)))):
        x += 1.0
        ts.append(t)
        xs.append(x)
        t += keeps_s * r.choice((1.0, 1.0, r.uniform(1.0, 2.0)))
    return Truth(ts, xs, steps=True)


def _counts(scene: Scene) -> Told:
    r, s = scene.r, scene.s
    truth = _pulses(scene, 6.0)
    rest_s = truth.ts[-1] - s
    within_s = min(20.0, max(SHORTEST_S, rest_s + r.choice((abs(scene.beside_s()), scene.beside_s(), 3.0))))
    counted = round(truth.at(s + within_s) - truth.at(s))
    number = max(0, counted + r.choice((0, 0, 0, 1, -1, 3)))
    return truth, f.CountsFormula(number, within_s), s + within_s


KINDS: tuple[tuple[Callable[[Scene], Told], tuple[str, ...]], ...] = (
    (_reaches, ("%",)),
    (_stays, ("%",)),
    (_returns, ("%",)),
    (_starts, ("%",)),
    (_moves, ("%",)),
    (_overshoots, ("%",)),
    (_reverses, ("%",)),
    (_unchanged, ("%", "%", "flag", "state", "count")),
    (_equals, ("flag", "state")),
    (_counts, ("count",)),
)


def _polls(scene: Scene, end_s: float) -> list[tuple[float, float]]:
    """Return when the bus asked and got its replies, one after the other."""
    r, period_s, reply_s = scene.r, scene.period_s, scene.reply_s
    lead_s = r.choice((2.2, 2.2, 4.0, 12.0)) * (period_s + scene.traits.refreshed_every_s)
    t = scene.stimulus.earliest_s - scene.tick(min(lead_s, LEAD_S / 3) + r.random() * period_s)
    manner, odds = r.choice(("regular", "regular", "jittered", "bunched")), r.random()
    manner = "regular" if scene.ticks else manner
    stop_s = end_s + (2.2 + r.random()) * (period_s + scene.reply_s + scene.traits.refreshed_every_s)
    if odds < 0.05:
        t = scene.stimulus.latest_s + r.uniform(0.0, 2.0) * period_s
    elif odds < 0.08:
        stop_s = end_s - r.random() * (end_s - scene.s)
    polls: list[tuple[float, float]] = []
    free_s = t
    while t < stop_s and len(polls) < 150:
        asked_s = max(free_s, t + (r.uniform(-0.5, 0.5) * period_s if manner == "jittered" else 0.0))
        free_s = asked_s + (reply_s if scene.ticks or r.random() < 0.9 else r.uniform(0.0, 1.5) * period_s)
        polls.append((asked_s, free_s))
        late = manner == "bunched" and len(polls) % 3 == 0
        t += period_s * (2.2 if late else 0.4 if manner == "bunched" else 1.0)
    return polls


def _seen(scene: Scene, truth: Truth) -> Callable[[int, float], float]:
    """Return how the register shows the course at an instant: as good as declared, in one of several manners."""
    r, error, step, wraps_at = scene.r, scene.traits.error, scene.step, scene.traits.wraps_at
    if scene.traits.unit != "%":
        return lambda _, t: truth.at(t) % wraps_at if wraps_at else truth.at(t)
    accuracy, rest = error - step / 2, truth.at(scene.s)
    push = r.choice((-1.0, 0.0, 1.0))
    manners: tuple[Callable[[int, float], float], ...] = (
        lambda _, x: round((x + push * accuracy) / step) * step if step else x,
        lambda _, x: round((x + push * accuracy) / step) * step if step else x + push * error,
        lambda _, x: x + push * error,
        lambda k, x: x + (error if k % 2 else -error),
        lambda _, x: x + r.uniform(-error, error),
        lambda _, x: max(x - error, min(x + error, rest)),  # hides that it moved
        lambda _, x: x + error if x > rest else x - error,  # makes more of it
    )
    manner = r.choice(manners)
    return lambda k, t: manner(k, truth.at(t))


def _read(scene: Scene, truth: Truth, polls: list[tuple[float, float]]) -> list[Sample]:
    """Return the readings: each shows the register as it was last refreshed before the unit read it."""
    r, every_s = scene.r, scene.traits.refreshed_every_s
    age = r.choice(("first", "last", "clock", "clock", "any"))
    phase_s = r.random() * every_s
    seen = _seen(scene, truth)
    samples, past_s = [], scene.s - LEAD_S
    for k, (asked_s, replied_s) in enumerate(polls):
        at_s = asked_s - every_s
        if age == "last":
            at_s = replied_s
        elif age == "any":
            at_s = r.uniform(max(at_s, past_s), replied_s)
        elif age == "clock":
            at_s = r.uniform(asked_s, replied_s)
            if every_s:
                at_s = max(asked_s - every_s, at_s - (at_s - phase_s) % every_s)
        past_s = at_s  # no reading shows what is older than what the one before it showed
        samples.append(Sample(seen(k, at_s), asked_s, replied_s))
    return samples


def _with_hole(scene: Scene, samples: list[Sample], end_s: float) -> list[Sample | Gap]:
    """Return the readings without those around a moment that matters."""
    r = scene.r
    middle_s = r.choice((scene.s, end_s, end_s, r.uniform(scene.s, end_s)))
    half_s = scene.period_s * r.choice((0.6, 1.1, r.uniform(0.5, 4.0)))
    before = [x for x in samples if x.replied_s < middle_s - half_s]
    after = [x for x in samples if x.requested_s > middle_s + half_s]
    if not before or not after:
        return list(samples)
    reasons = REASONS[1:] if scene.traits.unit == "count" else REASONS  # a restart may set a counter anew
    gap = Gap("climate", before[-1].replied_s, after[0].requested_s, r.choice(reasons))
    return [*before, gap, *after]


def _with_withdrawn(scene: Scene, truth: Truth, samples: list[Sample]) -> list[Sample | Gap]:
    """Return the readings with some that proved to be none before anybody asked; untrue where nothing moves."""
    until_s = scene.stimulus.latest_s + 0.4
    first = next((i for i, x in enumerate(samples) if x.replied_s > until_s), 0)
    if first < 2:
        return list(samples)
    begin = scene.r.randrange(1, first)
    from_s = max(samples[begin - 1].replied_s, samples[begin].requested_s - 1e-3)
    if from_s == samples[begin].requested_s:
        return list(samples)
    rests = len({x for _, x in truth.between(truth.ts[0], until_s)}) == 1
    nearest_s = min(b.requested_s - a.replied_s for a, b in pairwise(samples[:first]))
    off = 1.0 if scene.traits.rate_per_s is None else 0.9 * nearest_s * scene.traits.rate_per_s
    off = off if rests else 0.0
    false = [Sample(x.value + off, x.requested_s, x.replied_s) for x in samples[begin:first]]
    gap = Gap("climate", from_s, false[-1].replied_s, "withdrawn")
    return [*samples[:begin], *false, gap, *samples[first:]]


def story_case(seed: int) -> Case:
    """Tell one story; every ten seeds have a story of each kind of demand."""
    r = random.Random(seed)
    tell, units = KINDS[seed % len(KINDS)]
    scene = _scene(r, r.choice(units))
    truth, formula, end_s = tell(scene)
    samples = _read(scene, truth, _polls(scene, end_s))
    evidence: list[Sample | Gap] = list(samples)
    accident = r.random()
    if accident < 0.2:
        evidence = _with_hole(scene, samples, end_s)
    elif accident < 0.25 and not isinstance(formula, f.CountsFormula):
        evidence = _with_withdrawn(scene, truth, samples)
    return Case(scene.traits, evidence, formula, scene.stimulus, scene.s, truth)
