"""What benchmarks measured: ratios, each round on its own, so that noise can be told from a change (pure)."""

from __future__ import annotations

import json
import statistics
from dataclasses import asdict, dataclass
from typing import Literal

from scipy.stats import mannwhitneyu

FORMAT = 1
LEAST = 0.05
"""A change of the median by less than this share is none, however sure."""
CHANCE = 0.01
"""So seldom chance alone marks a figure that did not change."""


@dataclass(frozen=True)
class Figure:
    """A ratio, measured so often.

    Attributes:
        name: what was measured.
        values: of each round.
        better: whether less or more is better.
        limit: what the benchmark asserts of the best round.
        wanted: what it is to become; None where that is the limit.
        bound_by: what it is spent on.
    """

    name: str
    values: list[float]
    better: Literal["less", "more"]
    limit: float
    wanted: float | None = None
    bound_by: str = ""

    @property
    def best(self) -> float:
        """The best round: what disturbs a round makes it worse only."""
        return min(self.values) if self.better == "less" else max(self.values)

    @property
    def holds(self) -> bool:
        """Whether the best round keeps to the limit."""
        return self.best <= self.limit if self.better == "less" else self.best >= self.limit


def change(before: Figure, now: Figure) -> str:
    """Return `worse`, `better`, or nothing where noise would explain it (Mann and Whitney 1947, two-sided)."""
    old, new = statistics.median(before.values), statistics.median(now.values)
    chance = mannwhitneyu(before.values, now.values, method="exact").pvalue
    if chance > CHANCE or abs(new - old) <= LEAST * old:
        return ""
    return "worse" if (new > old) == (now.better == "less") else "better"


def written(figures: list[Figure], about: dict[str, str]) -> str:
    """Return figures as a JSON document."""
    whole = {"format": FORMAT, "about": about, "figures": [asdict(one) for one in figures]}
    return json.dumps(whole, indent=1) + "\n"


def read(text: str) -> list[Figure]:
    """Read what `written` returned.

    Raises:
        ValueError: it is no such document.
    """
    whole = json.loads(text)
    if not isinstance(whole, dict) or whole.get("format") != FORMAT:
        raise ValueError(f"not figures of format {FORMAT}")
    return [Figure(**one) for one in whole["figures"]]


def table(figures: list[Figure], before: list[Figure]) -> str:
    """Return a line for each figure: best round, median and range, limit, and what became of it since."""
    known = {one.name: one for one in before}
    width = max(len(one.name) for one in figures)
    lines = [
        f"{'figure':{width}}  {'best':>7}{'median':>8}  {'range':14} {'limit':>8}{'wanted':>8}{'before':>8}"
    ]
    for one in figures:
        old = known.get(one.name)
        spread = f"{min(one.values):.2f}-{max(one.values):.2f}"
        limit = f"{'<=' if one.better == 'less' else '>='} {one.limit:g}"
        wanted = f"{one.wanted:g}" if one.wanted is not None else ""
        was = f"{statistics.median(old.values):.2f}" if old else ""
        mark = change(old, one) if old else ""
        median = f"{statistics.median(one.values):.2f}"
        lines.append(
            f"{one.name:{width}}  {one.best:7.2f}{median:>8}  {spread:14} {limit:>8}{wanted:>8}{was:>8} "
            f"{'' if one.holds else 'BEYOND '}{mark}".rstrip()
        )
    bounds = [f"{one.name}: {one.bound_by}" for one in figures if one.bound_by]
    return "\n".join([*lines, *(["", "what bounds it", *bounds] if bounds else [])])
