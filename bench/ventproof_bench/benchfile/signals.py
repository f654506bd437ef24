"""What a bench reads: values in registers, and the positions of its vents."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.evidence import SignalTraits
from ventproof_bench.base.protocols import Table
from ventproof_bench.base.quantities import Dimension, canonical_symbol, dimension_of
from ventproof_bench.benchfile.people import PersonSignal
from ventproof_bench.benchfile.terminals import SignalWires
from ventproof_bench.yamlfile.fields import AnyQuantity, FileModel, Name, OwnUnit, PositiveSeconds, Seconds

UnitId = Annotated[int, Field(ge=0, le=255)]
Address = Annotated[int, Field(ge=0, le=65535)]
ValueType = Literal["bit", "u16", "s16", "u32", "s32", "f32"]
WordOrder = Literal["high-first", "low-first"]


def _usual_type(said: dict[str, Any]) -> ValueType:
    """Return how a value is coded of which the file says no type."""
    digits = str(said.get("reference") or "")
    table = said.get("table") or ("discrete" if digits[:1] in ("0", "1") else "input")
    return "bit" if table in ("coil", "discrete") or said.get("bit") is not None else "u16"


class Location(FileModel):
    """Where a value lives in a unit's registers, and how it is coded."""

    bus: Name
    """The bus that it is read or written over."""
    unit_id: UnitId = 1
    """Modbus unit identifier (slave address) on the bus."""
    table: Table | None = None
    """`coil`, `discrete`, `input` or `holding`; may be left out with `reference`."""
    address: Address | None = None
    """Zero-based protocol address, as it goes over the wire."""
    reference: str | int | None = None
    """Reference number in the 4xxxx style of many manuals, 1-based: 40001 is holding address 0, 30001 input 0."""
    address_is_on_wire: bool = False
    """Confirms that an `address` of 30001 or more really is zero-based and no reference number."""
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    """Bit within the register, 0 the least significant; of a bit in `input` or `holding`."""
    type: ValueType = Field(default_factory=_usual_type)
    """How the value is coded: a bit, or 16 or 32 bits, unsigned, signed or floating. Unless stated: `bit` in `coil` and
    `discrete` and with `bit`, `u16` elsewhere."""
    word_order: WordOrder = "high-first"
    """Which 16-bit word of a 32-bit value has the lower address."""
    scale: Annotated[float, Field(gt=0)] = 1.0
    """Unit's value of one count: 0.1 turns register 995 into 99.5."""
    offset: float = 0.0
    """Added after scaling, in the signal's unit."""


class SignalSpec(Location):
    """Something the bench reads from the unit."""

    unit: OwnUnit
    """Unit of the value: %, °C, m/s, mm/h, mm, %/s, °, V, mA, ohm, W/m², %RH, ppm, kPa, s,
    `flag`, `count` or `state`."""
    states: dict[Name, int] | None = None
    """Names of a state's values, for `equals`."""
    resolution: AnyQuantity | None = None
    """Smallest step of the value; one count of the register unless stated."""
    accuracy: AnyQuantity | None = None
    """Largest error of the reading in addition to half the resolution."""
    full_travel: PositiveSeconds | None = None
    """Shortest time that the actuator needs across its whole range: it bounds what can happen between two polls."""
    range: tuple[AnyQuantity, AnyQuantity] | None = None
    """Lowest and highest value; 0 % to 100 % for a signal in %."""
    refreshed_every: Seconds = 0.0
    """The unit copies the value into its registers this often: a reading may be this old."""
    keeps_for: PositiveSeconds | None = None
    """A flag or state keeps each value at least this long, so two equal readings closer than that prove no change."""
    jumps_to: list[AnyQuantity] | None = None
    """Of a position that the unit reckons: values to which it may jump when it finds its reference, as at an end."""
    jumps_by: AnyQuantity | None = None
    """How far such a jump may go."""
    selfcheck: Literal["judge", "leave"] = "judge"
    """`leave`: no `hookup:` lets it answer, on purpose; the self-check leaves it out and lists it by name."""
    wires: SignalWires | None = None
    """Of an input of the bench's own module: the wires from the unit's output to it, for `ventproof wiring`."""

    @model_validator(mode="after")
    def _fits_its_unit(self) -> Self:
        dimension = dimension_of(self.unit)
        for field in ("resolution", "accuracy", "jumps_by"):
            quantity = getattr(self, field)
            if quantity is not None and quantity.dimension is not dimension:
                raise Refusal(
                    f"{field} {str(quantity)!r} must be in the signal's unit, {self.unit}", key=field
                )
        if (self.jumps_to is None) != (self.jumps_by is None):
            raise Refusal(
                "jumps_to and jumps_by go together", "write `jumps_to: [0 %, 100 %]` and `jumps_by: 5 %`"
            )
        if self.full_travel is not None and self.range is None and dimension is not Dimension.PERCENT:
            raise Refusal("full_travel needs a range when the unit is not %", key="full_travel")
        return self

    @property
    def step(self) -> float:
        """Smallest step of the value, in the signal's unit; 0 where none is known or the value is whole by nature."""
        if self.resolution is not None:
            return self.resolution.value
        counts = dimension_of(self.unit) is Dimension.COUNT
        return 0.0 if counts or self.type == "f32" else self.scale

    def traits(self, name: str) -> SignalTraits:
        """Return what the judge needs to know of this signal."""
        accuracy = self.accuracy.value if self.accuracy else 0.0
        low, high = (q.value for q in self.range) if self.range else (0.0, 100.0)
        bits = {"u16": 16, "u32": 32}.get(self.type)
        return SignalTraits(
            name=name,
            unit=self.unit,
            error=self.step / 2 + accuracy,
            step=self.step,
            rate_per_s=abs(high - low) / self.full_travel if self.full_travel else None,
            refreshed_every_s=self.refreshed_every,
            keeps_for_s=self.keeps_for,
            wraps_at=2**bits if bits and self.unit == "count" else None,
            jumps_to=tuple(value.value for value in self.jumps_to or ()),
            jumps_by=self.jumps_by.value if self.jumps_by else 0.0,
        )


class PositionSignal(FileModel):
    """The position of one of the bench's vents: as the bench played it, or as it follows from its drive outputs."""

    position_of: Name
    """The vent, as `vents:` names it."""
    selfcheck: Literal["try", "leave"] = "try"
    """`leave`: no `hookup:` names it on purpose; the self-check leaves it out and lists it by name."""

    @property
    def unit(self) -> str:
        """Unit of the value."""
        return canonical_symbol(Dimension.PERCENT)

    @property
    def states(self) -> None:
        """It has no states."""
        return

    @property
    def range(self) -> None:
        """It goes from 0 % to 100 %."""
        return


Signal = SignalSpec | PositionSignal | PersonSignal
"""Something the bench reads, knows of a vent, or is told by a person."""


def signal_kind(raw: Any) -> str:  # noqa: ANN401 - whatever the file holds
    """Return what tells the kinds of signal apart."""
    keys = raw if isinstance(raw, dict) else getattr(type(raw), "model_fields", ())
    return "position" if "position_of" in keys else "person" if "read_by" in keys else "register"
