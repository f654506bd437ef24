"""Trials of one profile: verdicts, courses that are equal only for equal units, and why a fault is missed."""

import dataclasses

import pytest
from shipped_profiles import shipped_path

from ventproof.challenge.challenge import Challenged, begun, benign, explained, likely_first
from ventproof.challenge.trial import attempt
from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.profile.load import load_profile, read_profile
from ventproof_bench.benchcheck.load import load_bench, with_faults
from ventproof_bench.mock.faults.catalogue import CATALOGUE

BENCH = load_bench(SHIPPED_BENCH)

# Each of the shipped suite's later profiles with a fault that brought it about.
FINDS = [
    ("tips_not_debounced", "bucket-bounce-ignored"),
    ("small_moves_ignored", "gale-while-it-rains"),
    ("runs_on_without_processor", "power-fails-while-vents-move"),
    ("delays_lost", "power-keeps-the-delays"),
    ("drive_skips", "rain-showers-in-series"),
    ("stale_registers", "readings-follow-the-sensors"),
    ("low_end_unchecked", "sensor-house-wire-breaks"),
    ("deaf_after_failure", "sensor-house-wire-breaks"),
    ("passes_bad_value", "sensor-loose-terminal"),
    ("runs_inverted", "stages-follow-the-temperature"),
    ("address_shift", "readings-follow-the-sensors"),
    ("seconds_wrap_16", "uptime-eighteen-hours"),
    ("wrap_ends_delay", "uptime-fifty-days"),
    ("counter_goes_negative", "uptime-fifty-days"),
    ("drops_cup_offset", "wind-closes-holds-releases"),
    ("frost_at_once", "frost-closes-and-releases"),
    ("lost_bus_unseen", "bus-falls-silent"),
    ("lost_bus_early", "bus-falls-silent"),
    ("tips_wrap_16", "rain-by-tips"),
    ("lost_vane_keeps_lee", "vane-lost-in-a-gale"),
    ("flicker_loses_rain", "supply-flickers-in-the-rain"),
    ("dead_cups_unseen", "cups-ice-up-in-a-gale"),
    ("cups_not_debounced", "gale-pulses-bounce"),
    ("tips_not_debounced", "drizzle-with-bouncing-tips"),
    ("no_frost_hysteresis", "frost-wavers-at-its-limit"),
    ("ignores_tips", "rain-cable-cut-in-a-shower"),
    ("gives_up", "rain-cable-shorts"),
    ("tip_rate_sticks", "showers-at-random"),
    ("low_end_unchecked", "sensor-house-signals-failure"),
    ("release_drops_others", "sensor-house-fails-in-the-rain"),
    ("drops_second_override", "gale-frost-and-rain"),
    ("gale_release_early", "gust-after-gust"),
    ("blind_after_restart", "power-returns-in-a-gale"),
    ("failure_not_told", "power-returns-with-a-broken-wire"),
    ("misses_side_vent", "rain-while-the-bus-is-silent"),
]

DRY = """
profile: a shower that nobody looks at
needs:
  outputs: {rain: contact}
  signals: {stage: state}
start:
  set: {rain: open}
steps:
  - step: a shower
    do:
      - {close: rain, label: shower}
    expect:
      - {signal: stage, unchanged: {for: 20 s}, after: shower}
"""
LOOSE = """
profile: a loose limit
needs:
  outputs: {rain: contact}
  signals: {rain_override: flag}
start:
  set: {rain: open}
steps:
  - step: a shower
    do:
      - {close: rain}
    expect:
      - {signal: rain_override, equals: on, within: 1 min}
"""
# The flag that comes late is watched until it need not have come yet, and is read on without a response.
EARLY = (
    LOOSE.replace("equals: on, within: 1 min", "unchanged: {for: 1 s}")
    + """
  - step: some time later
    expect:
      - {signal: stage, unchanged: {for: 10 s}}
"""
)
EARLY = EARLY.replace("rain_override: flag}", "rain_override: flag, stage: state}")


def shipped(name):
    return load_profile(shipped_path(name))


@pytest.mark.parametrize(("fault", "profile"), FINDS)
def test_a_profile_finds_the_fault_that_it_is_there_for(fault, profile):
    """A slice of the challenge: the fault makes the profile fail."""
    trial = attempt(shipped(profile), with_faults(BENCH, {fault: 1.0}), seed=3)
    assert trial.failed, trial.why
    assert trial.why


def test_a_course_is_the_same_for_the_same_unit_only():
    """Equal runs have equal digests; a fault that does something changes them, one that does not leaves them."""
    profile = shipped("rain-count")
    healthy = attempt(profile, BENCH, seed=1)
    assert healthy == attempt(profile, BENCH, seed=1)
    assert attempt(profile, with_faults(BENCH, {"ignores_gale": 1.0}), seed=1).course == healthy.course
    counting = attempt(profile, with_faults(BENCH, {"counts_twice": 1.0}), seed=1)
    assert counting.course.truth == healthy.course.truth
    assert counting.course.watched != healthy.course.watched


@pytest.mark.parametrize(
    ("fault", "text", "why"),
    [
        ("ignores_gale", LOOSE, "never stimulated"),
        ("ignores_rain", DRY, "stimulated, not observed"),
        ("entry_late", LOOSE, "observed, within tolerance"),
        ("entry_late", EARLY, "stimulated, not observed"),
        ("counter_wraps_16", LOOSE, "made no difference"),
    ],
)
def test_why_a_fault_is_missed(fault, text, why):
    """Nothing brings it out; or it shows where nobody looks; or it is seen and let pass."""
    profile = read_profile("profile.yaml", text)
    healthy = attempt(profile, BENCH, seed=0)
    trial = attempt(profile, with_faults(BENCH, {fault: 1.0}), seed=0)
    assert trial.passed
    found = explained(Challenged(CATALOGUE[fault], {0: trial}), (healthy,))
    assert found.found == "missed"
    assert found.missed == why


@pytest.mark.parametrize(
    ("fault", "name"), [("replies_busy", "readings-follow-the-sensors"), ("counter_wraps_16", "rain-count")]
)
def test_what_cannot_be_told_leaves_it_open(fault, name):
    """Trouble with the bus, and a count that a restart may have set anew, are neither a pass nor a fail."""
    trial = attempt(shipped(name), with_faults(BENCH, {fault: 1.0}), seed=0)
    found = Challenged(CATALOGUE[fault], {0: trial})
    assert CATALOGUE[fault].undecided
    assert (found.found, found.caught_by, found.left_open_by) == ("open", (), (0,))


def test_profiles_that_move_what_brings_it_out_come_first():
    """A fault of the wind is tried on profiles with wind, the cheapest of them first, and on no others."""
    names = ("rain-count", "wind-gusts", "wind-below-threshold-ignored", "bus-falls-silent")
    profiles = [shipped(name) for name in names]
    trial = attempt(profiles[0], BENCH, seed=0)
    costs = [
        dataclasses.replace(trial, polls=polls, touched=frozenset({touched}))
        for polls, touched in ((1, "rain"), (3, "cups"), (2, "cups"), (4, "time"))
    ]
    assert likely_first(CATALOGUE["last_override_wins"], profiles, BENCH, costs) == (2, 1, 0, 3)
    assert likely_first(CATALOGUE["ignores_gale"], profiles, BENCH, costs) == (2, 1)
    assert likely_first(CATALOGUE["lost_bus_late"], profiles, BENCH, costs) == (3,)


@pytest.mark.parametrize("name", ["rain-count", "readings-follow-the-sensors", "bucket-bounce-ignored"])
def test_what_a_profile_does_not_touch_makes_no_difference(name):
    """A unit with every fault that a profile is not tried on does what a healthy one does, to the register."""
    healthy = attempt(shipped(name), BENCH, seed=0)
    possible = [f for f in CATALOGUE.values() if not f.needs or f.needs in BENCH.model.mock.parts]
    idle = {f.name: 1.0 for f in possible if f.only_by and not f.only_by & healthy.touched}
    assert len(idle) > 50
    assert attempt(shipped(name), with_faults(BENCH, idle), seed=0) == healthy


@pytest.mark.parametrize(
    ("name", "touched"),
    [
        ("rain-count", {"rain"}),
        ("sensor-loose-terminal", {"implausible", "house"}),
        ("frost-closes-and-releases", {"outside", "house"}),
    ],
)
def test_a_trial_tells_what_was_touched(name, touched):
    """Contacts that changed, values that moved, levels that no sensor gives: what is set as it was is none of them."""
    assert attempt(shipped(name), BENCH, seed=0).touched == touched


@pytest.mark.parametrize("seed", range(5))
def test_a_benign_variation_passes(seed):
    """A slice of the thousand: a healthy unit that differs a little passes."""
    profiles = sorted(SHIPPED.rglob("rain-*.yaml"))
    profile = load_profile(profiles[seed % len(profiles)])
    trial = attempt(profile, benign(BENCH, seed), seed=seed)
    assert trial.passed, trial.why


def test_a_variation_stays_within_what_the_bench_declares():
    """Refreshed no more rarely, and moved no faster, than the signals say; the same seed gives the same."""
    for seed in range(50):
        mock = benign(BENCH, seed).model.mock
        assert mock.refresh_every <= 0.2
        assert mock.vents["roof"].full_travel > 28
        assert mock.vents["side"].full_travel > 38
        assert not mock.faults
    assert benign(BENCH, 5).model == benign(BENCH, 5).model
    assert benign(BENCH, 5).model != benign(BENCH, 6).model


def test_what_takes_longest_is_begun_in_the_middle():
    """A fault that rightly meets every profile neither ends alone nor misleads whoever waits; none is left out."""
    faults = list(CATALOGUE.values())
    order = begun(faults)
    assert sorted(fault.name for fault in order) == sorted(CATALOGUE)
    long = [number for number, fault in enumerate(order) if fault.undecided or fault.equivalent]
    assert long
    assert len(order) / 3 < min(long) <= max(long) < 2 * len(order) / 3
    others = [fault for fault in order if not (fault.undecided or fault.equivalent)]
    assert others == [fault for fault in faults if fault in others]
