"""The logs of a campaign on the client: each is checked before it gets its name and goes into the history."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, final

from ventproof.log.events import RunEnd
from ventproof.log.names import free_path, has_signature, log_at, logs_in, plain_path
from ventproof.log.plan import Attempt
from ventproof.log.read import header_of, read_log
from ventproof.log.run import ABORTED
from ventproof.log.signing import SigningKey, sign_log, whats_wrong
from ventproof.rejudge.again import run_told
from ventproof.runset.manifest import ENDING, LeftLog, Manifest, read_manifest
from ventproof.runset.present import left_unsigned
from ventproof.runset.signature import sign_closing
from ventproof.session.planned import written
from ventproof.session.session import slug
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.base.files import create_file

if TYPE_CHECKING:
    from ventproof.campaign.planned import CampaignJob, PlannedGroup
    from ventproof.campaign.work import JobLeft, ReadLog
    from ventproof.history.enter import Keeper
    from ventproof.log.run import RunRecord
    from ventproof.runset.campaign_record import Place


_DOUBTED: Final = "the log that came is not believed"


@final
@dataclass(frozen=True, slots=True)
class LogSigner:
    """Signs what a campaign leaves.

    Attributes:
        key: the signer's.
        name: who signs, as they state it.
    """

    key: SigningKey
    name: str

    def log(self, path: Path, digest: str) -> None:
        """Sign a log, of which this is the digest.

        Raises:
            FileError: it cannot be read.
            RecordError: it is another by now, or the signature cannot be written.
        """
        sign_log(path, self.key, self.name, digest=digest)

    def closing(self, path: Path, content: bytes) -> None:
        """Sign a file that closes runs, of these bytes.

        Raises:
            RecordError: the signature cannot be written.
        """
        sign_closing(path, content, self.key, self.name)


@final
class KeptLogs:
    """What the runs of a campaign left so far.

    Args:
        folder: of the campaign.
        groups: its plans.
        keeper: enters each log into a history; None: no history is kept.
        sign: signs each log, and what closes them; None: nothing is signed.
        seen: given each run that stands; None: nobody asks.
        waivers: digest of the waivers with which runs are made; empty: there are none.
    """

    def __init__(
        self,
        folder: Path,
        groups: Sequence[PlannedGroup],
        keeper: Keeper | None,
        sign: LogSigner | None = None,
        *,
        seen: Callable[[Place, RunRecord], None] | None = None,
        waivers: str = "",
    ) -> None:
        self._folder, self._groups, self._keeper = folder, groups, keeper
        self._sign, self._seen, self._waivers = sign, seen, waivers
        self._left: dict[Place, LeftLog] = {}
        self._earlier: dict[Place, list[tuple[Attempt, LeftLog]]] = {}

    def outcome(self, place: Place) -> str:
        """Return the verdict of a run, `aborted`, or nothing where it left no log."""
        return self._left[place].outcome if place in self._left else ""

    def log(self, place: Place) -> Path | None:
        """Return the log of a run; None where it left none."""
        left = self._left.get(place)
        return left and log_at(self._folder / self._groups[place[0]].folder / left.log)

    def take_up(self) -> list[Place]:
        """Take what is there already; return the runs on record that were aborted, and are made again.

        Raises:
            FileError: a log is of another plan, or was changed.
        """
        for number, group in enumerate(self._groups):
            for path in logs_in(self._folder / group.folder):
                self._take_up(number, group, path)
        for attempts in self._earlier.values():
            attempts.sort(key=lambda one: one[0].log)
        return [place for place in self._earlier if place not in self._left]

    def _take_up(self, number: int, group: PlannedGroup, path: Path) -> None:
        state = read_log(path)
        if state.broken_at is not None:
            reason = f"the log was changed: {state.reason}"
            raise FileError([Problem(str(path), state.broken_at, None, reason)])
        record = run_told(state, str(path))
        if record.place is None or record.place.plan != group.plan:
            reason, hint = "this log is not of the campaign that began here", "take it away"
            raise FileError([Problem(str(path), None, None, reason, hint)])
        waivers = header_of(state).waivers
        if (waivers.sha256 if waivers else "") != self._waivers:
            reason, hint = f"{path} was run with other waivers, or none", "go on with those"
            raise FileError([Problem("--waivers", None, None, reason, hint)])
        if wrong := whats_wrong(path) or (record.reason if record.verdict != state.outcome else ""):
            raise FileError([Problem(str(path), None, None, wrong)])
        place, name = (number, record.place.run), plain_path(path).name
        left = LeftLog(name, state.sha256, state.outcome)
        if state.outcome == ABORTED and not record.failed:
            attempt = (Attempt(name, state.digest), left)
            self._earlier.setdefault(place, []).append(attempt)
        else:
            self._left[place] = left
            if self._seen is not None:
                self._seen(place, record)
        if self._sign is not None and not has_signature(path):
            self._sign.log(path, state.digest)
        if self._keeper is not None:
            self._keeper.enter_soon(path, record)

    def prepared(self, job: CampaignJob) -> CampaignJob:
        """Return a job with the attempts at it that were aborted before."""
        earlier = tuple(attempt for attempt, _ in self._earlier.get((job.group, job.place.run), ()))
        return replace(job, place=replace(job.place, earlier=earlier)) if earlier else job

    def take(self, job: CampaignJob, left: JobLeft) -> str:
        """Keep what a job left; return why its run has no log; empty where it has one.

        Raises:
            FileError: it cannot be written.
            RecordError: its signature cannot be written.
        """
        if not left.log:
            return left.why or "it left no log"
        if left.read is None:
            return f"{_DOUBTED}: {left.why}"
        if wrong := _strange(job, left.log, left.read):
            return f"{_DOUBTED}: {wrong}"
        log, record = self._named(job, left.log, left.read), left.read.record
        if self._seen is not None:
            self._seen((job.group, job.place.run), record)
        if self._keeper is not None:
            self._keeper.enter_soon(log, record)
        if self._sign is not None:
            self._sign.log(log, record.digest)
        return ""

    def _named(self, job: CampaignJob, content: bytes, read: ReadLog) -> Path:
        """Give a log its name."""
        group = self._groups[job.group]
        folder = self._folder / group.folder
        path = free_path(folder, f"{job.place.run:05d}-{slug(job.profile.model.profile)}")
        try:
            folder.mkdir(exist_ok=True)
            create_file(path, content)
        except OSError as error:
            raise FileError(
                [Problem(str(path), None, None, f"cannot be written: {error.strerror}")]
            ) from error
        self._left[job.group, job.place.run] = LeftLog(path.name, read.sha256, read.outcome)
        return path

    @property
    def logs(self) -> list[Path]:
        """All logs that are there, those of attempts that were aborted included."""
        return [log for group in self._groups for log in logs_in(self._folder / group.folder)]

    def close(self, broken_off: str) -> None:
        """Enter what came last, write the manifest of each plan that left a log, and sign what closes signed logs.

        A single run, which is its own whole, has no manifest.

        Args:
            broken_off: why not all were run, if they were not.

        Raises:
            FileError: a manifest cannot be written.
            RecordError: a signature cannot be written.
        """
        if self._keeper is not None:
            self._keeper.settle()
        for number, group in enumerate(self._groups):
            left = tuple(self._closing(number, run) for run in range(1, group.plan.runs + 1))
            if group.plan.runs > 1 and any(one.log for one in left):
                missing = any(not one.log for one in left)
                self._close(group, Manifest(group.plan, left, broken_off if missing else ""))
        if self._sign is not None:
            for path, content in left_unsigned(self.logs).items():
                self._sign.closing(path, content)

    def _close(self, group: PlannedGroup, manifest: Manifest) -> None:
        """Write the manifest of a plan, unless one in its folder lists the same."""
        folder = self._folder / group.folder
        for path in folder.glob(f"*{ENDING}"):
            with suppress(FileError):  # what is none, `verify` tells
                if read_manifest(path).left == manifest.left:
                    return
        written(folder, manifest)

    def _closing(self, number: int, run: int) -> LeftLog:
        earlier = [left for _, left in self._earlier.get((number, run), ())]
        left = self._left.get((number, run))
        if left is None and earlier:  # it was to be made again, and was not
            left = earlier.pop()
        return replace(left, earlier=tuple(earlier)) if left else LeftLog()


def _outcome_of(log: bytes) -> str:
    """Return the verdict in the closing line of a log; `aborted` where none is there."""
    try:
        last = json.loads(log.rstrip(b"\n").rpartition(b"\n")[2])
        return str((last["event"] == RunEnd.name and last["verdict"]) or ABORTED)
    except (ValueError, TypeError, LookupError):
        return ABORTED


def _strange(job: CampaignJob, log: bytes, read: ReadLog) -> str:
    """Return why a log is not that of a job; empty where it is."""
    record = read.record
    if hashlib.sha256(log).hexdigest() != read.sha256:
        return "it was changed since it was made"
    if _outcome_of(log) != read.outcome:
        return f"it does not end with {read.outcome}, as was said"
    if record.verdict != read.outcome:
        return record.reason
    for what, found, wanted in (
        ("plan or run", record.place, job.place),
        ("token", read.token, job.token),
        ("profile", record.profile_sha256, job.profile.digest),
        ("bench file", record.bench_sha256, job.bench.digest),
    ):
        if found != wanted:
            return f"it has another {what}"
    return ""
