"""What a bench file sets."""

from __future__ import annotations

from typing import Annotated, Literal, Self, get_args

from pydantic import Field, field_validator, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.quantities import Dimension, Quantity
from ventproof_bench.mock.drive_settings import VentGroup, check_percent, drive_parts
from ventproof_bench.mock.faults.catalogue import check_names
from ventproof_bench.mock.rules.limits import LimitSettings
from ventproof_bench.mock.rules.sensors import (
    CupsWatch,
    Degrees,
    OutsideThermometer,
    SensorSettings,
    Thermometer,
    TreatAs,
    Vane,
    WindSensor,
    check_difference,
    check_temperature,
)
from ventproof_bench.mock.rules.terms import (
    ActiveTerm,
    ColdTerm,
    ContactTerm,
    FailedTerm,
    RainTerm,
    RuleTerm,
    Term,
    WindTerm,
    terms_of,
)
from ventproof_bench.yamlfile.fields import (
    AnyQuantity,
    ContactState,
    FileModel,
    Name,
    PositiveSeconds,
    Seconds,
)

OverrideName = Literal["rain", "gale", "frost", "failure"]


def _check_kind(what: str, quantity: Quantity, dimension: Dimension, example: str) -> None:
    if quantity.dimension is not dimension or quantity.value <= 0:
        raise Refusal(
            (f"{what} {str(quantity)!r} must be a {dimension} above zero, such as {example!r}"), key=what
        )


Count = Annotated[int, Field(ge=0, lt=2**32)]
"""What a counter of 32 bits can hold."""


class PulseInput(FileModel):
    """An input that counts pulses."""

    debounce: Seconds = 0.0
    """The contact must keep a new state this long before the unit believes it."""


class Positions(FileModel):
    """Where an override sends the vents."""

    positions: dict[Name, AnyQuantity]
    """Override position of each vent group; groups not named keep to their stage."""
    only_close: bool = True
    """A vent that stands below its override position stays there rather than open up to it."""
    latched: bool = False
    """Once it could end, the override stays until the contact `reset` closes."""

    @field_validator("positions")
    @classmethod
    def _positions_are_positions(cls, positions: dict[str, Quantity]) -> dict[str, Quantity]:
        check_percent("override position", list(positions.values()))
        return positions


class WindSettings(PulseInput, Positions):
    """Cups on a pulse input, or the sensor `sensors: wind`, and the rule: in a gale these vents go there."""

    slope: Annotated[float, Field(gt=0, le=100)] = 1.0
    """Wind speed in m/s for one pulse a second: metres of wind a pulse."""
    offset: AnyQuantity = Quantity(0.0, Dimension.SPEED, "0 m/s")
    """Added to the speed that the pulses give, while there are pulses: where the cups' line begins."""
    gust_over: PositiveSeconds = 3.0
    """The gust, which the override acts on, is the mean over this window."""
    mean_over: PositiveSeconds = 600.0
    """The mean wind, which is only shown, is the mean over this window."""
    gale_by_mean: WindTerm | None = None
    """A mean wind with which it blows a gale, too, whatever the gust."""
    gale_at: AnyQuantity
    """Gust at which it blows a gale, rising."""
    hysteresis: AnyQuantity
    """The gale is over this much below the gust at which it began."""
    entry_delay: Seconds = 2.0
    """It must blow a gale this long before the override begins."""
    release_delay: Seconds = 60.0
    """The gale must be over this long before the override ends."""
    faces: dict[Name, Degrees] = Field(default_factory=dict)
    """Compass direction, in degrees, that a vent group opens towards; groups not named have no lee side."""
    leeward: dict[Name, AnyQuantity] = Field(default_factory=dict)
    """Gale position of a vent group that faces away from the wind, more than 90 degrees; `positions` otherwise."""
    dead_band: AnyQuantity = Quantity(0.0, Dimension.DIRECTION, "0 °")
    """A vent group changes its side only once the wind is past those 90 degrees by this angle."""
    settles_after: Seconds = 0.0
    """The wind must be there for this long."""

    @model_validator(mode="after")
    def _wind_makes_sense(self) -> Self:
        if self.offset.dimension is not Dimension.SPEED or self.offset.value < 0:
            raise Refusal(
                f"offset {str(self.offset)!r} must be a speed that is not negative, such as '0.3 m/s'",
                key="offset",
            )
        _check_kind("gale_at", self.gale_at, Dimension.SPEED, "12 m/s")
        check_difference("hysteresis", self.hysteresis, Dimension.SPEED, "2 m/s")
        if self.hysteresis.value >= self.gale_at.value:
            raise Refusal(
                (
                    f"hysteresis {str(self.hysteresis)!r} must be below gale_at "
                    f"{str(self.gale_at)!r}, or the gale would never be over"
                ),
                key="hysteresis",
            )
        check_difference("dead_band", self.dead_band, Dimension.DIRECTION, "10 °")
        check_percent("leeward position", list(self.leeward.values()))
        for name in self.leeward:
            if name not in self.faces or name not in self.positions:
                raise Refusal(
                    (
                        f"leeward position for {name!r} needs to know where it faces, and its position "
                        f"windward: name {name!r} below `faces` and `positions` too"
                    ),
                    key="leeward",
                )
        return self


class TipRate(PulseInput):
    """A tipping bucket on a pulse input: rain by intensity, beside the rain contact and with its override."""

    tip: AnyQuantity
    """Rain that one tip stands for."""
    tips: Annotated[int, Field(ge=2, le=1000)] = 3
    """Number of the last tips that give the intensity; it falls while the next tip is overdue."""
    wet_at: AnyQuantity | None = None
    """Intensity from which it rains; left out where only `rules` go by the bucket."""
    hysteresis: AnyQuantity = Quantity(0.0, Dimension.RAIN_INTENSITY, "0 mm/h")
    """It no longer rains this much below that; earlier tips are then forgotten."""
    counted: Count = 0
    """Tips that the unit has counted before it is powered up."""

    @model_validator(mode="after")
    def _tips_make_sense(self) -> Self:
        _check_kind("tip", self.tip, Dimension.DEPTH, "0.2 mm")
        check_difference("hysteresis", self.hysteresis, Dimension.RAIN_INTENSITY, "1 mm/h")
        if self.wet_at is None:
            return self
        _check_kind("wet_at", self.wet_at, Dimension.RAIN_INTENSITY, "2 mm/h")
        if self.hysteresis.value >= self.wet_at.value:
            raise Refusal(
                (
                    f"hysteresis {str(self.hysteresis)!r} must be below wet_at {str(self.wet_at)!r}"
                    ", or it would rain for ever"
                ),
                key="hysteresis",
            )
        return self


class Frost(Positions):
    """The rule: while it is cold outside, these vents go to these positions."""

    frost_at: AnyQuantity
    """Outside temperature at which the frost begins, falling."""
    hysteresis: AnyQuantity
    """The frost is over this much above that."""
    entry_delay: Seconds = 10.0
    """It must be that cold this long before the override begins."""
    release_delay: Seconds = 60.0
    """The frost must be over this long before the override ends."""

    @model_validator(mode="after")
    def _frost_makes_sense(self) -> Self:
        check_temperature(self.frost_at)
        check_difference("hysteresis", self.hysteresis, Dimension.TEMPERATURE, "1 °C")
        return self


class Sensors(FileModel):
    """Analogue sensors, what is implausible of each, and what the unit then does."""

    outside: OutsideThermometer | None = None
    """The outside thermometer, input `outside`."""
    house: Thermometer | None = None
    """The house thermometer, input `house`; without it the house temperature never fails."""
    direction: Vane | None = None
    """The wind vane, input `direction`."""
    wind: WindSensor | None = None
    """A wind sensor, input `wind`, in place of the cups."""
    loop: SensorSettings | None = None
    """The supervised loop of a sensor, input `loop`: closed while the sensor works."""
    cups: CupsWatch | None = None
    """Watches the cups of `wind`."""
    failure: Positions | None = None
    """The rule: while a sensor that is treated as `failure` has failed, these vents go to these positions."""


class BusLoss(FileModel):
    """What the unit does when nobody asks it anything over its bus any more."""

    silent_for: PositiveSeconds
    """The bus is lost once no request came for this long; the next one ends that."""
    treat_as: TreatAs
    """A lost bus counts as this weather, delays included; `failure` begins the override of that name."""


class Supply(FileModel):
    """What the unit does when its supply, the contact `supply`, goes and comes back."""

    rides_through: Seconds = 0.01
    """An interruption shorter than this is not felt; after a longer one the unit is dead and the vents stand still."""
    boots_for: Seconds = 3.0
    """The supply must be back this long before the unit answers and acts again, with everything forgotten."""
    restart: Literal["resume", "reference"] = "resume"
    """`resume`: go on from where the vents stand; `reference`: first run every vent to its closed end."""


class RuleSettings(Positions, LimitSettings):
    """A rule of its own: while what it waits for holds, these vents go to these positions, or stay below limits."""

    positions: dict[Name, AnyQuantity] = Field(default_factory=dict)
    """Where it sends the vents; left out for a rule that only limits them, or only shows."""

    when: Annotated[list[RuleTerm], Field(min_length=1)]
    """What calls for it; each alone, those below `all` only together."""
    entry_delay: Seconds = 2.0
    """That must hold this long before the override begins."""
    release_delay: Seconds = 60.0
    """It must be over this long before the override ends."""
    drops_out: bool = False
    """Its bit is on while the rule is not active: an alarm relay that drops out."""

    @model_validator(mode="after")
    def _limits_are_measured(self) -> Self:
        self.check_measured(terms_of(self.when))
        return self


class RainOverride(Positions):
    """The rule: while the rain contact is closed, these vents go to these positions."""

    state: ContactState = "closed"
    """State of the contact in which it rains; `open` for a normally closed loop."""
    debounce: Seconds = 0.05
    """The contact must keep a new state this long before the unit believes it."""
    entry_delay: Seconds = 2.0
    """The debounced contact must be closed this long before the override begins."""
    release_delay: Seconds = 30.0
    """The debounced contact must be open this long before the override ends."""
    counted: Count = 0
    """Closures that the unit has counted before it is powered up."""


_TEMPERATURES_C = (-3276.8, 3276.7)  # what a signed register of tenths can hold


def _is_loop(term: Term) -> bool:
    return isinstance(term, ContactTerm) and term.state == "open"


def _lacking(term: Term, mock: MockSettings) -> str:
    """Return the section that the unit needs for a term and does not have; empty where it has it."""
    if isinstance(term, WindTerm) and mock.wind is None:
        return "wind"
    if isinstance(term, RainTerm) and mock.tip_rate is None:
        return "tip_rate"
    if isinstance(term, ActiveTerm) and term.active not in mock.overrides:
        return f"override {term.active!r}"
    if isinstance(term, ColdTerm) and mock.sensors.outside is None:
        return "sensors.outside"
    if isinstance(term, FailedTerm) and getattr(mock.sensors, term.failed, None) is None:
        return f"sensors.{term.failed}"
    return ""


class House(FileModel):
    """Staged ventilation by house temperature."""

    temperature: AnyQuantity
    """House temperature at power-up; a holding register takes another."""
    stage_at: Annotated[list[AnyQuantity], Field(min_length=1)]
    """Temperature at which stage 1, 2, … begins, rising."""
    hysteresis: AnyQuantity
    """A stage ends this much below the temperature at which it began."""

    @model_validator(mode="after")
    def _stages_rise(self) -> Self:
        for quantity in (self.temperature, *self.stage_at):
            check_temperature(quantity)
        low, high = _TEMPERATURES_C
        if not low <= self.temperature.value <= high:
            raise Refusal(
                f"temperature {str(self.temperature)!r} must be from {low:g} °C to {high:g} °C",
                key="temperature",
            )
        at = [q.value for q in self.stage_at]
        if at != sorted(set(at)):
            raise Refusal(
                f"stage_at {', '.join(str(q) for q in self.stage_at)} must rise from stage to stage",
                key="stage_at",
            )
        check_difference("hysteresis", self.hysteresis, Dimension.TEMPERATURE, "1 °C")
        return self


_MOST_DRIVES = 16  # bits of a register


class MockSettings(FileModel):
    """The mock unit."""

    vents: Annotated[dict[Name, VentGroup], Field(min_length=1)]
    """The vent groups, by name; their order is that of the position registers."""
    house: House
    """The house whose temperature opens the vents."""
    rain: RainOverride
    """The unit's rain override."""
    wind: WindSettings | None = None
    """The unit's wind and gale override, by cups at the input `cups` unless `sensors: wind` measures it."""
    tip_rate: TipRate | None = None
    """The unit's tipping bucket, input `bucket`."""
    frost: Frost | None = None
    """The unit's frost override; it needs `sensors: outside`."""
    sensors: Sensors = Sensors()
    """The unit's analogue sensors."""
    rules: dict[Name, RuleSettings] = Field(default_factory=dict)
    """Further overrides, by name. The last input register shows them, a bit each in their order: register 15 of a
    unit of two vents, or 8 where it has no wind, no tip rate, no frost and no sensors."""
    precedence: list[str] | None = None
    """Overrides in the order in which they decide: the first active one that names a vent moves it. Unless stated,
    of all that are active the one that closes the vent most."""
    supply: Supply = Supply()
    """What a loss of supply does to the unit."""
    bus_loss: BusLoss | None = None
    """What the unit does when its bus is silent; unless stated, nothing."""
    refresh_every: Seconds = 0.2
    """Input registers are copied from the process this often."""
    faults: dict[Name, float] = Field(default_factory=dict)
    """Faults to give the unit, by name, each with its severity (1 is the catalogue's usual one)."""

    @field_validator("faults")
    @classmethod
    def _faults_are_known(cls, faults: dict[str, float]) -> dict[str, float]:
        check_names(faults)
        return faults

    @property
    def overrides(self) -> dict[str, Positions]:
        """Every override that the unit has, by name."""
        found: dict[str, Positions | None] = {
            "rain": self.rain,
            "gale": self.wind,
            "frost": self.frost,
            "failure": self.sensors.failure,
            **self.rules,
        }
        return {name: override for name, override in found.items() if override is not None}

    @property
    def more_weather(self) -> bool:
        """Whether the unit has more weather than a rain contact, and so the longer register map."""
        return any((self.wind, self.tip_rate, self.frost, self.sensors != Sensors()))

    @property
    def latched(self) -> frozenset[str]:
        """The overrides that stay until they are reset."""
        return frozenset(name for name, override in self.overrides.items() if override.latched)

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        for override, rule in self.overrides.items():
            faces = rule.faces if isinstance(rule, WindSettings) else {}
            limits = rule.limits if isinstance(rule, RuleSettings) else {}
            for name in (*rule.positions, *faces, *limits):
                if name not in self.vents:
                    raise Refusal(
                        (
                            f"{override} position for {name!r}, which is not among the vents: "
                            f"{', '.join(self.vents)}"
                        ),
                        key=override,
                    )
        if sum(group.drive is not None for group in self.vents.values()) > _MOST_DRIVES:
            raise Refusal(f"the unit tells the alarms of {_MOST_DRIVES} drives at the most", key="vents")
        for name, group in self.vents.items():
            if len(group.stages) != len(self.house.stage_at):
                raise Refusal(
                    (
                        f"vent {name!r} has {len(group.stages)} stage positions where house.stage_at "
                        f"has {len(self.house.stage_at)} stages"
                    ),
                    "give as many",
                    key="vent",
                )
        return self

    @model_validator(mode="after")
    def _rules_serve(self) -> Self:
        if len(self.rules) > _MOST_DRIVES:
            raise Refusal(f"the unit tells {_MOST_DRIVES} rules at the most", key="rules")
        for name, rule in self.rules.items():
            if name in get_args(OverrideName):
                raise Refusal(
                    f"the unit has an override {name!r} already", "name the rule otherwise", key="rules"
                )
            for term in (term for terms in terms_of(rule.when) for term in terms):
                lacks = _lacking(term, self)
                if lacks:
                    raise Refusal(f"rule {name!r} needs what the unit does not have: {lacks}", key="rules")
        return self

    @model_validator(mode="after")
    def _sensors_serve(self) -> Self:
        sensors = self.sensors
        if self.frost is not None and sensors.outside is None:
            raise Refusal(
                "frost needs an outside thermometer", "add `outside:` below `sensors:`", key="frost"
            )
        if self.wind is not None and self.wind.leeward and sensors.direction is None:
            raise Refusal("wind.leeward needs a wind vane", "add `direction:` below `sensors:`")
        if sensors.cups is not None and (self.wind is None or sensors.wind is not None):
            hint = (
                "add `wind:`" if self.wind is None else "leave it out, or `sensors.wind`, which replaces them"
            )
            raise Refusal("sensors.cups watches cups that the unit does not have", hint)
        if sensors.wind is not None and self.wind is None:
            raise Refusal("sensors.wind measures a wind that the unit has no rule for", "add `wind:`")
        if sensors.house is not None:
            low, high = sensors.house.range
            if not low.value <= self.house.temperature.value <= high.value:
                raise Refusal(
                    (
                        f"house temperature {str(self.house.temperature)!r} must lie within the sensor's "
                        f"range, {low.text} to {high.text}"
                    ),
                    key="house",
                )
        watches = {
            f"sensors.{name}": getattr(sensors, name)
            for name in ("outside", "house", "direction", "wind", "loop", "cups")
        }
        for name, watched in {**watches, "bus_loss": self.bus_loss}.items():
            if watched is not None and watched.treat_as not in ("nothing", *self.overrides):
                raise Refusal(
                    f"{name} is treated as {watched.treat_as!r}, an override that the unit does not have",
                    f"it has {', '.join(self.overrides)}",
                    key=name,
                )
        return self

    @property
    def has_cups(self) -> bool:
        """Whether cups measure the unit's wind."""
        return self.wind is not None and self.sensors.wind is None

    @property
    def parts(self) -> frozenset[str]:
        """What this unit has of what not every unit has, in the words that a fault's `needs` uses."""
        sensors = self.sensors
        joined = [terms for rule in self.rules.values() for terms in terms_of(rule.when)]
        has = {
            "wind": self.wind,
            "cups": self.has_cups,
            "sensors.wind": sensors.wind,
            "wind.leeward": self.wind and self.wind.leeward,
            "tip_rate": self.tip_rate,
            "frost": self.frost,
            "sensors": sensors != Sensors(),
            "sensors.outside": sensors.outside,
            "sensors.cups": sensors.cups,
            "sensors.loop": sensors.loop,
            "a second override": len(self.overrides) > 1,
            "bus_loss": self.bus_loss,
            "rules": self.rules,
            "rules.drops_out": any(rule.drops_out for rule in self.rules.values()),
            "rules.all": any(len(terms) > 1 for terms in joined),
            "rules.limits": any(rule.limits for rule in self.rules.values()),
            "rules.active": any(isinstance(term, ActiveTerm) for terms in joined for term in terms),
            "wind.dead_band": self.wind and self.wind.dead_band.value,
            "wind.settles_after": self.wind and self.wind.settles_after,
            "wind.gale_by_mean": self.wind and self.wind.gale_by_mean,
            "a normally closed contact": self.rain.state == "open"
            or any(_is_loop(t) for j in joined for t in j),
            "supply.restart: reference": self.supply.restart == "reference",
            **drive_parts(list(self.vents.values())),
        }
        return frozenset(part for part, there in has.items() if there)

    @model_validator(mode="after")
    def _faults_fit(self) -> Self:
        check_names(self.faults, self.parts)
        return self

    @model_validator(mode="after")
    def _precedence_is_whole(self) -> Self:
        listed = self.precedence
        moving = [name for name, override in self.overrides.items() if override.positions]
        if listed is not None and sorted(listed) != sorted(moving):
            raise Refusal(
                (
                    f"precedence [{', '.join(listed)}] must name each override of the unit once: "
                    f"{', '.join(moving)}"
                ),
                key="precedence",
            )
        return self
