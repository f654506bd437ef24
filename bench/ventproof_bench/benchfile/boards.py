"""Boards that go safe by themselves when the bench falls silent, what relays bear, and what must be healthy."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, Tag, model_validator
from pydantic import Discriminator as By

from ventproof_bench.base.errors import Refusal
from ventproof_bench.base.protocols import Table
from ventproof_bench.benchfile.signals import Address, Location, UnitId, ValueType
from ventproof_bench.yamlfile.fields import FileModel, Name, PositiveSeconds

FEEDS_A_TIMEOUT: Final = 4
"""A board is fed so many times in the time after which it goes safe."""

_HOLDS: Final = ("hold", "holds", "keep", "keeps", "last", "stay", "stays")


_HEARTBEATS_S: Final = (0.5, 10.0)
"""Shorter, and every busy moment is a loss; longer, and nobody would call the outputs guarded: our own judgement."""


def _heartbeat_limit(limit_s: float) -> float:
    if not _HEARTBEATS_S[0] <= limit_s <= _HEARTBEATS_S[1]:
        lowest, highest = _HEARTBEATS_S
        reason = f"a heartbeat limit of {limit_s:g} s"
        raise Refusal(reason, f"write one from {lowest * 1000:.0f} ms to {highest:g} s")
    return limit_s


HeartbeatLimit = Annotated[PositiveSeconds, AfterValidator(_heartbeat_limit)]
"""A silence after which a process counts as lost."""


class RelaySpec(FileModel):
    """What makes a contact, and how long it lasts; the ledger of relays is held against it."""

    kind: Literal["electromechanical", "solid-state"] = "electromechanical"
    """`electromechanical` wears with each operation; `solid-state` does not, but leaks: an input may take it for on."""
    life: Annotated[int, Field(ge=1)] | None = None
    """How many operations it lasts at the load that it switches, as its data sheet says."""
    fitted: str = ""
    """When it was fitted, or its number. A new value restarts the count of its operations."""

    @model_validator(mode="after")
    def _only_what_wears_has_a_life(self) -> Self:
        if self.kind == "solid-state" and self.life is not None:
            raise Refusal("a solid-state relay does not wear", "leave `life` out", key="life")
        return self


class ContactLimits(FileModel):
    """What no profile may do to a contact, whatever it says: refused before a run where that is known, and in a run."""

    operations_an_hour: Annotated[int, Field(ge=1)] | None = None
    """Largest number of closures in any hour, with those of earlier runs in the ledger (`relays.sqlite`)."""
    shortest_closed: PositiveSeconds | None = None
    """Shortest closure."""
    shortest_open: PositiveSeconds | None = None
    """Shortest open time between two closures."""
    longest_driven: PositiveSeconds | None = None
    """Longest time outside the `safe` state; after it the contact is made safe and the run is aborted."""


class Interlock(FileModel):
    """A signal that must be healthy before and while anything is driven: emergency stop, guard door."""

    signal: Name
    """The flag that is watched."""
    healthy: Literal[0, 1] = 1
    """Value of the signal while driving is allowed."""


class BoardPlace(FileModel):
    """Where something is on the board itself."""

    table: Table
    """`coil`, `discrete`, `input` or `holding`."""
    address: Address
    """Zero-based protocol address, as it goes over the wire."""

    @property
    def coding(self) -> dict[str, Any]:
        """How a value is coded there, in the words of a `Location`."""
        return {}


class BoardRegister(BoardPlace):
    """A register or bit of the board itself."""

    type: ValueType | None = None
    """How the value is coded; one bit in `coil` and `discrete` and with `bit`, `u16` elsewhere, unless stated."""
    scale: Annotated[float, Field(gt=0)] = 1.0
    """Value of one count: 0.1 turns register 20 into 2."""
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    """Bit within the register, 0 the least significant."""

    @property
    def coding(self) -> dict[str, Any]:
        """How the value is coded, in the words of a `Location`."""
        stated = {} if self.type is None else {"type": self.type}
        return {**stated, "scale": self.scale, "bit": self.bit}


class BoardWrite(BoardPlace):
    """Something that is written into a register or coil of the board."""

    write: Annotated[int, Field(ge=0, le=65535)] = 1
    """What is written there."""


def _feeding(raw: Any) -> str:  # noqa: ANN401 - whatever the file holds
    return "write" if isinstance(raw, dict | BoardWrite) else "any"


def _no_holding(raw: Any) -> Any:  # noqa: ANN401 - whatever the file holds
    if raw in _HOLDS:
        raise Refusal(
            f"{raw!r}: a board that holds its outputs when the host is gone protects no one",
            "set it to go to safe values (`safe`) or to switch off (`off`), or leave the board out here",
        )
    return raw


class BoardSpec(FileModel):
    """An I/O module or relay board on a bus whose outputs go safe by themselves when nobody talks to it any more."""

    bus: Name
    """Bus of the bench that the board hangs on."""
    unit_id: UnitId = 1
    """Modbus unit identifier (slave address) of the board."""
    goes_safe_after: PositiveSeconds
    """How long after it was fed last its outputs go safe."""
    set_at: BoardRegister | None = None
    """Where the board keeps that time, in seconds after its `scale`: it is written there and read back. Where it is
    set by switches on the board, leave this out."""
    tripped: BoardRegister | None = None
    """A bit or register that is not 0 once the board has gone safe by itself."""
    cleared_by: BoardWrite | None = None
    """What lets it take commands again after that."""
    fed_by: Annotated[
        Annotated[Literal["any request"], Tag("any")] | Annotated[BoardWrite, Tag("write")], By(_feeding)
    ] = "any request"
    """What tells it that somebody is there: `any request`, or a write of its own. The bench feeds it four times in
    `goes_safe_after`. Any other client that feeds the board keeps its outputs driven: let none talk to it."""
    then: Annotated[Literal["safe", "off"], BeforeValidator(_no_holding)]
    """What its outputs do then: go to its safe values (`safe`), or switch off (`off`). A board that holds them is
    refused."""
    safe_at: dict[Name, BoardRegister] = Field(default_factory=dict)
    """With `then: safe`: where the board keeps the safe value of each output: what the output declares as `safe` is
    written there and read back. Without it the board's own are taken to be right."""
    relay_life: Annotated[int, Field(ge=1)] | None = None
    """How many operations its relays last at the load that they switch; it stands on the report."""

    @model_validator(mode="after")
    def _keys_fit(self) -> Self:
        if self.then == "off" and self.safe_at:
            raise Refusal(
                "safe_at is for `then: safe`",
                "leave it out: outputs that switch off take no value",
                key="safe_at",
            )
        if self.cleared_by is not None and self.tripped is None:
            raise Refusal(
                "cleared_by without `tripped`", "say where the board tells that it tripped", key="cleared_by"
            )
        if self.asked is None and self.fed_by == "any request":
            raise Refusal("the request to feed the board is missing", "declare `tripped`, `set_at` or both")
        for key in ("set_at", "cleared_by", "fed_by"):
            _writable(key, getattr(self, key))
        for name, place in self.safe_at.items():
            _writable(f"safe_at of {name}", place, key="safe_at")
        return self

    @property
    def asked(self) -> BoardRegister | None:
        """What is read where any request feeds it."""
        return self.tripped or self.set_at

    @property
    def fed_every_s(self) -> float:
        """How often it is fed, seconds."""
        return self.goes_safe_after / FEEDS_A_TIMEOUT

    def place(self, where: BoardPlace) -> Location:
        """Return where something of the board is, and how it is coded."""
        return Location(
            bus=self.bus,
            unit_id=self.unit_id,
            table=where.table,
            address=where.address,
            address_is_on_wire=True,
            **where.coding,
        )


def _writable(what: str, where: object, *, key: str = "") -> None:
    if isinstance(where, BoardPlace) and where.table in ("input", "discrete"):
        reason = f"{what}: table {where.table!r} cannot be written"
        raise Refusal(reason, "use holding or coil", key=key or what)
