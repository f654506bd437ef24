"""What a unit owes by its override table in a given weather: which overrides, which targets, and where the vents are.

PlannedSequence from the table's words alone and without the mock, which is checked against it (pure).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from typing import TYPE_CHECKING, Final, final

from ventproof.oracle.conditions import Activity, activity
from ventproof.oracle.sides import lee_sides
from ventproof.oracle.targets import PossibleTravel, Range, targets
from ventproof.oracle.timeline import NEVER, Timeline, UncertainState, Weather, combined, of, stepped

if TYPE_CHECKING:
    from ventproof.table.model import OverrideTable


_CLOSED: Final = Range(0.0, 0.0)
_SIDES: Final = {"yes": (True,), "no": (False,), "open": (False, True)}
"""By whether a vent faces away from the wind, what must be reckoned with."""


@final
@dataclass(frozen=True, slots=True)
class ExpectedBehaviour:
    """What a unit owes.

    Attributes:
        activity: when it has its supply, its sensors count as failed and its overrides are active.
        vents: of each vent group, its target and between which positions it is; without its tolerance.
        until_s: how far it was followed.
    """

    activity: Activity
    vents: Mapping[str, PossibleTravel]
    until_s: float

    def active(self, t_s: float) -> dict[str, str]:
        """Return of each override whether it is active from an instant on: `yes`, `no`, or `open` to either."""
        return {name: bounds.at(t_s) for name, bounds in self.activity.active.items()}

    def arrives_by_s(self, vent: str, target: Range, after_s: float) -> float:
        """Return from when on a vent surely is within a range, infinite for never; looked for after an instant."""
        travel = self.vents[vent]
        edges = sorted({t_s for course in (travel.low, travel.high) for t_s, _ in course if t_s > after_s})
        since_s = inf
        # Courses are straight between these instants: what is within the range at two of them is so in between.
        for t_s in (after_s, *edges):
            stands = travel.within(t_s)
            inside = target.low - _SAME <= stands.low and stands.high <= target.high + _SAME
            since_s = min(since_s, t_s) if inside else inf
        return since_s


_SAME: Final = 1e-9


def expected(
    table: OverrideTable, weather: Weather, until_s: float, *, stands: Mapping[str, float] | None = None
) -> ExpectedBehaviour:
    """Return what a unit owes from 0 s on.

    Args:
        table: its override table.
        weather: what changes at its terminals, from 0 s on; before, no override is active and every sensor is well.
        until_s: how far to follow it, seconds.
        stands: where the vents stand at 0 s, %; unless given, where a warm house has them.
    """
    return _Following(table, weather, until_s, stands or {}).expected()


@final
class _Following:
    def __init__(
        self, table: OverrideTable, weather: Weather, until_s: float, stands: Mapping[str, float]
    ) -> None:
        self._table, self._until_s = table, until_s
        self._activity = activity(table, weather)
        self._stages = {
            name: stepped(of(weather, "opens", name), vent.open.value) for name, vent in table.vents.items()
        }
        self._lee = lee_sides(table, weather, self._activity.powered)
        self._reference = _referencing(table, self._activity.powered)
        self._vents = {name: PossibleTravel(vent) for name, vent in table.vents.items()}
        for name, travel in self._vents.items():
            at = stands.get(name, table.vents[name].open.value)
            travel.begin(0.0, Range(at, at))
        self._ceilings: dict[str, dict[str, Range]] = {name: {} for name in table.vents}

    def expected(self) -> ExpectedBehaviour:
        for from_s, to_s in pairwise(self._edges()):
            measured = {name: its.within(from_s, to_s) for name, its in self._activity.measured.items()}
            for name in self._vents:
                self._follow(name, from_s, to_s, measured)
        return ExpectedBehaviour(self._activity, self._vents, self._until_s)

    def _edges(self) -> list[float]:
        activity = self._activity
        every = (activity.powered, self._reference, *activity.active.values(), *self._lee.values())
        changes = {t_s for bounds in every for line in (bounds.may, bounds.must) for t_s in line.switches_s}
        changes |= {t_s for course in self._stages.values() for steps in course for t_s, _ in steps.jumps}
        changes |= {t_s for measured in activity.measured.values() for t_s in measured.edges()}
        # With every lag: bounds turn only so long after a change, and `PossibleTravel.follow` wants no turn inside a
        # span.
        lags = {0.0, *(vent.starts_within for vent in self._table.vents.values())}
        edges = {t_s + lag_s for t_s in (0.0, *changes) for lag_s in lags}
        return sorted({0.0, self._until_s} | {t_s for t_s in edges if 0 < t_s < self._until_s})

    def _follow(self, vent: str, from_s: float, to_s: float, measured: Mapping[str, Range]) -> None:
        travel, ceilings = self._vents[vent], self._ceilings[vent]
        active, open_ = self._at(from_s)
        for name in list(ceilings):
            if name not in active and name not in open_:
                del ceilings[name]
        for name in (*active, *open_):
            had = ceilings.get(name)
            # One that may have begun just now may have found the vent where it stands now.
            if had is None:
                ceilings[name] = travel.stands
            elif name in open_ or not self._surely_before(name, from_s):
                ceilings[name] = had.joined(travel.stands)
        stage = Range(*(steps.at(from_s) for steps in self._stages[vent]))
        target = targets(
            self._table,
            vent,
            active=active,
            open_=open_,
            stage=stage,
            ceilings=ceilings,
            limits=self._limits(vent, {name: measured[name] for name in ceilings if name in measured}),
            lee=_SIDES[self._lee[vent].at(from_s)],
        )
        target = self._referenced(target, from_s)
        for name in active:
            ceilings[name] = target
        for name in open_:
            ceilings[name] = ceilings[name].joined(target)
        travel.follow(target, to_s, self._activity.powered.at(from_s))

    def _at(self, t_s: float) -> tuple[list[str], list[str]]:
        said = {name: bounds.at(t_s) for name, bounds in self._activity.active.items()}
        return [n for n, s in said.items() if s == "yes"], [n for n, s in said.items() if s == "open"]

    def _surely_before(self, name: str, t_s: float) -> bool:
        must = self._activity.active[name].must
        return must.at(t_s) and t_s not in must.switches_s

    def _limits(self, vent: str, measured: Mapping[str, Range]) -> dict[str, Range]:
        """Return how far open a vent may be by each override that limits it: least by the highest value."""
        overrides = self._table.overrides
        return {
            name: Range(overrides[name].limit(vent, value.high), overrides[name].limit(vent, value.low))
            for name, value in measured.items()
            if vent in overrides[name].limits
        }

    def _referenced(self, target: Range, t_s: float) -> Range:
        said = self._reference.at(t_s)
        if said == "yes":
            return _CLOSED
        return target.joined(_CLOSED) if said == "open" else target


def _referencing(table: OverrideTable, powered: UncertainState) -> UncertainState:
    """Return when every vent is run to its closed end, before anything else, for as long as the slowest needs."""
    if table.supply is None or table.supply.restart != "reference":
        return UncertainState(NEVER, NEVER)
    least_s = max(vent.full_travel[0] for vent in table.vents.values())
    most_s = max(vent.starts_within + vent.full_travel[1] for vent in table.vents.values())
    may, must = [NEVER], [NEVER]
    for lost_s, back_s in powered.must.inverted().yes():
        if back_s == inf:
            continue
        boots_s = [t_s for t_s, _ in powered.may.yes() if lost_s < t_s <= back_s]
        # Where it may have ridden through, it may have felt it as well.
        may.append(Timeline(switches_s=(min(boots_s, default=lost_s), back_s + most_s)))
        # Certain only if the latest begin comes before the earliest end.
        if boots_s and back_s < boots_s[-1] + least_s:
            must.append(Timeline(switches_s=(back_s, boots_s[-1] + least_s)))
    return UncertainState(combined(may, any), combined(must, any))
