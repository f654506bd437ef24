"""A measured series through the whole program: from CSV beside a profile to what the unit's registers count.

Data: `data/measured_rain.csv`, an excerpt of brightwind 2.7.0 (PyPI, MIT; its licence stands in the file): ten-minute
rain in steps of 0.1 mm, and ten-minute means of the wind at 40 m.
"""

import csv
import json
import math
from fractions import Fraction
from pathlib import Path

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.log.read import read_log
from ventproof.profile.load import load_profile
from ventproof.rejudge.again import decide_again
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import read_bench

TEXT = (Path(__file__).parent / "data" / "measured_rain.csv").read_text(encoding="utf-8")
ROWS = [
    row
    for row in csv.DictReader(line for line in TEXT.splitlines() if not line.startswith("#"))
    if "2017-10-30 12:00" <= row["Timestamp"] <= "2017-10-30 14:00:00"
]
TIP_MM = "0.1"
SLOPE_M, OFFSET = 1.2, 0.4  # the shipped bench's cups
PROFILE = """
profile: two wet hours of a mast
needs:
  outputs: {{bucket: contact, cups: contact}}
  signals: {{tip_count: count}}
start:
  until: [{{signal: tip_count, unchanged: {{for: 1 s}}}}]
steps:
  - step: the hours pass
    do:
      - {{wind: cups, series: {{file: mast.csv, between: steps}}, faster: {faster}, label: wind}}
      - {{rainfall: bucket, series: {{file: gauge.csv}}, faster: {faster}, label: rain}}
    expect:
      - {{signal: tip_count, counts: {tips}, within: {within} s, after: rain}}
"""


def lines_of(log):
    """Return the lines of a log as JSON tells them."""
    return [json.loads(line) for line in log.read_bytes().splitlines()]


@pytest.mark.parametrize("faster", [60, 90])
def test_the_unit_counts_what_was_recorded(faster, tmp_path):
    """However fast it is replayed, each 0.1 mm that was recorded is one tip at the unit, and the wind's run is kept."""
    tips = sum(Fraction(row["PrcpTot"]) for row in ROWS[1:]) / Fraction(TIP_MM)
    assert tips.denominator == 1
    rain = ["time, depth [mm]", f"{ROWS[0]['Timestamp']}, 0"]
    rain += [f"{row['Timestamp']}, {row['PrcpTot']}" for row in ROWS[1:]]
    wind = ["time, wind [m/s]", *(f"{row['Timestamp']}, {row['Spd40mN']}" for row in ROWS)]
    (tmp_path / "gauge.csv").write_text("\n".join(rain), encoding="utf-8")
    (tmp_path / "mast.csv").write_text("\n".join(wind), encoding="utf-8")
    lasts_s = 600 * (len(ROWS) - 1) / faster
    path = tmp_path / "hours.yaml"
    path.write_text(PROFILE.format(faster=faster, tips=tips, within=math.ceil(lasts_s) + 2), encoding="utf-8")
    text = SHIPPED_BENCH.read_text(encoding="utf-8").replace(
        "bucket: {tip: 0.2 mm", f"bucket: {{tip: {TIP_MM} mm"
    )
    result = Session(bench=read_bench("bench.yaml", text), out=tmp_path).run(load_profile(path), SilentView())
    assert result.outcome.verdict == "pass", result.findings
    assert decide_again(read_log(result.log)).verdict == "pass"
    ends = {e["output"]: e for e in lines_of(result.log) if e["event"] == "stimulus_end"}
    assert ends["bucket"]["closures"] == tips
    blown_s = ends["cups"]["from"] - next(
        e["from"] for e in lines_of(result.log) if e.get("label") == "wind" and e["event"] == "stimulus"
    )
    turns = sum((float(row["Spd40mN"]) - OFFSET) / SLOPE_M for row in ROWS[:-1]) * 600 / faster
    turns += (blown_s - lasts_s) * (float(ROWS[-1]["Spd40mN"]) - OFFSET) / SLOPE_M
    assert ends["cups"]["closures"] == pytest.approx(turns, abs=1)
