"""Several overrides at once: who decides, and that nothing opens what another keeps closed."""

from itertools import pairwise

from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

T0 = 1000.0
COLD, MILD = 0, 100  # tenths of a degree


def warm(unit):
    """Open all vents and return a time at which they stand."""
    unit.write("holding", 0, [300], T0)
    return T0 + 60.0


def stand(unit, at_s):
    """Return where roof and side stand, rounded to a thousandth of a per cent."""
    unit.advance(at_s)
    return round(unit.position("roof"), 3), round(unit.position("side"), 3)


def test_unless_stated_the_most_closed_position_counts(make_weather):
    """Rain wants 8 and 45 %, frost 2 and 0 %, a failed house thermometer 30 and 30 %: each vent takes the least."""
    unit = make_weather()
    at_s = warm(unit)
    unit.set_contact("rain", at_s, closed=True)
    assert stand(unit, at_s + 60) == (8, 45)
    unit.set_level("house", at_s + 60, 0.0)
    assert stand(unit, at_s + 120) == (8, 30)
    unit.write("holding", 3, [COLD], at_s + 120)
    assert stand(unit, at_s + 180) == (2, 0)
    assert unit.active == ("rain", "failure", "frost")


def test_with_an_order_the_first_active_override_decides(make_weather):
    """With failure first a vent stands at 30 % although the rain, alone, would close it to 8 %."""
    unit = make_weather(precedence=["failure", "gale", "rain", "frost"])
    at_s = warm(unit)
    unit.set_level("house", at_s, 0.0)
    unit.set_contact("rain", at_s, closed=True)
    assert stand(unit, at_s + 60) == (30, 30)
    unit.set_level("house", at_s + 60, 18.0)
    assert stand(unit, at_s + 120) == (8, 30)


def test_an_override_passes_over_vents_that_it_does_not_name(make_weather):
    """With frost first but naming the side only, the rain decides on the roof."""
    unit = make_weather(
        precedence=["frost", "rain", "gale", "failure"], frost={"positions": {"side": "60 %"}}
    )
    at_s = warm(unit)
    unit.write("holding", 3, [COLD], at_s)
    unit.set_contact("rain", at_s, closed=True)
    assert stand(unit, at_s + 60) == (8, 60)


def test_the_end_of_one_override_opens_nothing_that_another_keeps(make_weather):
    """Frost closes the side to 0 % in the rain; when the frost ends the rain, which only closes, leaves it there."""
    unit = make_weather()
    at_s = warm(unit)
    unit.set_contact("rain", at_s, closed=True)
    unit.write("holding", 3, [COLD], at_s)
    assert stand(unit, at_s + 90) == (2, 0)
    unit.write("holding", 3, [MILD], at_s + 90)
    assert stand(unit, at_s + 240) == (2, 0)
    assert unit.active == ("rain",)
    unit.set_contact("rain", at_s + 240, closed=False)
    assert stand(unit, at_s + 340) == (92, 88)


def test_an_override_that_may_open_opens(make_weather):
    """Without `only_close` the frost opens closed vents to its positions."""
    unit = make_weather(frost={"only_close": False, "positions": {"roof": "25 %"}})
    unit.write("holding", 3, [COLD], T0)
    assert stand(unit, T0 + 60) == (25, 0)


def test_the_last_override_wins_where_that_is_the_fault(make_weather):
    """A failure in mid-travel of the rain stops the roof at 30 % instead of 8 %."""
    unit = make_weather({"last_override_wins": 1})
    at_s = warm(unit)
    unit.set_level("house", at_s, 0.0)
    unit.set_contact("rain", at_s - 1, closed=True)
    assert stand(unit, at_s + 90) == (30, 30)


def test_an_end_drops_the_others_where_that_is_the_fault(make_weather):
    """The frost ends, and the vents open in the rain."""
    unit = make_weather({"release_drops_others": 1})
    at_s = warm(unit)
    unit.set_contact("rain", at_s, closed=True)
    unit.write("holding", 3, [COLD], at_s)
    unit.write("holding", 3, [MILD], at_s + 90)
    assert stand(unit, at_s + 240) == (92, 88)
    assert unit.active == ()


CHANGES = st.lists(
    st.tuples(
        st.integers(1, 600),
        st.sampled_from(["rain", "house", "outside", "direction", "supply"]),
        st.booleans(),
    ),
    max_size=20,
)


@hypothesis_settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(CHANGES, st.booleans())
def test_no_vent_opens_while_an_override_that_only_closes_is_active(make_weather, changes, ordered):
    """Whatever begins, ends or turns in whatever order, no vent rises between two looks with one override active."""
    unit = make_weather(precedence=["failure", "gale", "frost", "rain"] if ordered else None)
    at_s = warm(unit)
    for k in range(6000):
        unit.set_contact("cups", at_s + k / 24 + 100, closed=k % 2 == 0)  # 12 Hz, a gale of 14.8 m/s
    for after_s, name, on in changes:
        if name in {"rain", "supply"}:
            unit.set_contact(name, at_s + after_s, closed=on)
        else:
            good = {"house": 18.0, "outside": 1100.0, "direction": 12.0}[name]
            unit.set_level(name, at_s + after_s, 0.0 if on else good)
    looks = []
    for k in range(700):
        unit.advance(at_s + k)
        looks.append((set(unit.active), unit.position("roof"), unit.position("side")))
    for (before, *were), (after, *are) in pairwise(looks):
        if before & after:
            assert all(now <= then + 1e-9 for then, now in zip(were, are, strict=True))


@hypothesis_settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(CHANGES, st.lists(st.integers(0, 700_000), max_size=25))
def test_how_often_all_weather_is_read_does_not_change_it(make_weather, changes, reads_ms):
    """A unit read often and one read once at the end have the same registers and the same trajectories."""
    often, once = make_weather(), make_weather()
    for unit in (often, once):
        at_s = warm(unit)
        for k in range(2000):
            unit.set_contact("cups", at_s + k / 30, closed=k % 2 == 0)
            unit.set_contact("bucket", at_s + k * 7.7, closed=k % 2 == 0)
        for after_s, name, on in changes:
            if name in {"rain", "supply"}:
                unit.set_contact(name, at_s + after_s, closed=on)
            else:
                unit.set_level(name, at_s + after_s, 0.0 if on else 12.0)
        unit.set_contact("supply", at_s + 650, closed=True)
    for at_ms in sorted(reads_ms):
        often.advance(T0 + 60 + at_ms / 1000)
    assert often.read("input", 0, 15, T0 + 800) == once.read("input", 0, 15, T0 + 800)
    assert often.truth("roof") == once.truth("roof")
    assert often.truth("side") == once.truth("side")
