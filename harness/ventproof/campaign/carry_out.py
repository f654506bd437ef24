"""A campaign carried out: what is missing is given away, what comes back is kept, and all of it is counted."""

from __future__ import annotations

import fcntl
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING, Final, final

from ventproof.campaign.kept import KeptLogs, LogSigner
from ventproof.campaign.planned import continued, jobs_of, new_record
from ventproof.campaign.work import work_on
from ventproof.log.read import VERDICTS
from ventproof.papers.waivers import ACCEPTED
from ventproof.profile.duration import longest_s
from ventproof.runset.campaign_record import CAMPAIGN, read_campaign_record
from ventproof.runset.manifest import NOT_RUN
from ventproof.runset.signature import require_unsigned
from ventproof.session.waived import WaivedRuns, waivable_of
from ventproof.verdict.finding import EXIT_ACCEPTED, EXIT_PASS, Verdict, code_of
from ventproof_bench.base.clock import local_now
from ventproof_bench.base.errors import FileError, Problem, VentproofError
from ventproof_bench.base.interrupts import held

if TYPE_CHECKING:
    from ventproof.campaign.planned import CampaignJob, PlannedGroup
    from ventproof.campaign.work import JobLeft
    from ventproof.history.enter import Keeper
    from ventproof.jobs.executor import Executor
    from ventproof.log.run import RunRecord
    from ventproof.log.signing import SigningKey
    from ventproof.papers.waivers import Waivers
    from ventproof.runset.campaign_record import CampaignRecord, Place


NO_LOG: Final = "without a log"


@final
class CampaignRuns:
    """All runs of a campaign, those that stand already and those to be made.

    Args:
        name: of the campaign.
        folder: of its logs and its record; it is made, and locked by `campaign_folder`.
        groups: its plans.
        operator: who runs it.
        keeper: enters each log into a history; None: no history is kept.
        waivers: the deviations that were accepted before; None: there are none.
        key: signs each log, and what closes them, in the operator's name; None: nothing is signed.
        resume: whether the campaign in the folder goes on; otherwise there must be none.

    Raises:
        FileError: there is one, or none, or not this one; a log of it was changed; or its logs are signed and new ones
            would not be.
        RecordError: a log that is taken up cannot be signed.
    """

    def __init__(
        self,
        name: str,
        folder: Path,
        groups: Sequence[PlannedGroup],
        operator: str,
        keeper: Keeper | None,
        *,
        waivers: Waivers | None = None,
        key: SigningKey | None = None,
        resume: bool,
    ) -> None:
        self._folder = folder
        self.groups: Sequence[PlannedGroup] = groups
        if resume:
            self._record = _begun_in(folder)
            self.groups = continued(self._record, groups)
        else:
            _require_new(folder)
            self._record = new_record(name, groups)
        self.waived = WaivedRuns(waivers.model.waivers) if waivers else None
        sign = LogSigner(key, operator) if key else None
        seen, digest = (self._waive, waivers.digest) if waivers else (None, "")
        self.kept = KeptLogs(folder, self.groups, keeper, sign, seen=seen, waivers=digest)
        self.troubles: dict[Place, str] = {}
        self.unclosed = ""
        """Why a manifest or a signature of it was not written; empty where all was."""
        self._accepted: dict[Place, str] = {}
        self._today = local_now().date()
        again = self.kept.take_up() if resume else []
        self._renew(again)
        self.jobs = [self.kept.prepared(job) for job in self._missing(operator, waivers)]
        self.standing = sum(group.plan.runs for group in self.groups) - len(self.jobs)
        if self.jobs and key is None:
            require_unsigned(self.kept.logs)

    def _renew(self, again: Sequence[Place]) -> None:
        """Give a new token to each real run that is made again at a person's word."""
        fresh = {place: token_hex(16) for place in again if place in self._record.tokens}
        spent = {place: token_hex(16) for place in self._record.spent}
        self._record = replace(self._record, tokens={**self._record.tokens, **fresh, **spent}, spent=())

    def _waive(self, place: Place, record: RunRecord) -> None:
        """Note how a run ended with its waivers."""
        assert self.waived is not None, "there are some"
        number, planned = place
        run = waivable_of(record, self.groups[number].profile(planned).model, self._today)
        self._accepted[place] = self.waived.take(record.profile, run, record.findings)

    def outcome(self, place: Place) -> str:
        """Return how a run ended: as its log says, but for a fail that is accepted; empty where it left no log."""
        found = self.kept.outcome(place)
        return self._accepted.get(place, found) if found == Verdict.FAIL else found

    def _missing(self, operator: str, waivers: Waivers | None) -> Iterator[CampaignJob]:
        tokens = self._record.tokens
        for job in jobs_of(self.groups, operator, waivers):
            place = (job.group, job.place.run)
            if not self.kept.outcome(place):
                yield replace(job, token=tokens.get(place, ""))

    @property
    def runs(self) -> int:
        """How many runs the campaign has."""
        return sum(group.plan.runs for group in self.groups)

    @property
    def real_s(self) -> dict[str, float]:
        """How long the runs to be made take at most on each bench with real outputs, seconds."""
        spans: dict[str, float] = defaultdict(float)
        for job in self.jobs:
            if job.real_bench:
                spans[job.real_bench] += longest_s(job.profile.model)
        return dict(spans)

    def carry_out(
        self, executor: Executor, told: Callable[[CampaignJob, int], None], said: Callable[[str], None]
    ) -> str:
        """Make the runs that are missing; return what broke the campaign off, if something did.

        Args:
            executor: who makes them.
            told: is given each job that ended, and how many did.
            said: told what is waited for where all is broken off.

        Raises:
            FileError: what begins cannot be noted.
            KeyboardInterrupt: the operator broke it off; what was recorded is kept, and the manifests are written.
        """
        broken_off = ""
        # Before anything begins, and once there is somebody to make the runs.
        self._record.write(self._folder)
        try:
            for done, (number, left) in enumerate(executor.finished(work_on, self.jobs), start=1):
                with held():  # one that has its name is signed, counted and entered, too
                    self._take(number, left)
                told(self.jobs[number], done)
        except KeyboardInterrupt:
            with held():
                self._take_stopped(executor, said)
                self.close("interrupted")
            raise
        except VentproofError as error:
            broken_off = str(error)
            self._take_stopped(executor, said)
        self.close(broken_off or "runs left no log")
        return broken_off

    def close(self, broken_off: str = "") -> None:
        """Write the manifests, and sign what is to be signed; what cannot be written is noted, since the logs stand."""
        try:
            self.kept.close(broken_off)
        except VentproofError as error:
            self.unclosed = str(error)

    def _take_stopped(self, executor: Executor, said: Callable[[str], None]) -> None:
        with suppress(VentproofError):  # what went wrong first is what is told
            for number, left in executor.stopped(said):
                self._take(number, left)

    def _take(self, number: int, left: JobLeft) -> None:
        job = self.jobs[number]
        place = (job.group, job.place.run)
        if why := self.kept.take(job, left):
            self.troubles[place] = why
            if job.token and left.spent:
                self._record = replace(self._record, spent=(*self._record.spent, place))
                self._record.write(self._folder)

    @property
    def counts(self) -> Counter[str]:
        """How many runs ended with which verdict, were aborted, left no log, or were not run."""
        return Counter(
            self.outcome(place) or (NO_LOG if place in self.troubles else NOT_RUN) for place in self._places
        )

    @property
    def code(self) -> int:
        """The exit code: of the worst that occurs, and as for an aborted run where one left no log."""
        outcomes = {self.outcome(place) for place in self._places}
        code = code_of(Verdict(one) if one in VERDICTS else None for one in outcomes - {ACCEPTED})
        return EXIT_ACCEPTED if code == EXIT_PASS and ACCEPTED in outcomes else code

    def ended(self, *outcomes: str) -> Iterator[tuple[PlannedGroup, str, Path | None]]:
        """Yield the group, the run and the log of each run that ended so, in order."""
        for number, group in enumerate(self.groups):
            for place in group.plan.places:
                if self.outcome((number, place.run)) in outcomes:
                    yield group, str(place), self.kept.log((number, place.run))

    @property
    def _places(self) -> Iterator[Place]:
        for number, group in enumerate(self.groups):
            yield from ((number, run) for run in range(1, group.plan.runs + 1))


def _begun_in(folder: Path) -> CampaignRecord:
    """Return what the campaign noted that began in a folder."""
    if not (folder / CAMPAIGN).exists():
        reason = "no campaign began in this folder"
        raise FileError([Problem(str(folder), None, None, reason, "leave --resume out")])
    return read_campaign_record(folder / CAMPAIGN)


def _require_new(folder: Path) -> None:
    if (folder / CAMPAIGN).exists():
        reason = "a campaign began in this folder"
        hint = "give --resume to go on with it, or another --out for a new one"
        raise FileError([Problem(str(folder), None, None, reason, hint)])


@contextmanager
def campaign_folder(folder: Path) -> Iterator[Path]:
    """Give the folder of a campaign, made where it is not there; one command at a time has it.

    Raises:
        FileError: another has it, or it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with (folder / ".lock").open("ab") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            yield folder
    except BlockingIOError:
        reason, hint = "a campaign goes on in this folder", "let it end, or give another --out"
        raise FileError([Problem(str(folder), None, None, reason, hint)]) from None
