"""The override table's model: every weather override of a unit, with units and names checked (model only)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal, TypeAlias, final

from pydantic import Field, Tag

from ventproof_bench.base.quantities import Dimension, Quantity
from ventproof_bench.yamlfile.fields import (
    AnyQuantity,
    ContactState,
    FileModel,
    Name,
    PositiveSeconds,
    Seconds,
    by_key,
)

Degrees = Annotated[float, Field(ge=0, lt=360)]


class TableVent(FileModel):
    """A group of vents that move together, and how exactly and how fast it must do what it is told."""

    signal: Name
    """The signal that shows its position."""
    open: AnyQuantity
    """Where it stands when the house is warm and no override is active."""
    starts_within: Seconds
    """Latest start of the movement after its command."""
    full_travel: tuple[PositiveSeconds, PositiveSeconds]
    """The shortest and the longest time from end to end that is right; a deadline is made of the longest."""
    tolerance: AnyQuantity
    """How far from its position it may stand."""
    faces: Degrees | None = None
    """Compass direction, in degrees, that it opens towards; left out for a vent without a lee side."""


class TableSensor(FileModel):
    """A sensor that can fail, and how soon the unit must know."""

    flag: Name | None = None
    """Signal that is on while the sensor has failed."""
    normal: AnyQuantity | None = None
    """A value with which no override begins: what the bench plays before and after a failure. A wind sensor with one
    has a level and no pulses: it fails by that, and the unit goes by its last good value until it counts as failed."""
    loop: ContactState | None = None
    """State of its supervised loop, a contact, while it works: a cut wire is then a failure and no weather. Left out
    for a sensor that has a level or sends pulses."""
    modes: Annotated[list[Literal["open", "short", "stuck"]], Field(min_length=1)]
    """The failures that the unit must notice: a broken wire, wires that touch, a value that stays as it is."""
    fails_after: PositiveSeconds
    """It counts as failed once its level was implausible, or no pulse came, for this long."""
    recovers_after: Seconds = 0.0
    """It is trusted again once it was plausible for this long."""
    delay_tolerance: PositiveSeconds = 0.5
    """How far off either of these times may be."""


class ContactCondition(FileModel):
    """The condition: a contact is closed, or open."""

    contact: Name
    """The contact."""
    state: ContactState = "closed"
    """State in which the condition holds; `open` for a normally closed loop, whose cut wire then counts too."""
    debounce: Seconds = 0.0
    """It must keep a new state this long before the unit believes it; the delays count from then."""


class ThresholdCondition(FileModel):
    """What every condition on a value says."""

    above: AnyQuantity | None = None
    """The condition begins at this value, rising."""
    below: AnyQuantity | None = None
    """The condition begins at this value, falling."""
    ends_at: AnyQuantity
    """The condition ends at this value, on the way back: the far end of the hysteresis."""
    accuracy: AnyQuantity
    """How far off the unit may see either value."""

    @property
    def rising(self) -> bool:
        """Whether it begins at high values."""
        return self.above is not None

    @property
    def begins_at(self) -> Quantity:
        """The value at which it begins; loading sees to it that there is one."""
        at = self.below if self.above is None else self.above
        assert at is not None, "loading sees to it"
        return at


class WindCondition(ThresholdCondition):
    """The condition: the cups, or a wind sensor, show wind of so much."""

    wind: Name
    """The contact that stands for the cups, or the output in m/s that stands for a wind sensor."""
    averaged_over: PositiveSeconds
    """The unit takes the mean over this time; just after a start over as much of it as has passed, or with calm
    before."""


class RainfallCondition(ThresholdCondition):
    """The condition: a tipping bucket shows rain of so much."""

    rainfall: Name
    """The contact that stands for the bucket."""
    tip: AnyQuantity
    """Rain that one tip stands for."""
    tips: Annotated[int, Field(ge=2, le=1000)]
    """Number of the last tips that give the intensity."""


class LevelCondition(ThresholdCondition):
    """The condition: a value that is written or played as a level is so high or so low."""

    level: Name
    """The output that carries the value."""


class FailedCondition(FileModel):
    """The condition: a sensor has failed."""

    failed: Name
    """The sensor, as `sensors` names it."""


class BusSilentCondition(FileModel):
    """The condition: nobody has asked the unit anything over its bus for so long."""

    bus_silent: PositiveSeconds
    """How long."""


class ActiveCondition(FileModel):
    """The condition: another override is active."""

    active: Name
    """The other override; the delays of this one count from when that one begins and ends."""


_CONDITION_KEYS = ("contact", "wind", "rainfall", "level", "failed", "bus_silent", "active")

_Single: TypeAlias = (
    Annotated[ContactCondition, Tag("contact")]
    | Annotated[WindCondition, Tag("wind")]
    | Annotated[RainfallCondition, Tag("rainfall")]
    | Annotated[LevelCondition, Tag("level")]
    | Annotated[FailedCondition, Tag("failed")]
    | Annotated[BusSilentCondition, Tag("bus_silent")]
    | Annotated[ActiveCondition, Tag("active")]
)
Condition = Annotated[_Single, by_key(*_CONDITION_KEYS)]


class JoinedCondition(FileModel):
    """The condition: several conditions hold at the same time."""

    all: Annotated[list[Condition], Field(min_length=2)]
    """The conditions; the delays of the override count from when all of them hold."""


Alternative = Annotated[_Single | Annotated[JoinedCondition, Tag("all")], by_key(*_CONDITION_KEYS, "all")]
"""What alone calls for an override: one condition, or several together."""


@final
@dataclass(frozen=True, slots=True)
class PlacedCondition:
    """One condition of an override, and where it stands.

    Attributes:
        condition: the condition.
        alternative: number of the alternative that it is, or is part of.
        part: its number among the conditions that must hold together; None where it stands alone.
    """

    condition: Condition
    alternative: int
    part: int | None = None

    @property
    def path(self) -> tuple[str | int, ...]:
        """Where it stands below the override."""
        here = ("when", self.alternative)
        return here if self.part is None else (*here, "all", self.part)


class TableOverride(FileModel):
    """One override: on these conditions these vents go to these positions, or an alarm is given."""

    flag: Name | None = None
    """Signal that is on while the override is active."""
    flag_while_active: Literal["on", "off"] = "on"
    """State of that signal then; `off` for a fail-safe alarm relay, which drops out."""
    when: Annotated[list[Alternative], Field(min_length=1)]
    """The conditions; each of them alone calls for the override, those below `all` only together."""
    entry_delay: Seconds
    """A condition must last this long before the override begins."""
    release_delay: Seconds
    """All conditions must be over this long before the override ends."""
    delay_tolerance: PositiveSeconds = 0.5
    """How far off either delay may be."""
    positions: dict[Name, AnyQuantity] = Field(default_factory=dict)
    """Where each vent goes; vents not named keep to the temperature. Left out for an alarm, which moves no vent."""
    limits: dict[Name, tuple[AnyQuantity, AnyQuantity]] = Field(default_factory=dict)
    """How far each vent may stand open at most, whatever else decides: at the first value of
    `fall_between`, and at its second."""
    fall_between: tuple[AnyQuantity, AnyQuantity] | None = None
    """The values of wind or rain between which `limits` fall evenly, as the override's wind or rainfall condition
    measures them; below the first and above the second the limits stay as they are."""
    leeward: dict[Name, AnyQuantity] = Field(default_factory=dict)
    """Where a vent goes instead while it faces away from the wind, more than 90 degrees."""
    only_close: bool = True
    """A vent that stands below its position stays there, and none opens while the override is active."""
    latched: bool = False
    """The override ends only when it is reset, and not before its conditions and the release delay are over. A loss of
    supply may end it too."""

    @property
    def is_alarm(self) -> bool:
        """Whether it moves no vent, and is only shown."""
        return not self.positions and not self.limits

    @property
    def measures(self) -> WindCondition | RainfallCondition:
        """The condition whose wind or rain sets the limits; loading sees to it that there is one."""
        return next(its for its in self.conditions if isinstance(its, WindCondition | RainfallCondition))

    def limit(self, vent: str, value: float) -> float:
        """Return how far a vent may stand open at most, %, at a wind or a rain in its canonical unit."""
        assert self.fall_between is not None, "loading sees to it"
        begin, end = (its.value for its in self.fall_between)
        first, last = (its.value for its in self.limits[vent])
        share = min(1.0, max(0.0, (value - begin) / (end - begin)))
        return first + share * (last - first)

    @property
    def placed(self) -> Iterator[PlacedCondition]:
        """Every single condition, those that must hold together one by one."""
        for number, alternative in enumerate(self.when):
            if isinstance(alternative, JoinedCondition):
                for part, condition in enumerate(alternative.all):
                    yield PlacedCondition(condition, number, part)
            else:
                yield PlacedCondition(alternative, number)

    @property
    def conditions(self) -> list[Condition]:
        """Every single condition."""
        return [its.condition for its in self.placed]

    def together_with(self, condition: Condition) -> list[Condition]:
        """Return the other conditions that must hold for this one to call for the override."""
        for alternative in self.when:
            if isinstance(alternative, JoinedCondition) and any(its is condition for its in alternative.all):
                return [its for its in alternative.all if its is not condition]
        return []


class TableSides(FileModel):
    """When a vent that faces somewhere changes between the side that faces the wind and the lee side."""

    dead_band: AnyQuantity = Quantity(0.0, Dimension.DIRECTION, "0 °")
    """A vent changes its side only once the wind is past straight across (90 degrees) by this angle."""
    settles_after: Seconds = 0.0
    """The wind must be there for this long."""
    accuracy: AnyQuantity = Quantity(0.0, Dimension.DIRECTION, "0 °")
    """How far off the unit may see the direction."""
    delay_tolerance: PositiveSeconds = 0.5
    """How far off that time may be."""


class TableSupply(FileModel):
    """What a loss of supply does."""

    contact: Name
    """The contact through which the unit gets its supply."""
    rides_through: Seconds
    """An interruption up to this is not felt."""
    boots_for: PositiveSeconds
    """Time after the supply returns until the unit responds and acts, without memory of the time before."""
    restart: Literal["resume", "reference"]
    """`resume`: it goes on from where the vents stand; `reference`: it first runs every vent to its closed end."""
    delay_tolerance: PositiveSeconds = 0.5
    """How far off these times may be."""


Ranks = Annotated[list[Name | list[Name]], Field(min_length=1)]


class OverrideTable(FileModel):
    """Every weather override of a unit: what it must do, how exactly, and how soon."""

    table: Annotated[str, Field(min_length=1, max_length=120)]
    """Name of the table, as shown on the record."""
    about: str = ""
    """What the unit is, for the readers of the record."""
    opened_by: Annotated[dict[Name, AnyQuantity], Field(min_length=1)]
    """What the bench writes so that every vent opens: a warm house."""
    vents: Annotated[dict[Name, TableVent], Field(min_length=1)]
    """The vent groups, by name."""
    sensors: dict[Name, TableSensor] = Field(default_factory=dict)
    """The sensors that can fail, by the name of the output that stands for them."""
    overrides: Annotated[dict[Name, TableOverride], Field(min_length=1)]
    """The overrides, by name."""
    precedence: Literal["most-closed"] | Ranks = "most-closed"
    """Which override decides where several are active: `most-closed`, the one that closes a vent most; or a list of
    all of them, the first active one that names a vent decides. Overrides in a list within the list rank equally."""
    reset: Name | None = None
    """The contact that resets latched overrides, when it closes."""
    direction: Name | None = None
    """The output that plays the direction that the wind comes from, in degrees; for `leeward`."""
    sides: TableSides = TableSides()
    """When a vent changes to the lee side and back; for `leeward`. Unless stated, at 90 degrees and at once."""
    supply: TableSupply | None = None
    """What a loss of supply does; left out where the bench cannot switch it."""

    @property
    def ranks(self) -> tuple[tuple[str, ...], ...] | None:
        """The overrides in the order in which they decide, those of equal rank together; None for most-closed."""
        if self.precedence == "most-closed":
            return None
        return tuple((rank,) if isinstance(rank, str) else tuple(rank) for rank in self.precedence)

    def shows_wind(self, name: str) -> bool:
        """Return whether a condition goes by the wind that a sensor shows."""
        conditions = (its for override in self.overrides.values() for its in override.conditions)
        return any(isinstance(its, WindCondition) and its.wind == name for its in conditions)

    def has_level(self, name: str) -> bool:
        """Return whether a sensor that can fail shows a value by its level; one that sends pulses shows none."""
        return name in self.sensors and self.sensors[name].normal is not None

    def rests(self, contact: str) -> ContactState:
        """Return the state of a contact in which it calls for no override; of two that differ, as one alone says."""
        if self.supply is not None and contact == self.supply.contact:
            return "closed"
        if contact in self.sensors and (loop := self.sensors[contact].loop) is not None:
            return loop
        placed = [its for override in self.overrides.values() for its in override.placed]
        for its in sorted(placed, key=lambda its: its.part is not None):
            if isinstance(its.condition, ContactCondition) and its.condition.contact == contact:
                return "open" if its.condition.state == "closed" else "closed"
        return "open"


def condition_key(condition: Condition) -> str:
    """Return the word that chose a condition's kind."""
    return next(key for key in _CONDITION_KEYS if key in type(condition).model_fields)


def output_of(condition: Condition) -> str | None:
    """Return the output, or the sensor, that a condition is about; None for the bus and for another override."""
    if isinstance(condition, ActiveCondition):
        return None
    name = getattr(condition, condition_key(condition))
    return name if isinstance(name, str) else None


VALUE_DIMENSIONS = {"wind": Dimension.SPEED, "rainfall": Dimension.RAIN_INTENSITY}
"""What a condition's threshold measures; a level's is that of its output."""
