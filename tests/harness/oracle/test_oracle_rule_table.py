"""A second oracle, a small rule table stepped ten times a second, agrees with the first on random weather."""

from __future__ import annotations

from collections import deque
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof.oracle.oracle import expected
from ventproof.oracle.timeline import WeatherChange
from ventproof.table.load import load_table

TABLE = load_table(Path(__file__).parents[3] / "bench" / "files" / "mock-overrides.yaml").model
TICK_S = 0.1
OPEN = {"roof": 92, "side": 88}

# What the shipped table says, written out once more by hand: seconds to begin, seconds to end, positions.
RULES = {
    "rain": (2.05, 30.05, {"roof": 8, "side": 45}),
    "gale": (2, 60, {"roof": 0, "side": 10}),
    "frost": (10, 60, {"roof": 2, "side": 0}),
    "failure": (0, 0, {"roof": 30, "side": 30}),
}


class Delayed:
    """A yes that comes so many ticks after its cause, and goes so many ticks after it."""

    def __init__(self, on_s, off_s):
        self.on_s, self.off_s, self.yes, self.differs = on_s, off_s, False, 0

    def tick(self, cause):
        """Let a tenth of a second pass with this cause."""
        self.differs = self.differs + 1 if cause != self.yes else 0
        if self.differs and (self.differs - 1) * TICK_S >= (self.on_s if cause else self.off_s) - 1e-9:
            self.yes, self.differs = cause, 0
        return self.yes


class Stepped:
    """The unit, tick by tick."""

    def __init__(self):
        self.rain, self.wind, self.outside = False, 0.0, 10.0
        self.house_failing = False
        self.winds = deque([0.0] * 30, maxlen=30)
        self.gale = self.frost = False
        self.failed = Delayed(2, 10)
        self.delays = {name: Delayed(on_s, off_s) for name, (on_s, off_s, _) in RULES.items()}
        self.targets = dict(OPEN)
        self.active = set()

    def take(self, change):
        """Take a change at the terminals."""
        match change.kind:
            case "contact":
                self.rain = bool(change.value)
            case "wind":
                self.wind = change.value
            case "level":
                self.outside = change.value
            case "failed":
                self.house_failing = bool(change.value)

    def tick(self):
        """Let a tenth of a second pass."""
        self.winds.append(self.wind)
        mean = sum(self.winds) / 30
        self.gale = mean >= 12 if not self.gale else mean > 9
        self.frost = self.outside <= 2 if not self.frost else self.outside < 3
        calls = {
            "rain": self.rain,
            "gale": self.gale,
            "frost": self.frost,
            "failure": self.failed.tick(self.house_failing),
        }
        active = {name for name, delay in self.delays.items() if delay.tick(calls[name])}
        for vent, stage in OPEN.items():
            wanted = min([stage, *(RULES[name][2][vent] for name in active)])
            # While one of those from before is still active nothing opens.
            self.targets[vent] = min(wanted, self.targets[vent]) if active & self.active else wanted
        self.active = active


EVENTS = st.one_of(
    st.tuples(st.just("contact"), st.just("rain"), st.sampled_from([0.0, 1.0])),
    st.tuples(st.just("wind"), st.just("cups"), st.sampled_from([0.0, 5.0, 10.5, 14.0])),
    st.tuples(st.just("level"), st.just("outside_temperature"), st.sampled_from([10.0, 2.5, -1.0])),
    st.tuples(st.just("failed"), st.just("house_thermometer"), st.sampled_from([0.0, 1.0])),
)


def compare(story):
    """Play a story to both; return how many looks were certain, how many there were, and what disagrees."""
    weather, at_s = [], 10.0
    for gap_s, (kind, name, value) in story:
        at_s += gap_s
        weather.append(WeatherChange(at_s, kind, name, value))
    until_s = at_s + 150
    owed = expected(TABLE, weather, until_s)
    unit, coming = Stepped(), deque(weather)
    certain, looks, wrong = 0, 0, []
    for number in range(int(until_s / TICK_S)):
        now_s = number * TICK_S
        while coming and coming[0].at_s <= now_s + 1e-9:
            unit.take(coming.popleft())
        unit.tick()
        for name, said in owed.active(now_s).items():
            looks, certain = looks + 1, certain + (said != "open")
            if said != "open" and (name in unit.active) != (said == "yes"):
                wrong.append((now_s, name, said))
        settled = not coming or coming[0].at_s - now_s < 0.5
        for vent, travel in owed.vents.items():
            target = travel.target(now_s)
            if settled and target.low == target.high and target.high != unit.targets[vent]:
                wrong.append((now_s, vent, target, unit.targets[vent]))
    return certain / looks, wrong


@settings(max_examples=8, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 40), EVENTS), max_size=10))
def test_both_say_the_same_overrides_in_fast_weather(story):
    """Wherever the first oracle is certain of an override the second says the same."""
    _, wrong = compare([(gap_s, event) for gap_s, event in story])
    assert [miss for miss in wrong if len(miss) == 3] == []


@settings(max_examples=8, deadline=None)
@given(st.lists(st.tuples(st.integers(140, 200), EVENTS), max_size=6))
def test_both_send_the_vents_to_the_same_places_in_slow_weather(story):
    """With time to come to rest between two changes both give the same targets, and hardly anything is left open."""
    certain, wrong = compare(story)
    assert wrong == []
    assert certain > 0.97
