"""The shipped suite: green on a healthy unit, red on a faulty one, never green on a bench file that lies."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ventproof.cli.options import SHIPPED

PROFILES = sorted(SHIPPED.rglob("*.yaml"))


@pytest.mark.parametrize("path", PROFILES, ids=lambda p: p.stem)
def test_a_healthy_unit_passes(path, run):
    """Every shipped profile passes on the healthy mock."""
    result = run(path)
    assert result.outcome.verdict == "pass", [f for f in result.findings if f.verdict != "pass"]


@pytest.mark.parametrize(
    ("fault", "profile"),
    [
        ("ignores_rain", "rain-closes-holds-releases"),
        ("no_debounce", "rain-contact-bounce-ignored"),
        ("slow_debounce", "rain-count"),
        ("entry_late", "rain-closes-holds-releases"),
        ("entry_at_once", "rain-contact-chatters"),
        ("release_early", "rain-closes-holds-releases"),
        ("release_late", "rain-closes-holds-releases"),
        ("never_releases", "rain-closes-holds-releases"),
        ("wrong_roof_position", "rain-closes-holds-releases"),
        ("misses_side_vent", "rain-closes-holds-releases"),
        ("swapped_positions", "rain-closes-holds-releases"),
        ("opens_vent_to_override", "rain-while-partly-open"),
        ("stage_beats_override", "rain-while-partly-open"),
        ("slow_travel", "rain-closes-holds-releases"),
        ("stalls_at", "rain-closes-holds-releases"),
        ("creeps_open", "rain-returns-during-release"),
        ("counts_twice", "rain-count"),
        ("misses_counts", "rain-count"),
        ("counts_bounce", "rain-contact-bounce-ignored"),
        ("flag_stuck", "rain-closes-holds-releases"),
        ("ignores_gale", "wind-closes-holds-releases"),
        ("gale_in_wrong_unit", "wind-closes-holds-releases"),
        ("no_gale_hysteresis", "wind-closes-holds-releases"),
        ("sides_exchanged", "wind-closes-holds-releases"),
        ("smooths_gusts", "wind-closes-holds-releases"),
        ("counts_cups_twice", "wind-below-threshold-ignored"),
        ("last_override_wins", "wind-and-rain-together"),
        ("release_drops_others", "wind-and-rain-together"),
        ("ignores_frost", "frost-closes-and-releases"),
        ("loses_sign", "frost-closes-and-releases"),
        ("ignores_tips", "rain-by-tips"),
        ("wrong_tip_size", "rain-by-tips"),
        ("tip_rate_sticks", "rain-by-tips"),
        ("blind_after_restart", "power-returns-in-the-rain"),
        ("skips_reference", "power-returns-in-the-rain"),
        ("no_sensor_check", "sensor-outside-wire-breaks"),
        ("no_sensor_check", "sensor-house-wire-shorts"),
        ("no_sensor_check", "sensor-outside-drifts"),
        ("no_sensor_check", "sensor-outside-jumps"),
        ("ignores_gale", "sensor-cups-chatter"),
        ("smooths_gusts", "wind-gusts"),
        ("gale_in_wrong_unit", "wind-rises-slowly"),
        ("sides_exchanged", "wind-leeward"),
        ("ignores_tips", "rain-storm-counted"),
        ("ignores_tips", "rain-measured-shower"),
        ("lost_bus_late", "bus-falls-silent"),
    ][::2],
)
def test_a_faulty_unit_fails(fault, profile, run, shipped):
    """A unit with a fault fails the profile that is there to find it: every second pair, `make challenge` tries all."""
    assert run(shipped[profile], faults=[fault]).outcome.verdict == "fail"


@pytest.mark.parametrize(
    ("fault", "verdict"),
    [
        ("stale_registers", None),
        ("address_shift", None),
        ("reports_target_instead_of_position", None),
        ("positions_exchanged", None),
        ("wrong_scale", "inconclusive"),
    ],
)
def test_a_unit_whose_registers_lie_never_passes(fault, verdict, run, shipped):
    """Registers that cannot be true contradict the declared travel time, or never show the start state."""
    result = run(shipped["rain-closes-holds-releases"], faults=[fault])
    assert result.outcome.verdict == verdict
    assert bool(result.outcome.aborted) == (verdict is None)


@pytest.mark.parametrize(
    ("said", "instead"),
    [
        ("    address: 0\n    type: u16\n    scale: 0.1", "    address: 1\n    type: u16\n    scale: 0.1"),
        ("    address: 0\n    type: u16\n    scale: 0.1", "    address: 0\n    type: u16\n    scale: 0.01"),
        ("    address: 0\n    type: u16\n    scale: 0.1", "    address: 0\n    type: u16\n    scale: 1"),
        ("    address: 4\n    type: u32", "    address: 4\n    word_order: low-first\n    type: u32"),
        ("    address: 4\n    type: u32", "    address: 3\n    type: u32"),
        ("    bit: 0\n", "    bit: 1\n"),
        ("type: s16, scale: 0.1}", "type: s16, scale: 0.01}"),
        ("wired: {bus: unit, table: holding, address: 0", "wired: {bus: unit, table: holding, address: 1"),
        ("full_travel: 28 s", "full_travel: 60 s"),
    ],
)
def test_a_bench_file_that_does_not_fit_the_unit_never_passes(said, instead, run, bench_text, tmp_path):
    """A swapped word order, a shifted address or a wrong scale makes the suite fail or be refused, not pass."""
    assert bench_text.count(said) >= 1
    changed = bench_text.replace(said, instead, 1)
    likely_first = sorted(PROFILES, key=lambda path: not path.stem.startswith("rain-c"))
    verdicts = (run(path, bench=changed, out=tmp_path / "wrong").outcome.verdict for path in likely_first)
    assert any(verdict != "pass" for verdict in verdicts)


def test_two_runs_with_one_seed_leave_the_same_bytes(run, shipped, tmp_path):
    """In virtual time profile, bench and seed decide the log to the byte; another seed gives other bytes."""
    logs = [
        run(shipped["rain-count"], seed=seed, out=tmp_path / str(number)).log.read_bytes()
        for number, seed in enumerate((7, 7, 8))
    ]
    assert logs[0] == logs[1]
    assert logs[0] != logs[2]


def test_the_first_line_pins_what_was_tested(run, shipped):
    """The header holds the texts and digests of profile and bench, and the versions."""
    profile = shipped["rain-count"]
    header = json.loads(run(profile).log.read_text(encoding="utf-8").splitlines()[0])
    assert header["event"] == "run_begin"
    assert header["profile"]["text"] == Path(profile).read_text(encoding="utf-8")
    assert len(header["bench"]["sha256"]) == 64
    assert header["clock"] == "virtual"
    assert header["started"] is None
    assert set(header["versions"]) == {"ventproof", "python", "pymodbus", "pyserial"}
