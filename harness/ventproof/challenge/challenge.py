"""Faults found, variations spared."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Any, Final, Literal, final

from ventproof.challenge.search import enough_of, smallest_found, until
from ventproof.challenge.settings import MovedSetting, Sign, could_show, move, settings_of
from ventproof.challenge.trial import Missed, Suite, Trial, attempt, missed_of, own_suite, suite_workers
from ventproof.jobs.executor import Told, Workforce, own_processes
from ventproof.profile.stimulus import PAUSES, Idle
from ventproof.verdict.finding import EXIT_FAIL, EXIT_INCONCLUSIVE, EXIT_PASS
from ventproof_bench.base.errors import FileError, Problem
from ventproof_bench.benchcheck.load import with_faults
from ventproof_bench.mock.faults.catalogue import CATALOGUE, check_names
from ventproof_bench.mock.unit import THERMOMETERS

if TYPE_CHECKING:
    from ventproof.challenge.trial import SuiteWorkers, Trial
    from ventproof.profile.model import Profile
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.mock.drive_settings import VentGroup
    from ventproof_bench.mock.faults.fault import Fault
    from ventproof_bench.mock.settings import MockSettings
    from ventproof_bench.yamlfile.load import Loaded


def likely_first(
    fault: Fault, profiles: Sequence[Loaded[Profile]], bench: Loaded[BenchFile], healthy: Sequence[Trial]
) -> tuple[int, ...]:
    """Return the numbers of the profiles that could find a fault, those first that move the inputs by which it shows.

    Among equals the cheaper one comes first, as the trials of the healthy unit cost. One that touches nothing that the
    fault waits for is left out: the unit would do what the healthy one does, and pass.
    """

    def rank(number: int) -> tuple[int, int, int]:
        moved = set(_moved(profiles[number].model, bench.model))
        fit = sum(2 if at == 0 else 1 for at, name in enumerate(fault.shows_by) if name in moved)
        return -fit, healthy[number].polls, number

    could = [n for n, trial in enumerate(healthy) if not fault.only_by or fault.only_by & trial.touched]
    return tuple(sorted(could, key=rank))


def _moved(profile: Profile, bench: BenchFile) -> Iterable[str]:
    """Yield the unit's inputs that the steps of a profile move; the bus where they leave it silent."""
    for step in profile.steps:
        for stimulus in step.do:
            if isinstance(stimulus, Idle):
                yield "bus"
            for name in () if isinstance(stimulus, PAUSES) else stimulus.outputs:
                wired = bench.outputs[name].wired if name in bench.outputs else {}
                found = wired.get("input", THERMOMETERS.get(wired.get("address", -1)))
                if found is not None:
                    yield found


Found = Literal["caught", "open", "missed"]
"""A profile failed; none failed, but one gave no pass; or all passed."""

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
        settings: what became of each setting of the unit that was moved; empty where none was.
    """

    suite: Suite
    healthy: tuple[Trial, ...]
    faults: tuple[Challenged, ...]
    lacking: tuple[str, ...] = ()
    full: bool = False
    settings: tuple[MovedSetting, ...] = ()

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
        settings: look for the smallest change of each setting that is found, too.
        workforce: who makes the trials; this computer unless stated, a process a core.
    """

    suite: Suite
    names: Collection[str] = ()
    full: bool = False
    severities: bool = False
    settings: bool = False
    workforce: Workforce = own_processes

    def run(self, told: Told = lambda _, __: None) -> Result:
        """Run it; the same suite, bench and seed give the same result, whatever the number of processes.

        Args:
            told: called with how many of how many trials are done, of the healthy unit and then of the faults.

        Raises:
            FileError: the bench is not the mock in this process, or the healthy unit does not pass the suite.
            KeyboardInterrupt: the operator broke it off.
            WorkersLostError: nobody is left to make the trials.
        """
        mock = healthy_mock(self.suite.bench)
        wanted = [f for f in CATALOGUE.values() if not self.names or f.name in self.names]
        possible = [fault for fault in wanted if not fault.needs or fault.needs in mock.parts]
        lacking = tuple(fault.name for fault in wanted if fault not in possible)
        with suite_workers(self.suite, self.workforce) as workers:
            healthy = tuple(
                workers.each([partial(_healthy, n) for n in range(len(self.suite.profiles))], told)
            )
            _check_healthy(self.suite, healthy)
            profiles, bench = self.suite.profiles, self.suite.bench
            order = {fault.name: likely_first(fault, profiles, bench, healthy) for fault in begun(possible)}
            meet = partial(_meet, full=self.full, severities=self.severities)
            tries = [partial(meet, name, numbers) for name, numbers in order.items()]
            met = dict(zip(order, workers.each(tries, told), strict=True))
            moved = self._moved(workers, healthy, told) if self.settings else ()
        faults = tuple(
            Challenged(fault, dict(zip(order[fault.name], trials, strict=False)), None, smallest)
            for fault in possible
            for trials, smallest in [met[fault.name]]
        )
        reasoned = tuple(explained(c, healthy) for c in faults)
        return Result(
            suite=self.suite,
            healthy=healthy,
            faults=reasoned,
            lacking=lacking,
            full=self.full,
            settings=moved,
        )

    def _moved(self, workers: SuiteWorkers, healthy: Sequence[Trial], told: Told) -> tuple[MovedSetting, ...]:
        """Move each setting both ways."""
        bench, profiles = self.suite.bench.model, [profile.model for profile in self.suite.profiles]
        inputs = [frozenset(_moved(profile, bench)) for profile in profiles]
        found = list(settings_of(bench).values())
        signs: tuple[Sign, Sign] = (-1, 1)
        tries = []
        for setting in found:
            order = could_show(setting, profiles, inputs, healthy)
            good = {number: healthy[number] for number in order}
            tries += [partial(move, setting.line, sign, good) for sign in signs]
        ways = iter(workers.each(tries, told))
        return tuple(MovedSetting(setting, (next(ways), next(ways))) for setting in found)


def begun(faults: Sequence[Fault]) -> list[Fault]:
    """Return faults in the order in which they are tried: one that meets every profile neither first nor last.

    Last, it would keep one process busy alone; first, it would make what is left look longer than it is.
    """
    long = [fault for fault in faults if fault.undecided or fault.equivalent]
    others = [fault for fault in faults if fault not in long]
    half = len(others) // 2
    return [*others[:half], *long, *others[half:]]


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
            "correct the profile or the bench first: a suite that fails a healthy unit proves nothing",
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
    only_by, numbers = challenged.fault.only_by, tuple(challenged.trials)
    if only_by and not any(only_by & healthy[number].touched for number in numbers):
        missed: Missed = "never stimulated"
    else:
        missed = missed_of([(trial, healthy[number]) for number, trial in challenged.trials.items()])
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
        "settings": [_setting_data(moved, names) for moved in result.settings],
        "lacking": list(result.lacking),
    }


def _setting_data(moved: MovedSetting, names: list[str]) -> dict[str, Any]:
    less, more = (
        {
            "tried": way.most,
            "smallest": way.smallest,
            "by": None if way.by is None else names[way.by],
            "missed": way.missed or None,
        }
        for way in moved.ways
    )
    setting = moved.setting
    return {"line": setting.line, "value": setting.value, "unit": setting.unit, "less": less, "more": more}


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


@final
@dataclass(frozen=True, slots=True)
class Variation:
    """How one profile ended against one healthy variation."""

    seed: int
    profile: int
    trial: Trial


def benign(bench: Loaded[BenchFile], seed: int) -> Loaded[BenchFile]:
    """Return a bench whose unit and bus differ a little from the file, as healthy ones do.

    Drives run up to 3 % slower or faster, start up to half as soon or late again and coast up to 0.1 s; delays are off
    by up to 1 %, the debounce by up to a fifth; the unit boots up to a third sooner; registers are refreshed up to
    three times as often as declared, replies take up to 20 ms longer, and come with jitter. All of it is within what
    the bench file declares of the signals.

    Args:
        bench: a bench with a mock unit inside this process.
        seed: the same seed gives the same variation.
    """
    mock = bench.model.mock
    assert mock is not None, "whoever varies a bench sees to it"
    random = Random(seed)  # noqa: S311 - a repeatable variation, not a secret
    buses = {
        name: bus.model_copy(
            update={"reply_after": random.uniform(0.001, 0.02), "reply_jitter": random.uniform(0, 0.01)}
        )
        for name, bus in bench.model.buses.items()
    }
    unit = mock.model_copy(update=_unit(mock, random))
    return replace(bench, model=bench.model.model_copy(update={"mock": unit, "buses": buses}))


def _unit(mock: MockSettings, random: Random) -> dict[str, Any]:
    def off(by: float) -> float:
        return 1 + random.uniform(-by, by)

    def delays(rule: Any) -> Any:  # noqa: ANN401 - any model with an entry and a release delay, or None
        if rule is None:
            return None
        spans = {"entry_delay": rule.entry_delay * off(0.01), "release_delay": rule.release_delay * off(0.01)}
        return rule.model_copy(update=spans)

    def drive(group: VentGroup) -> VentGroup:
        spans = {"full_travel": group.full_travel * off(0.03), "dead_time": group.dead_time * off(0.5)}
        return group.model_copy(update={**spans, "coast": random.uniform(0, 0.1)})

    return {
        "vents": {name: drive(group) for name, group in mock.vents.items()},
        "rain": delays(mock.rain).model_copy(update={"debounce": mock.rain.debounce * off(0.2)}),
        "wind": delays(mock.wind),
        "frost": delays(mock.frost),
        "supply": mock.supply.model_copy(
            update={"boots_for": mock.supply.boots_for * random.uniform(0.7, 1)}
        ),
        "refresh_every": mock.refresh_every * random.uniform(0.3, 1),
    }


def vary(suite: Suite, seeds: range, *, workforce: Workforce, told: Told) -> tuple[Variation, ...]:
    """Let each seed's healthy variation meet one profile of the suite, one after the other.

    Raises:
        FileError: the bench is not the healthy mock in this process.
        KeyboardInterrupt: the operator broke it off.
    """
    healthy_mock(suite.bench)
    pairs = [(seed, seed % len(suite.profiles)) for seed in seeds]
    with suite_workers(suite, workforce) as workers:
        trials = workers.each([partial(_trial, seed, number) for seed, number in pairs], told)
        return tuple(Variation(*pair, trial) for pair, trial in zip(pairs, trials, strict=True))


def _trial(seed: int, number: int) -> Trial:
    suite = own_suite()
    return attempt(suite.profiles[number], benign(suite.bench, seed), seed=seed)
