"""What a bench can do to a unit that its override table speaks of: every contact, value and sensor, and its states."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from ventproof.draft.assembly import applied, assembled, counted_from, percent
from ventproof.draft.emit import profile_text
from ventproof.draft.stimuli import (
    PlannedStimulus,
    close,
    failed,
    level,
    open_,
    pulsed,
    quantity,
    rain,
    restored,
    sign,
    turned,
    wind,
)
from ventproof.oracle.sides import ahead_deg, angle_deg
from ventproof.profile.bind import bind
from ventproof.profile.check_traffic import train_problems
from ventproof.profile.load import read_profile
from ventproof.profile.model import Motion, Start, StartsMoving, Step
from ventproof.profile.stimulus import Restore
from ventproof.table.model import (
    Condition,
    ContactCondition,
    LevelCondition,
    OverrideTable,
    RainfallCondition,
    TableOverride,
    ThresholdCondition,
    WindCondition,
)
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.quantities import Dimension

if TYPE_CHECKING:
    from ventproof.draft.stimuli import FailureMode, TimedStimuli
    from ventproof_bench.base.quantities import Quantity
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.yamlfile.fields import ContactState
    from ventproof_bench.yamlfile.load import Loaded


WELL: Final = "well"
"""State of a sensor whose wires are whole."""

LATEST_S: Final = 0.3
"""No stimulus comes later than so long after its time: cups finish the turn that they are in."""

_LATE_S: Final = 0.1
_AFTER_S: Final = 0.5
_PROBED_PERCENT: Final = 5.0
_CLEAR_OF: Final = 1.5  # accuracies between a value that decides and the threshold
_BLIP: Final = 0.4  # of the debounce time: surely too short
_BLIPS: Final = 3
_SHORTEST_BLIP_S: Final = 0.01
_FAR: Final = 5.0  # hysteresis widths from the threshold to a value far beyond it
_HARD_RAIN_S: Final = 3.0  # between two tips
_HOUR_S: Final = 3600
_HALF_TURN: Final = 180.0
_NEARLY: Final = 0.9
_ALONG_DEG: Final = 10.0  # a vane is that exact, or the unit takes it for a side that is not meant


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One thing that the bench can do, and when.

    Attributes:
        thing: what it acts on: an output, or the wires of one.
        rest: the state of the thing in which every test begins.
        state: what the thing is afterwards, in words that name it among the thing's states.
        planned: the stimulus, and what the table's conditions see of it.
        from_states: the states of the thing in which it can be done; any other unless stated.
        supplies: it acts on the unit's supply.
        earliest_s: it is done no earlier than this after a sequence begins, seconds.
    """

    thing: str
    rest: str
    state: str
    planned: PlannedStimulus
    from_states: frozenset[str] = frozenset()
    supplies: bool = False
    earliest_s: float = 0.0

    @property
    def lasts_s(self) -> float:
        """How long doing it takes, seconds: nothing else is done before."""
        return max((change.at_s for change in self.planned.changes), default=0.0)

    def possible(self, states: Mapping[str, str]) -> bool:
        """Return whether it changes something while things are in these states, those not named being at rest."""
        wires = wires_of(self.planned.output)
        if self.thing != wires and states.get(wires, WELL) != WELL:
            return False  # nobody sees it
        now = states.get(self.thing, self.rest)
        return now in self.from_states if self.from_states else now != self.state


def wires_of(output: str) -> str:
    """Return the name of the thing that the wires of an output are."""
    return f"wires of {output}"


@final
@dataclass(frozen=True, slots=True)
class Moves:
    """Everything that can be done.

    Attributes:
        moves: what changes something.
        start: what a profile writes at its start: output and value.
        left_out: what the table speaks of and this bench cannot do, each with the reason.
    """

    moves: tuple[Move, ...]
    start: Mapping[str, Quantity]
    left_out: tuple[str, ...]


def moves_of(table: OverrideTable, bench: Loaded[BenchFile], *, longest_s: float) -> Moves:
    """Return what a bench can do to a unit, with values that lie clear of the table's thresholds.

    Args:
        table: the unit's override table.
        bench: the bench, which fits the table; what it cannot do is left out.
        longest_s: failures that the unit need not know of within this time are left out.
    """
    start = dict(table.opened_by)
    for name, value in _values_at_rest(table):
        start.setdefault(name, value)
    moves: list[Move] = []
    left_out: dict[str, None] = {}
    for move in _all(table, longest_s):
        reason = _cannot(move.planned, bench, start)
        if reason:
            left_out[reason] = None
        else:
            moves.append(move)
    return Moves(tuple(dict.fromkeys(moves)), start, tuple(left_out))


def _values_at_rest(table: OverrideTable) -> Iterator[tuple[str, Quantity]]:
    for name, sensor in table.sensors.items():
        if sensor.normal is not None:
            yield name, sensor.normal
    for override in table.overrides.values():
        for condition in override.conditions:
            if isinstance(condition, LevelCondition):
                yield condition.level, _value(condition, _far(condition, past_end=True))
    if table.direction is not None and (ahead := ahead_deg(table)) is not None:
        yield table.direction, _direction(ahead)


def _all(table: OverrideTable, longest_s: float) -> Iterator[Move]:
    for override in table.overrides.values():
        for condition in override.conditions:
            yield from _of_condition(condition, override, table)
    for name, sensor in table.sensors.items():
        if sensor.fails_after <= longest_s:
            yield from _wires(name, sensor.modes)
    yield from _turns(table)
    if table.reset is not None:
        yield from _contact(table.reset, 0.0, rest="open")
    if table.supply is not None:
        name = table.supply.contact
        for state, planned, about in (("open", open_(name), "cut"), ("closed", close(name), "back")):
            yield _move(planned, f"the supply is {about}", "closed", state, supplies=True)


def _move(planned: PlannedStimulus, about: str, rest: str, state: str, *, supplies: bool = False) -> Move:
    """Return something that is done to the output itself, whatever its state."""
    known = replace(planned.with_lateness(_LATE_S), about=about)
    return Move(thing=planned.output, rest=rest, state=state, planned=known, supplies=supplies)


def _of_condition(condition: Condition, override: TableOverride, table: OverrideTable) -> Iterator[Move]:
    falling = override.fall_between or ()
    match condition:
        case ContactCondition():
            yield from _contact(condition.contact, condition.debounce, rest=table.rests(condition.contact))
        case WindCondition():
            yield from _wind(condition, falling, table)
        case RainfallCondition():
            yield from _rain(condition, falling)
        case LevelCondition():
            yield from _level(condition, table)


def _contact(name: str, debounce_s: float, *, rest: ContactState) -> Iterator[Move]:
    yield _move(close(name), f"{name} closes", rest, "closed")
    yield _move(open_(name), f"{name} opens", rest, "open")
    blip_s = round(debounce_s * _BLIP, 3)
    if blip_s < _SHORTEST_BLIP_S or rest == "closed":
        return
    blips = pulsed(name, _BLIPS, closed_s=blip_s, open_s=blip_s)
    about = f"{name} closes {_BLIPS} times for {blip_s * 1000:g} ms"
    planned = replace(blips, about=about)
    yield Move(thing=name, rest="open", state="open", planned=planned, from_states=frozenset({"open"}))


def _wind(condition: WindCondition, falling: Sequence[Quantity], table: OverrideTable) -> Iterator[Move]:
    normal = table.sensors[condition.wind].normal if condition.wind in table.sensors else None
    calm = quantity(0.0, Dimension.SPEED) if normal is None else normal
    for speed in {
        its.text: its for its in (*_telling(condition, calm), *_limiting(condition, falling))
    }.values():
        blows = wind(condition.wind, speed)
        move = _move(blows, blows.about if speed.value else "calm", calm.text, speed.text)
        yield replace(move, planned=move.planned.with_lateness(LATEST_S))


def _limiting(condition: ThresholdCondition, falling: Sequence[Quantity]) -> Iterator[Quantity]:
    """Yield the middle of what limits fall between, and a value beyond it."""
    if falling:
        begin, end = (its.value for its in falling)
        yield _value(condition, (begin + end) / 2)
        yield _value(condition, end + (end - begin) / 2)


def _rain(condition: RainfallCondition, falling: Sequence[Quantity]) -> Iterator[Move]:
    hard = max(condition.tip.value / _HARD_RAIN_S * _HOUR_S, 2 * condition.begins_at.value)
    none = _value(condition, 0.0)
    intensities = {its.text: its for its in (_value(condition, hard), *_limiting(condition, falling))}
    for intensity, lasts_s in (*((its, float(_HOUR_S)) for its in intensities.values()), (none, 1.0)):
        falls = rain(condition.rainfall, intensity, lasts_s)
        yield _move(falls, falls.about, none.text, intensity.text)


def _level(condition: LevelCondition, table: OverrideTable) -> Iterator[Move]:
    name = condition.level
    normal = table.sensors[name].normal if name in table.sensors else None
    rest = normal if normal is not None else _value(condition, _far(condition, past_end=True))
    for value in _telling(condition, rest):
        yield _move(level(name, value), f"{name} at {value}", rest.text, value.text)


def _turns(table: OverrideTable) -> Iterator[Move]:
    """Yield winds on each vent that has a lee side, on its back, and within its dead band; none near another's edge."""
    ahead, name = ahead_deg(table), table.direction
    if ahead is None or name is None:
        return
    leeward = {vent for override in table.overrides.values() for vent in override.leeward}
    faces = [at for vent in sorted(leeward) if (at := table.vents[vent].faces) is not None]
    sides = table.sides
    across = [sides.dead_band.value / 2, -sides.dead_band.value / 2] if sides.dead_band.value else []
    turns = (0.0, _HALF_TURN, *(_HALF_TURN / 2 + by for by in across))
    edges = [_HALF_TURN / 2 + by for by in (sides.dead_band.value, -sides.dead_band.value)]
    # The middle of half a narrow dead band is as far from its edges as anything within it.
    clear_deg = min(_ALONG_DEG, _NEARLY * sides.dead_band.value / 2 or _ALONG_DEG)
    for degrees in dict.fromkeys((face + by) % (2 * _HALF_TURN) for face in faces for by in turns):
        if all(abs(angle_deg(degrees, face) - edge) >= clear_deg for face in faces for edge in edges):
            turn = turned(name, _direction(degrees))
            move = _move(turn, turn.about, _direction(ahead).text, _direction(degrees).text)
            # Until then a unit may go by where the wind came from before.
            yield replace(move, earliest_s=sides.settles_after + sides.delay_tolerance + _AFTER_S)


def _wires(name: str, hows: Iterable[FailureMode]) -> Iterator[Move]:
    thing = wires_of(name)
    words = {"open": "break", "short": "touch", "stuck": "bring the same value for ever"}
    whole = frozenset({WELL})
    for how in hows:
        broken = _move(failed(name, how), f"the {thing} {words[how]}", WELL, how)
        yield replace(broken, thing=thing, from_states=whole)
    yield replace(_move(restored(name), f"the {thing} work again", WELL, WELL), thing=thing)


def _telling(condition: ThresholdCondition, rest: Quantity) -> Iterator[Quantity]:
    """Yield values either side of both ends of the hysteresis, clear of them, and the value at rest."""
    begins, ends = condition.begins_at.value, condition.ends_at.value
    clear = sign(condition) * _CLEAR_OF * condition.accuracy.value
    near = (begins + clear, begins - clear, ends + clear, ends - clear)
    values = [_value(condition, value) for value in (_far(condition, past_end=False), *near)]
    yield from {value.text: value for value in (*values, rest)}.values()


def _far(condition: ThresholdCondition, *, past_end: bool) -> float:
    """Return a value well beyond one end of the hysteresis."""
    begins, ends = condition.begins_at.value, condition.ends_at.value
    by = sign(condition) * _FAR * max(abs(begins - ends), _CLEAR_OF * condition.accuracy.value)
    return ends - by if past_end else begins + by


def _value(condition: ThresholdCondition, value: float) -> Quantity:
    return _four_digits(value, condition.begins_at.dimension)


def _direction(degrees: float) -> Quantity:
    return _four_digits(degrees, Dimension.DIRECTION)


def _four_digits(value: float, dimension: Dimension) -> Quantity:
    return quantity(float(f"{value:.4g}"), dimension)


def _cannot(planned: PlannedStimulus, bench: Loaded[BenchFile], start: Mapping[str, Quantity]) -> str:
    """Return why a bench cannot do something; empty when it can."""
    signal = next((name for name, spec in bench.model.signals.items() if spec.unit == "%"), None)
    if signal is None:
        return f"{planned.about}: the bench has no signal that shows a vent"
    stimuli: TimedStimuli = ((0.0, planned),)
    if isinstance(planned.stimulus, Restore):
        stimuli = ((0.0, failed(planned.output, "open")), *stimuli)
    moving = StartsMoving(signal=signal, starts_moving=Motion(by=percent(_PROBED_PERCENT), within="30 s"))
    done = applied(stimuli, ["it" if one is planned else None for _, one in stimuli])
    probe = assembled(
        bench.model,
        title="probe",
        about="",
        start=Start(write={name: value for name, value in start.items() if name == planned.output}),
        steps=[Step(step="probe", do=done, expect=[counted_from(moving, "it")])],
    )
    try:
        loaded = read_profile("probe", profile_text(probe))
        problems = tuple(train_problems(bind(loaded, bench, {})))
    except FileError as error:
        problems = error.problems
    return f"{planned.about}: {problems[0].reason}" if problems else ""
