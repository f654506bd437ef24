"""A plan carried out: its runs one after the other, and the manifest that closes them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, final

from ventproof.log.names import free_path, plain_path
from ventproof.log.plan import PlannedClaim, PlannedRun
from ventproof.log.read import check_log
from ventproof.log.run import ABORTED
from ventproof.log.write import RecordLog
from ventproof.runset.manifest import ENDING, NOT_NEEDED, NOT_RUN, LeftLog, Manifest, write_manifest
from ventproof.session.ahead import RunsAhead, ahead, pays
from ventproof.session.onward import await_bench, why_ended
from ventproof.session.repeats import RepeatPlan, RepeatSeries, run_series
from ventproof.session.resume import KeptRun
from ventproof.session.session import slug
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.interrupts import held, unless_interrupted

if TYPE_CHECKING:
    from ventproof.profile.model import Profile
    from ventproof.run.engine import Outcome
    from ventproof.run.view import View
    from ventproof.session.resume import Resumed
    from ventproof.session.session import RunResult, Session
    from ventproof_bench.yamlfile.load import Loaded


@final
class PlannedRuns:
    """The runs of one command.

    Args:
        session: what stays the same for all of them.
        suite: the profiles, in order.
        repeats: how often each, and what for.
        going_on: what is left of the plan, where one is taken up again; the suite and the repeats are the plan's.
    """

    def __init__(
        self,
        session: Session,
        suite: Sequence[Loaded[Profile]],
        repeats: RepeatPlan | None = None,
        going_on: Resumed | None = None,
    ) -> None:
        self._session = session
        self._suite = tuple(suite)
        self._repeats = repeats or RepeatPlan()
        reliability, confidence = self._repeats.reliability, self._repeats.confidence
        claim = None if reliability is None else PlannedClaim(reliability, confidence)
        self.plan = going_on.plan if going_on else session.plan(self._suite, self._repeats.repeats, claim)
        self._kept = going_on.kept if going_on else {}
        self._earlier = going_on.earlier if going_on else {}
        self._closed = going_on is not None and going_on.closed
        self._logs: dict[int, RecordLog | KeptRun] = dict(self._kept)
        self._outcomes = {run: one.result.outcome.verdict or ABORTED for run, one in self._kept.items()}
        self._decided: set[int] = set()
        self._ended: list[Outcome] = []
        self._ahead = RunsAhead()
        self.manifest: Path | None = None

    @property
    def logs(self) -> list[Path]:
        """The logs that its runs left so far, in order."""
        return [log.path for _, log in sorted(self._logs.items())]

    @property
    def not_run(self) -> int:
        """How many of its runs were not made, and would have been needed."""
        return sum(
            place.run not in self._logs and self._number(place) not in self._decided
            for place in self.plan.places
        )

    @property
    def ended(self) -> str:
        """Why nothing more may be run, as `session.onward` says it; empty while it may."""
        return why_ended(self._ended)

    def run(self, number: int, view: View, *, repeat: int = 1) -> RunResult:
        """Run a profile of the suite once; a run that stands already is not made again.

        Args:
            number: which one, from 0.
            view: what watches the run.
            repeat: which repeat this is, from 1.

        Raises:
            FileError: profile and bench do not fit, or the log cannot be created; nothing was switched.
            KeyboardInterrupt: the operator broke it off; outputs are safe and the log is closed as aborted.
            LinkError: the bench did not come back after a run that was aborted.
            RecordError: the log was changed while it was written, or its signature cannot be written.
        """
        run = number * self.plan.repeats + repeat
        if run in self._kept:
            return self._kept[run].result
        if self._ended and self._ended[-1].verdict is None:
            await_bench(self._session.bench)
        result = self._made_ahead(number, run) or self._made_here(number, run, view)
        self._ended.append(result.outcome)
        self._outcomes[run] = result.outcome.verdict or ABORTED
        return result

    @contextmanager
    def shared(self) -> Iterator[None]:
        """Let other processes make runs too meanwhile, where that is quicker and nothing tells the difference."""
        places = [self._place(one.run) for one in self.plan.places if one.run not in self._kept]
        if self.plan.claim is not None or not pays(self._session, len(places)):
            yield
            return
        try:
            with ahead(
                self._session, [(self._suite[self._number(one)], one) for one in places]
            ) as self._ahead:
                yield
        finally:
            self._session.settle()

    def _made_ahead(self, number: int, run: int) -> RunResult | None:
        """Keep a run that another process made, and return it; None where none did."""
        made = self._ahead.next()
        if made is None:
            return None
        unless_interrupted()
        with held():
            log = made.named(self._session.out, slug(self._suite[number].model.profile))
            if log is None:
                return None
            result = replace(made.result, log=log)
            self._logs[run] = KeptRun(log, made.sha256, result)
            self._session.keep(log, result.digest, made.record)
            return result

    def _made_here(self, number: int, run: int, view: View) -> RunResult:
        def opened(log: RecordLog) -> None:
            self._logs[run] = log

        return self._session.run(self._suite[number], view, self._place(run), opened=opened)

    def _place(self, run: int) -> PlannedRun:
        """Return a run of the plan, with the attempts at it that were aborted before."""
        return PlannedRun(self.plan, run, tuple(attempt for attempt, _ in self._earlier.get(run, ())))

    def repeat(self, number: int, view: View) -> RepeatSeries:
        """Run a profile of the suite as often as planned; raises what `run` does where not even the first came."""
        series = run_series(
            lambda repeat: self.run(number, view, repeat=repeat), self._repeats, lambda: self.ended
        )
        if series.claim in {"proved", "refuted"}:
            self._decided.add(number)
        return series

    def close(self, broken_off: str = "") -> None:
        """Write the manifest, and sign it where logs are signed; a single run, which is its own whole, has none.

        Args:
            broken_off: why not all were run, if they were not.

        Raises:
            FileError: it cannot be written.
            RecordError: its signature cannot be written.
        """
        if self.plan.runs == 1 or not self._logs or self._closed:
            return
        left = tuple(map(self._left, self.plan.places))
        manifest = Manifest(self.plan, left, broken_off if self.not_run else "")
        path = written(self._session.out, manifest)
        if self._session.signing is not None:
            from ventproof.runset.signature import sign_closing  # noqa: PLC0415 - slow, and only who signs needs it

            sign_closing(path, manifest.content, self._session.signing, self._session.operator)
        self.manifest = path

    def _number(self, place: PlannedRun) -> int:
        return (place.run - 1) // self.plan.repeats

    def _left(self, place: PlannedRun) -> LeftLog:
        log = self._logs.get(place.run)
        earlier = tuple(left for _, left in self._earlier.get(place.run, ()))
        if log is None and earlier:  # it was to be made again, and was not
            return replace(earlier[-1], earlier=earlier[:-1])
        if log is None:
            return LeftLog(outcome=NOT_NEEDED if self._number(place) in self._decided else NOT_RUN)
        outcome = self._outcomes.get(place.run) or _outcome(log.path)
        return LeftLog(plain_path(log.path).name, log.sha256, outcome, earlier)


def written(folder: Path, manifest: Manifest) -> Path:
    """Write a manifest under the first name that is free, however many do so at once."""
    while True:
        path = free_path(folder, "series", ENDING)
        try:
            write_manifest(path, manifest)
        except FileError:
            if not path.exists():  # otherwise another run was a moment faster
                raise
        else:
            return path


def _outcome(log: Path) -> str:
    """Return how a run ended that raised an error: its log tells."""
    try:
        return check_log(log).outcome
    except FileError:
        return ABORTED
