"""One side of a comparison: the runs of one firmware version, and each response over them (pure)."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, final

from harness.record.results import ABORTED

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Mapping, Sequence

    from harness.judge.verdict import Finding
    from harness.record.results import RunRecord


class Key(NamedTuple):
    """What makes a response the same one in another run: its place among those of its step, signal and kind, from 1."""

    profile: str
    step: str
    signal: str
    kind: str
    place: int


@final
@dataclass(frozen=True, slots=True)
class Side:
    """The runs of one side.

    Attributes:
        name: as the user named it.
        runs: each counted once.
        repeated: runs that were left out, being another to the byte.
    """

    name: str
    runs: tuple[RunRecord, ...]
    repeated: int

    @property
    def profiles(self) -> Mapping[str, Sequence[RunRecord]]:
        """The runs of each profile, in order."""
        found: dict[str, list[RunRecord]] = defaultdict(list)
        for run in self.runs:
            found[run.profile].append(run)
        return found

    def told(self, of: str) -> tuple[str, ...]:
        """Return the different values of a field of its runs, in order; `not stated` for an empty one."""
        return tuple(dict.fromkeys(str(getattr(run, of)) or "not stated" for run in self.runs))


def side_of(name: str, runs: Iterable[RunRecord]) -> Side:
    """Return a side. A run counts once, however often its log was given.

    In virtual time the same seed gives the same run again, which is no further evidence; only another seed is.
    """
    given = list(runs)
    kept: dict[Hashable, RunRecord] = {}
    for run in given:
        virtual = (
            run.profile_sha256,
            run.bench_sha256,
            run.unit,
            run.firmware,
            run.seed,
            run.verdict,
            run.version,
        )
        kept.setdefault(virtual if run.clock == "virtual" else (run.digest, run.verdict), run)
    return Side(name, tuple(kept.values()), len(given) - len(kept))


def complete(runs: Iterable[RunRecord]) -> list[RunRecord]:
    """Return the runs that have a verdict."""
    return [run for run in runs if run.verdict != ABORTED]


def responses(runs: Iterable[RunRecord]) -> Mapping[Key, Sequence[Finding]]:
    """Return what each run found of each response, by response, in the profile's order."""
    found: dict[Key, list[Finding]] = defaultdict(list)
    for run in runs:
        places: Counter[tuple[str, str, str]] = Counter()
        for finding in run.findings:
            like = (finding.step_name, finding.signal, finding.kind)
            places[like] += 1
            found[Key(run.profile, *like, places[like])].append(finding)
    return found
