"""The vent: courses worked out by hand, an independent simulation step by step, and laws."""

from itertools import pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ventproof_bench.plant.vent import HEALTHY, Condition, Vent, VentTravel

OPENS, CLOSES, OFF, BOTH = (
    {"opens": o, "closes": c} for o, c in ((True, False), (False, True), (False, False), (True, True))
)
BRISK = VentTravel(open_s=10.0, close_s=5.0, dead_time_s=0.5)
COASTING = VentTravel(open_s=10.0, close_s=10.0, dead_time_s=0.5, coast_s=0.2)
WORN = VentTravel(open_s=10.0, close_s=10.0, play_percent=4.0)


def track(travel, contacts, until_s, percent=0.0):
    """Return the breakpoints of a vent whose contacts were set so, ready to compare."""
    vent = Vent(travel, 0.0, percent=percent)
    for at_s, both in contacts:
        vent.switch(at_s, **both)
    return [(pytest.approx(t), pytest.approx(p)) for t, p in vent.breakpoints(until_s)]


@pytest.mark.parametrize(
    ("travel", "contacts", "corners"),
    [
        pytest.param(BRISK, [(1, OPENS), (5.5, OFF)], [(1, 0), (1.5, 0), (5.5, 40)], id="dead time, travel"),
        pytest.param(BRISK, [(1, OPENS), (1.4, OFF)], [(1, 0), (1.4, 0)], id="let go in its dead time"),
        pytest.param(
            BRISK,
            [(1, OPENS), (3.5, CLOSES)],
            [(1, 0), (1.5, 0), (3.5, 20), (4, 20), (5, 0)],
            id="turns at once",
        ),
        pytest.param(
            COASTING, [(1, OPENS), (5.5, OFF)], [(1, 0), (1.5, 0), (5.5, 40), (5.7, 42)], id="runs on"
        ),
        pytest.param(
            COASTING,
            [(1, OPENS), (3.5, CLOSES), (4.7, OFF)],
            [(1, 0), (1.5, 0), (3.5, 20), (3.7, 22), (4.2, 22), (4.7, 17), (4.9, 15)],
            id="runs on before it turns",
        ),
        pytest.param(
            COASTING,
            [(1, OPENS), (3.5, OFF), (3.6, OPENS), (5.1, OFF)],
            [(1, 0), (1.5, 0), (3.5, 20), (3.6, 21), (3.7, 22), (4.1, 22), (5.1, 32), (5.3, 34)],
            id="told again while it runs on it waits for its dead time alone",
        ),
        pytest.param(BRISK, [(1, OPENS), (3.5, BOTH)], [(1, 0), (1.5, 0), (3.5, 20)], id="both on"),
        pytest.param(
            WORN,
            [(0, OPENS), (2.4, CLOSES), (3.8, OPENS), (5, OFF)],
            [(0, 0), (0.4, 0), (2.4, 20), (2.8, 20), (3.8, 10), (4.2, 10), (5, 18)],
            id="each reversal takes up the play",
        ),
    ],
)
def test_courses_worked_out_by_hand(travel, contacts, corners):
    """Each breakpoint stands where the arithmetic by hand puts it."""
    head = [] if corners[0][0] == 0 else [(0, 0)]
    assert track(travel, contacts, 60.0) == [*head, *corners, (60, corners[-1][1])]


@pytest.mark.parametrize(("both", "ends_at"), [("stands", 20), ("opens", 100), ("closes", 0)])
def test_both_contacts_on_do_what_the_drive_is_built_for(both, ends_at):
    """With both contacts on a drive stands, opens or closes."""
    vent = Vent(VentTravel(open_s=10.0, close_s=10.0, both=both), 0.0)
    vent.switch(0.0, **OPENS)
    vent.switch(2.0, **BOTH)
    assert vent.position_at(60.0) == ends_at


def test_a_run_on_lasts_its_time_at_an_end_stop():
    """Told to close at the instant it is fully open, a drive first runs its run-on out against the stop."""
    vent = Vent(VentTravel(open_s=10.0, close_s=10.0, coast_s=1.0), 0.0)
    vent.switch(0.0, **OPENS)
    vent.switch(10.0, **CLOSES)
    assert [vent.position_at(t) for t in (10.0, 11.0, 12.0)] == pytest.approx([100, 100, 90])


def test_sensors_in_the_drive_see_its_ends_and_its_play():
    """The drive tells 0 and 100 % at its ends, where the vent is shut and fully open, and moves through its play."""
    vent = Vent(WORN, 0.0)
    assert vent.end_at(0.0) == "closed"
    vent.switch(0.0, **OPENS)
    assert [vent.end_at(t) for t in (0.1, 10.3, 10.4)] == [None, None, "open"]
    assert (vent.position_at(10.4), vent.drive_at(10.4)) == (100.0, 100.0)
    vent.switch(20.0, **CLOSES)
    assert vent.position_at(20.4) == pytest.approx(100.0)
    assert vent.drive_at(20.4) == pytest.approx(100 - 4 / 1.04)
    assert [vent.moving_at(t) for t in (19.9, 20.0, 20.2, 30.3, 30.4)] == [False, True, True, True, False]
    assert vent.end_at(30.4) == "closed"
    assert vent.position_at(30.4) == 0.0


def test_a_jam_holds_one_way_until_it_is_mended():
    """A vent that jams closing at 20 % stands there with its contact on, opens freely, and shuts when mended."""
    vent = Vent(BRISK, 0.0, percent=50.0)
    vent.apply(0.0, Condition(jams_closing_at_percent=20.0))
    vent.switch(0.0, **CLOSES)
    assert (vent.position_at(30.0), vent.moving_at(30.0), vent.end_at(30.0)) == (20.0, False, None)
    vent.switch(30.0, **OPENS)
    assert vent.position_at(32.5) == pytest.approx(40.0)
    vent.switch(32.5, **CLOSES)
    assert vent.position_at(60.0) == 20.0
    vent.apply(60.0, HEALTHY)
    assert vent.position_at(60.5) == pytest.approx(10.0)


def test_a_jam_lets_pass_what_is_beyond_it():
    """Below where it jams a vent closes; above, opening, it opens."""
    vent = Vent(BRISK, 0.0, percent=10.0)
    vent.apply(0.0, Condition(jams_closing_at_percent=20.0, jams_opening_at_percent=30.0))
    vent.switch(0.0, **CLOSES)
    assert vent.position_at(20.0) == 0.0
    vent.switch(20.0, **OPENS)
    assert vent.position_at(60.0) == 30.0


@pytest.mark.parametrize(
    ("condition", "opened", "closed"),
    [
        (HEALTHY, 35, 25),
        (Condition(slow_factor=2.0), 17.5, 12.5),
        (Condition(load_open_factor=1.25), 28, 18),
        (Condition(load_close_factor=0.5), 35, 15),
        (Condition(slips_percent=3.0), 32, 22),
        (Condition(coast_s=1.0), 45, 25),
        (Condition(dead=True), 0, 0),
        (Condition(play_percent=2.0), 33, 25),
    ],
)
def test_conditions_change_what_a_run_makes(condition, opened, closed):
    """An opening run of 4 s, then a closing run of 1.5 s, by hand; half a second of each is dead time."""
    vent = Vent(VentTravel(open_s=10.0, close_s=10.0, dead_time_s=0.5), 0.0)
    vent.apply(0.0, condition)
    vent.switch(0.0, **OPENS)
    vent.switch(4.0, **OFF)
    assert vent.position_at(10.0) == pytest.approx(opened)
    vent.switch(10.0, **CLOSES)
    vent.switch(11.5, **OFF)
    assert vent.position_at(20.0) == pytest.approx(closed)


def test_a_dead_drive_stops_on_its_way_and_goes_on_when_it_lives():
    """Its supply gone a drive runs on and stands; back again it waits for its dead time and goes on as it is told."""
    vent = Vent(COASTING, 0.0)
    vent.switch(0.0, **OPENS)
    vent.apply(2.5, Condition(dead=True))
    assert vent.position_at(9.0) == pytest.approx(22.0)
    vent.apply(9.0, HEALTHY)
    assert vent.position_at(10.5) == pytest.approx(32.0)


def test_a_creeping_vent_gives_way_between_its_ends_only():
    """At rest it opens slowly, and a closed one stays."""
    vent = Vent(BRISK, 0.0)
    vent.apply(0.0, Condition(creep_percent_s=0.5))
    vent.switch(500.0, **OPENS)
    assert vent.position_at(500.0) == 0.0
    vent.switch(504.5, **OFF)
    assert vent.position_at(514.5) == pytest.approx(45.0)
    assert vent.position_at(900.0) == 100.0


def test_contacts_set_ahead_are_set_otherwise_before_their_time():
    """What comes at an instant takes the place of what was set from that instant on."""
    vent = Vent(BRISK, 0.0)
    vent.switch(0.0, **OPENS)
    off_s = vent.drive_reaches_s(60.0, 0.0)
    assert off_s == pytest.approx(6.5)
    vent.switch(off_s, **OFF)
    assert vent.position_at(60.0) == pytest.approx(60.0)
    vent.switch(3.0, **OPENS)
    assert vent.position_at(60.0) == 100.0
    vent.switch(3.0, **OFF)
    vent.switch(3.0, **OPENS)
    assert vent.position_at(60.0) == 100.0
    with pytest.raises(ValueError, match="before the begin"):
        vent.switch(-1.0, **OPENS)


# an independent simulation, a millisecond a step


def simulated(travel_ms, play, both, contacts_ms, until_ms):
    """Return the vent's place after each millisecond, by counters and clamps.

    Times are whole milliseconds; no two of contact times, dead time and run-on coincide, so a step rounds nothing.
    """
    open_ms, close_ms, dead_ms, coast_ms = travel_ms
    contacts = dict(contacts_ms)
    drive = vent = 0.0
    told, told_for, run_on = 0, 0, {1: 0, -1: 0}
    places = [0.0]
    for now in range(until_ms):
        if now in contacts:
            opens, closes = contacts[now]
            new = {"stands": 0, "opens": 1, "closes": -1}[both] if opens and closes else opens - closes
            if new != told:
                told, told_for = new, 0
        if told and run_on[-told]:
            told_for = -1
        acts = told if told_for >= dead_ms else 0
        turns = acts or (1 if run_on[1] else -1 if run_on[-1] else 0)
        for way in (1, -1):
            run_on[way] = coast_ms if acts == way else max(0, run_on[way] - 1)
        told_for += 1
        drive += {1: 100 / open_ms, -1: -100 / close_ms, 0: 0.0}[turns]
        drive = min(100 + play, max(0.0, drive))
        vent = min(drive, max(drive - play, vent))
        places.append(vent)
    return places


def a_course(random):
    """Return a random vent and random contacts on a grid of 10 ms; dead time and run-on lie off every grid."""
    travel_ms = (
        random.randint(800, 6000),
        random.randint(800, 6000),
        random.randrange(0, 600, 10) + 3,
        random.choice((0, random.randrange(0, 400, 10) + 4)),
    )
    at, contacts = 0, []
    for _ in range(random.randint(1, 14)):
        at += random.choice((10, 50, random.randrange(10, 600, 10), random.randrange(10, 4000, 10)))
        contacts.append((at, random.choice(((1, 0), (0, 1), (0, 0), (1, 1), (0, 0), (1, 0), (0, 1)))))
    return (
        travel_ms,
        random.choice((0.0, random.uniform(0, 5))),
        random.choice(("stands", "opens", "closes")),
        contacts,
    )


@pytest.mark.parametrize("seed", range(60))
def test_a_simulation_step_by_step_sees_the_same_course(seed):
    """Counters and clamps, a millisecond a step, find the vent where it is."""
    random = Random(seed)
    travel_ms, play, both, contacts = a_course(random)
    open_s, close_s, dead_s, coast_s = (ms / 1000 for ms in travel_ms)
    vent = Vent(
        VentTravel(
            open_s=open_s, close_s=close_s, dead_time_s=dead_s, coast_s=coast_s, play_percent=play, both=both
        ),
        0.0,
    )
    for at_ms, (opens, closes) in contacts:
        vent.switch(at_ms / 1000, opens=bool(opens), closes=bool(closes))
    places = simulated(travel_ms, play, both, contacts, contacts[-1][0] + 3000)
    assert max(abs(vent.position_at(ms / 1000) - place) for ms, place in enumerate(places)) < 1e-9


# laws

times = st.lists(st.integers(0, 3000), min_size=1, max_size=12, unique=True).map(sorted)
travels = st.builds(
    VentTravel,
    open_s=st.floats(1, 200),
    close_s=st.floats(1, 200),
    dead_time_s=st.floats(0, 3),
    coast_s=st.floats(0, 2),
    play_percent=st.floats(0, 5),
    both=st.sampled_from(("stands", "opens", "closes")),
)
conditions = st.builds(
    Condition,
    jams_closing_at_percent=st.none() | st.floats(0, 100),
    jams_opening_at_percent=st.none() | st.floats(0, 100),
    slips_percent=st.floats(0, 5),
    slow_factor=st.floats(1, 2),
    dead=st.booleans(),
    play_percent=st.none() | st.floats(0, 5),
    creep_percent_s=st.just(0.0) | st.floats(0, 0.3),
)
happenings = st.booleans() | conditions | st.tuples(st.booleans(), st.booleans())


def befall(vent, at_s, happening):
    """Set contacts, both alike or each, or a condition."""
    if isinstance(happening, Condition):
        vent.apply(at_s, happening)
    else:
        opens, closes = happening if isinstance(happening, tuple) else (happening, happening)
        vent.switch(at_s, opens=opens, closes=closes)


@settings(max_examples=120)
@given(travels, times, st.data())
def test_nothing_breaks_the_laws_of_travel(travel, at_ds, data):
    """The past stays, time goes forward, and the vent keeps within its ends and its greatest rate."""
    vent = Vent(travel, 0.0)
    for at in at_ds:
        before = [vent.position_at(at / 10 * i / 7) for i in range(8)]
        befall(vent, at / 10, data.draw(happenings))
        assert [vent.position_at(at / 10 * i / 7) for i in range(8)] == pytest.approx(before, abs=1e-9)
    fastest = 100 / min(travel.open_s, travel.close_s)
    for (t0, p0), (t1, p1) in pairwise(vent.breakpoints(1000.0)):
        assert t1 > t0
        assert -1e-9 <= p1 <= 100 + 1e-9
        assert abs(p1 - p0) <= fastest * (t1 - t0) * (1 + 1e-6) + 1e-9


@settings(max_examples=120)
@given(travels, times, st.data(), st.floats(0, 300), st.floats(0, 3))
def test_contacts_set_as_early_as_allowed_leave_the_course_until_then(travel, at_ds, data, now_s, shown_s):
    """At the instant that `earliest_s` gives, contacts change nothing of the course before the other instant.

    Some of what was set before may have been set ahead.
    """
    vent, same = Vent(travel, 0.0), Vent(travel, 0.0)
    for at in at_ds:
        happening = data.draw(st.tuples(st.booleans(), st.booleans()))
        befall(vent, at / 10, happening)
        befall(same, at / 10, happening)
    until_s = now_s + shown_s
    opens, closes = data.draw(st.tuples(st.booleans(), st.booleans()))
    at_s = vent.earliest_s(now_s, opens=opens, closes=closes, unchanged_until_s=until_s)
    assert at_s >= now_s
    vent.switch(at_s, opens=opens, closes=closes)
    instants = [t for one in (vent, same) for t, _ in one.breakpoints(until_s)]
    assert max(abs(vent.position_at(t) - same.position_at(t)) for t in instants) < 1e-6
