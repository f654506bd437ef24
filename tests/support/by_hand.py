"""Benches on which played people do and read everything, beside a mock unit of known truth; and profiles for them."""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field

from judge_cases import Truth

from ventproof.case.case import case_of
from ventproof.case.demand import formula_of
from ventproof.log.events import Header
from ventproof.profile.bind import bind
from ventproof.profile.load import read_profile
from ventproof.run.engine import Engine
from ventproof.run.played_people import peopled
from ventproof_bench.base.clock import now_s
from ventproof_bench.base.clock import run as run_loop
from ventproof_bench.benchcheck.load import read_bench

LAMP_S = 0.02
"""How exactly it is known when the lamp changed."""

BENCH = """
bench: by hand, played
people:
  roof: &person
    answers_in: {slow}
    reaction: {reaction}
    played: {{answers_after: [{quick}, {slow}], unsure: {unsure}}}
  cabinet: *person
outputs:
  rain:
    driver: person
    wired: {{who: roof, ready: Take the wet cloth., closed: Wet it., open: Dry it., mock: rain}}
signals:
  roof_vent: {{read_by: roof, asks: How far?, unit: "%", resolution: {resolution}, full_travel: {travel}, mock: roof}}
  rain_override: {{read_by: cabinet, asks: Is the lamp on?, unit: flag, keeps_for: {keeps}, mock: rain}}
mock:
  vents: {{roof: {{full_travel: {travel}, dead_time: 500 ms, stages: [30 %, 60 %, 90 %]}}}}
  house: {{temperature: 30 °C, stage_at: [22 °C, 25 °C, 28 °C], hysteresis: 1 °C}}
  rain: {{debounce: 50 ms, entry_delay: {entry}, release_delay: {release}, positions: {{roof: 10 %}}}}
"""

PROFILE = """
profile: rain by hand
needs: {{outputs: {{rain: contact}}, signals: {{roof_vent: "%", rain_override: flag}}}}
start:
  set: {{rain: open}}
  until:
    - {{signal: roof_vent, reaches: 90 %, tolerance: 12 %, within: 900 s}}
    - {{signal: rain_override, equals: off, within: 300 s}}
steps:
  - step: rain
    do: [close: rain]
    expect:
      - {{signal: rain_override, equals: on, within: {lamp}}}
      - {{signal: roof_vent, reaches: 10 %, tolerance: {tolerance}, within: {within}, holds: {holds}}}
  - step: dry
    do: [open: rain]
    expect:
      - {{signal: rain_override, unchanged: {{for: {unchanged}}}}}
      - {{signal: roof_vent, returns: 90 %, tolerance: {tolerance}, not_before: {not_before}, within: {back}}}
"""


@dataclass
class Played:
    """A run by played people: its events, what was found, and what was true."""

    events: list = field(default_factory=list)
    outcome: object = None
    results: list = field(default_factory=list)
    vent: Truth | None = None
    lamp: Truth | None = None
    acts: list = field(default_factory=list)

    def formula(self, result):
        """Return the formula of a result, from its profile's response."""
        return self._formulas[result.step, result.number]


def drawn(seed):
    """Return random settings of bench and profile, deadlines near to what a right unit takes."""
    r = random.Random(f"by hand {seed}")
    travel = r.choice([120, 300])
    entry, release = r.uniform(1, 10), r.uniform(30, 90)
    quick = r.choice([0.5, 2.0])
    slow = quick + r.choice([1.0, 3.0, 6.0])
    rate = 100 / travel
    arrives = entry + 80 / rate
    back = release + 80 / rate
    return {
        "travel": f"{travel} s",
        "entry": f"{entry:.2f} s",
        "release": f"{release:.2f} s",
        "quick": f"{quick} s",
        "slow": f"{slow} s",
        "reaction": f"{r.choice([0.2, 1.0, 2.0])} s",
        "resolution": f"{r.choice([1, 5, 10])} %",
        "unsure": r.choice([0, 0, 0.1]),
        "keeps": f"{r.choice([15, 25])} s",
        "lamp": f"{max(1.0, entry + r.choice([-5, 10, 20, 30])):.2f} s",
        "tolerance": f"{r.choice([5, 10, 15])} %",
        "within": f"{arrives + r.choice([-30, -10, 10, 30]):.2f} s",
        "holds": f"{r.choice([0, 20, 60])} s",
        "unchanged": f"{max(5.0, release + r.choice([-25, -10, 10])):.2f} s",
        "not_before": f"{max(0.0, back - r.choice([60, 20, 5, -10])):.2f} s",
        "back": f"{back + r.choice([15, 30, 60]):.2f} s",
    }


def played(seed, *, settings=None):
    """Run the profile on the bench in virtual time, drawn by a seed."""
    told = drawn(seed) | (settings or {})
    bench = read_bench("bench", BENCH.format(**told))
    profile = read_profile("profile", PROFILE.format(**told))
    bound, shown = bind(profile, bench, {}), Played()

    async def main():
        case, origin_s = case_of(bound), now_s()
        rig, prompts = peopled(bench.model, seed=seed)
        moved, lamps = [], [(0.0, 0.0)]
        give = rig.mock.set_contact

        def moves(name, now_s, *, closed):
            moved.append((now_s, closed))
            give(name, now_s, closed=closed)

        rig.mock.set_contact = moves

        async def watch_the_lamp():
            while True:
                rig.mock.advance(now_s())
                lit = float("rain" in rig.mock.active)
                if lit != lamps[-1][1]:
                    lamps.append((now_s() - origin_s, lit))
                await asyncio.sleep(LAMP_S)

        engine = Engine(
            profile.model,
            rig,
            case,
            record=shown.events.append,
            prompts=prompts,
            output_names=bound.outputs,
        )
        watching = asyncio.ensure_future(watch_the_lamp())
        shown.outcome = await engine.run(Header())
        watching.cancel()
        shown.results = case.results
        course = rig.mock.truth("roof")
        shown.vent = Truth([t - origin_s for t, _ in course], [x for _, x in course])
        shown.lamp = Truth([t for t, _ in lamps], [x for _, x in lamps], steps=True)
        shown.acts = [(t - origin_s, closed) for t, closed in moved]

    run_loop(main(), virtual=True)
    steps = [profile.model.start.until, *(step.expect for step in profile.model.steps)]
    shown._formulas = {
        (number, index): formula_of(response, {})
        for number, expect in enumerate(steps)
        for index, response in enumerate(expect)
    }
    return shown
