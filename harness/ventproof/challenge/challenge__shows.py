"""Which profiles of a suite are likely to find a fault, so that they are tried first (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from bench.mock.unit import THERMOMETERS
from harness.profile.stimulus import PAUSES, Idle

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.mock.fault import Fault
    from bench.wiring import BenchFile
    from harness.profile.model import Profile
    from harness.prove.trial import Trial


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
