"""What a campaign combines: each bench with each unit, firmware version, fault and seed that is for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Literal, final

from ventproof.runset.campaign import HEALTHY, Campaign, CampaignFile

if TYPE_CHECKING:
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile


@final
@dataclass(frozen=True, slots=True)
class Combination:
    """What one plan of a campaign has of its own.

    Attributes:
        bench: number of its bench, from 0.
        unit: serial number of the unit; empty where none is stated.
        firmware: its firmware version, likewise.
        fault: of the mock unit, as `NAME` or `NAME=SEVERITY`; empty for the healthy one.
        seed: of the first run of each profile.
    """

    bench: int
    unit: str
    firmware: str
    fault: str
    seed: int

    def said(self, bench: str) -> str:
        """Return it in words: `mock, unit GH-7, firmware 2.4, seed 3`.

        Args:
            bench: name of the bench; empty where there is one alone.
        """
        parts = (
            ("unit ", self.unit),
            ("firmware ", self.firmware),
            ("fault ", self.fault),
            ("seed ", str(self.seed) if self.seed else ""),
        )
        return ", ".join(filter(None, (bench, *(f"{word}{value}" for word, value in parts if value))))


def combinations(campaign: Campaign, benches: Sequence[BenchFile]) -> list[Combination]:
    """Return what is combined with every profile, in order; on real outputs neither faults nor seeds count.

    Args:
        campaign: the file.
        benches: its benches, in its order.
    """
    model, found = campaign.model, []
    for number, bench in enumerate(benches):
        units, firmware = _on(model, number, "units"), _on(model, number, "firmware")
        faults = model.faults if bench.virtual else []
        seeds = model.seeds if bench.virtual else []
        for unit, version, fault, seed in product(
            units or [""], firmware or [""], faults or [HEALTHY], seeds or [0]
        ):
            found.append(Combination(number, unit, version, "" if fault == HEALTHY else fault, seed))
    return found


def _on(model: CampaignFile, bench: int, key: Literal["units", "firmware"]) -> list[str]:
    """Return the units or firmware versions on a bench: its own, or those of the campaign."""
    own: list[str] | None = getattr(model.benches[bench], key) if model.benches else None
    every: list[str] = getattr(model, key)
    return every if own is None else own


def bench_problems(campaign: Campaign, benches: Sequence[BenchFile]) -> Iterator[Problem]:
    """Yield what is wrong with the benches of a campaign together, and with more than one unit on real outputs."""
    for number, bench in enumerate(benches):
        if any(other.bench == bench.bench for other in benches[:number]):
            reason = f"another bench is called {bench.bench!r} as well"
            yield campaign.problem(("benches", number, "file"), reason, "give each bench a name of its own")
        if bench.virtual:
            continue
        kinds: tuple[tuple[Literal["units", "firmware"], str], ...]
        kinds = (("units", "unit"), ("firmware", "firmware version"))
        for key, what in kinds:
            some = _on(campaign.model, number, key)
            if len(some) > 1:
                reason = f"{bench.bench!r} drives real outputs, and {len(some)} {what}s are given for it"
                hint = f"name under this bench the one that is wired to it: `{key}: [{some[0]}]`"
                yield campaign.problem(("benches", number, "file"), reason, hint)
