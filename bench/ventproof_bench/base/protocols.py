"""The small protocols between the bench's parts, and from the bench to whoever drives it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, NoReturn, Protocol, final, runtime_checkable

from ventproof_bench.base.asking import PersonAnswer, Prompt
from ventproof_bench.base.edges import Edge
from ventproof_bench.base.errors import BenchError
from ventproof_bench.base.evidence import (
    BoardStarved,
    DrivenOutput,
    EdgeReport,
    Foreseen,
    FoundSetting,
    Gap,
    Poll,
    Window,
)

Table = Literal["coil", "discrete", "input", "holding"]


@final
@dataclass(frozen=True, slots=True)
class ReadRequest:
    """One Modbus read: `count` bits or registers of `table` from the zero-based protocol `address`."""

    unit_id: int
    table: Table
    address: int
    count: int


@final
@dataclass(frozen=True, slots=True)
class BusUse:
    """What an output does on a bus: it writes `count` coils or registers of `table`, and then reads them back."""

    bus: str
    table: Literal["coil", "holding"]
    count: int


class Reply(NamedTuple):
    """What one transaction brought back. Bits come as 0 or 1. The unit acted between the two times (loop time, s)."""

    words: tuple[int, ...]
    requested_s: float
    replied_s: float


class Bus(Protocol):
    """One Modbus bus: one transaction at a time, writes (stimuli) ahead of waiting reads (polls).

    Every call either returns what belongs to its own request or raises `BusFault`; never a value of another request.
    """

    async def open(self) -> None:
        """Connect. Raises `LinkError` when the port or host cannot be opened."""

    async def close(self) -> None:
        """Disconnect; safe to call twice."""

    async def read(self, request: ReadRequest) -> Reply:
        """Read once, without a hidden retry."""

    async def write(
        self, unit_id: int, table: Literal["coil", "holding"], address: int, words: Sequence[int]
    ) -> Reply:
        """Write coils (0 or 1) or holding registers, ahead of waiting reads; `words` of the reply is empty."""


class QuietBus(Bus, Protocol):
    """A bus that this process owns, so that it can keep it silent.

    Attributes:
        silence: while it is held nothing is sent; whoever gets it waits for the transaction under way.
    """

    silence: AbstractAsyncContextManager[None]


class Contact(Protocol):
    """Something that opens and closes two wires. One driver module implements it for one kind of hardware.

    Drivers know only their coil: `energise(True)` drives the relay. What the contact then does (normally open or
    closed), how long it takes and how long it bounces is the bench file's, applied by the package outputs.
    """

    async def open(self) -> None:
        """Open the port and prove that the hardware answers, where it can answer. Must not move the relay."""

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        """Drive the relay; returns [command left, acknowledged or bytes on the wire]. Raises `DriverError`."""

    async def close(self) -> None:
        """Let go of the port; safe to call twice."""


class Level(Protocol):
    """Something that takes a number: a register, or a level at terminals."""

    async def open(self) -> None:
        """Open the port."""

    async def put(self, value: float) -> Window:
        """Set the value, in the output's unit or as mA, V or ohm; returns [command left, acknowledged].

        Raises `DriverError`.
        """

    async def close(self) -> None:
        """Let go of the port; safe to call twice."""


@runtime_checkable
class SettingDriver(Level, Protocol):
    """A level that lives in the unit's own registers: what it was is read before it is written, and can be put back."""

    def coded(self, value: float) -> tuple[int, ...]:
        """Return the registers that stand for a value. Raises `DriverError` for one that they cannot hold."""

    def value(self, words: Sequence[int]) -> float | None:
        """Return what registers stand for; None when that is no number."""

    async def read(self) -> Reply:
        """Read the registers. Raises `BusFault`."""

    async def write(self, words: Sequence[int]) -> Window:
        """Write the registers and read them back. Raises `DriverError`, as `put` does."""


VentPart = Literal["drive", "closed_switch", "open_switch", "position"]
"""What can fail of a vent that is played: its drive, its switches, its potentiometer."""

PartCondition = Mapping[str, Any]
"""What has befallen a part of a vent, by the fields of its condition, as numbers and words that can travel."""

EvidenceSink = Callable[[Poll | Gap], None]
"""Where a poller puts what it saw, as it sees it."""


class Outputs(Protocol):
    """All outputs of a bench, by name: in this process on a virtual clock, in the line process on real wires.

    Attributes:
        tell: takes what was found of the unit's settings and what was driven of the bench's own accord, as it happens.
        broke: takes why the run cannot go on, as it happens: a link was lost, or the process that drives.
    """

    tell: Callable[[FoundSetting | DrivenOutput], None]
    broke: Callable[[BenchError], None]

    @property
    def longest_silence_s(self) -> float:
        """How long the process that drives heard nothing of this one at most; known once closed, 0 where it is this."""

    @property
    def driven(self) -> bool:
        """Whether an output was commanded, or may have been."""

    @property
    def notes(self) -> Sequence[str]:
        """What the record should say of the outputs; complete once they are open."""

    @property
    def lost(self) -> str | None:
        """Why nobody drives or guards the outputs any more; None while somebody does."""

    @property
    def shared(self) -> bool:
        """Whether others could move a relay of the bench, over a network, or its board; known once they are open."""

    async def open(self) -> None:
        """Open every port, read the unit's settings, and drive contacts and levels to their safe states."""

    async def contact(self, name: str, *, closed: bool) -> Window:
        """Make a contact closed or open now; the window holds the electrical edge, bounce included."""

    async def train(self, name: str, edges: Sequence[Edge], *, start_s: float) -> list[EdgeReport]:
        """Play edges at `start_s + edge.at_s` (absolute deadlines); returns when the last one is out.

        Outputs play beside each other; trains asked for on one output play one after the other.
        """

    async def stop(self, name: str, *, from_s: float | None = None) -> None:
        """End the trains of an output within one pulse, or at an instant; they return what they played."""

    async def level(self, name: str, value: float) -> Window:
        """Set a level output, or a setting of the unit, which is read first. Raises `DriverError`."""

    async def look(self) -> None:
        """Look whether the relays that others or their board could move are as they were left. Raises `DriverError`."""

    async def starve(self, board: str, contact: str | None) -> BoardStarved:
        """Close or open a contact away from its safe state, feed its board no longer, and see it go safe by itself.

        Nothing else is sent on the board's bus meanwhile if any request feeds it.
        """

    async def play(self, sink: EvidenceSink) -> NoReturn:
        """Play the bench's vents: read what commands them, over and over, and play back where they stand.

        Nobody else reads the buses that command them: `sink` takes all that is read there, and the positions as they
        were played. Raises `BenchError` when the drives' commands were not read, or nothing was played, for too long.
        """

    async def condition(self, vent: str, parts: Mapping[VentPart, PartCondition]) -> Window:
        """Set what has befallen parts of a vent that is played, in place of what had before; an empty one is healthy.

        The window holds the instant from which on it is so. Raises `DriverError`.
        """

    async def make_safe(self, *, vents_play_on: bool = False, patience_s: float = 0.0) -> None:
        """Drive contacts and levels to their safe states, then put back the settings that were written.

        Vents are played no more from then on, unless they `vents_play_on`, and then their outputs are left to them.
        What fails is tried again, over links that are brought back, until `patience_s` is over.
        Tries every one, then raises the first `DriverError`.
        """

    async def close(self) -> None:
        """Make safe and let go of every port; safe to call twice."""


class Asker(Protocol):
    """Carries questions to people."""

    async def ask(self, prompt: Prompt) -> PersonAnswer:
        """Show a prompt and wait for its answer. Raises `TimeoutError` after `prompt.within_s`."""


class Peer(Protocol):
    """The far end of an in-process bus: takes the bytes of a request, gives the bytes of replies with their delays."""

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:
        """Return `(delay_s, bytes)` for every reply, in order; empty when the unit stays silent."""


@runtime_checkable
class ForeseeingPeer(Peer, Protocol):
    """A far end that may say beforehand when it will answer a read as before."""

    def foreseen(self, unit_id: int) -> Foreseen | None:
        """Return the time that goes on in which a device answers as before; None: who knows what it answers."""

    def reply_s(self, now_s: float) -> float:
        """Return when the reply to a request at loop time `now_s` will be there."""

    def repeat(self, foreseen: Foreseen, now_s: float) -> None:
        """Take it that a read was asked, and answered as before."""


class MockInputs(Protocol):
    """The terminals of the mock unit, as the mock drivers see them."""

    def set_contact(self, name: str, now_s: float, *, closed: bool) -> None:
        """Open or close the contact wired to the input `name` at loop time `now_s`."""

    def set_level(self, name: str, now_s: float, value: float) -> None:
        """Put a level, in mA or ohm as the sensor's type says, on the input `name` at loop time `now_s`."""
