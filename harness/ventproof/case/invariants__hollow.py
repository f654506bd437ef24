"""A pass that shows nothing: what was demanded held before the stimulus came, and held on (pure)."""

from __future__ import annotations

from typing import Final

from bench.samples import Sample, Window
from harness.judge.formulas import Equals, Formula, Reaches
from harness.judge.verdict import Ruling, Verdict

_ROUNDED_S: Final = 2.5e-6  # windows of the log are rounded outward to 1 µs at both ends


def held_before(formula: Formula, before: Sample | None, since: Window) -> bool:
    """Return whether a reading shows what is demanded before the instant from which it counts.

    Args:
        formula: the demand; of others than `Reaches` and `Equals` it says nothing.
        before: the last reading there was, if there was one.
        since: the window that contains that instant, log time.
    """
    if before is None or before.replied_s > since.earliest_s + _ROUNDED_S:
        return False
    if isinstance(formula, Reaches):
        return abs(before.value - formula.target) <= formula.tolerance
    return isinstance(formula, Equals) and before.value == formula.value


def is_hollow(ruling: Ruling, *, held: bool) -> bool:
    """Return whether a ruling is a pass that shows nothing of the stimulus.

    Args:
        ruling: what was found.
        held: whether the demand held before; a response that was left and came again is an answer all the same.
    """
    answer = ruling.response_s
    return held and ruling.verdict is Verdict.PASS and (answer is None or answer.low <= 0)
