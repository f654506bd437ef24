"""What a fault of the mock unit is (pure)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal, NamedTuple, final, get_args

if TYPE_CHECKING:
    from collections.abc import Callable

    from ventproof_bench.mock.faults.behaviour import Behaviour


Family = Literal[
    "conditioning",
    "logic",
    "sensor failure",
    "power",
    "time",
    "actuators",
    "feedback",
    "communication",
    "intermittent",
]
FAMILIES: Final[tuple[Family, ...]] = get_args(Family)
"""What part of a unit's work is wrong: the signals it takes, its rules, its eyes, its supply, its clock, its drives,
what it makes of where its vents say they are, what it tells, or something that is wrong only now and then."""

Touch = Literal["rain", "cups", "wind", "bucket", "supply", "outside", "implausible", "time"]
"""What of a unit was moved: a contact that changed; an outside temperature or a wind by level other than at power-up; a
level that no healthy sensor gives; more than an hour, or a minute in which nobody asked."""

MOST_SEVERE: Final = 1000
"""The greatest severity: beyond any use, and it keeps every product finite."""

RAIN: Final = frozenset[Touch]({"rain"})
CUPS: Final = frozenset[Touch]({"cups"})
WIND: Final = frozenset[Touch]({"cups", "wind"})
BY_WIND: Final = ("cups", "wind")
"""Inputs of the wind; a unit has one of them."""
BUCKET: Final = frozenset[Touch]({"bucket"})
SUPPLY: Final = frozenset[Touch]({"supply"})
OUTSIDE: Final = frozenset[Touch]({"outside"})
TIME: Final = frozenset[Touch]({"time"})
FAILING: Final = frozenset[Touch]({"implausible", "time"})
RAIN_OVERRIDE: Final = RAIN | BUCKET | FAILING
"""What can begin an override for rain; a failed sensor begins one too, in time."""

GALE_OVERRIDE: Final = WIND | FAILING
FROST_OVERRIDE: Final = OUTSIDE | FAILING


@final
@dataclass(frozen=True, slots=True)
class Fault:
    """A named, wrong behaviour.

    Attributes:
        name: how files and commands call it.
        about: one sentence that a firmware engineer recognises.
        change: gives the behaviour with this fault at a severity.
        severity: what a severity of 1 means and which way more goes; empty when it is all or nothing.
        family: the part that is wrong.
        needs: the part of the unit that it spoils, as `MockSettings.parts` names it; empty when every unit has it.
        shows_by: inputs of the unit that bring it out, as a bench file wires them, and `bus` for one that falls
            silent; a suite is tried in that order.
        only_by: the fault makes no difference, at severity 1, while none of these was touched; empty where that is not
            known.
        undecided: why a run with it rightly ends without a verdict; empty where it should fail.
        equivalent: why no test could ever tell a unit with it from a healthy one; empty when one can.
    """

    name: str
    about: str
    change: Callable[[Behaviour, float], Behaviour]
    severity: str = ""
    family: Family = field(kw_only=True)
    needs: str = ""
    shows_by: tuple[str, ...] = ("rain",)
    only_by: frozenset[Touch] = frozenset()
    undecided: str = ""
    equivalent: str = ""


class GivenFault(NamedTuple):
    """A fault that a mock unit was given, and how severe it is; 1 is usual."""

    name: str
    severity: float = 1

    @property
    def text(self) -> str:
        """As `--fault` takes it: `slow_travel=2`."""
        return self.name if self.severity == 1 else f"{self.name}={self.severity:g}"


def faults_in(held: object) -> tuple[GivenFault, ...] | None:
    """Return the faults that data of a file or a database names, each with its severity; None where it does not."""
    if not isinstance(held, dict):
        return None
    sizes = [size for size in held.values() if isinstance(size, int | float) and 0 < size <= MOST_SEVERE]
    if len(sizes) < len(held):
        return None
    return tuple(GivenFault(str(name), float(size)) for name, size in sorted(held.items()))


def every(usual: int, severity: float) -> int:
    """Return which one in a row is hit: every `usual`-th at severity 1, more often beyond."""
    return max(1, round(usual / severity))


def left(severity: float) -> float:
    """Return which part of something is left: all of it at severity 0, and none from 1 on."""
    return max(0.0, 1 - severity)
