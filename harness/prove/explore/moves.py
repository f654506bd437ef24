"""What a bench can do to a unit that its override table speaks of: every contact, value and sensor, and its states."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, final

from bench.errors import FileError
from bench.overridetable.model import (
    Condition,
    ContactCondition,
    LevelCondition,
    OverrideTable,
    RainfallCondition,
    ThresholdCondition,
    WindCondition,
)
from bench.units import canonical_symbol
from bench.wiring import ContactOutput
from harness.profile.bind import bind
from harness.profile.carry import train_problems
from harness.profile.load import read_profile
from harness.profile.model import CONTACT
from harness.prove.targets import ahead_deg, angle_deg

if TYPE_CHECKING:
    from bench.document import Loaded
    from bench.wiring import BenchFile
    from harness.prove.changes import ChangeKind

WELL: Final = "well"
"""State of a sensor whose wires are whole."""

LATEST_S: Final = 0.3
"""No stimulus comes later than so long after its time: cups finish the turn that they are in."""

_CLEAR_OF: Final = 1.5  # accuracies between a value that decides and the threshold
_BLIP: Final = 0.4  # of the debounce time: surely too short
_BLIPS: Final = 3
_SHORTEST_BLIP_S: Final = 0.01
_FAR: Final = 5.0  # hysteresis widths from the threshold to a value far beyond it
_HARD_RAIN_S: Final = 3.0  # between two tips
_HOUR_S: Final = 3600
_HALF_TURN: Final = 180.0
_ALONG_DEG: Final = 10.0  # a vane is that exact, or the unit takes it for a side that is not meant


@final
@dataclass(frozen=True, slots=True)
class Seen:
    """What a condition of the table sees: so many seconds later, this kind, of this name, has this value.

    Attributes:
        late_s: it may be so much later still.
    """

    after_s: float
    kind: ChangeKind
    name: str
    value: float
    late_s: float = 0.1


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One thing that the bench can do.

    Attributes:
        thing: what it acts on: an output, or the wires of one.
        rest: the state of the thing in which every test begins.
        state: what the thing is afterwards, in words that name it among the thing's states.
        said: what happens, for a table that people read.
        stimulus: the same as a profile writes it, without braces.
        output: the output's name.
        need: what a profile needs of the output.
        seen: what the table's conditions see of it.
        from_states: the states of the thing in which it can be done; any other unless stated.
        supplies: it acts on the unit's supply.
    """

    thing: str
    rest: str
    state: str
    said: str
    stimulus: str
    output: str
    need: str
    seen: tuple[Seen, ...]
    from_states: frozenset[str] = frozenset()
    supplies: bool = False

    def possible(self, states: Mapping[str, str]) -> bool:
        """Return whether it changes something while things are in these states, those not named being at rest."""
        wires = wires_of(self.output)
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
        start: what a profile writes at its start: output, value, and what the profile needs of the output.
        left_out: what the table speaks of and this bench cannot do, each with the reason.
    """

    moves: tuple[Move, ...]
    start: tuple[tuple[str, str, str], ...]
    left_out: tuple[str, ...]


def moves_of(table: OverrideTable, bench: Loaded[BenchFile], *, longest_s: float) -> Moves:
    """Return what a bench can do to a unit, with values that lie clear of the table's thresholds.

    Args:
        table: the unit's override table.
        bench: the bench, which fits the table; what it cannot do is left out.
        longest_s: failures that the unit need not know of within this time are left out.
    """
    start = {name: value.text for name, value in table.opened_by.items()}
    for name, text in _values_at_rest(table):
        start.setdefault(name, text)
    moves: list[Move] = []
    left_out: dict[str, None] = {}
    for move in _all(table, bench, longest_s):
        reason = _cannot(move, bench, start.get(move.output))
        if reason:
            left_out[reason] = None
        else:
            moves.append(move)
    known = tuple((n, text, _need(bench, n)) for n, text in start.items())
    return Moves(tuple(dict.fromkeys(moves)), known, tuple(left_out))


def _need(bench: Loaded[BenchFile], name: str) -> str:
    output = bench.model.outputs[name]
    return CONTACT if isinstance(output, ContactOutput) else output.unit


def _values_at_rest(table: OverrideTable) -> Iterator[tuple[str, str]]:
    for name, sensor in table.sensors.items():
        if sensor.good is not None:
            yield name, sensor.good.text
    for override in table.overrides.values():
        for condition in override.when:
            if isinstance(condition, LevelCondition):
                yield condition.level, _text(condition, _far(condition, past_end=True))
    if table.direction is not None and (ahead := ahead_deg(table)) is not None:
        yield table.direction, _from(ahead)


def _all(table: OverrideTable, bench: Loaded[BenchFile], longest_s: float) -> Iterator[Move]:
    for override in table.overrides.values():
        for condition in override.when:
            yield from _of_condition(condition, table, bench)
    for name, sensor in table.sensors.items():
        if sensor.fails_after <= longest_s:
            yield from _wires(name, sensor.how, _need(bench, name))
    yield from _turns(table)
    if table.reset is not None:
        yield from _contact(table.reset, 0.0)
    if table.supply is not None:
        name = table.supply.contact
        for state, key, said in (("open", "open", "cut"), ("closed", "close", "back")):
            yield replace(_switched(name, "closed", state, key, f"the supply is {said}"), supplies=True)


def _of_condition(condition: Condition, table: OverrideTable, bench: Loaded[BenchFile]) -> Iterator[Move]:
    match condition:
        case ContactCondition():
            yield from _contact(condition.contact, condition.debounce)
        case WindCondition():
            yield from _wind(condition)
        case RainfallCondition():
            yield from _rain(condition)
        case LevelCondition():
            yield from _level(condition, table, _need(bench, condition.level))


def _contact(name: str, debounce_s: float) -> Iterator[Move]:
    for state, key in (("closed", "close"), ("open", "open")):
        yield _switched(name, "open", state, key, f"{name} {key}s")
    blip_s = round(debounce_s * _BLIP, 3)
    if blip_s < _SHORTEST_BLIP_S:
        return
    edges = [((2 * n + odd) * blip_s, 1.0 - odd) for n in range(_BLIPS) for odd in (0, 1)]
    span = f"{blip_s * 1000:g} ms"
    yield Move(
        thing=name,
        rest="open",
        state="open",
        said=f"{name} closes {_BLIPS} times for {span}",
        stimulus=f"pulse: {name}, times: {_BLIPS}, closed_for: {span}, open_for: {span}",
        output=name,
        need=CONTACT,
        seen=tuple(Seen(after_s, "contact", name, closed, 0.0) for after_s, closed in edges),
        from_states=frozenset({"open"}),
    )


def _switched(name: str, rest: str, state: str, key: str, said: str) -> Move:
    seen = Seen(0.0, "contact", name, float(state == "closed"))
    return Move(
        thing=name,
        rest=rest,
        state=state,
        said=said,
        stimulus=f"{key}: {name}",
        output=name,
        need=CONTACT,
        seen=(seen,),
    )


def _wind(condition: WindCondition) -> Iterator[Move]:
    name = condition.wind
    for text, value in _telling(condition, "0 m/s"):
        yield Move(
            thing=name,
            rest="0 m/s",
            state=text,
            said=f"wind of {text}" if value else "calm",
            stimulus=f"wind: {name}, speed: {text}",
            output=name,
            need=CONTACT,
            seen=(Seen(0.0, "wind", name, value, LATEST_S),),
        )


def _rain(condition: RainfallCondition) -> Iterator[Move]:
    name = condition.rainfall
    hard = max(condition.tip.value / _HARD_RAIN_S * _HOUR_S, 2 * condition.begins_at.value)
    for said, intensity, lasts in ((f"rain of {hard:.4g} mm/h", hard, "1 h"), ("the rain ends", 0.0, "1 s")):
        text = f"{intensity:.4g} mm/h"
        yield Move(
            thing=name,
            rest="0 mm/h",
            state=text,
            said=said,
            stimulus=f"rainfall: {name}, intensity: {text}, for: {lasts}",
            output=name,
            need=CONTACT,
            seen=(Seen(0.0, "rainfall", name, intensity),),
        )


def _level(condition: LevelCondition, table: OverrideTable, need: str) -> Iterator[Move]:
    name = condition.level
    good = table.sensors[name].good if name in table.sensors else None
    rest = good.text if good is not None else _text(condition, _far(condition, past_end=True))
    for text, value in _telling(condition, rest):
        yield Move(
            thing=name,
            rest=rest,
            state=text,
            said=f"{name} at {text}",
            stimulus=f"write: {name}, value: {text}",
            output=name,
            need=need,
            seen=(Seen(0.0, "level", name, good.value if good is not None and text == rest else value),),
        )


def _turns(table: OverrideTable) -> Iterator[Move]:
    """Yield winds on each vent that has a lee side, and on its back; none that blows along another one."""
    ahead, name = ahead_deg(table), table.direction
    if ahead is None or name is None:
        return
    leeward = {vent for override in table.overrides.values() for vent in override.leeward}
    faces = [at for vent in sorted(leeward) if (at := table.vents[vent].faces) is not None]
    for degrees in dict.fromkeys(
        at for face in faces for at in (face, (face + _HALF_TURN) % (2 * _HALF_TURN))
    ):
        if all(abs(angle_deg(degrees, face) - _HALF_TURN / 2) > _ALONG_DEG for face in faces):
            yield Move(
                thing=name,
                rest=_from(ahead),
                state=_from(degrees),
                said=f"the wind comes from {_from(degrees)}",
                stimulus=f"write: {name}, value: {_from(degrees)}",
                output=name,
                need="°",
                seen=(Seen(0.0, "direction", "", degrees),),
            )


def _from(degrees: float) -> str:
    return f"{degrees:.4g} °"


def _wires(name: str, hows: Iterable[str], need: str) -> Iterator[Move]:
    thing = wires_of(name)
    words = {"open": "break", "short": "touch", "stuck": "bring the same value for ever"}
    for how in hows:
        yield Move(
            thing=thing,
            rest=WELL,
            state=how,
            said=f"the {thing} {words[how]}",
            stimulus=f"fail: {name}, how: {how}",
            output=name,
            need=need,
            seen=(Seen(0.0, "failed", name, 1.0),),
            from_states=frozenset({WELL}),
        )
    yield Move(
        thing=thing,
        rest=WELL,
        state=WELL,
        said=f"the {thing} are mended",
        stimulus=f"mend: {name}",
        output=name,
        need=need,
        seen=(Seen(0.0, "failed", name, 0.0),),
    )


def _telling(condition: ThresholdCondition, rest: str) -> Iterator[tuple[str, float]]:
    """Yield values either side of both ends of the hysteresis, clear of them, and the value at rest."""
    begins, ends = condition.begins_at.value, condition.ends_at.value
    sign = 1 if condition.rising else -1
    clear = _CLEAR_OF * condition.accuracy.value
    near = (begins + sign * clear, begins - sign * clear, ends + sign * clear, ends - sign * clear)
    texts = dict.fromkeys(_text(condition, value) for value in (_far(condition, past_end=False), *near))
    for text in texts:
        yield text, float(text.split()[0])
    if rest not in texts:
        yield rest, float(rest.split(maxsplit=1)[0])


def _far(condition: ThresholdCondition, *, past_end: bool) -> float:
    """Return a value well beyond one end of the hysteresis."""
    begins, ends = condition.begins_at.value, condition.ends_at.value
    sign = 1 if condition.rising else -1
    by = _FAR * max(abs(begins - ends), _CLEAR_OF * condition.accuracy.value)
    return ends - sign * by if past_end else begins + sign * by


def _text(condition: ThresholdCondition, value: float) -> str:
    return f"{value:.4g} {canonical_symbol(condition.begins_at.dimension)}"


_PROBE = """\
profile: probe
needs:
  outputs: {{{output}: {need}}}
  signals: {{{signal}: "%"}}
start: {{write: {{{at_rest}}}}}
steps:
  - step: probe
    do:
      - {{{first}{stimulus}}}
    expect:
      - {{signal: {signal}, starts_moving: {{by: 5 %, within: 30 s}}{after}}}
"""


def _cannot(move: Move, bench: Loaded[BenchFile], at_rest: str | None) -> str:
    """Return why a bench cannot do something; empty when it can."""
    signal = next((name for name, spec in bench.model.signals.items() if spec.unit == "%"), None)
    if signal is None:
        return f"{move.said}: the bench has no signal that shows a vent"
    mends = move.stimulus.startswith("mend")
    text = _PROBE.format(
        output=move.output,
        need=move.need,
        signal=signal,
        stimulus=f"{move.stimulus}, label: it",
        first=f"fail: {move.output}, how: open}}\n      - {{" if mends else "",
        after=", after: it",
        at_rest=f"{move.output}: {at_rest}" if at_rest else "",
    )
    try:
        problems = tuple(train_problems(bind(read_profile("probe", text), bench, {})))
    except FileError as error:
        problems = error.problems
    return f"{move.said}: {problems[0].reason}" if problems else ""
