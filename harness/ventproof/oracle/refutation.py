"""Whether a response fails every unit that keeps to a table (pure)."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf
from typing import TYPE_CHECKING, Final

from ventproof.oracle.conditions import flag_of
from ventproof.profile import model

if TYPE_CHECKING:
    from ventproof.oracle.oracle import ExpectedBehaviour
    from ventproof.oracle.targets import PossibleTravel, Range
    from ventproof.oracle.timeline import Timeline, UncertainState
    from ventproof.profile.model import Response
    from ventproof.table.model import OverrideTable


_LOOKS: Final = 200
_JUST_BEFORE_S: Final = 1e-6


def refuted(table: OverrideTable, owed: ExpectedBehaviour, response: Response, since_s: float) -> bool:
    """Return whether no course that the table leaves possible meets a response; False where it cannot tell.

    Args:
        table: the table.
        owed: what a unit that keeps to it does.
        response: of an override's or a sensor's flag, or of a vent; any other tells nothing of a table.
        since_s: when the stimulus came that it counts from.
    """
    for name, override in table.overrides.items():
        if override.flag == response.signal:
            return _flag_refuted(response, flag_of(override, owed.activity.active[name]), since_s)
    for name, sensor in table.sensors.items():
        if sensor.flag == response.signal:
            return _flag_refuted(response, owed.activity.failed[name], since_s)
    for name, vent in table.vents.items():
        if vent.signal == response.signal:
            return _vent_refuted(response, owed.vents[name], since_s)
    return False


def _flag_refuted(response: Response, flag: UncertainState, since_s: float) -> bool:
    on, off = flag.must, flag.may.inverted()
    match response:
        case model.Equals():
            by_s = since_s + response.within
            wanted = flag.may if response.equals in {"on", 1} else on.inverted()
            return not _meets(wanted, since_s, by_s)
        case model.Unchanged(unchanged=span):
            was = flag.at(since_s)
            left = off if was == "yes" else on
            return was != "open" and _meets(left, since_s, since_s + span.for_)
        case model.Stays():
            low, high = _band(response.stays.value, response.tolerance.value)
            wrong = [state for value, state in ((0, off), (1, on)) if not low <= value <= high]
            return any(_meets(state, since_s, since_s + response.for_) for state in wrong)
    return False


def _meets(line: Timeline, from_s: float, to_s: float) -> bool:
    return any(begin_s <= to_s and end_s > from_s for begin_s, end_s in line.yes())


def _vent_refuted(  # noqa: PLR0911 - a table of kinds
    response: Response, travel: PossibleTravel, since_s: float
) -> bool:
    match response:
        case model.Reaches():
            return _never_there(response, travel, since_s)
        case model.Returns():
            low, high = _band(response.returns.value, response.tolerance.value)
            late_s, early_s = since_s + response.within, since_s + response.not_before - _JUST_BEFORE_S
            return _leaves(travel, late_s, late_s, low, high) or (
                early_s > since_s
                and any(low <= at.low and at.high <= high for at in _looks(travel, since_s, early_s))
            )
        case model.Stays():
            low, high = _band(response.stays.value, response.tolerance.value)
            return _leaves(travel, since_s, since_s + response.for_, low, high)
        case model.StaysAtMost():
            return _leaves(travel, since_s, since_s + response.for_, -inf, response.stays_at_most.value)
        case model.StaysAtLeast():
            return _leaves(travel, since_s, since_s + response.for_, response.stays_at_least.value, inf)
        case model.Unchanged(unchanged=span) if span.tolerance is not None:
            stood, by = travel.within(since_s), span.tolerance.value
            return _leaves(travel, since_s, since_s + span.for_, stood.low - by, stood.high + by)
        case model.StartsMoving(starts_moving=motion):
            stood, by = travel.within(since_s), motion.by.value
            low, high = stood.high - by, stood.low + by
            looks = _looks(travel, since_s, since_s + motion.within)
            return all(low <= at.low and at.high <= high for at in looks)
    return False


def _band(middle: float, tolerance: float) -> tuple[float, float]:
    return middle - tolerance, middle + tolerance


def _never_there(response: model.Reaches, travel: PossibleTravel, since_s: float) -> bool:
    """Return whether it surely is outside the band at the deadline, or leaves it during every hold."""
    low, high = _band(response.reaches.value, response.tolerance.value)
    by_s = since_s + response.within
    if _leaves(travel, by_s, by_s, low, high):
        return True
    step_s = response.within / _LOOKS
    moments = (since_s + n * step_s for n in range(_LOOKS + 1))
    first_s = next((t_s for t_s in moments if not _leaves(travel, t_s, t_s, low, high)), by_s)
    # Every hold that begins in time and not before this instant lasts at least from the deadline to here.
    held_s = first_s + response.holds
    return held_s > by_s and _leaves(travel, by_s, held_s, low, high)


def _leaves(travel: PossibleTravel, from_s: float, to_s: float, low: float, high: float) -> bool:
    """Return whether it surely is outside a band at some instant of a span."""
    return any(at.high < low or at.low > high for at in _looks(travel, from_s, to_s))


def _looks(travel: PossibleTravel, from_s: float, to_s: float) -> Iterator[Range]:
    """Yield where it may be at the ends of a span and wherever a bound turns between: it is straight elsewhere."""
    yield travel.within(from_s)
    for course in (travel.low, travel.high):
        for t_s, _ in course:
            if from_s < t_s < to_s:
                yield travel.within(t_s)
    if to_s > from_s:
        yield travel.within(to_s)
