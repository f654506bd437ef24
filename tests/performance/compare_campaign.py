"""Like firmware compared with itself: how often is a healthy version called worse, and a slower one not?

`python tests/performance/compare_campaign.py 200` runs a shipped profile on the mock, three runs for each side and none
used twice, and compares so often. The drives of every run differ by `--spread` (standard deviation; 0.01 is 1 %), as
real ones do from run to run; that is the same on both sides. The rate at which anything is called worse must not exceed
5 %. `--slower 0.5` lets the candidate's drives take half as long again, to see how often that is found. The suite plays
a slice.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from shipped_profiles import shipped_path

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.compare.comparison import compare
from ventproof.compare.measures import ShiftLimits
from ventproof.compare.side import Side, side_of
from ventproof.profile.load import load_profile
from ventproof.rejudge.batch import read_runs
from ventproof.run.view import SilentView
from ventproof.session.session import Session
from ventproof_bench.benchcheck.load import read_bench

RUNS = 3
LEVEL = 0.05

_TRAVEL = re.compile(r"(?<=\{full_travel: )[\d.]+(?= s, dead_time)")


def outcomes(count: int, slower: float = 0.0, spread: float = 0.01) -> Iterator[str]:
    """Yield how each of so many comparisons ended: `worse`, `open` or `same`.

    Args:
        count: how many.
        slower: by what share the candidate's drives are slower.
        spread: standard deviation of the drives from run to run, as a share.
    """
    for number in range(count):
        with TemporaryDirectory() as folder:
            base = _side(Path(folder) / "base", "1.0", (1.0, spread), 2 * number * RUNS)
            candidate = _side(
                Path(folder) / "candidate", "1.1", (1.0 + slower, spread), (2 * number + 1) * RUNS
            )
            yield compare(base, candidate, ShiftLimits()).outcome


def _side(out: Path, firmware: str, travel: tuple[float, float], seed: int) -> Side:
    profile = load_profile(shipped_path("rain-while-partly-open"))
    text = SHIPPED_BENCH.read_text(encoding="utf-8")
    logs = []
    for one in range(seed, seed + RUNS):
        factor = travel[0] * random.Random(one).gauss(1, travel[1])
        bench = read_bench(
            "bench.yaml", _TRAVEL.sub(lambda found, f=factor: f"{float(found[0]) * f:.4f}", text)
        )
        session = Session(bench=bench, out=out, unit="GH-7", firmware=firmware, seed=one)
        logs.append(session.run(profile, SilentView()).log)
    return side_of(firmware, [one.run for one in read_runs(logs)])


def main(words: list[str] | None = None) -> int:
    """Play the campaign that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("count", type=int, nargs="?", default=20)
    parser.add_argument("--slower", type=float, default=0.0)
    parser.add_argument("--spread", type=float, default=0.01)
    asked = parser.parse_args(words)
    ended = Counter(outcomes(asked.count, asked.slower, asked.spread))
    print(", ".join(f"{ended[word]} {word}" for word in ("worse", "open", "same")), f"of {asked.count}")
    return int(not asked.slower and ended["worse"] > LEVEL * asked.count)


if __name__ == "__main__":
    sys.exit(main())
