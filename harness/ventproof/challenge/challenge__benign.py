"""Healthy units that differ a little: what no suite may fail."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Any, final

from harness.prove.challenge import healthy_mock
from harness.prove.trial import Trial, attempt
from harness.prove.workers import Suite, Told, own_suite, suite_workers

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.mock.settings import MockSettings, VentGroup
    from bench.wiring import BenchFile


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


def vary(suite: Suite, seeds: range, *, jobs: int | None, told: Told) -> tuple[Variation, ...]:
    """Let each seed's healthy variation meet one profile of the suite, one after the other.

    Raises:
        FileError: the bench is not the healthy mock in this process.
        KeyboardInterrupt: the operator broke it off.
    """
    healthy_mock(suite.bench)
    pairs = [(seed, seed % len(suite.profiles)) for seed in seeds]
    with suite_workers(suite, jobs) as workers:
        trials = workers.each([partial(_trial, seed, number) for seed, number in pairs], told)
        return tuple(Variation(*pair, trial) for pair, trial in zip(pairs, trials, strict=True))


def _trial(seed: int, number: int) -> Trial:
    suite = own_suite()
    return attempt(suite.profiles[number], benign(suite.bench, seed), seed=seed)
