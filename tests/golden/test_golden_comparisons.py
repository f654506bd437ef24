"""What people read of a comparison and of a trend, in a terminal of 80 by 24 and in Markdown: word by word."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import replace
from pathlib import Path

import pytest
from findings import FINDING

from ventproof.compare.comparison import compare
from ventproof.compare.measures import ShiftLimits
from ventproof.compare.side import side_of
from ventproof.compare.summary import markdown_of, markdown_of_trend
from ventproof.compare.trend import trend
from ventproof.log.run import RunRecord
from ventproof.terminal.comparison import show_comparison, show_trend
from ventproof.verdict.finding import Bounds, NotRun, Status
from ventproof_bench.base.evidence import Window
from ventproof_bench.mock.faults.fault import GivenFault

GOLDEN = Path(__file__).parent
LIMITS = ShiftLimits()

CLOSES = replace(
    FINDING,
    demand="reaches 8 % ± 2 % within 32 s, holds 20 s",
    why="in the band since 26.87 to 27.16 s after the stimulus (limit 32 s), stayed 20 s",
    slack_s=Bounds(4.8, 5.1),
    response_s=Window(26.87, 27.16),
    seen=Bounds(7.2, 92.0),
    stood=8.0,
)
LATE = replace(
    CLOSES,
    status=Status.FAIL,
    why="41.98 to 43.27 % at 32.01 s after the stimulus; required 6 to 10 % within 32 s",
    margin=Bounds(-33.6, -31.9),
    slack_s=None,
    response_s=None,
    stood=42.6,
)
RETURNS = replace(
    CLOSES,
    step=2,
    step_name="rain ends",
    kind="returns",
    demand="returns to 92 % ± 2 % not before 47 s, within 62 s",
    why="returned 54.88 to 55.30 s after the stimulus (limit 62 s), not before 47 s",
    margin=None,
    response_s=Window(54.88, 55.30),
)
SKIPPED = replace(
    RETURNS,
    status=Status.NOT_RUN,
    not_run=NotRun.EARLIER_STEP,
    why=NotRun.EARLIER_STEP.text,
    slack_s=None,
    response_s=None,
    seen=None,
    stood=None,
)
STARTS = replace(
    CLOSES,
    step=0,
    step_name="start",
    signal="side_vent",
    demand="reaches 88 % ± 2 % within 2 min, holds 5 s",
    why="in the band since 34.70 to 35.02 s after the stimulus (limit 2 min), stayed 5 s",
    response_s=Window(34.70, 35.02),
    stood=88.0,
)
SLOW_START = replace(
    STARTS,
    why="in the band since 68.94 to 69.76 s after the stimulus (limit 2 min), stayed 5 s",
    response_s=Window(68.94, 69.76),
)
COUNTS = replace(
    CLOSES,
    signal="rain_count",
    unit="count",
    kind="counts",
    demand="counts 25",
    why="counted 25 of 25",
    margin=None,
    slack_s=None,
    response_s=None,
)
MISCOUNTS = replace(COUNTS, status=Status.FAIL, why="counted 24; required 25")
SLOW = GivenFault("slow_travel", 2)


def run(profile, firmware, *findings, faults=(), number=0):
    """Make a run of a profile on the mock, with what it found."""
    worst = next((v for v in ("fail", "inconclusive") if v in {f.verdict for f in findings}), "pass")
    return RunRecord(
        digest=f"{profile} {firmware} {number}",
        lines=100,
        closed=True,
        verdict=worst,
        reason="",
        profile=profile,
        profile_sha256=hashlib.sha256(profile.encode()).hexdigest(),
        bench="house 3, mock in process",
        bench_sha256=("bb" if not faults else "cc") * 32,
        unit="GH-7",
        firmware=firmware,
        operator="",
        started=None,
        clock="virtual",
        decision="guarded",
        repeat=number + 1,
        seed=number,
        duration_s=200.0,
        selfcheck_sha256="",
        version="0.4.0",
        findings=findings,
        faults=faults,
    )


GOOD = [run("rain closes the vents", "2.3", STARTS, CLOSES, RETURNS), run("rain is counted", "2.3", COUNTS)]
LIKE = [replace(one, firmware="2.2", digest=f"{one.digest} before") for one in GOOD]
SLOWER = [
    run("rain closes the vents", "2.4", SLOW_START, LATE, SKIPPED, faults=(SLOW,)),
    run("rain is counted", "2.4", MISCOUNTS, faults=(SLOW,)),
    run("frost closes the vents", "2.4", CLOSES, faults=(SLOW,)),
]
REPEATED = [
    run("rain closes the vents", "2.5", replace(STARTS, response_s=Window(s, s + 0.3)), CLOSES, number=n)
    for n, s in enumerate((34.7, 34.9, 35.3))
]

COMPARISONS = {
    "compare-worse": (GOOD, SLOWER),
    "compare-better": (SLOWER, GOOD),
    "compare-same": (LIKE, GOOD),
    "compare-open": (GOOD, REPEATED),
}
TRENDS = {
    "trend-worse": [*LIKE, *GOOD, *SLOWER],
    "trend-better": [*GOOD, *SLOWER, *REPEATED],
    "trend-one-version": GOOD,
}


@pytest.fixture
def on_screen(capsys, monkeypatch):
    """Show something as on a terminal of 80 columns; return its lines without colours."""
    for name, value in {"FORCE_COLOR": "1", "COLUMNS": "80", "LINES": "24", "TERM": "xterm"}.items():
        monkeypatch.setenv(name, value)

    def shown(show, found):
        show(found, verbose=False)
        out = re.sub(r"\x1b\[[\d;]*m", "", capsys.readouterr().out)
        return "".join(f"{line.rstrip()}\n" for line in out.splitlines())

    return shown


def agreed(name, text):
    """Compare a text with the file that holds what was agreed; UPDATE_GOLDEN=1 writes it anew."""
    golden = GOLDEN / name
    if os.environ.get("UPDATE_GOLDEN"):
        golden.write_text(text, encoding="utf-8")
    assert text == golden.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", COMPARISONS)
def test_comparisons_read_as_agreed(name, on_screen):
    """The terminal and the Markdown summary say exactly what stands beside this file, and fit the terminal."""
    base, candidate = COMPARISONS[name]
    found = compare(side_of(base[0].firmware, base), side_of(candidate[0].firmware, candidate), LIMITS)
    shown = on_screen(show_comparison, found)
    assert max(map(len, shown.splitlines())) <= 80
    assert len(shown.splitlines()) < 24
    agreed(f"{name}.txt", shown)
    agreed(f"{name}.md", markdown_of(found))


@pytest.mark.parametrize("name", TRENDS)
def test_trends_read_as_agreed(name, on_screen):
    """So do trends, as wide as the terminal."""
    found = trend(side_of("all", TRENDS[name]), LIMITS)
    shown = on_screen(show_trend, found)
    assert max(map(len, shown.splitlines())) <= 80
    agreed(f"{name}.txt", shown)
    agreed(f"{name}.md", markdown_of_trend(found))
