"""Whether the logs that are here are all that their plans call for, and nothing else (pure)."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, final

from ventproof.log.plan import Plan, PlannedRun
from ventproof.log.run import ABORTED
from ventproof.runset.manifest import NOT_NEEDED, NOT_RUN, LeftLog, Manifest
from ventproof_bench.base.text import number_of

_MOST: Final = 5
"""So many of a kind are named; more are counted."""

RecordedWhole = tuple[str, str, int]
"""What a record closes: a campaign or a rack, its name, and how many plans or places it has."""

_UNCLOSED: Final = "they were broken off by force, or still go on, or the manifest was taken away"


@final
@dataclass(frozen=True, slots=True)
class PresentLog:
    """A log of a run that is here.

    Attributes:
        name: as sentences call it.
        digest: of its last intact line.
        sha256: of the whole file; empty where its chain is broken.
        place: of its run in its plan; None where it is older than plans.
        outcome: the verdict that it closed with, or `aborted`.
    """

    name: str
    digest: str
    sha256: str
    place: PlannedRun | None
    outcome: str


@final
@dataclass(frozen=True, slots=True)
class PresentManifest:
    """A file that says that it closes a set of runs.

    Attributes:
        name: the file's.
        manifest: what it says; None where that cannot be read.
        wrong: why it is not to be believed; empty where it is.
        signed: by whom it is signed, as the end of a sentence; empty where it is not.
    """

    name: str
    manifest: Manifest | None
    wrong: str = ""
    signed: str = ""


@final
@dataclass(frozen=True, slots=True)
class SetCheck:
    """What there is to say of a set of logs before anything that they say.

    Attributes:
        wrong: what somebody changed.
        missing: what is not here, or of what nobody can say whether it is.
        remarks: what else a reader should know.
        absent: names of the profiles of runs that are planned and not here, one a run.
        planned: how many runs are planned, in plans that are not whole, and those that were promised with them.
        whole: which plans are here from the first run to the last.
        superseded: digests of logs of runs that were aborted and made again, and whose later log is here.
    """

    wrong: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    planned: int = 0
    whole: tuple[str, ...] = ()
    superseded: frozenset[str] = frozenset()

    @property
    def says(self) -> tuple[str, ...]:
        """All of it, what weighs most first."""
        return (*self.wrong, *self.missing, *self.remarks)

    @property
    def standing(self) -> str:
        """How the set stands: `broken`, `incomplete`, or empty where it keeps no verdict from being told."""
        return "broken" if self.wrong else "incomplete" if self.missing else ""

    @property
    def short(self) -> str:
        """What is said before a count of verdicts, in a few words; empty where the set is whole."""
        parts = ["the set of runs was changed"] if self.wrong else []
        if self.absent:
            parts.append(f"{_are_not(len(self.absent), self.planned)} here")
        elif self.missing:
            parts.append("the set of runs is not whole")
        return ", ".join(parts)


WHOLE: Final = SetCheck()
"""Of logs of which there is nothing to say."""


def check_set(
    logs: Sequence[PresentLog],
    manifests: Iterable[PresentManifest] = (),
    *,
    named: bool = False,
    every_plan: bool = True,
    apart: bool = False,
    promised: Iterable[tuple[str, Plan]] = (),
    records: Collection[RecordedWhole] = (),
    wholes: bool = False,
) -> SetCheck:
    """Return what there is to say of a set of logs.

    Args:
        logs: of runs.
        manifests: that lie with them.
        named: somebody chose these logs one by one, so that what is not among them need not be gone.
        every_plan: a manifest counts too where no log of its plan is here, or where it is none to be believed.
        apart: each plan lies in a folder of its own, as at the places of a rack: nobody mixed them.
        promised: plans of which logs are to be here, each with the name of its folder.
        records: what records close that are here.
        wholes: all plans of a campaign or rack are to be here, too, and not only what is left of it in one folder.
    """
    found = _Sentences({plan.sha256: (name, plan) for name, plan in promised})
    unique = _unique(logs, found)
    plans: dict[str, list[PresentLog]] = defaultdict(list)
    for log in unique:
        if log.place is not None:
            sha256 = log.place.plan.sha256
            if log.place.plan.runs > 1 or log.place.earlier or sha256 in found.promised:
                plans[sha256].append(log)
    if not apart:
        _tell_mixed(unique, list(plans.values()), found)
    closing: dict[str, list[PresentManifest]] = defaultdict(list)
    for one in manifests:
        of_plan = one.manifest.plan.sha256 if one.manifest else ""
        if every_plan or of_plan in plans:
            closing[of_plan].append(one)
            found.wrong += [f"{one.name}: {one.wrong}."] if one.wrong else []
    for sha256 in dict.fromkeys((*plans, *filter(None, closing))):
        of_plan_here = plans.get(sha256, [])
        _Planned(of_plan_here, _fittest(closing[sha256], of_plan_here), found, named=named).tell()
    here = dict.fromkeys(log.place.plan for log in unique if log.place)
    _tell_promised(found, {plan.sha256 for plan in here} | closing.keys())
    (found.missing if wholes else found.remarks).extend([] if named else _parted(here, records))
    return found.check


@final
class _Sentences:
    """What was found so far; fields as of `SetCheck`.

    Args:
        promised: plans of which logs are to be here, by digest, each with the name of its folder.
    """

    def __init__(self, promised: Mapping[str, tuple[str, Plan]]) -> None:
        self.promised = promised
        self.unclosed: list[str] = []
        self.wrong: list[str] = []
        self.missing: list[str] = []
        self.remarks: list[str] = []
        self.absent: list[str] = []
        self.short_of: set[Plan] = set()
        self.whole: list[str] = []
        self.superseded: set[str] = set()

    def count(self, absent: Iterable[PlannedRun]) -> int:
        """Count runs that are not here; returns how many they are."""
        before = len(self.absent)
        for place in absent:
            self.absent.append(place.profile.name)
            self.short_of.add(place.plan)
        return len(self.absent) - before

    @property
    def check(self) -> SetCheck:
        promised = (plan for _, plan in self.promised.values()) if self.short_of else ()
        planned = sum(plan.runs for plan in self.short_of.union(promised))
        wrong, missing, remarks = tuple(self.wrong), tuple(self.missing), tuple(self.remarks)
        return SetCheck(
            wrong,
            missing,
            remarks,
            tuple(self.absent),
            planned,
            tuple(self.whole),
            frozenset(self.superseded),
        )


def _unique(logs: Sequence[PresentLog], found: _Sentences) -> list[PresentLog]:
    """Return each log once, and say which are here twice."""
    kept: dict[tuple[str, str, str], PresentLog] = {}
    again: list[str] = []
    for log in logs:
        first = kept.setdefault((log.digest, log.sha256, log.outcome), log)
        if first is not log:
            again.append(f"{log.name} is {first.name}")
    if again:
        few = "1 log is here twice" if len(again) == 1 else f"{len(again)} logs are here more than once"
        found.remarks.append(f"{few}, byte for byte, and counted once: {_listed(again)}.")
    return list(kept.values())


def _tell_mixed(logs: Sequence[PresentLog], plans: Sequence[Sequence[PresentLog]], found: _Sentences) -> None:
    """Say which plans are mixed here; logs that are each a plan of their own are no mixture."""
    planned = {log for of_plan in plans for log in of_plan}
    alone = [log.name for log in logs if log not in planned]
    if not plans or (len(plans) == 1 and not alone):
        return
    several = sorted(plans, key=len, reverse=True)
    counted = [one for one in several if not _is_short(one)] if len(several) > _MOST else []
    parts = [_plan_line(one) for one in several if one not in counted]
    if counted:
        parts.insert(0, f"{sum(map(len, counted))} logs of {len(counted)} plans")
    if alone:
        parts.append(f"{len(alone)} of no such plan ({_listed(alone)})")
    found.remarks.append(
        f"Logs of different plans lie here together, each counted for itself: {'; '.join(parts)}."
    )


def _tell_promised(found: _Sentences, here: Collection[str]) -> None:
    """Say of which promised plans nothing is here, and which no manifest closes.

    Args:
        found: what was found so far.
        here: digests of the plans of which something is here.
    """
    untouched = {name: plan for sha256, (name, plan) in found.promised.items() if sha256 not in here}
    if untouched:
        runs = found.count(place for plan in untouched.values() for place in plan.places)
        planned = sum(plan.runs for _, plan in found.promised.values())
        found.missing.append(f"{_are_not(runs, planned)} here, since no log is in {_listed(untouched)}.")
    if found.unclosed:
        what = number_of(len(found.unclosed), "plan")
        found.remarks.append(f"No manifest closes {what}, {_listed(found.unclosed)}: {_UNCLOSED}.")


def _parted(here: Iterable[Plan], records: Collection[RecordedWhole]) -> Iterator[str]:
    """Yield of which campaigns and racks some plans are here and others not, where no record of theirs is."""
    for part, count in Counter(plan.part for plan in here if plan.part).items():
        if count < part.plans and (part.whole, part.name, part.plans) not in records:
            what = number_of(part.plans, "place" if part.whole == "rack" else "plan")
            are = "is" if count == 1 else "are"
            yield f"Of {part.whole} {part.name} {count} of {what} {are} here, without its record."


def _is_short(of_plan: Sequence[PresentLog]) -> bool:
    return any(len(of_plan) < log.place.plan.runs for log in of_plan if log.place)


def _plan_line(of_plan: Sequence[PresentLog]) -> str:
    (plan, *_) = (log.place.plan for log in of_plan if log.place)
    names = f" ({_listed([log.name for log in of_plan])})" if len(of_plan) <= _MOST else ""
    return f"{len(of_plan)} of the {plan.runs} runs of plan {plan.code}{names}"


def _fittest(manifests: Sequence[PresentManifest], logs: Sequence[PresentLog]) -> PresentManifest | None:
    """Return the manifest that closes these logs: in virtual time the same plan may have been run again."""
    known = {(log.sha256, log.name.rpartition("/")[2]) for log in logs}
    digests = {sha256 for sha256, _ in known}

    def fits(one: PresentManifest) -> tuple[int, int]:
        left = [log for run in one.manifest.left for log in (run, *run.earlier)] if one.manifest else []
        return sum(log.sha256 in digests for log in left), sum((log.sha256, log.log) in known for log in left)

    return max(manifests, key=fits, default=None)


@final
class _Planned:
    """One plan, its logs and the manifest that closes it."""

    def __init__(
        self, logs: Sequence[PresentLog], closing: PresentManifest | None, found: _Sentences, *, named: bool
    ) -> None:
        self._closing = closing
        self._manifest = closing.manifest if closing else None
        (self._plan, *_) = [
            *(log.place.plan for log in logs if log.place),
            *([self._manifest.plan] if self._manifest else []),
        ]
        self._found = found
        self._named = named
        self._promised, _ = found.promised.get(self._plan.sha256, ("", self._plan))
        self._of = f" of {self._promised}" if self._promised else ""
        self._late = False  # whether a log is here that was made after the manifest
        self._by_run: dict[int, list[PresentLog]] = defaultdict(list)
        for log in logs:
            if log.place is not None:
                self._by_run[log.place.run].append(log)

    def tell(self) -> None:
        """Say what is wrong, what is missing, and what else there is to know."""
        for place in self._plan.places:
            if self._by_run[place.run]:
                self._tell_present(place, self._by_run[place.run])
        absent = [place for place in self._plan.places if not self._by_run[place.run]]
        if self._manifest is None:
            self._tell_unclosed(absent)
        else:
            self._tell_closed(absent, self._manifest)

    def _tell_present(self, place: PlannedRun, every: Sequence[PresentLog]) -> None:
        run = f"run {place.run} of {self._plan.runs} ({place})"
        logs = self._last_attempts(run, every)
        left = self._manifest.left[place.run - 1] if self._manifest else None
        if left is None or any(self._made_after(log, left) for log in logs):
            if len(logs) > 1:
                names = " and ".join(log.name for log in logs)
                self._found.missing.append(
                    f"{names} are different logs of {run}: which one belongs is unknown."
                )
            elif left is not None:
                self._late = True
                command = "campaign" if self._promised else "run"
                self._found.missing.append(
                    f"{logs[0].name} of {run} was made after {self._closed_by} was written, and no manifest closes it: "
                    f"`ventproof {command} --resume` does."
                )
            return
        for log in [*logs, *(log for log in every if log not in logs)]:
            if log not in logs and log.sha256 in {one.sha256 for one in left.earlier}:
                continue
            if log.sha256 != left.sha256:
                self._found.wrong.append(
                    f"{log.name} is not the log of {run} that {self._closed_by} lists: it was changed since, or is "
                    f"another."
                )
            elif log.outcome != left.outcome:
                self._found.wrong.append(
                    f"{self._closed_by} says that {run} ended with {left.outcome}, and its log, {log.name}, says "
                    f"{log.outcome}: the manifest was changed."
                )
            elif log.name.rpartition("/")[2] != left.log:
                self._found.remarks.append(
                    f"{log.name} was called {left.log} when {self._closed_by} was written."
                )

    def _last_attempts(self, run: str, logs: Sequence[PresentLog]) -> list[PresentLog]:
        """Return the logs of a run that no later attempt lists, and tell of the attempts before them."""
        earlier = {one.digest: one for log in logs if log.place for one in log.place.earlier}
        last = [log for log in logs if log.digest not in earlier]
        if not last:  # each lists the other: no run does
            return list(logs)
        count = " and ".join(log.name for log in last)
        for log in logs:
            if log in last:
                continue
            if log.outcome == ABORTED:
                self._found.superseded.add(log.digest)
                self._found.remarks.append(
                    f"{log.name} of {run} was aborted, and the run made again: {count} counts."
                )
            else:
                self._found.wrong.append(
                    f"{log.name} of {run} ended with {log.outcome}, and {count} takes its place: a run with a verdict "
                    f"is not made again."
                )
        gone = earlier.keys() - {log.digest for log in logs}
        if gone and not self._named:
            names = _listed(earlier[digest].log for digest in sorted(gone))
            self._found.missing.append(f"An attempt at {run} that was aborted is not here: {names}.")
        return last

    @staticmethod
    def _made_after(log: PresentLog, left: LeftLog) -> bool:
        """Return whether a log is of a run, or an attempt, that was made after a manifest was written."""
        if left.outcome == NOT_RUN:
            return True
        return left.outcome == ABORTED and log.sha256 != left.sha256 and bool(log.place and log.place.earlier)

    @property
    def _closed_by(self) -> str:
        return self._closing.name if self._closing else "the manifest"

    def _tell_unclosed(self, absent: Sequence[PlannedRun]) -> None:
        """Tell from the first lines alone what is missing."""
        self._tell_whole(absent)
        planned, names = self._plan.runs, _listed(map(str, absent))
        if absent and self._plan.claim is not None and not self._named:
            said = (
                f"Up to {planned} runs were planned, and nothing says whether these were made too: {names}."
            )
            self._found.missing.append(said)
        elif absent:
            self._tell_absent(absent)
        if not self._named:
            if self._promised:
                self._found.unclosed += [self._promised] if planned > 1 else []  # a single run has none
                return
            said = f"No manifest closes the {planned} runs of plan {self._plan.code}: {_UNCLOSED}."
            (self._found.missing if absent else self._found.remarks).append(said)

    def _tell_closed(self, absent: Sequence[PlannedRun], manifest: Manifest) -> None:
        left: Mapping[int, str] = {place.run: manifest.left[place.run - 1].outcome for place in absent}
        if not self._late:
            self._tell_whole([place for place in absent if left[place.run] != NOT_NEEDED])
        never = [place for place in absent if left[place.run] == NOT_RUN]
        gone = [place for place in absent if left[place.run] not in {NOT_RUN, NOT_NEEDED}]
        if spared := sum(outcome == NOT_NEEDED for outcome in left.values()):
            said = (
                f"{spared} of at most {self._plan.runs} runs were not needed: the claim was decided before."
            )
            self._found.remarks.append(said)
        if gone:
            self._tell_absent(gone)
        if gone and not self._named:
            ended = _listed(f"{place}: {left[place.run]}" for place in gone)
            self._found.missing.append(f"{self._closed_by} says how they ended: {ended}.")
        if never:
            self._found.count(never)
            said = f"{_are_not(len(never), self._plan.runs, self._of)} run: {_listed(map(str, never))}."
            self._found.missing.append(f"{said} Broken off: {manifest.broken_off or 'nothing says why'}.")

    def _tell_whole(self, absent: Sequence[PlannedRun]) -> None:
        if not absent and not self._promised:  # of those that were promised, what promised them says so
            closed = f", closed by {self._closed_by}{self._closing.signed}" if self._closing else ""
            self._found.whole.append(
                f"All {self._plan.runs} runs of plan {self._plan.code} are here{closed}."
            )

    def _tell_absent(self, absent: Sequence[PlannedRun]) -> None:
        """Say what is not here; of logs that were chosen one by one, without any suspicion."""
        self._found.count(absent)
        names, planned = _listed(map(str, absent)), self._plan.runs
        if self._named:
            here = f"{planned - len(absent)} of the {planned} runs of plan {self._plan.code} were named"
            self._found.missing.append(f"{here}; the others were not looked at: {names}.")
        else:
            self._found.missing.append(f"{_are_not(len(absent), planned, self._of)} here: {names}.")


def absent_of(plan: Plan, here: Collection[int]) -> str:
    """Return which runs of a plan are not among some, in words; empty where all are."""
    absent = [place for place in plan.places if place.run not in here]
    if not absent:
        return ""
    of = f"plan {plan.code} of unit {plan.unit or 'not stated'}, firmware {plan.firmware or 'not stated'}"
    return f"{_are_not(len(absent), plan.runs)} here, of {of}: {_listed(map(str, absent))}"


def _are_not(count: int, planned: int, of: str = "") -> str:
    return f"{count} of {planned} planned runs{of} {'is' if count == 1 else 'are'} not"


def _listed(names: Iterable[str]) -> str:
    every = list(names)
    more = f" and {len(every) - _MOST} more" if len(every) > _MOST else ""
    return f"{'; '.join(every[:_MOST])}{more}"
