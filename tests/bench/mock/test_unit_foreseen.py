"""For how long a unit says that it will show what it shows."""

from contextlib import suppress
from functools import cache
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

import ventproof_bench
from ventproof_bench.mock.faults.behaviour import HEALTHY
from ventproof_bench.mock.faults.catalogue import CATALOGUE, behaviour_with
from ventproof_bench.mock.registers import RefusedError, SilentError
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import MockUnit

T0 = 1000.0
LEVELS = [3.0, 4.0, 7.5, 9.6, 12.0, 16.0, 20.0, 21.5, 180.0, 920.0, 1000.0, 1040.0, 1100.0, 1400.0]
ACTS = st.one_of(
    st.tuples(st.just("contact"), st.integers(0, 9), st.booleans()),
    st.tuples(st.just("level"), st.integers(0, 9), st.sampled_from(LEVELS)),
    st.tuples(st.just("write"), st.integers(0, 3), st.integers(0, 330)),
    st.tuples(st.just("pulses"), st.integers(0, 9), st.integers(1, 30)),
)
IDLE_MS = st.sampled_from(
    [0, 0, 0, 0, 597_000, 600_000, 3_000_000]
)  # nobody asks: a lost bus counts as weather
WAITS_MS = st.one_of(st.integers(0, 400), st.integers(400, 8_000), st.integers(8_000, 120_000))


def do(unit, act, at_s):
    """Do something to a unit's terminals or registers; what it does not have is let be."""
    kind, number, value = act
    contact = unit.contacts[number % len(unit.contacts)]
    if kind == "contact":
        unit.set_contact(contact, at_s, closed=value)
    elif kind == "level" and unit.levels:
        unit.set_level(unit.levels[number % len(unit.levels)], at_s, value)
    elif kind == "pulses":
        for pulse in range(value):
            unit.set_contact(contact, at_s + 0.11 * pulse, closed=True)
            unit.set_contact(contact, at_s + 0.11 * pulse + 0.06, closed=False)
    elif kind == "write":
        with suppress(RefusedError, SilentError):
            unit.write("holding", number, [value], at_s)


def words(unit, at_s):
    """Return all that a unit shows: its input registers and discrete inputs; None: it does not answer."""
    try:
        unit.read("input", 0, 1, at_s)
    except SilentError:
        return None
    except RefusedError:
        return "refused"
    display = unit._display
    return tuple(display.words), display.snapshot.flags, tuple(unit._holding())


@cache
def settings_of(name):
    """Return the mock unit of a shipped bench file."""
    path = Path(ventproof_bench.__file__).parents[1] / "files" / f"{name}.yaml"
    return MockSettings.model_validate(yaml.safe_load(path.read_text(encoding="utf-8"))["mock"])


@pytest.mark.parametrize("bench", ["mock", "wind-house", "snow-house"])
@hypothesis_settings(max_examples=150, deadline=None)
@given(
    fault=st.none() | st.sampled_from(sorted(CATALOGUE)),
    course=st.lists(st.tuples(WAITS_MS, ACTS, IDLE_MS), max_size=12),
    every_ms=st.sampled_from([70, 100, 250]),
)
def test_what_was_foreseen_is_what_is_read(bench, fault, course, every_ms):
    """A unit that is read only where nothing was foreseen shows what one shows that is read each time."""
    behaviour = behaviour_with({fault: 1.0}) if fault else HEALTHY
    seldom, always = (MockUnit(settings_of(bench), behaviour, T0, 0) for _ in range(2))
    at_s, known, foreseen = T0, None, None
    for wait_ms, act, idle_ms in [*course, (6_000, ("write", 0, 180), 0)]:
        until_s = at_s + wait_ms / 1000
        while at_s < until_s:
            truly = words(always, at_s)
            if foreseen is not None and foreseen is seldom.foreseen and at_s < foreseen.until_s:
                foreseen.asked_s = at_s
            else:
                known, foreseen = words(seldom, at_s), seldom.foreseen
            assert known == truly, f"at {at_s - T0:.3f} s"
            at_s += every_ms / 1000
        for unit in (seldom, always):
            do(unit, act, at_s)
        at_s += idle_ms / 1000
        assert seldom.now_s == always.now_s
    for vent in seldom.vents:
        assert seldom.truth(vent) == always.truth(vent)
    assert seldom.touched.names == always.touched.names


def test_a_unit_at_rest_foresees_five_seconds(make):
    """Where nothing moves, and nothing falls due, one read in five seconds is enough."""
    unit = make()
    unit.read("input", 0, 4, T0 + 10)
    assert unit.foreseen.until_s == T0 + 15


@pytest.mark.parametrize("fault", ["replies_busy", "flag_drops_out"])
def test_a_unit_whose_answers_depend_on_how_often_it_is_asked_foresees_nothing(make, fault):
    """So nothing is foreseen that only some of the answers would show."""
    assert fault in CATALOGUE
    unit = make({fault: 1.0})
    unit.read("input", 0, 4, T0 + 10)
    assert unit.foreseen is None


def test_a_vent_on_its_way_and_one_that_is_about_to_move_are_not_foreseen(make):
    """In its dead time a vent stands still, and shows what it will not show for long."""
    unit = make()
    unit.read("input", 0, 4, T0 + 10)
    unit.write("holding", 0, [300], T0 + 10)
    unit.read("input", 0, 4, T0 + 10.2)
    assert unit.foreseen is None  # dead time
    unit.read("input", 0, 4, T0 + 20)
    assert unit.foreseen is None
    unit.read("input", 0, 4, T0 + 60)
    assert unit.foreseen is not None


def test_whatever_is_done_to_a_unit_ends_what_was_foreseen(make):
    """Also what is only planned."""
    unit = make()
    unit.read("input", 0, 4, T0 + 10)
    unit.set_contact("rain", T0 + 13, closed=True)
    assert unit.foreseen is None
    unit.read("input", 0, 4, T0 + 10.5)
    assert T0 + 12.9 < unit.foreseen.until_s < T0 + 13
