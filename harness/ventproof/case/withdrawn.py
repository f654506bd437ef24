"""Readings that were taken back: what rested on them is decided no more (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from ventproof_bench.base.errors import EvidenceError
from ventproof_bench.base.evidence import TAKEN_BACK

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from ventproof.judge.flags import FlagsTrace
    from ventproof.judge.trace import SignalTrace
    from ventproof.verdict.finding import Ruling
    from ventproof_bench.base.evidence import Gap


class Ruled(Protocol):
    """Whatever has a ruling at the end."""

    @property
    def signal(self) -> str:
        """What it is demanded of."""

    @property
    def step_name(self) -> str:
        """Where it belongs."""

    @property
    def ruling(self) -> Ruling | None:
        """What was found; None while undecided."""

    def withdraw(self, gap: Gap, why: str) -> None:
        """Leave it open if it is watching, or was decided by readings that the gap takes back."""


def take_gap(
    gap: Gap,
    traces: Iterable[SignalTrace],
    together: Iterable[tuple[FlagsTrace, Collection[int]]],
    results: Iterable[Ruled],
) -> None:
    """Note a span without evidence; one that is withdrawn leaves open what rests on readings that it takes back.

    Args:
        gap: the span.
        traces: of the signals on its bus.
        together: flags that are judged together, and which of them are on the bus.
        results: of the same signals.
    """
    withdrawn = gap.reason in TAKEN_BACK
    for trace in traces:
        (trace.withdraw if withdrawn else trace.gap)(gap)
    for flags, numbers in together:
        (flags.withdraw if withdrawn else flags.gap)(gap, numbers)
    if not withdrawn:
        return
    why = gap.detail if gap.reason == "void" else _too_many(gap)
    for result in results:
        result.withdraw(gap, why)


def _too_many(gap: Gap) -> str:
    return (
        f"a reply too many came on bus {gap.bus}: what was read from {gap.from_s:.1f} s to {gap.to_s:.1f} s may be "
        "older than it seems, and was withdrawn; find what answers twice or too late, or declare the slowest answer "
        "that the unit can give as the bus's `quiet_after_fault`: where it is shorter than `poll_every`, one reply too "
        "many takes back one reading only"
    )


def require_unchanged(results: Iterable[Ruled], written: Mapping[int, Ruling | None]) -> None:
    """Require that everything is still found as the log holds it.

    Args:
        results: everything that can have a ruling.
        written: the rulings that the log holds already, by the result's `id`.

    Raises:
        EvidenceError: what one rests on was withdrawn, or proved untrue.
    """
    for result in results:
        if result.ruling is not None and result.ruling != written.get(id(result), result.ruling):
            raise EvidenceError(
                f"{result.step_name}: {result.signal} is decided no more: {result.ruling.why}"
            )
