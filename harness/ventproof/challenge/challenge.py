"""A suite against every fault of the mock unit: which it finds, which it would miss, and why."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final, Literal, final

from bench.benchtext import with_faults
from bench.errors import FileError, Problem
from bench.mock.faults import CATALOGUE, check_names
from harness.judge.verdict import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from harness.prove.enough import enough_of, until
from harness.prove.severity import smallest_found
from harness.prove.shows import likely_first
from harness.prove.trial import Trial, attempt
from harness.prove.workers import Suite, Told, own_suite, suite_workers

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.mock.fault import Fault
    from bench.mock.settings import MockSettings
    from bench.wiring import BenchFile

Found = Literal["caught", "open", "missed"]
"""A profile failed; none failed, but one gave no pass; or all passed."""

Missed = Literal["never stimulated", "stimulated, not observed", "observed, within tolerance"]
"""Why a fault is missed: nothing that the suite does makes a difference to the unit; it does, but nothing that a
response watches differs; something watched differs, and passes all the same."""

_USUAL: Final = 1.0
_TO_SPARE: Final = 2
"""Where so many profiles find a fault, none of the suite is needed for it."""


@final
@dataclass(frozen=True, slots=True)
class Challenged:
    """One fault, and what the suite made of it.

    Attributes:
        fault: from the catalogue.
        trials: by profile's number in the suite, in the order in which they were tried.
        missed: why it is missed; None where it is not.
        smallest: severity that is still found; None where the fault has none, none is, or it was not asked for.
    """

    fault: Fault
    trials: Mapping[int, Trial]
    missed: Missed | None = None
    smallest: float | None = None

    @property
    def found(self) -> Found:
        """What the suite made of it."""
        if self.caught_by:
            return "caught"
        return "missed" if all(trial.passed for trial in self.trials.values()) else "open"

    @property
    def caught_by(self) -> tuple[int, ...]:
        """Numbers of the profiles that failed, the first one first."""
        return tuple(number for number, trial in self.trials.items() if trial.failed)

    @property
    def left_open_by(self) -> tuple[int, ...]:
        """Numbers of the profiles that neither passed nor failed."""
        return tuple(n for n, trial in self.trials.items() if not (trial.failed or trial.passed))


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """A whole challenge.

    Attributes:
        suite: what was challenged.
        healthy: how each profile ended against the healthy unit.
        faults: every fault that the unit can have, in the catalogue's order.
        lacking: names of the faults of parts that the unit does not have.
        full: whether every fault met every profile, or two profiles that find it.
    """

    suite: Suite
    healthy: tuple[Trial, ...]
    faults: tuple[Challenged, ...]
    lacking: tuple[str, ...] = ()
    full: bool = False

    def of(self, found: Found) -> tuple[Challenged, ...]:
        """Return the faults that the suite found so; one that no test can tell is in none."""
        return tuple(c for c in self.faults if c.found == found and not c.fault.equivalent)

    def only_by(self, number: int) -> tuple[str, ...]:
        """Return the faults that no other profile finds; of a full challenge."""
        return tuple(c.fault.name for c in self.faults if c.caught_by == (number,))

    @property
    def enough(self) -> tuple[int, ...]:
        """Numbers of profiles that together find whatever the suite finds; of a full challenge.

        Fewer may do: the choice is greedy, and not every fault met every profile.
        """
        return enough_of(c.caught_by for c in self.faults if c.caught_by)

    @property
    def code(self) -> int:
        """The exit code: a missed fault first, then one that was left open."""
        if self.of("missed"):
            return EXIT_FAIL
        return EXIT_INCONCLUSIVE if any(not c.fault.undecided for c in self.of("open")) else EXIT_PASS


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Challenge:
    """What to do.

    Attributes:
        suite: what is challenged.
        names: the faults to try; all that the unit can have unless stated.
        full: let a fault meet the profiles until two have found it, rather than one: it is then known of every
            profile whether the suite would miss anything without it.
        severities: look for the smallest severity that is still found, where a fault has one.
        jobs: processes; one a core unless stated.
    """

    suite: Suite
    names: Collection[str] = ()
    full: bool = False
    severities: bool = False
    jobs: int | None = None

    def run(self, told: Told = lambda _, __: None) -> Result:
        """Run it; the same suite, bench and seed give the same result, whatever the number of processes.

        Args:
            told: called with how many of how many trials are done, of the healthy unit and then of the faults.

        Raises:
            FileError: the bench is not the mock in this process, or the healthy unit does not pass the suite.
            KeyboardInterrupt: the operator broke it off.
        """
        mock = healthy_mock(self.suite.bench)
        wanted = [f for f in CATALOGUE.values() if not self.names or f.name in self.names]
        possible = [fault for fault in wanted if not fault.needs or fault.needs in mock.parts]
        lacking = tuple(fault.name for fault in wanted if fault not in possible)
        with suite_workers(self.suite, self.jobs) as workers:
            healthy = tuple(
                workers.each([partial(_healthy, n) for n in range(len(self.suite.profiles))], told)
            )
            _check_healthy(self.suite, healthy)
            profiles, bench = self.suite.profiles, self.suite.bench
            order = {fault.name: likely_first(fault, profiles, bench, healthy) for fault in possible}
            meet = partial(_meet, full=self.full, severities=self.severities)
            tries = [partial(meet, name, numbers) for name, numbers in order.items()]
            met = list(workers.each(tries, told))
        faults = tuple(
            Challenged(fault, dict(zip(order[fault.name], trials, strict=False)), None, smallest)
            for fault, (trials, smallest) in zip(possible, met, strict=True)
        )
        reasoned = tuple(explained(c, healthy) for c in faults)
        return Result(suite=self.suite, healthy=healthy, faults=reasoned, lacking=lacking, full=self.full)


def check_faults(names: Iterable[str]) -> None:
    """Refuse names that are no faults.

    Raises:
        FileError: says which, and the nearest right one.
    """
    problems = []
    for name in names:
        try:
            check_names({name: _USUAL})
        except ValueError as error:
            problems.append(Problem("--fault", None, None, str(error)))
    if problems:
        raise FileError(problems)


def healthy_mock(bench: Loaded[BenchFile]) -> MockSettings:
    """Return the healthy mock unit of a bench.

    Raises:
        FileError: there is none, it is on real wires, or it is faulty.
    """
    mock = bench.model.mock
    if mock is None or not bench.model.virtual:
        reason = "a suite is challenged on the mock unit inside this process, in virtual time"
        raise FileError([Problem(bench.path, None, None, reason, "name a bench with `link: in-process`")])
    if mock.faults:
        reason = f"the mock unit is faulty already: {', '.join(mock.faults)}"
        hint = "take the faults out: a challenge begins with a healthy unit"
        raise FileError([bench.problem(("mock", "faults"), reason, hint, at_key=True)])
    return mock


def _check_healthy(suite: Suite, healthy: Iterable[Trial]) -> None:
    problems = [
        Problem(
            profile.path,
            None,
            None,
            f"the healthy unit does not pass this profile ({trial.verdict or 'no verdict'}): {trial.why}",
            "mend the profile or the bench first: a suite that fails a good unit proves nothing of a bad one",
        )
        for profile, trial in zip(suite.profiles, healthy, strict=True)
        if not trial.passed
    ]
    if problems:
        raise FileError(problems)


def explained(challenged: Challenged, healthy: Sequence[Trial]) -> Challenged:
    """Return the same with why it is missed, if it is."""
    if challenged.found != "missed":
        return challenged
    pairs = [(trial.course, healthy[number].course) for number, trial in challenged.trials.items()]
    if any(faulty.watched != good.watched for faulty, good in pairs):
        missed: Missed = "observed, within tolerance"
    elif any(faulty != good for faulty, good in pairs):
        missed = "stimulated, not observed"
    else:
        missed = "never stimulated"
    return Challenged(challenged.fault, challenged.trials, missed, challenged.smallest)


# What runs in the processes.


def _healthy(number: int) -> Trial:
    suite = own_suite()
    return attempt(suite.profiles[number], suite.bench, seed=suite.seed)


def _meet(
    name: str, order: Sequence[int], *, full: bool, severities: bool
) -> tuple[tuple[Trial, ...], float | None]:
    """Let the profiles meet a fault; return how each ended, and the smallest severity that is still found."""
    trials = tuple(_trials(name, _USUAL, order, _TO_SPARE if full else 1))
    if not (severities and CATALOGUE[name].severity):
        return trials, None
    catching = [number for number, trial in zip(order, trials, strict=False) if trial.failed]

    def found(severity: float) -> bool:
        if severity == _USUAL:
            return bool(catching)
        return any(trial.failed for trial in _trials(name, severity, catching or order, 1))

    return trials, smallest_found(found)


def _trials(name: str, severity: float, order: Iterable[int], finds: int) -> Iterator[Trial]:
    """Yield how each profile ends, to the one with which so many of them have found the fault."""
    suite = own_suite()
    bench = with_faults(suite.bench, {name: severity})
    return until((attempt(suite.profiles[number], bench, seed=suite.seed) for number in order), finds)


def as_data(result: Result) -> dict[str, Any]:
    """Return everything that was found as plain data."""
    names = [profile.model.profile for profile in result.suite.profiles]
    return {
        "format": 1,
        "bench": {"name": result.suite.bench.model.bench, "sha256": result.suite.bench.digest},
        "seed": result.suite.seed,
        "full": result.full,
        "profiles": [
            {
                "name": profile.model.profile,
                "file": profile.path,
                "sha256": profile.digest,
                "only_it_finds": list(result.only_by(number)) if result.full else None,
            }
            for number, profile in enumerate(result.suite.profiles)
        ],
        "enough": [names[number] for number in result.enough] if result.full else None,
        "faults": [_fault_data(challenged, names) for challenged in result.faults],
        "lacking": list(result.lacking),
    }


def _fault_data(challenged: Challenged, names: list[str]) -> dict[str, Any]:
    fault = challenged.fault
    return {
        "name": fault.name,
        "family": fault.family,
        "about": fault.about,
        "equivalent": fault.equivalent or None,
        "undecided": fault.undecided or None,
        "found": challenged.found,
        "missed": challenged.missed,
        "smallest_severity": challenged.smallest,
        "trials": [
            {
                "profile": names[number],
                "verdict": None if trial.verdict is None else str(trial.verdict),
                "why": trial.why,
            }
            for number, trial in challenged.trials.items()
        ],
    }
