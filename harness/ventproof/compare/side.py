"""One firmware's runs."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeVar, final

from ventproof.log.events import RunBegin
from ventproof.log.names import logs_in
from ventproof.log.read import begin_of
from ventproof.log.run import ABORTED, bench_but_faults, evidence_key
from ventproof.rejudge.batch import Logged, read_runs
from ventproof.runset.completeness import absent_of
from ventproof_bench.base.errors import FileError, Problem

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence

    from ventproof.log.plan import Plan
    from ventproof.log.run import RunRecord
    from ventproof.verdict.finding import Finding


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
        gaps: of which planned runs it tells nothing, in words.
        benches: digests of what its bench files say but for the faults of the mock, by the digests of the files, as far
            as logs tell.
    """

    name: str
    runs: tuple[RunRecord, ...]
    repeated: int
    gaps: tuple[str, ...] = ()
    benches: Mapping[str, str] = field(default_factory=dict)

    @property
    def benches_but_faults(self) -> set[str]:
        """Digests of what its bench files say but for the faults of the mock; empty where one is not known."""
        told = {self.benches.get(run.bench_sha256, "") for run in self.runs}
        return set() if "" in told else told

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


def side_of(name: str, runs: Iterable[RunRecord], benches: Mapping[str, str] | None = None) -> Side:
    """Return a side. A run counts once, however often its log was given.

    Args:
        name: as the user named it.
        runs: its runs.
        benches: as `Side.benches`; None: nothing is known.
    """
    given = list(runs)
    kept: dict[Hashable, RunRecord] = {}
    for run in given:
        kept.setdefault(evidence_key(run), run)
    return Side(name, tuple(kept.values()), len(given) - len(kept), tuple(_gaps(given)), benches or {})


def _gaps(runs: Sequence[RunRecord]) -> Iterator[str]:
    """Yield what is missing of each plan that some runs are of; repeats that may have ended early are not missed."""
    here: dict[Plan, set[int]] = defaultdict(set)
    for run in runs:
        if run.place is not None and run.place.plan.claim is None:
            here[run.place.plan].add(run.place.run)
    yield from filter(None, (absent_of(plan, present) for plan, present in here.items()))


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


Taken = Callable[[Path, str], bool]
"""Says whether a run is wanted: by its log, and the title of its profile where a history tells it, else empty."""


def load_sides(base: str, candidate: str, history: str, taken: Taken | None = None) -> tuple[Side, Side]:
    """Return both sides.

    Args:
        base: a log, a folder of logs, or else a firmware version in the history.
        candidate: likewise.
        history: where the history is kept.
        taken: which runs are wanted; None: all.

    Raises:
        FileError: one of them cannot be found or read, or a run stands on both sides.
    """
    old, new = load_runs(base, history, taken), load_runs(candidate, history, taken)
    _refuse_itself(base, candidate, old, new)
    return side_of_logged(base, old), side_of_logged(candidate, new)


def side_of_logged(name: str, runs: Sequence[Logged]) -> Side:
    """Return a side whose logs tell what its bench files say."""
    return side_of(name, (one.run for one in runs), _benches(runs))


def _benches(runs: Sequence[Logged]) -> Mapping[str, str]:
    """Return what the bench files of runs say but for the mock's faults, by their digests, as far as logs are here."""
    found: dict[str, str] = {}
    for one in runs:
        if one.run.bench_sha256 not in found:
            with suppress(FileError):
                begin = begin_of(Path(one.log))
                text = begin.header.bench.text if isinstance(begin, RunBegin) else ""
                if sha256(text.encode()).hexdigest() == one.run.bench_sha256:
                    found[one.run.bench_sha256] = bench_but_faults(text)
    return found


def load_runs(name: str, history: str, taken: Taken | None = None) -> Sequence[Logged]:
    """Return the runs of one side.

    Args:
        name: a log, a folder of logs, or else a firmware version in the history.
        history: where the history is kept.
        taken: which runs are wanted; None: all.

    Raises:
        FileError: it is no log, no folder of logs, and no firmware version in the history, or no run is wanted.
    """
    taken = taken or (lambda *_: True)
    path = Path(name)
    if path.is_dir():
        logs = logs_in(path, below=True)
        if not logs:
            raise FileError([Problem(name, None, None, "holds no .jsonl file")])
        return read_runs(_some(name, [log for log in logs if taken(log, "")]))
    if path.exists():
        return read_runs(_some(name, [path] if taken(path, "") else []))
    return _some(name, [one for one in _of_firmware(name, history) if taken(Path(one.log), one.run.profile)])


_Item = TypeVar("_Item")


def _some(name: str, wanted: list[_Item]) -> list[_Item]:
    """Return what is wanted of a side, one thing at least."""
    if not wanted:
        raise FileError(
            [Problem(name, None, None, "holds no run of such a profile", "give another -k or --tag")]
        )
    return wanted


def _of_firmware(firmware: str, history: str) -> Sequence[Logged]:
    from ventproof.history.database import place_of  # noqa: PLC0415 - SQLAlchemy is slow to import
    from ventproof.history.store import (  # noqa: PLC0415
        History,
        Wanted,
    )

    neither = "is neither a log nor a folder of logs"
    try:
        entries = list(History(place_of(history)).entries(Wanted(firmware=firmware)))
    except FileError as error:
        problem = Problem(
            firmware, None, None, f"{neither}, and no history could be asked for such a firmware"
        )
        raise FileError([problem, *error.problems]) from error
    runs = [Logged(str(entry.file), entry.record) for entry in entries if entry.record.firmware == firmware]
    if not runs:
        reason = f"{neither}, and no run in the history {history} states such a firmware"
        raise FileError([Problem(firmware, None, None, reason, "see `ventproof history`")])
    return runs[::-1]


def _refuse_itself(base: str, candidate: str, old: Sequence[Logged], new: Sequence[Logged]) -> None:
    """Refuse to compare a run with itself; only a virtual bench may give the same run twice."""
    paths = {Path(one.log).resolve() for one in old}
    digests = {one.run.digest for one in old if one.run.clock == "wall"}
    for one in new:
        if Path(one.log).resolve() in paths or one.run.digest in digests:
            reason = f"its run {one.log} is also one of {base}, and nothing can be learned from that"
            raise FileError([Problem(candidate, None, None, reason, "name the runs of another version")])
