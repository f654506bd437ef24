"""Jobs given to the workers of a lab, and given again where a worker was lost.

The engine repeats what it lost, whether or not it was told to. So a job in virtual time may run more than once, and
leaves the same bytes each time. One that moves something real passes the fence of its bench, which lets it begin once.
"""

from __future__ import annotations

import pickle
import zlib
from collections import Counter, defaultdict, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from queue import Empty, Queue
from secrets import token_hex
from socket import create_connection
from threading import Event, Thread
from typing import TYPE_CHECKING, Any, Final, NoReturn, Self, final

from ventproof.jobs.executor import Executor, J, R, WorkersLostError
from ventproof.lab.identity import Identity, own_identity, require_same
from ventproof.lab.nodes import VIRTUAL, bench_resource, settle, why_of
from ventproof.lab.seat import SeatReport, halt, hear, own_seat, report
from ventproof_bench.base.clock import Stopwatch
from ventproof_bench.base.errors import BenchError, FileError, Problem
from ventproof_bench.base.text import number_of

if TYPE_CHECKING:
    from distributed import Client, Future

    from ventproof.lab.security import LabAddress


MOST_LOSSES: Final = 3
"""A job whose worker was lost so often is given to nobody any more: it may be what ends them."""

_WORKER_WITHIN_S: Final = 30.0
_NOBODY_FOR_S: Final = 600.0
_BEAT_EVERY_S: Final = 2.0
_LOOK_EVERY_S: Final = 0.5
_GONE_AFTER_S: Final = 3.0  # a client that has just found its scheduler again knows of no worker for a moment
_FETCH_WITHIN_S: Final = 5.0
_STOPS_WITHIN_S: Final = 25.0
_AHEAD: Final = 2  # jobs a worker has at a time: the next one waits beside it


@final
@dataclass(frozen=True, slots=True)
class _Refused:
    """A worker did not begin: it runs something else."""

    worker: Identity


@final
@dataclass(frozen=True, slots=True)
class _Beginning:
    """What a worker does before the first job of a campaign; it goes along with each, since any may be the first.

    Attributes:
        begin: is called.
        packed: what with.
    """

    begin: Callable[..., object]
    packed: bytes

    def be(self) -> None:
        """Begin."""
        self.begin(*pickle.loads(zlib.decompress(self.packed)))  # noqa: S301 - a worker executes what it is sent


def _beginning(begin: Callable[..., object], arguments: tuple[Any, ...]) -> _Beginning:
    return _Beginning(begin, zlib.compress(pickle.dumps(arguments)))


def _do(
    work: Callable[[J], R], job: J, campaign: str, identity: Identity, beginning: _Beginning
) -> R | _Refused:
    """Work on a job; runs in the thread of a worker."""
    if own_identity() != identity:
        return _Refused(own_identity())
    if own_seat().asked_by != campaign:
        beginning.be()
    own_seat().begin(campaign)
    return work(job)


def _none_left(_: object, why: str) -> NoReturn:
    raise WorkersLostError(f"a job is lost: {why}")


@final
@dataclass(slots=True)
class LabExecutor:
    """The workers of a lab; a context.

    Attributes:
        address: of the scheduler.
        bench_of: names the bench that must do a job; empty for one in virtual time.
        lost: what a job leaves that nobody tells of, and why nobody does; unless stated, that ends all of them.
        said: told what whoever waits should know.
        noted: told what happened that should stay on the screen.
        answers_within_s: a scheduler that does not answer for so long is gone.
        beginning: what a worker does before the first job.
    """

    address: LabAddress
    bench_of: Callable[[Any], str] = lambda _: ""
    lost: Callable[[Any, str], Any] = _none_left
    said: Callable[[str], None] = lambda _: None
    noted: Callable[[str], None] = lambda _: None
    answers_within_s: float = 20.0
    beginning: _Beginning = field(default_factory=lambda: _beginning(str, ()))
    _campaign: str = field(default_factory=lambda: token_hex(8))
    _client: Client = field(init=False)
    _left: Event = field(default_factory=Event)
    _ended: Queue[Future[Any]] = field(default_factory=Queue)
    _running: dict[Future[Any], int] = field(default_factory=dict)
    _jobs: Sequence[Any] = ()
    # Workers that are here, as far as was said, each with what it has; and since when some of them are not.
    _told: set[tuple[str, str]] = field(default_factory=set)
    _missing: dict[tuple[str, str], Stopwatch] = field(default_factory=dict)
    # Jobs on benches that were given away and brought no result yet.
    _real: set[int] = field(default_factory=set)

    def __enter__(self) -> Self:
        """Reach the scheduler.

        Raises:
            BenchError: it does not answer.
        """
        settle()
        from distributed import Client  # noqa: PLC0415 - slow, and only in a lab

        at = self.address.host, self.address.port
        try:
            # A port that nobody listens on is known at once; the client would try it again until its time is over.
            with create_connection(at, timeout=_FETCH_WITHIN_S):
                pass
            self._client = Client(
                self.address.url,
                security=self.address.security,
                timeout=self.answers_within_s,
                set_as_default=False,
            )
        except (OSError, RuntimeError, ValueError) as error:
            said = f"no scheduler answers at {at[0]}:{at[1]}: {why_of(error)}"
            raise BenchError(said) from error
        return self

    def __exit__(self, *_: object) -> None:
        self._left.set()
        with suppress(Exception):  # a scheduler that is gone needs no farewell
            self._client.close(timeout=_FETCH_WITHIN_S)

    def require(self, benches: Mapping[str, str], *, virtual: bool) -> None:
        """Require that the lab can do what is asked of it, before the first job.

        Args:
            benches: the digest of the file of each bench that is needed, by the name of the bench.
            virtual: whether there are jobs in virtual time.

        Raises:
            FileError: a worker is missing, has another bench file, or runs something else.
        """
        wanted = [*map(bench_resource, benches), *([VIRTUAL] if virtual else [])]
        watch, wait = Stopwatch(), Event()
        while (missing := [one for one in wanted if not self._holders()[one]]) and (
            watch.gone_s() < _WORKER_WITHIN_S
        ):
            wait.wait(_LOOK_EVERY_S)
        if missing:
            raise FileError(map(_nobody, missing))
        reports = self._client.run(report, on_error="return")
        strangers = Identity({"ventproof": "of another version"})
        require_same(
            (worker, said.identity if isinstance(said, SeatReport) else strangers)
            for worker, said in reports.items()
        )
        _require_benches(benches, reports)
        for bench in benches:
            Thread(target=self._beat, args=(bench_resource(bench),), daemon=True).start()

    def finished(self, work: Callable[[J], R], jobs: Sequence[J]) -> Iterator[tuple[int, R]]:
        """Yield the number of each job, from 0, with what `work` made of it, as they finish.

        Raises:
            FileError: a worker that came later runs something else.
            WorkersLostError: the scheduler is gone, or nobody does what is left for a long time.
        """
        self._jobs = jobs
        waiting: dict[str, deque[int]] = defaultdict(deque)
        for number, job in enumerate(jobs):
            waiting[self._need(job)].append(number)
        losses: Counter[int] = Counter()
        idle = _Idle(self.said)
        while self._running or any(waiting.values()):
            self._require_scheduler()
            self._submit(work, waiting, idle)
            future = self._next()
            if future is None:
                continue
            number = self._running.pop(future)
            try:
                result = self._fetched(future, number)
            except _LostError as error:
                losses[number] += error.counts
                if losses[number] >= MOST_LOSSES:
                    self._real.discard(number)
                    yield number, self.lost(jobs[number], f"{MOST_LOSSES} workers were lost with it")
                else:
                    waiting[self._need(jobs[number])].appendleft(number)
            except _LaterError:
                self._later(future, number)
            else:
                self._real.discard(number)
                yield number, result

    def stopped(self, said: Callable[[str], None]) -> Iterator[tuple[int, Any]]:
        """Tell the workers to stop; yield what the jobs leave that had moved something real.

        Args:
            said: told which bench is waited for.
        """
        if not self._real:
            return
        benches = sorted({self.bench_of(self._jobs[number]) for number in self._real})
        Thread(target=self._halt, args=(benches,), daemon=True).start()  # one that hangs is not waited for
        for bench in benches if self._client.status == "running" else ():
            waits = f"{_STOPS_WITHIN_S:g} s at most"
            said(f"stopping: bench {bench!r} makes its outputs safe and closes its log, {waits}")
        watch = Stopwatch()
        while (
            self._real & {*self._running.values()}
            and watch.gone_s() < _STOPS_WITHIN_S
            and self._client.status == "running"
        ):
            future = self._next()
            if future is None:
                continue
            number = self._running.pop(future)
            try:
                result = self._fetched(future, number)
            except _LostError:
                continue
            except _LaterError:
                self._later(future, number)
            else:
                if number in self._real:
                    self._real.remove(number)
                    yield number, result
        for number in sorted(self._real):
            job = self._jobs[number]
            why = f"it began on bench {self.bench_of(job)!r}, and no worker said how it ended: look at the bench"
            yield number, self.lost(job, f"{why}; --resume asks for its log")

    def _halt(self, benches: Sequence[str]) -> None:
        """Tell the workers of benches to stop; one that is not there does so by itself."""
        with suppress(Exception):
            holders = self._holders()
            workers = [worker for bench in benches for worker in holders[bench_resource(bench)]]
            self._client.run(halt, self._campaign, workers=workers, on_error="ignore")

    def _need(self, job: Any) -> str:  # noqa: ANN401 - whatever is done
        bench = self.bench_of(job)
        return bench_resource(bench) if bench else VIRTUAL

    def _later(self, future: Future[Any], number: int) -> None:
        """Ask for a result again."""
        self._running[future] = number
        self._ended.put(future)

    def _holders(self) -> dict[str, list[str]]:
        """Return the addresses of the workers by what they have."""
        found: dict[str, list[str]] = defaultdict(list)
        for worker, facts in self._client.scheduler_info(n_workers=-1)["workers"].items():
            for resource in facts["resources"]:
                found[resource].append(worker)
        return found

    def _require_scheduler(self) -> None:
        at = f"{self.address.host}:{self.address.port}"
        if self._client.status == "connecting":
            self.said(f"the scheduler at {at} does not answer; {self.answers_within_s:g} s are given to it")
        elif self._client.status != "running":
            raise WorkersLostError(f"the scheduler at {at} is gone")

    def _submit(self, work: Callable[[J], R], waiting: Mapping[str, deque[int]], idle: _Idle) -> None:
        """Give each worker as much as it can have beside it; a bench one job at a time."""
        if self._client.status != "running" or not any(waiting.values()):
            return
        held = Counter(self._need(self._jobs[number]) for number in self._running.values())
        try:
            holders = self._holders()
        except (OSError, TimeoutError):  # it may come back
            return
        self._note_changes(holders)
        for need, numbers in waiting.items():
            room = len(holders[need]) * (_AHEAD if need == VIRTUAL else 1) - held[need]
            for _ in range(min(room, len(numbers))):
                number = numbers.popleft()
                future = self._client.submit(
                    _do,
                    work,
                    self._jobs[number],
                    self._campaign,
                    own_identity(),
                    self.beginning,
                    key=f"{self._campaign}-{number}-{token_hex(4)}",
                    pure=False,
                    retries=0,
                    resources={need: 1},
                )
                self._running[future] = number
                if need != VIRTUAL:
                    self._real.add(number)
                future.add_done_callback(self._ended.put)
        idle.look({need for need, numbers in waiting.items() if numbers and not holders[need]})

    def _note_changes(self, holders: Mapping[str, Sequence[str]]) -> None:
        """Say which workers came, and which are gone; one that is missed for a moment is not."""
        here = {(need, worker) for need, workers in holders.items() for worker in workers}
        began = not self._told
        for one in sorted(here - self._told):
            self._told.add(one)
            if not began:
                self._note(one, "joined")
        self._missing = {one: self._missing.get(one) or Stopwatch() for one in self._told - here}
        for one, watch in sorted(self._missing.items()):
            if watch.gone_s() >= _GONE_AFTER_S:
                self._told.remove(one)
                self._note(one, "is gone")

    def _note(self, one: tuple[str, str], what: str) -> None:
        need, worker = one
        count = sum(its == need for its, _ in self._told)
        self.noted(f"worker {worker} {what}; {number_of(count, 'worker')} for {_said_need(need)}")

    def _next(self) -> Future[Any] | None:
        """Return a job that ended, whichever way; None where none did for a moment."""
        with suppress(Empty):
            future = self._ended.get(timeout=_LOOK_EVERY_S)
            return future if future in self._running else None
        return None

    def _fetched(self, future: Future[Any], number: int) -> Any:  # noqa: ANN401 - whatever the work makes
        from distributed import KilledWorker  # noqa: PLC0415 - slow, and only in a lab
        from distributed.comm.core import CommClosedError  # noqa: PLC0415 - as above

        try:
            result = future.result(timeout=_FETCH_WITHIN_S)
        except KilledWorker:
            raise _LostError(1) from None
        except CancelledError:  # the connection was lost, and perhaps found again
            raise _LostError(0) from None
        except (
            TimeoutError,
            CommClosedError,
        ):  # who held the result is gone, and it is made again; or all is
            raise _LaterError from None
        if isinstance(result, _Refused):
            require_same([(f"of job {number}", result.worker)])
        return result

    def _beat(self, resource: str) -> None:
        """Tell the worker of a bench every other second that this campaign goes on."""
        while not self._left.wait(_BEAT_EVERY_S):
            with suppress(Exception):  # who hears nothing ends its run: that is what the beat is for
                workers = self._holders()[resource]
                self._client.run(hear, self._campaign, workers=workers, on_error="ignore")


@contextmanager
def lab_workers(
    address: LabAddress,
    said: Callable[[str], None] = lambda _: None,
    noted: Callable[[str], None] = lambda _: None,
    *,
    begin: Callable[..., object],
    arguments: tuple[Any, ...] = (),
) -> Iterator[Executor]:
    """Give the workers of a lab for jobs in virtual time, as `own_processes` gives those of this computer.

    Args:
        address: of the scheduler.
        said: told what whoever waits should know.
        noted: told what happened that should stay on the screen.
        begin: called in each of them before its first job.
        arguments: what it is called with.

    Raises:
        BenchError: the scheduler does not answer.
        FileError: there is no worker, or one runs something else.
    """
    with LabExecutor(address, said=said, noted=noted, beginning=_beginning(begin, arguments)) as lab:
        lab.require({}, virtual=True)
        yield lab


class _LostError(Exception):
    """A job left nothing, and is to be done again.

    Args:
        counts: how much it counts towards `MOST_LOSSES`.
    """

    def __init__(self, counts: int) -> None:
        super().__init__()
        self.counts = counts


class _LaterError(Exception):
    """A result is not here yet."""


@final
class _Idle:
    """Notices that nobody does what is left."""

    def __init__(self, said: Callable[[str], None]) -> None:
        self._said = said
        self._since: dict[str, Stopwatch] = {}

    def look(self, nobody: set[str]) -> None:
        """Take what no worker has now.

        Raises:
            WorkersLostError: no worker has had it for a long time.
        """
        self._since = {need: self._since.get(need) or Stopwatch() for need in nobody}
        for need, watch in self._since.items():
            if watch.gone_s() > _NOBODY_FOR_S:
                raise WorkersLostError(f"no worker for {_said_need(need)} in {_NOBODY_FOR_S / 60:g} min")
            self._said(f"waiting for a worker for {_said_need(need)}")


def _said_need(need: str) -> str:
    return "runs in virtual time" if need == VIRTUAL else f"bench {need.partition(':')[2]!r}"


def _nobody(need: str) -> Problem:
    start = "ventproof worker ADDRESS" + ("" if need == VIRTUAL else " --bench FILE, on the bench computer")
    return Problem("--scheduler", None, None, f"no worker does {_said_need(need)}", f"start one: {start}")


def _require_benches(benches: Mapping[str, str], reports: Mapping[str, SeatReport]) -> None:
    problems = []
    for bench, digest in benches.items():
        held = {worker: one.benches[bench] for worker, one in reports.items() if bench in one.benches}
        if len(held) > 1:
            reason = f"{len(held)} workers hold bench {bench!r}: {', '.join(held)}"
            problems.append(Problem("--scheduler", None, None, reason, "stop all of them but one"))
        for worker in (worker for worker, theirs in held.items() if theirs != digest):
            reason = f"worker {worker} holds bench {bench!r} with another bench file"
            problems.append(
                Problem("--scheduler", None, None, reason, "use the same bench file here and there")
            )
    if problems:
        raise FileError(problems)
