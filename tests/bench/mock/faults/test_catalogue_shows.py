"""Every fault of the catalogue shows, and shows where its description says."""

from dataclasses import fields

import pytest
from outside import OtherwiseError, Outside
from outside import settings as outside_settings
from pydantic import ValidationError

from ventproof_bench.mock.faults.behaviour import HEALTHY
from ventproof_bench.mock.faults.catalogue import CATALOGUE, behaviour_with
from ventproof_bench.mock.faults.fault import FAMILIES
from ventproof_bench.mock.faults.joined import JOINED_FAULTS
from ventproof_bench.mock.faults.limits import LIMIT_FAULTS
from ventproof_bench.mock.registers import RefusedError, SilentError
from ventproof_bench.mock.settings import MockSettings

T0 = 1000.0


def exercise(unit):
    """Take a unit through a day's weather in ten minutes; return all that its registers and vents showed."""
    shown = []

    def watch(until_s):
        at_s = unit.now_s
        while at_s < T0 + until_s:
            at_s += 0.5
            try:
                shown.append(tuple(unit.read("input", 0, 8, at_s)))
            except RefusedError as refused:
                shown.append(refused.code)

    watch(5)
    unit.set_contact("rain", T0 + 5, closed=True)  # rain on closed vents
    watch(12)
    unit.set_contact("rain", T0 + 12, closed=False)
    watch(60)
    unit.write("holding", 0, [220], T0 + 60)  # warm to stage 1 exactly, then wavering, then hot
    watch(65)
    unit.write("holding", 0, [215], T0 + 65)
    watch(70)
    unit.write("holding", 0, [300], T0 + 70)
    watch(130)
    for i in range(12):  # a bouncing blip, shorter than the entry delay
        unit.set_contact("rain", T0 + 130 + i / 100, closed=i % 2 == 0)
    unit.set_contact("rain", T0 + 130.12, closed=True)
    unit.set_contact("rain", T0 + 130.5, closed=False)
    for i in range(6):  # short closures that must be counted
        unit.set_contact("rain", T0 + 140 + i, closed=True)
        unit.set_contact("rain", T0 + 140.3 + i, closed=False)
    watch(190)
    unit.set_contact("rain", T0 + 190, closed=True)  # rain
    watch(260)
    unit.write("holding", 0, [260], T0 + 260)
    watch(300)
    unit.set_contact("rain", T0 + 300, closed=False)
    watch(450)
    return shown, unit.truth("roof"), unit.truth("side")


def exercise_weather(unit):
    """Take a unit with all weather through wind, tips, frost, a broken wire and a loss of supply."""
    shown = []

    def watch(until_s):
        at_s = unit.now_s
        while at_s < T0 + until_s:
            at_s += 0.5
            try:
                shown.append(tuple(unit.read("input", 0, 15, at_s)))
            except SilentError:
                shown.append(())

    def blow(hz, from_s, to_s):
        for k in range(round((to_s - from_s) * hz)):
            unit.set_contact("cups", T0 + from_s + k / hz, closed=True)
            unit.set_contact("cups", T0 + from_s + (k + 0.5) / hz, closed=False)

    unit.write("holding", 0, [300], T0)
    blow(8, 45, 60)  # 10 m/s
    blow(11, 60, 120)  # 13.6 m/s, a gale
    blow(8, 120, 240)  # less, but not over
    unit.set_level("direction", T0 + 60, 4.0)  # the roof is leeward
    for k, closed in enumerate((True, False, True, False)):  # a reed that bounces once
        unit.set_contact("cups", T0 + 280 + k / 1000, closed=closed)
    unit.set_level("direction", T0 + 200, 0.0)  # the vane is lost, and found
    unit.set_level("direction", T0 + 225, 4.0)
    watch(90)
    unit.set_contact("rain", T0 + 90, closed=True)  # rain in the gale, and rain that ends in it
    unit.set_contact("rain", T0 + 140, closed=False)
    for k in range(6):
        unit.set_contact("bucket", T0 + 320 + 50 * k, closed=True)  # 14.4 mm/h
        unit.set_contact("bucket", T0 + 320.1 + 50 * k, closed=False)
    watch(800)
    unit.write("holding", 3, [0x10000 - 55], T0 + 800)
    watch(880)
    unit.write("holding", 3, [25], T0 + 880)  # milder, but no thaw
    watch(900)
    unit.write("holding", 3, [100], T0 + 900)
    watch(1000)
    unit.set_level("house", T0 + 1000, 0.0)
    watch(1050)
    unit.set_level("house", T0 + 1050, 18.0)
    unit.set_contact("rain", T0 + 1100, closed=True)
    unit.set_contact("supply", T0 + 1150, closed=False)
    unit.set_contact("supply", T0 + 1160, closed=True)
    watch(1350)
    for at_s, closed in ((0, False), (1, True), (2, False), (3, True)):  # it flickers while the rain goes on
        unit.set_contact("supply", T0 + 1350 + at_s, closed=closed)
    watch(1450)
    return shown, unit.truth("roof"), unit.truth("side")


def exercise_long(unit):
    """Take a unit through a loss of supply, loose wires, ten showers, and delays across the wraps of its clock."""
    shown = []

    def watch(until_s, every_s=0.5):
        at_s = unit.now_s
        while at_s < T0 + until_s:
            at_s = min(at_s + every_s, T0 + until_s)
            try:
                shown.append(tuple(unit.read("input", 0, 15, at_s)))
            except SilentError:
                shown.append(())

    def rain(from_s, to_s):
        unit.set_contact("rain", T0 + from_s, closed=True)
        unit.set_contact("rain", T0 + to_s, closed=False)

    unit.write("holding", 0, [300, 20, 150], T0)
    unit.set_contact("supply", T0 + 15, closed=False)  # while the vents still open
    unit.set_contact("rain", T0 + 20, closed=True)  # which the unit finds when it comes up
    unit.set_contact("supply", T0 + 21, closed=True)
    watch(120)
    unit.set_contact("rain", T0 + 120, closed=False)
    watch(180)
    unit.set_level("house", T0 + 180, 0.0)  # a loose terminal
    unit.set_level("house", T0 + 181, 18.0)
    watch(200)
    for level in (0.0, 23.0):
        unit.set_level("house", unit.now_s, level)
        watch(unit.now_s - T0 + 20)
        unit.set_level("house", unit.now_s, 18.0)
        watch(unit.now_s - T0 + 20)
    rain(285, 290)  # and again before that rain is released
    for k in range(10):
        rain(300 + 60 * k, 310 + 60 * k)
    watch(900)
    up_s = 24.0  # when the unit came up
    for wrap_s in (2**16, 2**31 / 1000 + 5, 2**32 / 1000):
        rain(up_s + wrap_s - 60, up_s + wrap_s - 10)
        watch(up_s + wrap_s - 90, every_s=wrap_s / 7)
        watch(up_s + wrap_s + 30, every_s=2.0)
    return shown, unit.truth("roof"), unit.truth("side")


def exercise_rules(unit):
    """Take a unit of the snow house through a cut loop, wet and cold, snow, a hand switch, a breeze and a gale."""
    shown = []

    def watch(until_s):
        at_s = unit.now_s
        while at_s < T0 + until_s:
            at_s += 0.5
            shown.append(tuple(unit.read("input", 0, 16, at_s)))

    unit.set_contact("rain", T0, closed=True)
    unit.set_contact("loop", T0, closed=True)
    unit.write("holding", 0, [300], T0)
    watch(180)
    unit.set_contact("loop", T0 + 180, closed=False)  # the wire of the monitor is cut
    watch(190)
    unit.set_contact("loop", T0 + 190, closed=True)
    watch(200)
    unit.set_contact("rain", T0 + 200, closed=False)  # the wire is cut
    watch(220)
    unit.set_contact("rain", T0 + 220, closed=True)
    unit.set_contact("snow", T0 + 400, closed=True)  # wet
    watch(420)
    unit.write("holding", 3, [0x10000 - 20], T0 + 420)  # and cold
    watch(440)
    unit.set_contact("snow", T0 + 440, closed=False)  # cold alone
    unit.set_contact("hand", T0 + 450, closed=True)
    watch(2000)
    unit.set_contact("hand", T0 + 2000, closed=False)
    unit.set_level("outside", T0 + 2020, 1e6)
    watch(2060)
    unit.set_level("outside", T0 + 2060, 1039.03)

    def blow(begin_s, end_s, hz):
        for k in range(int((end_s - begin_s) * hz)):
            unit.set_contact("cups", T0 + begin_s + k / hz, closed=True)
            unit.set_contact("cups", T0 + begin_s + 0.05 + k / hz, closed=False)

    for begin_s, hz in ((2100, 4.4), (2160, 5.8), (2220, 4.4)):  # a breeze that rises and abates
        blow(begin_s, begin_s + 60, hz)
    watch(2280)
    unit.set_level("direction", T0 + 2280, 4 + 16 * 70 / 360)  # from behind the roof
    blow(2310, 2500, 9)  # 11.2 m/s: a gale by its mean
    watch(2430)
    for at_s, degrees in ((2430, 250), (2438, 70), (2460, 330)):  # a short turn, and one within the dead band
        unit.set_level("direction", T0 + at_s, 4 + 16 * degrees / 360)
    unit.set_level("direction", T0 + 2500, 4 + 16 * 250 / 360)
    watch(2900)
    unit.set_level("direction", T0 + 2900, 4 + 16 * 350 / 360)  # within the dead band, from ahead
    blow(2930, 2950, 15)
    watch(2970)
    return shown, unit.truth("roof"), unit.truth("side")


def exercise_outside(bench):
    """Take a unit whose vent stands outside it through rain, a loss of supply, a jam and all failures of feedback."""

    def warm(celsius, for_s):
        bench.warm(celsius)
        bench.wait(for_s)

    bench.wait(1)
    warm(23, 10)  # to 10 %
    bench.rain()  # to 5 %, and back
    bench.wait(6)
    bench.rain(on=False)
    bench.wait(16)
    warm(30, 10)
    bench.rain()  # while the vent opens
    bench.wait(25)
    bench.rain(on=False)
    bench.wait(45)
    warm(15, 45)
    warm(30, 20)
    bench.supply(on=False)  # on the way
    bench.wait(2)
    bench.supply(on=True)
    bench.wait(90)
    bench.befall(jams_closing_at_percent=60.0)
    warm(15, 60)
    bench.befall(load_open_factor=1.2)  # and so reckoned wrong
    warm(26, 60)
    warm(15, 45)
    bench.befall()
    warm(23, 10)
    for name in ("closed", "open"):  # a potentiometer without a wire, and a switch that never lets go
        bench.wrong.switches, bench.wrong.level_mv = {name: True}, 10_000
        warm(26, 10)
        warm(15, 45)
        bench.wrong.switches, bench.wrong.level_mv = {}, None
        warm(30, 50)
    bench.wrong.switches, bench.wrong.level_mv = {"closed": True, "open": True}, 0
    bench.wait(5)
    warm(26, 40)
    bench.wrong.switches, bench.wrong.level_mv = {}, None
    bench.wait(60)
    bench.wrong.level_mv = -1
    bench.wait(60)
    bench.wrong.level_mv = None
    warm(15, 45)
    for _ in range(2):  # a switch that bounces
        bench.wrong.switches = {"closed": False}
        bench.wait(0.2)
        bench.wrong.switches = {}
        bench.wait(0.2)


NEEDS_A_DRIVE = ("a drive", "a potentiometer", "end switches")


def needs_a_drive(name):
    """Return whether a fault is one of vents outside the unit."""
    return CATALOGUE[name].needs.startswith(NEEDS_A_DRIVE)


@pytest.fixture(scope="module")
def healthy_outside():
    """What a bench sees of a healthy unit with each kind of feedback, made once."""
    seen = {}
    for feedback in ("none", "end-switches", "potentiometer"):
        bench = Outside(feedback)
        exercise_outside(bench)
        seen[feedback] = bench.seen
    return seen


@pytest.mark.parametrize("name", list(filter(needs_a_drive, CATALOGUE)))
def test_a_fault_of_drives_outside_shows(healthy_outside, name):
    """With every kind of feedback that it can spoil, contacts or registers come to differ from a healthy unit's."""
    tried = 0
    for feedback, seen in healthy_outside.items():
        if CATALOGUE[name].needs in MockSettings.model_validate(outside_settings(feedback)).parts:
            bench = Outside(feedback, {name: 1.0})
            bench.expected = seen
            with pytest.raises(OtherwiseError):
                exercise_outside(bench)
            tried += 1
    assert tried


@pytest.fixture(scope="module")
def healthy():
    """What a healthy unit shows in each of the exercises, made once."""
    return {}


EXERCISES = (exercise, exercise_weather, exercise_long)


@pytest.mark.parametrize("name", [fault.name for fault in (*JOINED_FAULTS, *LIMIT_FAULTS)])
def test_a_fault_of_joined_conditions_shows(make_rules, healthy, name):
    """So does one of conditions that are joined, of loops, of limits and sides, and of further overrides."""
    healthy[exercise_rules] = healthy.get(exercise_rules) or exercise_rules(make_rules())
    assert exercise_rules(make_rules({name: 1.0})) != healthy[exercise_rules]


BY_LEVEL = {name for name, fault in CATALOGUE.items() if fault.needs == "sensors.wind"}
"""Faults of a wind sensor in place of the cups: see `test_wind_and_tips_levels`."""
JOINED = {fault.name for fault in (*JOINED_FAULTS, *LIMIT_FAULTS)}


@pytest.mark.parametrize(
    "name", [name for name in CATALOGUE if not needs_a_drive(name) and name not in JOINED | BY_LEVEL]
)
def test_a_fault_shows(make, make_weather, healthy, name):
    """A unit with the fault does something that a healthy unit, treated alike, does not."""
    long = CATALOGUE[name].family in {"time", "power", "intermittent", "sensor failure"}
    for take in EXERCISES[::-1] if long else EXERCISES:
        build = make if take is exercise else make_weather
        if take is exercise and CATALOGUE[name].needs not in {"", "a vent of its own"}:
            continue
        healthy[take] = healthy.get(take) or take(build())
        if take(build({name: 1.0})) != healthy[take]:
            return
    pytest.fail(f"{name} shows in no exercise")


@pytest.mark.parametrize(
    "name", [n for n in CATALOGUE if CATALOGUE[n].needs not in {"", "a vent of its own"}]
)
def test_a_fault_of_what_the_unit_lacks_is_refused(make, name):
    """A fault that could never show would be a false reassurance: the unit is not built."""
    with pytest.raises(ValidationError, match=f"fault '{name}' needs what this unit does not have: "):
        make({name: 1.0})


def test_a_fault_of_a_vent_that_the_bench_plays_is_refused():
    """What befalls the mock's own vents cannot befall one that is not the mock's."""
    with pytest.raises(
        ValidationError, match="fault 'stalls_at' needs what this unit does not have: a vent of"
    ):
        Outside("none", {"stalls_at": 1.0})


def test_a_healthy_unit_repeats_itself(make):
    """Two healthy units treated alike show the same, whatever their seeds."""
    assert exercise(make(seed=1)) == exercise(make(seed=2))


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_fault_is_described(name):
    """Each fault says in one sentence what is wrong, and where."""
    fault = CATALOGUE[name]
    assert fault.name == name
    assert fault.about.endswith(".")
    assert fault.about.count(". ") == 0
    assert fault.family in FAMILIES
    graded = behaviour_with({name: 0.5}) != behaviour_with({name: 2.0})
    assert graded == bool(fault.severity)


@pytest.mark.parametrize("name", [name for name in CATALOGUE if CATALOGUE[name].severity])
def test_a_fault_fades_with_its_severity(name):
    """At next to no severity a unit is next to healthy: nothing is off, what comes now and then never comes."""
    fading = behaviour_with({name: 1e-7})
    for field in fields(HEALTHY):
        is_, healthy = getattr(fading, field.name), getattr(HEALTHY, field.name)
        if is_ == healthy:
            continue
        ends = {"stalls_at_percent": 0.0, "stalls_opening_percent": 100.0}
        if field.name in ends:
            assert is_ == pytest.approx(ends[field.name], abs=1e-4)
        elif "every" in field.name or field.name in {"gives_up_after_s", "deaf_after_s"}:
            assert is_ > 1e6
        else:
            assert is_ == pytest.approx(healthy, abs=1e-4)


def test_faults_add_up():
    """Two faults change two things; none changes nothing."""
    both = behaviour_with({"ignores_rain": 1.0, "slow_travel": 2.0})
    assert (both.rain_seen, both.travel_factor) == (False, 2.0)
    assert behaviour_with({}) == HEALTHY


@pytest.mark.parametrize(
    ("faults", "message"),
    [
        (
            {"ignore_rain": 1.0},
            r"^'ignore_rain' is not a fault of the mock unit; did you mean 'ignores_rain'\?$",
        ),
        ({"zzz": 1.0}, r"^'zzz' is not a fault of the mock unit; `ventproof explain faults` lists them$"),
        (
            {"slow_travel": 0.0},
            r"^severity 0.0 of fault 'slow_travel' must be more than 0 and at most 1000; 1 is usual$",
        ),
        (
            {"slow_travel": float("nan")},
            r"^severity nan of fault 'slow_travel' must be more than 0 and at most 1000;",
        ),
    ],
)
def test_unknown_faults_and_severities_are_refused(faults, message):
    """The message names the fault and what would be right."""
    with pytest.raises(ValueError, match=message):
        behaviour_with(faults)


def rained_on(unit, *, for_s=60.0):
    """Open the vents, let it rain for a while, and return when the rain began."""
    unit.write("holding", 0, [300], T0)
    rain_s = T0 + 60
    unit.set_contact("rain", rain_s, closed=True)
    unit.advance(rain_s + for_s)
    return rain_s


@pytest.mark.parametrize(
    ("faults", "roof", "side"),
    [
        ({}, 8, 45),
        ({"ignores_rain": 1}, 92, 88),
        ({"wrong_roof_position": 1}, 18, 45),
        ({"wrong_roof_position": 2.5}, 33, 45),
        ({"swapped_positions": 1}, 45, 8),
        ({"misses_side_vent": 1}, 8, 88),
        ({"stalls_at": 1}, 20, 45),
        ({"runs_on": 1}, 3, 41.25),
    ],
)
def test_where_the_vents_stand_after_a_minute_of_rain(make, faults, roof, side):
    """Each fault of the override and the drives leaves the vents where arithmetic by hand says."""
    unit = make(faults)
    rained_on(unit)
    assert unit.position("roof") == pytest.approx(roof)
    assert unit.position("side") == pytest.approx(side)


def test_slow_drives_take_half_as_long_again(make):
    """At severity 1 the roof needs 45 s instead of 30 s for its full travel."""
    unit = make({"slow_travel": 1})
    unit.write("holding", 0, [300], T0)
    unit.advance(T0 + 0.4 + 22.5)
    assert unit.position("roof") == pytest.approx(50)


def test_an_override_that_gives_up_lets_go_in_the_rain(make):
    """At severity 1 the override ends 45 s after it began and the vents open although it rains."""
    unit = make({"gives_up": 1})
    rain_s = rained_on(unit, for_s=2.05 + 44.9)
    assert "rain" in unit.active
    unit.advance(rain_s + 2.05 + 45.1)
    assert "rain" not in unit.active
    unit.advance(rain_s + 120)
    assert unit.position("roof") == pytest.approx(92)


@pytest.mark.parametrize(
    ("faults", "begins_s"),
    [
        ({}, 2.05),
        ({"entry_late": 1}, 7.05),
        ({"entry_at_once": 1}, 0.05),
        ({"no_debounce": 1}, 2.0),
        ({"slow_debounce": 1}, 2.5),
    ],
)
def test_when_the_override_begins(make, faults, begins_s):
    """Faults of the delays move the beginning of the override by what they say."""
    unit = make(faults)
    unit.set_contact("rain", T0, closed=True)
    unit.advance(T0 + begins_s - 0.001)
    assert "rain" not in unit.active
    unit.advance(T0 + begins_s + 0.001)
    assert "rain" in unit.active


@pytest.mark.parametrize(
    ("faults", "ends_s"),
    [({}, 30.05), ({"release_early": 1}, 15.05), ({"release_early": 5}, 5.05), ({"release_late": 1}, 60.05)],
)
def test_when_the_override_ends(make, faults, ends_s):
    """Faults of the release move the end of the override by what they say."""
    unit = make(faults)
    over_s = rained_on(unit) + 60
    unit.set_contact("rain", over_s, closed=False)
    unit.advance(over_s + ends_s - 0.001)
    assert "rain" in unit.active
    unit.advance(over_s + ends_s + 0.001)
    assert "rain" not in unit.active


def test_an_override_that_never_releases_lasts(make):
    """With the latch fault the override is active a day after the rain."""
    unit = make({"never_releases": 1})
    over_s = rained_on(unit) + 60
    unit.set_contact("rain", over_s, closed=False)
    unit.advance(over_s + 86_400)
    assert "rain" in unit.active


def test_a_blip_starts_a_latched_entry_delay(make):
    """A closure of 0.3 s begins the override, which the release delay then ends."""
    unit = make({"entry_latched": 1})
    unit.set_contact("rain", T0, closed=True)
    unit.set_contact("rain", T0 + 0.3, closed=False)
    unit.advance(T0 + 3)
    assert "rain" in unit.active
    unit.advance(T0 + 33)
    assert "rain" not in unit.active


@pytest.mark.parametrize(
    ("faults", "count"),
    [
        ({}, 10),
        ({"counts_twice": 1}, 20),
        ({"misses_counts": 1}, 8),
        ({"counts_bounce": 1}, 30),
        ({"slow_debounce": 1}, 0),
    ],
)
def test_what_the_counter_makes_of_ten_bouncing_closures(make, faults, count):
    """Ten closures of 0.3 s, each bouncing three times, are counted as the fault says."""
    unit = make(faults)
    for i in range(10):
        for at_ms, closed in ((0, True), (2, False), (4, True), (6, False), (8, True), (300, False)):
            unit.set_contact("rain", T0 + i + at_ms / 1000, closed=closed)
    high, low = unit.read("input", 4, 2, T0 + 20)
    assert high << 16 | low == count


def test_register_faults_show_on_the_wire(make):
    """Scale, word order, address and exchange faults leave the vents alone and change what is sent."""
    healthy = [920, 880, 0x41F0, 0, 0, 0, 0, 3]
    cases = {
        "wrong_scale": [92, 88, 0x41F0, 0, 0, 0, 0, 3],
        "words_swapped": [920, 880, 0, 0x41F0, 0, 0, 0, 3],
        "address_shift": [0, 920, 880, 0x41F0, 0, 0, 0, 0],
    }
    for faults, words in [({}, healthy), *(({name: 1.0}, words) for name, words in cases.items())]:
        unit = make(faults)
        unit.write("holding", 0, [300], T0)
        assert list(unit.read("input", 0, 8, T0 + 60)) == words
        assert unit.position("roof") == pytest.approx(92)


def test_busy_replies_come_every_fourth_time(make):
    """Of eight reads two are refused as busy, and the seed says which."""
    patterns = set()
    for seed in range(4):
        unit, codes = make({"replies_busy": 1}, seed=seed), []
        for _ in range(8):
            try:
                codes.append(len(unit.read("input", 0, 1, T0)) - 1)
            except RefusedError as refused:
                codes.append(refused.code)
        patterns.add(tuple(codes))
    assert patterns == {(0, 0, 0, 6) * 2, (0, 0, 6, 0) * 2, (0, 6, 0, 0) * 2, (6, 0, 0, 0) * 2}
