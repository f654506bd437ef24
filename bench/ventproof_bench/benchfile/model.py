"""Buses, outputs, signals."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, Tag, model_validator
from pydantic import Discriminator as By

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.evidence import SignalTraits
from ventproof_bench.base.quantities import Dimension, canonical_symbol
from ventproof_bench.benchfile.boards import BoardSpec, ContactLimits, HeartbeatLimit, Interlock, RelaySpec
from ventproof_bench.benchfile.equipment import EquipmentSpec
from ventproof_bench.benchfile.hookup import HookUp
from ventproof_bench.benchfile.people import PersonSignal, PersonSpec
from ventproof_bench.benchfile.sensors import (
    ContactSensor,
    PotentiometerTrack,
    Thermistor,
    VaneTrack,
    check_track,
)
from ventproof_bench.benchfile.signals import PositionSignal, SignalSpec, signal_kind
from ventproof_bench.benchfile.terminals import (
    ContactWires,
    LevelWires,
    LineWires,
    ResistanceWires,
    SupplyWires,
)
from ventproof_bench.benchfile.vents import VentSpec
from ventproof_bench.mock.faults.fault import GivenFault
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.yamlfile.fields import (
    AnyQuantity,
    ContactState,
    FileModel,
    Name,
    OwnUnit,
    PortName,
    PositiveSeconds,
    Seconds,
)

_MOST_MA = 24.0
"""A shorted two-wire transmitter leaves the current to the supply; 24 mA stands for it (common practice, no source)."""
_MOST_V = 11.0
"""What a voltage output puts beyond 10 V at most (common practice, no source)."""
PERSON = "person"
"""The driver of outputs that are people's acts."""


class BusCommon(FileModel):
    """What every bus declares."""

    timeout: PositiveSeconds = 0.5
    """How long a reply may take; longer counts as no reply."""
    quiet_after_fault: PositiveSeconds | None = None
    """After a fault the bus stays silent this long, so that a late reply cannot answer the next request.
    At least the slowest answer the unit can give; twice the timeout unless stated."""
    poll_every: PositiveSeconds = 0.1
    """How often all signals of this bus are read."""
    longest_gap: Annotated[int, Field(ge=0, le=124)] = 0
    """Unused registers (or bits) that a read may run across rather than start another request."""
    most_registers: Annotated[int, Field(ge=1, le=125)] = 125
    """Registers that one request may ask for; some units take fewer than the protocol's 125."""
    most_bits: Annotated[int, Field(ge=1, le=2000)] = 2000
    """Bits that one request may ask for; the protocol allows 2000."""
    reconnect_after: PositiveSeconds = 0.5
    """First wait before a lost connection is tried again; doubles each time up to `reconnect_at_most`."""
    reconnect_at_most: PositiveSeconds = 5.0
    """Longest wait between two tries to reconnect."""

    @property
    def quiet_s(self) -> float:
        """The silence after a fault, seconds."""
        return self.quiet_after_fault if self.quiet_after_fault is not None else 2 * self.timeout


class InProcessBus(BusCommon):
    """A bus to the mock inside this process, in virtual time."""

    link: Literal["in-process"]
    """`in-process`: to the mock inside this process, in virtual time."""
    framing: Literal["tcp", "rtu", "ascii"] = "tcp"
    """Which frames are spoken on it."""
    reply_after: Seconds = 0.004
    """How long the mock takes to answer."""
    reply_jitter: Seconds = 0.002
    """Answers take up to this much longer, by the run's seed."""


class WiredBus(BusCommon):
    """What every bus with a real unit on it declares."""

    answers_within: Seconds | None = None
    """How long the unit takes to answer at most, as measured or as its manual says; a serial line's own time is not
    counted. What the bus can carry is computed from it; nothing is judged by it. The timeout unless stated."""


class TcpBus(WiredBus):
    """Modbus TCP."""

    link: Literal["tcp"]
    """`tcp`: Modbus TCP."""
    host: str
    """Name or address of the unit or gateway."""
    tcp_port: Annotated[int, Field(ge=1, le=65535)] = 502
    """TCP port; 502 is the one registered for Modbus."""


class RtuOverTcpBus(WiredBus):
    """RTU frames through a TCP connection, as transparent serial servers carry them."""

    link: Literal["rtu-over-tcp"]
    """`rtu-over-tcp`: RTU frames through a TCP connection."""
    host: str
    """Name or address of the serial server."""
    tcp_port: Annotated[int, Field(ge=1, le=65535)]
    """TCP port of the serial server."""


class SerialBus(WiredBus):
    """Modbus RTU or ASCII on a serial line."""

    link: Literal["rtu", "ascii"]
    """`rtu` or `ascii`: the frames that are spoken on the serial line."""
    port: PortName
    """Device path, socket:// or rfc2217://; prefer the stable names below /dev/serial/by-id."""
    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 19200
    """Line speed in bits per second."""
    parity: Literal["even", "odd", "none"] = "even"
    """Parity bit of each character; both ends must agree."""
    stop_bits: Literal[1, 2] | None = None
    """One with parity and two without, as the serial line specification says, unless stated."""
    local_echo: bool = False
    """The adapter hears its own request; strip it."""
    wires: LineWires | None = None
    """Its wires and terminals, for `ventproof wiring`."""

    @property
    def data_bits(self) -> int:
        """Data bits of a character."""
        return 7 if self.link == "ascii" else 8

    @property
    def stops(self) -> int:
        """Stop bits of a character."""
        return self.stop_bits or (2 if self.parity == "none" else 1)


BusSpec = Annotated[InProcessBus | TcpBus | RtuOverTcpBus | SerialBus, Field(discriminator="link")]


class OutputCommon(FileModel):
    """What every output declares."""

    driver: str
    """Name of the driver module, or of a third-party driver's entry point."""
    wired: dict[str, Any] = Field(default_factory=dict)
    """Where the driver finds its hardware; each driver has its own words, see `ventproof explain drivers`."""
    hookup: HookUp | None = None
    """What the unit shows when this output is exercised; `ventproof selfcheck` tries it."""


class ContactOutput(OutputCommon):
    """A dry contact, made by a relay."""

    kind: Literal["contact"] = "contact"
    """`contact`: opens and closes two wires."""
    at_rest: ContactState = "open"
    """The contact while the relay is not energised: `open` if normally open, `closed` if normally closed."""
    safe: ContactState = "open"
    """The contact that the bench leaves behind on every way out."""
    operate: Seconds = 0.015
    """Longest time from the command's acknowledgement to the energised contact, bounce excluded."""
    release: Seconds = 0.010
    """Longest time from the command's acknowledgement to the contact at rest, bounce excluded."""
    bounce: Seconds = 0.005
    """Longest bounce of the contact after it first moves."""
    fastest_edge: PositiveSeconds | None = None
    """Shortest time between two edges that this relay can follow. Unless stated: the driver's own limit, or the
    longest operate or release time plus bounce where that is longer (a shorter pulse might never reach the contact)."""
    feedback: Name | None = None
    """A flag that reads this very contact back, on while it is closed: a spare pole wired to an input."""
    counted_by: Name | None = None
    """A counter that advances by one at each closure of this contact."""
    selfcheck: Literal["pulse", "leave"] = "pulse"
    """`leave`: the self-check must not pulse this contact, as where it cuts the unit's supply. It tries its `hookup:`
    all the same; without one, it leaves this contact out and lists it by name."""
    relay: RelaySpec | None = None
    """What makes the contact: `kind` of relay and `life`, in operations."""
    limits: ContactLimits | None = None
    """What no profile may exceed on this contact."""
    sensor: ContactSensor | None = None
    """The sensor that this contact stands for; with it a profile can say `rainfall:` or `wind:`."""
    wires: ContactWires | None = None
    """Its wires and terminals, for `ventproof wiring`."""


class ValueCommon(OutputCommon):
    """What every output declares that takes a number."""

    selfcheck: Literal["try", "leave"] = "try"
    """`leave`: it has no `hookup:` on purpose; the self-check leaves it out and lists it by name."""


class RegisterOutput(ValueCommon):
    """A setting of the unit that the bench writes over the bus. It is read before, and put back after the run."""

    kind: Literal["register"]
    """`register`: takes a number."""
    unit: OwnUnit
    """Unit of the value, such as °C or %."""
    leaves: AnyQuantity | None = None
    """Value that a run which wrote this setting leaves in the unit; what it found there, unless stated."""


class LevelCommon(ValueCommon):
    """What every output declares that puts a level on the unit's terminals."""

    safe: Annotated[float, Field(ge=0, le=1e8)] | None = None
    """Level that the bench leaves behind, in mA, V or ohm; left as it is unless stated."""
    limits: tuple[AnyQuantity, AnyQuantity] | None = None
    """Lowest and highest level that the hardware puts, or that the unit may be given: many modules end at 20 mA or
    21 mA, and show no broken or shorted wire. What lies beyond is refused before a run."""
    breaks_with: Name | None = None
    """A contact in series with the wire, closed while it is whole: a profile that breaks the wire opens it."""

    @property
    def carries(self) -> Dimension:
        """What the level is: a current, a voltage or a resistance."""
        return Dimension.RESISTANCE

    @model_validator(mode="after")
    def _limits_are_levels(self) -> Self:
        if self.limits is None:
            return self
        low, high = self.limits
        if {low.dimension, high.dimension} != {self.carries} or not 0 <= low.value < high.value:
            unit = canonical_symbol(self.carries)
            reason = f"limits from {low.text!r} to {high.text!r} are no span of levels in {unit}"
            raise Refusal(reason, f"write [lowest, highest], such as [0 {unit}, 20 {unit}]", key="limits")
        return self


def _within_a_second(span_s: float) -> float:
    if span_s > 1:
        raise Refusal("must be at most 1 s, or a gust is over between two levels", bare=True)
    return span_s


class LevelOutput(LevelCommon):
    """A transmitter or a potentiometer: a current or voltage that carries a value. Its driver is given mA or V."""

    kind: Literal["level"]
    """`level`: a current or a voltage at the unit's terminals."""
    signal: Literal["4-20 mA", "0-20 mA", "0-10 V", "2-10 V", "ratio"]
    """What carries the value; `ratio`: a potentiometer that the unit feeds, from 0 V to its `supply`."""
    supply: AnyQuantity | None = None
    """With `signal: ratio`: the voltage with which the unit feeds the potentiometer, as measured at its terminals."""
    range: tuple[AnyQuantity, AnyQuantity]
    """Values at the two ends of the signal; a falling range is allowed. Of a vane, directions clockwise."""
    gap: Annotated[float, Field(ge=0, le=24)] | None = None
    """Level of a vane that stands in its gap, outside the range, in mA or V."""
    updated_every: Annotated[PositiveSeconds, AfterValidator(_within_a_second)] = 0.5
    """Of a wind sensor: how often the level follows a wind that changes, 1 s at most; each level is the mean until the
    next one, so that no mean of the unit is off, and a gust that is shorter than this is flattened."""
    wires: LevelWires | None = None
    """Its wires and terminals, for `ventproof wiring`."""

    @property
    def carries(self) -> Dimension:
        """What the level is: a current or a voltage."""
        return Dimension.CURRENT if self.signal.endswith("mA") else Dimension.VOLTAGE

    @property
    def ends(self) -> tuple[float, float]:
        """The levels at the two ends of the range, mA or V."""
        if self.supply is not None:
            return 0.0, self.supply.value
        low, _, high = self.signal.partition(" ")[0].partition("-")
        return float(low), float(high)

    @property
    def most(self) -> float:
        """The highest level that such a signal has, mA or V: what is far over its range, or its supply."""
        if self.supply is not None:
            return self.supply.value
        return _MOST_MA if self.carries is Dimension.CURRENT else _MOST_V

    @model_validator(mode="after")
    def _a_ratio_has_a_supply(self) -> Self:
        if (self.signal == "ratio") != (self.supply is not None):
            reason = "`signal: ratio` and the voltage below `supply:` go together"
            raise Refusal(reason, "write both, or another signal", key="signal")
        if self.supply is not None and (
            self.supply.dimension is not Dimension.VOLTAGE or self.supply.value <= 0
        ):
            raise Refusal(f"supply {self.supply.text!r} is not a voltage", "write it as '5 V'", key="supply")
        return self

    @model_validator(mode="after")
    def _range_has_a_span(self) -> Self:
        low, high = self.range
        if low.dimension is not high.dimension or low.dimension is Dimension.COUNT or low.value == high.value:
            raise Refusal(
                f"range from {low.text!r} to {high.text!r} must be two values of one unit", key="range"
            )
        if low.dimension is Dimension.DIRECTION:
            check_track(self.range)
        elif self.gap is not None:
            raise Refusal("gap is for a vane", "leave it out where the range is not a direction", key="gap")
        return self

    @property
    def unit(self) -> str:
        """Unit of the values that it carries."""
        return canonical_symbol(self.range[0].dimension)


class ResistanceOutput(LevelCommon):
    """A thermometer, a vane or a vent's potentiometer: a resistance that stands for a value. Its driver gets ohm."""

    kind: Literal["resistance"]
    """`resistance`: a resistance at the unit's terminals."""
    sensor: Literal["pt100", "pt1000", "ntc", "vane", "potentiometer"]
    """Platinum by IEC 60751, or what `ntc`, `vane` or `potentiometer` describes."""
    ntc: Thermistor | None = None
    """The thermistor, with `sensor: ntc`: its `ohm` and `beta`, or its coefficients `a`, `b` and `c`."""
    vane: VaneTrack | None = None
    """The vane's potentiometer, with `sensor: vane`."""
    potentiometer: PotentiometerTrack | None = None
    """The potentiometer of a vent, with `sensor: potentiometer`; its values are in %, 0 % closed."""
    wires: ResistanceWires | None = None
    """Its wires and terminals, for `ventproof wiring`."""

    @model_validator(mode="after")
    def _sensor_is_described(self) -> Self:
        for sensor, what, described in (
            ("ntc", "the thermistor", self.ntc),
            ("vane", "its potentiometer", self.vane),
            ("potentiometer", "its resistances", self.potentiometer),
        ):
            if (self.sensor == sensor) != (described is not None):
                raise ValueError(
                    f"`sensor: {sensor}` and a description of {what} below `{sensor}:` go together"
                )
        return self

    @property
    def unit(self) -> str:
        """Unit of the values that it carries."""
        kinds = {"vane": Dimension.DIRECTION, "potentiometer": Dimension.PERCENT}
        return canonical_symbol(kinds.get(self.sensor, Dimension.TEMPERATURE))


class SupplyOutput(LevelCommon):
    """The unit's own supply from a programmable source: a profile states its voltage. Its driver is given V."""

    kind: Literal["supply"]
    """`supply`: the voltage that the unit runs on."""
    limits: tuple[AnyQuantity, AnyQuantity]
    """Lowest and highest voltage that the unit may be given: nothing beyond is ever put."""
    wires: SupplyWires | None = None
    """Its wires and terminals, for `ventproof wiring`."""

    @property
    def carries(self) -> Dimension:
        """What the level is: a voltage."""
        return Dimension.VOLTAGE

    @property
    def unit(self) -> str:
        """Unit of the values that it takes."""
        return canonical_symbol(Dimension.VOLTAGE)


TerminalOutput = LevelOutput | ResistanceOutput | SupplyOutput
"""An output that puts a level on the unit's terminals."""

ValueOutput = RegisterOutput | TerminalOutput
"""An output that takes a number."""


def _output_kind(raw: Any) -> str:  # noqa: ANN401 - whatever the file holds
    kind = raw.get("kind", "contact") if isinstance(raw, dict) else getattr(raw, "kind", "contact")
    return kind if isinstance(kind, str) else "contact"


OutputSpec = Annotated[
    Annotated[ContactOutput, Tag("contact")]
    | Annotated[RegisterOutput, Tag("register")]
    | Annotated[LevelOutput, Tag("level")]
    | Annotated[ResistanceOutput, Tag("resistance")]
    | Annotated[SupplyOutput, Tag("supply")],
    By(_output_kind),
]


def safe_number(output: OutputSpec) -> float | None:
    """Return what a board holds for an output that is safe: 1 for a relay that is energised, or a level; or None."""
    if isinstance(output, ContactOutput):
        return float(output.safe != output.at_rest)
    return None if isinstance(output, RegisterOutput) else output.safe


AnySignal = Annotated[
    Annotated[SignalSpec, Tag("register")]
    | Annotated[PositionSignal, Tag("position")]
    | Annotated[PersonSignal, Tag("person")],
    By(signal_kind),
]


class BenchFile(FileModel):
    """A bench: buses, outputs, signals and, in process, the mock unit."""

    bench: Annotated[str, Field(min_length=1, max_length=120)]
    """Name of the bench, as shown on the record."""
    about: str = ""
    """What it is and where it is, for the readers of the record."""
    buses: dict[Name, BusSpec] = Field(default_factory=dict)
    """The Modbus buses, by name; none where people read everything."""
    outputs: Annotated[dict[Name, OutputSpec], Field(min_length=1)]
    """What the bench does to the unit, by name."""
    signals: Annotated[dict[Name, AnySignal], Field(min_length=1)]
    """What the bench reads from the unit, by name, the positions of its vents, and what people read."""
    people: dict[Name, PersonSpec] = Field(default_factory=dict)
    """Who does what is asked, with `driver: person`, and reads what is asked, with `read_by`; by name."""
    vents: dict[Name, VentSpec] = Field(default_factory=dict)
    """Vents that stand outside the unit: the bench follows them from the unit's drive outputs, or plays them."""
    boards: dict[Name, BoardSpec] = Field(default_factory=dict)
    """Boards whose outputs go safe by themselves when the bench falls silent, by name: a guard that outlives the
    computer."""
    equipment: Annotated[list[EquipmentSpec], Field(max_length=100)] = Field(default_factory=list)
    """What the bench is made of, for the record: instruments, boards and adapters, each with its serial number and the
    day until which its calibration holds."""
    heartbeat_limit: HeartbeatLimit = 2.0
    """Longest silence of a process of the run before the outputs are made safe. A harness that hangs leaves its stimuli
    on for this time. With a short limit a busy computer ends profiles; each run and self-check records the longest
    silence."""
    interlock: Interlock | None = None
    """What must be healthy while anything is driven."""
    mock: MockSettings | None = None
    """The mock unit's settings; with `link: in-process` only."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What a record says of it: the faults that it gives the mock unit."""
        faults = self.mock.faults if self.mock is not None else {}
        said = ", ".join(GivenFault(name, size).text for name, size in sorted(faults.items()))
        return (f"the mock unit was given faults: {said}",) if faults else ()

    @property
    def guards(self) -> tuple[str, ...]:
        """What a record says of what makes the outputs safe, beside the bench itself; of real wires."""
        by_hand, outputs = self.by_hand, self.outputs.items()
        terminals = [n for n, o in outputs if not isinstance(o, RegisterOutput) and n not in by_hand]
        guarded = {name: board for board in self.boards for name in self.outputs_on(board)}
        said = [
            f"board {board} makes {', '.join(self.outputs_on(board))} safe by itself "
            f"{spec.goes_safe_after:g} s after it was fed last"
            for board, spec in self.boards.items()
        ]
        alone = [name for name in terminals if name not in guarded]
        if alone and not self.virtual:
            said.append(
                f"only the line process and its standby make {', '.join(alone)} safe: nothing does if both are killed"
            )
        if by_hand:
            said.append(f"only people make {', '.join(by_hand)} safe, when they are asked")
        return tuple(said)

    def outputs_on(self, board: str) -> tuple[str, ...]:
        """Return the contacts and levels on a board; settings of a unit are not among them."""
        place = self.boards[board].bus, self.boards[board].unit_id
        return tuple(
            name
            for name, output in self.outputs.items()
            if not isinstance(output, RegisterOutput)
            and (output.wired.get("bus"), output.wired.get("unit_id", 1)) == place
        )

    @property
    def registers(self) -> dict[str, SignalSpec]:
        """The signals that are read from registers, by name."""
        return {name: signal for name, signal in self.signals.items() if isinstance(signal, SignalSpec)}

    @property
    def positions(self) -> dict[str, PositionSignal]:
        """The signals that are positions of the bench's vents, by name."""
        return {name: signal for name, signal in self.signals.items() if isinstance(signal, PositionSignal)}

    @property
    def told(self) -> dict[str, PersonSignal]:
        """The signals that people read, by name."""
        return {name: signal for name, signal in self.signals.items() if isinstance(signal, PersonSignal)}

    @property
    def by_hand(self) -> dict[str, OutputSpec]:
        """The outputs that are people's acts, by name."""
        return {name: output for name, output in self.outputs.items() if output.driver == PERSON}

    @property
    def played_outputs(self) -> dict[str, str]:
        """The vents that play outputs, by these outputs' names: nothing else may drive them."""
        return {
            output: name
            for name, vent in self.vents.items()
            if vent.plays is not None
            for output in vent.plays.outputs
        }

    def bus_of(self, signal: str) -> str:
        """Return the bus that a signal's evidence comes over: the vent's drive outputs' or the person that reads it."""
        spec = self.signals[signal]
        if isinstance(spec, SignalSpec | PersonSignal):
            return spec.bus if isinstance(spec, SignalSpec) else spec.read_by
        return self.registers[self.vents[spec.position_of].commanded_by[0]].bus

    def every_s(self, signal: str) -> float:
        """Return how often a signal can be read: as its bus is polled, or its person answers."""
        spec = self.signals[signal]
        if isinstance(spec, PersonSignal):
            return self.people[spec.read_by].answers_in
        return self.buses[self.bus_of(signal)].poll_every

    def traits(self, signal: str) -> SignalTraits:
        """Return what the judge needs to know of a signal."""
        spec = self.signals[signal]
        if isinstance(spec, SignalSpec | PersonSignal):
            return spec.traits(signal)
        vent = self.vents[spec.position_of]
        return vent.traits(signal, [self.traits(flag) for flag in vent.flags])

    @property
    def virtual(self) -> bool:
        """Whether this bench runs in virtual time, having nothing real on it."""
        if not self.buses:
            return self.mock is not None
        return all(isinstance(bus, InProcessBus) for bus in self.buses.values())
