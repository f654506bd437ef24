"""The shipped suite of the house with a wind sensor: green on a healthy unit, red on a faulty one; and its log."""

from __future__ import annotations

import pytest

from ventproof.cli.options import SHIPPED, SHIPPED_BENCH
from ventproof.log.events import LevelWandered, StimulusApplied, StimulusEnd, StimulusSettled
from ventproof.log.read import read_log

PROFILES = sorted((SHIPPED.parent / "wind-house").glob("*.yaml"))
BENCH = SHIPPED_BENCH.with_name("wind-house.yaml").read_text(encoding="utf-8")
PLAYED = """
profile: a wind that rises, and then a value
needs: {outputs: {wind_sensor: m/s}, signals: {gust: m/s}}
start: {write: {wind_sensor: 1 m/s}}
steps:
  - step: it rises
    do: [{wind: wind_sensor, speed: 1 m/s, to: 5 m/s, over: 2 s, label: rises}]
    expect: [{signal: gust, reaches: 5 m/s, tolerance: 0.1 m/s, within: 6 s, after_end_of: rises}]
  - step: it is cut while it falls
    do:
      - {wind: wind_sensor, speed: 5 m/s, to: 3 m/s, over: 4 s}
      - {fail: wind_sensor, mode: open, at: 1 s}
      - {restore: wind_sensor, at: 2 s, label: whole}
    expect: [{signal: gust, reaches: 3 m/s, tolerance: 0.1 m/s, within: 10 s, after: whole}]
  - step: a value takes its place
    do:
      - {wind: wind_sensor, speed: 3 m/s, turbulence: {intensity: 30 %, for: 10 s}}
      - {write: wind_sensor, value: 2 m/s, at: 1 s, label: value}
    expect: [{signal: gust, reaches: 2 m/s, tolerance: 0.1 m/s, within: 8 s, after: value}]
"""


@pytest.fixture
def wind_house(run):
    """Run a profile on the bench of the house with a wind sensor, with a fault of the mock or without."""

    def run_it(profile, *faults):
        return run(profile, bench=BENCH, faults=dict.fromkeys(faults, 1.0))

    return run_it


@pytest.mark.parametrize(
    ("profile", "fault"),
    [
        ("gale-on-a-wind-sensor", "wind_zero_at_0_ma"),
        ("gust-after-gust-on-a-wind-sensor", "smooths_gusts"),
        ("wind-sensor-cut-in-a-gale", "no_sensor_check"),
    ],
)
def test_a_healthy_unit_passes_and_a_faulty_one_fails(profile, fault, wind_house):
    """Each profile of the suite passes on the healthy mock, and fails on one with a fault that it is there to find."""
    path = next(path for path in PROFILES if path.stem == profile)
    healthy = wind_house(path)
    assert healthy.outcome.verdict == "pass", [f for f in healthy.findings if f.verdict != "pass"]
    assert wind_house(path, fault).outcome.verdict == "fail"


def test_a_wind_is_played_level_by_level(wind_house):
    """A level each 200 ms, the mean until the next; none while the wire is cut, and none once a value is written."""
    result = wind_house(PLAYED)
    assert result.outcome.verdict == "pass", [f for f in result.findings if f.verdict != "pass"]
    events = list(read_log(result.log).events)
    levels = [(e.of.step, e.t_s, e.level) for e in events if isinstance(e, LevelWandered)]
    rising = [level for step, _, level in levels if step == 1]
    assert rising == pytest.approx([*(4 + 16 * (1 + 0.4 * k + 0.2) / 50 for k in range(1, 10)), 5.6])
    assert any(isinstance(e, StimulusSettled) for e in events)
    cut, whole = (
        next(e for e in events if isinstance(e, StimulusApplied) and said in e.said)
        for said in ("break", "restore")
    )
    falling = [t_s for step, t_s, _ in levels if step == 2]
    assert falling
    assert not [t_s for t_s in falling if cut.window.latest_s < t_s < whole.window.earliest_s]
    written = next(e for e in events if isinstance(e, StimulusApplied) and e.said.startswith("write 2 m/s"))
    assert all(t_s <= written.t_s for _, t_s, _ in levels)
    assert sum(isinstance(e, StimulusEnd) for e in events) == 3
