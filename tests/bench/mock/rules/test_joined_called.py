"""Which rules are called for: contacts in either state, what must hold together, and what each alone calls for."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from ventproof_bench.base.quantities import parse
from ventproof_bench.mock.faults.behaviour import HEALTHY
from ventproof_bench.mock.rules.joined import Joins
from ventproof_bench.mock.rules.settling import Threshold
from ventproof_bench.mock.rules.terms import (
    ActiveTerm,
    ColdTerm,
    ContactTerm,
    FailedTerm,
    RainTerm,
    SilentTerm,
    TogetherTerm,
    WindTerm,
)

COLD = ColdTerm(outside_below=parse("1.5 °C"), hysteresis=parse("1 °C"))
WIND = WindTerm(wind_over="2 min", at=parse("9 m/s"), hysteresis=parse("2 m/s"))


RAIN = RainTerm(rain_from=parse("20 mm/h"), hysteresis=parse("8 mm/h"))


def joins(*when, failed=frozenset(), active=frozenset(), silent=False, behaviour=HEALTHY):
    """Return what one rule waits for, and the threshold of its wind or rain."""
    beyond = Threshold(9.0, 7.0, rising=True)
    made = Joins(
        {"it": when},
        behaviour,
        0.0,
        beyond=lambda _: beyond,
        silent=lambda _: lambda: silent,
        failed=lambda name: name in failed,
        active=lambda name: name in active,
    )
    return made, beyond


def settle(made):
    """Let every contact follow."""
    for settling in made.settling:
        if settling.pending:
            settling.fire()


@pytest.mark.parametrize("state", ["open", "closed"])
def test_a_contact_counts_in_its_state(state):
    """One that counts when it is open does so from power-up, until it is closed."""
    made, _ = joins(ContactTerm(contact="loop", state=state, debounce="1 s"))
    settle(made)
    assert made.called() == {"it": state == "open"}
    made.contact("loop", 5.0, closed=True)
    settle(made)
    assert made.called() == {"it": state == "closed"}


@pytest.mark.parametrize(("wet", "celsius"), list(product([False, True], [-3.0, 1.5, 1.6, 9.0])))
def test_what_must_hold_together_does(wet, celsius):
    """Wet and cold, and neither alone."""
    made, _ = joins(TogetherTerm(all=[ContactTerm(contact="snow"), COLD]))
    made.outside(celsius)
    made.contact("snow", 1.0, closed=wet)
    settle(made)
    assert made.called() == {"it": wet and celsius <= 1.5}


def test_each_alternative_calls_alone():
    """A mean wind, or a failed sensor."""
    made, wind = joins(WIND, FailedTerm(failed="outside"))
    assert made.called() == {"it": False}
    wind.judge(9.5)
    assert made.called() == {"it": True}
    made, _ = joins(WIND, FailedTerm(failed="outside"), failed={"outside"})
    assert made.called() == {"it": True}


def test_cold_has_its_hysteresis():
    """It lasts to a degree above where it began."""
    made, _ = joins(COLD)
    states = []
    for celsius in (3.0, 1.4, 2.4, 2.5, 2.0):
        made.outside(celsius)
        states.append(made.called()["it"])
    assert states == [False, True, True, False, False]


@pytest.mark.parametrize("silent", [False, True])
def test_rain_and_a_silent_bus_hold_together(silent):
    """Neither calls alone."""
    made, rain = joins(TogetherTerm(all=[RAIN, SilentTerm(bus_silent="40 s")]), silent=silent)
    assert made.called() == {"it": False}
    rain.judge(9.5)
    assert made.called() == {"it": silent}


def test_another_override_calls_while_it_is_active():
    """A unit with the fault takes no notice of it."""
    follows = ActiveTerm(active="gale")
    assert joins(follows)[0].called() == {"it": False}
    assert joins(follows, active={"gale"})[0].called() == {"it": True}
    deaf = replace(HEALTHY, references_heeded=False)
    assert joins(follows, active={"gale"}, behaviour=deaf)[0].called() == {"it": False}
