"""A plan taken up again: which of its runs stand, and which are made again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, final

from ventproof.log.names import is_being_written, logs_in, plain_path
from ventproof.log.plan import Attempt, Plan
from ventproof.log.read import LogCheck, check_log, header_of, read_log
from ventproof.log.run import ABORTED
from ventproof.log.settings import settings_of
from ventproof.log.signing import whats_wrong
from ventproof.rejudge.again import findings_told, run_told
from ventproof.run.engine import Outcome
from ventproof.runset.manifest import ENDING, NOT_NEEDED, LeftLog, Manifest, read_manifest
from ventproof.session.session import RunResult
from ventproof.verdict.finding import Verdict
from ventproof.verdict.text import titled
from ventproof_bench.base.errors import Abort, AbortKind, FileError, Problem

if TYPE_CHECKING:
    from ventproof.log.events import Header
    from ventproof.log.read import LogState
    from ventproof.profile.model import Profile
    from ventproof.session.session import Session
    from ventproof_bench.yamlfile.load import Loaded


@final
@dataclass(frozen=True, slots=True)
class KeptRun:
    """A run that stands: it has a verdict, or it was aborted after something had failed.

    Attributes:
        path: its log.
        sha256: of the whole file.
        result: as its log holds it.
    """

    path: Path
    sha256: str
    result: RunResult


@final
@dataclass(frozen=True, slots=True)
class Resumed:
    """What is left of a plan.

    Attributes:
        plan: the plan.
        folder: where its logs are.
        kept: the runs that stand, by number.
        earlier: the attempts that were aborted, in order, by number of the run.
        headers: the first lines of its logs, which say what else must be as it was.
        closed: whether a manifest closes it as it stands.
        unfinished: whether a run of it is left.
    """

    plan: Plan
    folder: Path
    kept: Mapping[int, KeptRun]
    earlier: Mapping[int, tuple[tuple[Attempt, LeftLog], ...]]
    headers: tuple[Header, ...]
    closed: bool
    unfinished: bool = True

    @property
    def stand(self) -> list[KeptRun]:
        """The runs that stand, in order."""
        return [one for _, one in sorted(self.kept.items())]

    @property
    def says(self) -> str:
        """What stands, why where that is no verdict, and what is made again, in a line."""
        again = sum(run not in self.kept for run in self.earlier)
        made = f", {again} that had no verdict {'is' if again == 1 else 'are'} made again" if again else ""
        failed = sum(one.result.outcome.verdict is None for one in self.kept.values())
        of_them = f" ({failed} of them aborted, after a response had failed: such a run is not made again)"
        stand = f"{len(self.kept)} of {self.plan.runs} runs stand{of_them if failed else ''}"
        return f"plan {self.plan.code} goes on: {stand}{made}"


@final
@dataclass(frozen=True, slots=True)
class _Here:
    """The logs of one plan in a folder, by run, and the manifests that close it."""

    plan: Plan
    logs: Mapping[int, Sequence[tuple[Path, LogCheck]]]
    manifests: Sequence[tuple[Path, Manifest]]

    @property
    def unfinished(self) -> bool:
        spared = {
            place.run
            for _, manifest in self.manifests
            for place, left in zip(self.plan.places, manifest.left, strict=True)
            if left.outcome == NOT_NEEDED
        }
        done = {run for run, logs in self.logs.items() if any(log.outcome != ABORTED for _, log in logs)}
        return len(done | spared) < self.plan.runs


def resumed(path: Path, *, finished: bool = False) -> Resumed:
    """Return what is left of a plan that was broken off.

    Args:
        path: a folder with the logs of one unfinished plan, or a manifest or a log of the one that is meant.
        finished: whether the only plan of a folder may be one of which nothing is left.

    Raises:
        FileError: there is no such plan, there are several, a log of it is missing or changed, or it still goes on.
    """
    folder = path if path.is_dir() else path.parent
    plans = _plans_in(folder)
    if path.is_dir():
        here = _only_unfinished(path, list(plans.values()), finished=finished)
    else:
        plan = read_manifest(path).plan if path.name.endswith(ENDING) else _plan_of(path)
        here = plans[plan.sha256]
    _require_whole(here)
    kept: dict[int, KeptRun] = {}
    earlier: dict[int, tuple[tuple[Attempt, LeftLog], ...]] = {}
    headers: list[Header] = []
    for run, logs in here.logs.items():
        read = [(log, check, read_log(log)) for log, check in logs]
        headers += [header_of(state) for _, _, state in read]
        stands = _standing(run, read)
        if stands is not None:
            log, check, state = stands
            kept[run] = KeptRun(log, check.sha256, _result_of(log, state))
        before = [
            (log, check) for log, check, _ in read if stands is None or check.sha256 != stands[1].sha256
        ]
        if before:
            before.sort(key=lambda one: len(one[1].place.earlier) if one[1].place else 0)
            earlier[run] = tuple(
                (
                    Attempt(plain_path(log).name, check.digest),
                    LeftLog(plain_path(log).name, check.sha256, ABORTED),
                )
                for log, check in before
            )
    listed = {left.sha256 for _, manifest in here.manifests for left in manifest.left}
    closed = not here.unfinished and all(one.sha256 in listed for one in kept.values())
    return Resumed(here.plan, folder, kept, earlier, tuple(headers), closed, here.unfinished)


def _plans_in(folder: Path) -> dict[str, _Here]:
    logs: dict[str, dict[int, list[tuple[Path, LogCheck]]]] = defaultdict(lambda: defaultdict(list))
    manifests: dict[str, list[tuple[Path, Manifest]]] = defaultdict(list)
    plans: dict[str, Plan] = {}
    for path in logs_in(folder):
        with suppress(FileError):  # what is no log belongs to no plan
            check = check_log(path)
            if check.place is not None:
                plans[check.place.plan.sha256] = check.place.plan
                logs[check.place.plan.sha256][check.place.run].append((path, check))
    for path in sorted(folder.glob(f"*{ENDING}")):
        manifest = read_manifest(path)
        plans[manifest.plan.sha256] = manifest.plan
        manifests[manifest.plan.sha256].append((path, manifest))
    return {sha256: _Here(plan, logs[sha256], manifests[sha256]) for sha256, plan in plans.items()}


def _only_unfinished(folder: Path, plans: Sequence[_Here], *, finished: bool) -> _Here:
    if finished and len(plans) == 1:
        return plans[0]
    unfinished = [one for one in plans if one.unfinished]
    if not unfinished:
        reason = "every plan here is finished" if plans else "here is no log of a planned run"
        raise _refused(folder, reason, "name the folder of a suite that was broken off")
    if len(unfinished) > 1:
        names = ", ".join(_some_file(one).name for one in unfinished[:5])
        raise _refused(folder, f"{len(unfinished)} plans here are unfinished", f"name a file of one: {names}")
    return unfinished[0]


def _some_file(here: _Here) -> Path:
    if here.manifests:
        return here.manifests[0][0]
    return next(log for logs in here.logs.values() for log, _ in logs)


def _plan_of(log: Path) -> Plan:
    place = check_log(log).place
    if place is None:
        raise _refused(log, "this log is of no plan", "name the log of a run, or its folder")
    return place.plan


def _require_whole(here: _Here) -> None:
    """Refuse to go on where a log is missing, was changed, or is still being written."""
    checks = [one for logs in here.logs.values() for one in logs]
    for log, check in checks:
        if is_being_written(log):
            raise _refused(log, "a run still writes this log", "let it finish")
        if check.broken_at is not None:
            raise FileError(
                [Problem(str(log), check.broken_at, None, f"the log was changed: {check.reason}")]
            )
        if wrong := whats_wrong(log):
            raise _refused(log, wrong)
    digests = {check.sha256 for _, check in checks}
    for path, manifest in here.manifests:
        for left in manifest.left:
            for one in (left, *left.earlier):
                if one.log and one.sha256 not in digests:
                    reason = f"it lists {one.log}, which is not here, or was changed"
                    raise _refused(path, reason, "put it back: what was run is not run away")


_Read = tuple[Path, LogCheck, "LogState"]


def _standing(run: int, logs: Sequence[_Read]) -> _Read | None:
    """Return the log of a run that is not made again; None where it is.

    Raises:
        FileError: several have a verdict.
    """
    # In virtual time a plan that is carried out twice leaves the same bytes twice.
    decided = list({one[1].sha256: one for one in logs if one[1].outcome != ABORTED}.values())
    if len(decided) > 1:
        names = " and ".join(log.name for log, _, _ in decided)
        raise _refused(
            decided[1][0], f"{names} are different logs of run {run}", "take away the one that is not of it"
        )
    failed = [one for one in logs if one[1].outcome == ABORTED and has_failed(one[2])]
    return next(iter((*decided, *failed)), None)


def has_failed(state: LogState) -> bool:
    """Return whether something had failed before a run was aborted: that stands, and is not run away."""
    return any(finding.verdict is Verdict.FAIL for finding in findings_told(state))


def _result_of(path: Path, state: LogState) -> RunResult:
    record = run_told(state, str(path))
    verdict = None if record.verdict == ABORTED else Verdict(record.verdict)
    outcome = Outcome(verdict, None if verdict else Abort(AbortKind.BENCH, record.reason))
    settings = settings_of(state.rare, header_of(state).use)
    title = titled(record.profile, record.decision)
    return RunResult(title, path, record.digest, outcome, record.findings, settings, state.told.gaps)


def in_plan(
    going_on: Resumed,
    session: Session,
    suite: Sequence[Loaded[Profile]],
    stated: Callable[[str, str, str], Problem] | None = None,
) -> tuple[list[Loaded[Profile]], list[str]]:
    """Return the profiles of a plan, in its order, and the names of those that are not of it.

    Args:
        going_on: the plan.
        session: what its other runs are to be made with.
        suite: the profiles that were named.
        stated: returns a problem with what was stated otherwise: its name, the reason and a hint; None: with the
            option of that name.

    Raises:
        FileError: something is not as it was when the plan was made.
    """
    stated = stated or _of_option
    problems = list(_changed(going_on, session, stated))
    by_digest = {profile.digest: profile for profile in suite}
    for wanted in dict.fromkeys(going_on.plan.profiles):
        if wanted.sha256 not in by_digest:
            namesake = next((one for one in suite if one.model.profile == wanted.name), None)
            hint = "a plan goes on with what it began with, the same --set included; begin a new one for what changed"
            problems.append(
                Problem(namesake.path, None, None, "is not as it was when the plan was made", hint)
                if namesake
                else stated("profiles", f"{wanted.name!r} is not among them", hint)
            )
    if problems:
        raise FileError(problems)
    digests = {one.sha256 for one in going_on.plan.profiles}
    others = [one.model.profile for one in suite if one.digest not in digests]
    return [by_digest[one.sha256] for one in going_on.plan.profiles], others


def _of_option(name: str, reason: str, hint: str) -> Problem:
    return Problem("PROFILES" if name == "profiles" else f"--{name}", None, None, reason, hint)


def _changed(
    going_on: Resumed, session: Session, stated: Callable[[str, str, str], Problem]
) -> Iterator[Problem]:
    plan, hint = going_on.plan, "a plan goes on with what it began with; begin a new one for what changed"
    if session.bench.digest != plan.bench_sha256:
        yield Problem(
            session.bench.path, None, None, "this is not the bench file of the plan, as it was", hint
        )
    for name, given, planned in (
        ("unit", session.unit, plan.unit),
        ("firmware", session.firmware, plan.firmware),
    ):
        if given != planned:
            yield stated(name, f"{given!r}, where the plan says {planned!r}", hint)
    for header in going_on.headers[:1]:
        table = session.table.digest if session.table else ""
        if dict(header.use) != dict(session.use):
            yield stated("map", "names are mapped differently in its other runs", hint)
        waivers = session.waivers.digest if session.waivers else ""
        if waivers != (header.waivers.sha256 if header.waivers else ""):
            yield stated("waivers", "its other runs had other waivers, or none", hint)
        if table != (header.table.sha256 if header.table else ""):
            yield stated("table", "its other runs used another override table, or none", hint)


def _refused(path: Path, reason: str, hint: str = "") -> FileError:
    return FileError([Problem(str(path), None, None, reason, hint)])
