"""Which faults a mock unit had in past runs, in sentences: what a difference between runs may come from (pure)."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from ventproof_bench.base.text import number_of
from ventproof_bench.mock.faults.catalogue import CATALOGUE

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from ventproof.log.run import RunRecord
    from ventproof_bench.mock.faults.fault import GivenFault


_MOST: Final = 3
"""So many faults have a line each; more are counted."""


def fault_lines(whose: str, runs: Collection[RunRecord]) -> list[str]:
    """Return which faults the mock had in some runs, what had most of them first; nothing where it had none.

    Args:
        whose: the runs, in words: `the candidate`.
        runs: the runs.
    """
    found = Counter(fault for run in runs for fault in run.faults or ())
    lines = [
        f"{whose} ran with fault {fault.text}{_share(many, len(runs))}: {_about(fault)}"
        for fault, many in found.most_common(_MOST)
    ]
    if (more := len(found) - _MOST) > 0:
        lines.append(f"{whose} ran with {number_of(more, 'more fault')}")
    # On real wires there is no mock in the process, whatever an older ventproof entered.
    if unknown := sum(run.faults is None and run.clock == "virtual" for run in runs):
        hint = "`ventproof history import` reads their logs again"
        lines.append(f"{whose}: faults of the mock unknown in {number_of(unknown, 'run')}; {hint}")
    return lines


def fault_lines_by_version(runs: Iterable[RunRecord]) -> list[str]:
    """Return the same of each firmware version, in the order in which the versions are first seen."""
    versions: dict[str, list[RunRecord]] = {}
    for run in runs:
        versions.setdefault(run.firmware, []).append(run)
    return [
        line
        for firmware, those in versions.items()
        for line in fault_lines(f"firmware {firmware}" if firmware else "firmware not stated", those)
    ]


def faults_text(run: RunRecord) -> str:
    """Return the faults of one run as they stand in a list: `fault slow_travel=2`; empty without any."""
    if not run.faults:
        return ""
    return f"fault{'s' if len(run.faults) > 1 else ''} {', '.join(fault.text for fault in run.faults)}"


def _share(many: int, total: int) -> str:
    return "" if many == total else f" in {many} of {total} runs"


def _about(fault: GivenFault) -> str:
    known = CATALOGUE.get(fault.name)
    return (
        f"{known.about[0].lower()}{known.about[1:].rstrip('.')}" if known else "not known to this ventproof"
    )
