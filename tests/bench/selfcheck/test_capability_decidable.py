"""What a bench says that it can decide, worked by hand."""

from __future__ import annotations

import pytest

from ventproof_bench.base.evidence import SignalTraits
from ventproof_bench.base.uncertainty import Component, scatter
from ventproof_bench.benchfile.model import BenchFile
from ventproof_bench.selfcheck.capability import decidable, shortfalls
from ventproof_bench.selfcheck.measure import BusMeasured, Quantiles
from ventproof_bench.selfcheck.procedure import Measured

EVERY_S, TRIP_S, REFRESH_S, STIMULUS_S = 0.1, 0.006, 0.2, 0.011


def bus(age_s=EVERY_S + TRIP_S):
    spans = Quantiles(count=9, median_s=TRIP_S, p95_s=TRIP_S, p99_s=TRIP_S, worst_s=TRIP_S)
    return BusMeasured(
        bus="unit",
        round_trip=spans,
        late=spans,
        jitter=scatter("poll jitter", [0.1, 0.1, 0.1001]),
        gaps=0,
        age_s=age_s,
    )


def decide(**traits):
    return decidable(
        SignalTraits(name="vent", **traits),
        bus(),
        every_s=EVERY_S,
        refresh_s=REFRESH_S,
        stimulus_s=STIMULUS_S,
        step=0.1,
    )


def test_a_position_has_a_tolerance_and_a_deadline():
    """2e + r·G/2 and G + S + 2e/r, worked by hand: e 0.25, r 3.5, G 0.306, S 0.011."""
    one = decide(unit="%", error=0.25, rate_per_s=3.5)
    assert one.tolerance == pytest.approx(1.0355)
    assert one.deadline_s == pytest.approx(0.459857, abs=1e-6)
    assert one.lacks == ""


def test_budgets_hold_their_parts():
    """Resolution 0.1 and accuracy 0.2: u = √(0.1²/12 + 0.2²/3); a time's parts have the readings' freedom."""
    one = decide(unit="%", error=0.25, rate_per_s=3.5)
    assert one.value.combined == pytest.approx((0.1**2 / 12 + 0.2**2 / 3) ** 0.5)
    assert [part.what for part in one.instant.components][:2] == ["between two polls", "poll jitter"]
    assert one.instant.components[1].freedom == 2
    assert one.instant.freedom > 1e6  # jitter is next to nothing beside the polls


@pytest.mark.parametrize(
    ("traits", "lacks"),
    [
        ({"unit": "°C"}, "full_travel and range"),
        ({"unit": "flag"}, "keeps_for of more than 0.306 s"),
        ({"unit": "flag", "keeps_for_s": 0.3}, "keeps_for of more than 0.306 s"),
        ({"unit": "flag", "keeps_for_s": 1.0}, ""),
        ({"unit": "count"}, ""),
    ],
)
def test_what_is_lacking_is_named(traits, lacks):
    """Where nothing bounds a value between two readings nothing can be decided, and what to declare is said."""
    one = decide(**traits)
    assert one.lacks.startswith(lacks)
    assert (one.tolerance is None) == bool(lacks)


def test_units_differ_from_normal_components_by_their_divisors():
    """A component of readings is its own standard uncertainty."""
    assert Component(what="", distribution="normal", half_width=0.3).standard == 0.3


@pytest.mark.parametrize(
    ("silence_s", "limit", "short"), [(0.9, "2 s", False), (1.1, "2 s", True), (1.1, "3 s", False)]
)
def test_a_harness_that_is_silent_for_half_of_its_limit_is_told(silence_s, limit, short):
    """Overload shows in the self-check, before it ends a profile; the sentence says what to do."""
    file = BenchFile.model_validate(
        {
            "bench": "busy",
            "heartbeat_limit": limit,
            "buses": {"unit": {"link": "in-process"}},
            "outputs": {"rain": {"driver": "mock"}},
            "signals": {
                "wet": {"bus": "unit", "table": "discrete", "address": 0, "type": "bit", "unit": "flag"}
            },
        }
    )
    said = [text for text in shortfalls(file, Measured(silence_s=silence_s)) if "heartbeat_limit" in text]
    assert bool(said) is short
