"""Every fault that the mock unit can be given, by name (pure)."""

from __future__ import annotations

from difflib import get_close_matches
from functools import reduce
from typing import TYPE_CHECKING

from ventproof_bench.base.errors import Refusal
from ventproof_bench.mock.faults.behaviour import HEALTHY, Behaviour
from ventproof_bench.mock.faults.bus import COMMUNICATION_FAULTS
from ventproof_bench.mock.faults.drives import DRIVE_FAULTS, FEEDBACK_FAULTS
from ventproof_bench.mock.faults.fault import MOST_SEVERE
from ventproof_bench.mock.faults.inputs import CONDITIONING_FAULTS, SENSOR_FAILURE_FAULTS
from ventproof_bench.mock.faults.joined import JOINED_FAULTS
from ventproof_bench.mock.faults.limits import LIMIT_FAULTS
from ventproof_bench.mock.faults.logic import INTERMITTENT_FAULTS, LOGIC_FAULTS
from ventproof_bench.mock.faults.unit import ACTUATORS_FAULTS, POWER_FAULTS, TIME_FAULTS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from ventproof_bench.mock.faults.fault import Fault


_FAMILIES = (
    CONDITIONING_FAULTS,
    LOGIC_FAULTS,
    JOINED_FAULTS,
    LIMIT_FAULTS,
    SENSOR_FAILURE_FAULTS,
    POWER_FAULTS,
    TIME_FAULTS,
    ACTUATORS_FAULTS,
    DRIVE_FAULTS,
    FEEDBACK_FAULTS,
    COMMUNICATION_FAULTS,
    INTERMITTENT_FAULTS,
)
CATALOGUE: Mapping[str, Fault] = {fault.name: fault for family in _FAMILIES for fault in family}
"""Every fault by name, family after family."""


def check_names(names: Mapping[str, float], parts: Collection[str] | None = None) -> None:
    """Refuse unknown faults, severities that mean nothing, and faults of what the unit lacks.

    Args:
        names: severity of each fault.
        parts: what the unit has beyond what every unit has, as `MockSettings.parts`; None for not known.

    Raises:
        ValueError: says which name or severity is wrong and what would be right.
    """
    for name, severity in names.items():
        if name not in CATALOGUE:
            near = get_close_matches(name, CATALOGUE, n=1)
            hint = f"did you mean {near[0]!r}?" if near else "`ventproof explain faults` lists them"
            raise Refusal(f"{name!r} is not a fault of the mock unit", f"{hint}")
        if not 0 < severity <= MOST_SEVERE:  # NaN fails too
            limits = f"more than 0 and at most {MOST_SEVERE}"
            raise Refusal(f"severity {severity!r} of fault {name!r} must be {limits}", "1 is usual")
        needs = CATALOGUE[name].needs
        if needs and parts is not None and needs not in parts:
            raise Refusal(
                f"fault {name!r} needs what this unit does not have: {needs}",
                "add that, or leave the fault out",
            )


def behaviour_with(faults: Mapping[str, float]) -> Behaviour:
    """Return the behaviour of a unit that has every one of `faults` (name to severity); healthy without any.

    Raises:
        ValueError: as `check_names`.
    """
    check_names(faults)
    return reduce(lambda b, item: CATALOGUE[item[0]].change(b, item[1]), faults.items(), HEALTHY)
