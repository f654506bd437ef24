"""What the last tips of a bucket show: never more than the mock's bucket does, and little less."""

from __future__ import annotations

from itertools import pairwise
from math import inf

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ventproof.oracle.timeline import ALWAYS, Steps, Timeline, UncertainState
from ventproof.oracle.tips import apart_s, raining
from ventproof.table.model import RainfallCondition
from ventproof_bench.mock.wind_and_tips import Intensity

TIP_MM = 0.2
ON = UncertainState(ALWAYS, ALWAYS)
CONDITION = {
    "rainfall": "bucket",
    "above": "20 mm/h",
    "ends_at": "12 mm/h",
    "accuracy": "1 mm/h",
    "tip": "0.2 mm",
}
COURSES = st.lists(
    st.tuples(
        st.integers(1, 200),
        st.sampled_from([0, 0, 3, 8, 10.5, 14, 18, 22, 30, 60, 120]),
        st.sampled_from([None, None, 0.0, 0.4, 0.99]),
    ),
    min_size=1,
    max_size=8,
)
UNITS = st.fixed_dictionaries(
    {"filled": st.floats(0, 0.99), "off_by": st.tuples(st.floats(-0.9, 0.9), st.floats(-0.9, 0.9))}
)


def condition(tips):
    """Return a condition that looks at so many tips."""
    return RainfallCondition.model_validate(CONDITION | {"tips": tips})


def course_of(pieces):
    """Return intensities of a rain, each lasting so many seconds, and none after the last."""
    jumps, at_s = [], 10.0
    for lasts_s, mm_per_h, *_ in pieces:
        jumps.append((at_s, float(mm_per_h)))
        at_s += lasts_s
    return Steps(0.0, (*jumps, (at_s, 0.0)))


def filled_of(pieces):
    """Return when the bucket is filled anew, and how far."""
    begins_s = (begin_s for begin_s, _ in course_of(pieces).jumps)
    return {
        at_s: share[0]
        for at_s, (_, _, *share) in zip(begins_s, pieces, strict=False)
        if share and share[0] is not None
    }


def tips_of(course, filled, anew):
    """Return when a bucket tips that is filled so far at first, and filled anew at these instants."""
    level_mm, tips = filled * TIP_MM, []
    for (begin_s, mm_per_h), (end_s, _) in pairwise([*course.jumps, (inf, 0.0)]):
        level_mm = anew[begin_s] * TIP_MM if begin_s in anew else level_mm
        per_s, now_s = mm_per_h / 3600, begin_s
        while per_s and (at_s := now_s + (TIP_MM - level_mm) / per_s) <= end_s:
            tips.append(at_s)
            level_mm, now_s = 0.0, at_s
        level_mm += per_s * (end_s - now_s) if per_s else 0.0
    return tips


def wet_spans(course, tips, anew, *, filled, off_by):
    """Return when the mock's bucket is wet, whose thresholds are so far off."""
    seen = Intensity(20 + off_by[0], 12 + off_by[1], tips=tips, mm_s_per_h=TIP_MM * 3600, falls=True)
    spans, was = [], False

    def look(at_s):
        nonlocal was
        if seen.wet.on != was:
            was = not was
            spans.append(at_s)

    for count, tip_s in enumerate([*tips_of(course, filled, anew), inf], 1):
        if (due_s := seen.overdue.due_s) <= tip_s and due_s < inf:
            seen.dry()
            look(due_s)
        if tip_s < inf:
            seen.tip(tip_s, count)
            look(tip_s)
    return spans


def shown(pieces, tips):
    """Return what the oracle says."""
    course = course_of(pieces)
    return raining(condition(tips), course, course, ON, filled_of(pieces))


STRADDLING = [(31, 60), (180, 3)]


@settings(max_examples=150, deadline=None)
@given(pieces=COURSES, tips=st.integers(2, 5), unit=UNITS)
@example(pieces=[(300, 18), (400, 22, 0.0)], tips=3, unit={"filled": 0.5, "off_by": (0.9, 0.0)})
@example(pieces=[(185, 14), (21, 60), (60, 30, 0.0)], tips=3, unit={"filled": 0.58, "off_by": (0.9, 0.0)})
@example(pieces=STRADDLING, tips=3, unit={"filled": 0.0, "off_by": (0.0, -0.9)})
@example(pieces=[(60, 60), (30, 14), (9, 0)], tips=3, unit={"filled": 0.99, "off_by": (0.0, 0.9)})
@example(pieces=[(10, 60), (4, 0), (10, 60)], tips=2, unit={"filled": 0.5, "off_by": (0.0, 0.0)})
def test_a_bucket_never_shows_what_it_cannot(pieces, tips, unit):
    """Whatever the rain, the water in the bucket at first and its thresholds within their accuracy."""
    said, switches_s = shown(pieces, tips), wet_spans(course_of(pieces), tips, filled_of(pieces), **unit)
    wet = Timeline(switches_s=tuple(switches_s))
    edges = sorted({*wet.switches_s, *said.may.switches_s, *said.must.switches_s})
    for at_s in [(one + other) / 2 for one, other in pairwise([0.0, *edges, 5000.0]) if other - one > 1e-6]:
        assert said.at(at_s) in {"open", "yes" if wet.at(at_s) else "no"}, at_s


def test_the_last_tip_in_a_drizzle_makes_the_wait_begin_anew():
    """A tip whose water fell in the storm and in the drizzle after it comes late, and its wait counts once more."""
    said = shown([(60, 60), (1000, 3)], 3)
    wait_s = apart_s(condition(3), 11.0)
    # From 70 s on tips are 240 s apart; the one before lasts at most `wait_s`, of which 12 s or less in the storm.
    (_, end_s) = said.may.switches_s
    straddles_s = 240 * (wait_s - 12) / (240 - 12)
    assert end_s == pytest.approx(70 + straddles_s + wait_s, abs=1e-3)
    assert shown([(60, 60), (1000, 0)], 3).may.switches_s[1] == pytest.approx(70 + wait_s, abs=1e-3)


def test_a_steady_rain_shows_by_as_many_tips_and_ends_a_tip_before_the_wait():
    """Three tips of 60 mm/h are 36 s of rain; after the rain the last tip was up to 12 s ago."""
    said = shown([(120, 60)], 3)
    assert said.may.switches_s[0] == pytest.approx(10 + 12, abs=1e-3)
    assert said.must.switches_s == pytest.approx((10 + 36, 130 + 720 / 13 - 12), abs=1e-3)


def test_a_unit_without_supply_has_forgotten_its_tips():
    """It shows rain again from its second tip on at the earliest, and surely from the third."""
    powered = Timeline(initially=True, switches_s=(60.0, 70.0))
    course = course_of([(300, 60)])
    said = raining(condition(3), course, course, UncertainState(powered, powered))
    assert said.may.switches_s == pytest.approx((22, 60, 82, 310 + 720 / 11), abs=1e-3)
    assert said.must.switches_s == pytest.approx((46, 60, 106, 310 + 720 / 13 - 12), abs=1e-3)
