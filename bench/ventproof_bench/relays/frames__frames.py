"""Driver `frames`: a relay board on a serial line that is spoken to in byte frames of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Self, final

from pydantic import Field, model_validator

from bench.drivers import Driver, Wiring
from bench.errors import DriverError, Refusal
from bench.fields import FileModel, PositiveSeconds
from bench.ports import wire_time_s
from bench.templates import Template

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.ports import Port
    from bench.samples import Window
    from bench.wiring import BusSpec

_OVERHEAD_S: Final = 0.001  # of the system and the board, beside the time on the wire


class FramesOptions(FileModel):
    """`wired:` of driver `frames`. Frames are templates of hex bytes, quoted ASCII and fields."""

    port: str
    """Device path or pyserial URL; prefer the stable names below /dev/serial/by-id."""
    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 9600
    """Rate of the line; 8 data bits, no parity, 1 stop bit."""
    channel: Annotated[int, Field(ge=0)] = 1
    """The board's number for this relay."""
    on: str
    """Frame that energises the relay, such as `55 {channel} 01 {sum8}`."""
    off: str
    """Frame that releases the relay."""
    reply: str | None = None
    """Frame with which the board answers both, where it does; {state} in it is 01 for on and 00 for off."""
    reply_within: PositiveSeconds = 0.3
    """How long the board may take to answer."""

    @model_validator(mode="after")
    def _can_be_rendered(self) -> Self:
        on, off = self.command(on=True), self.command(on=False)
        if on == off:
            raise ValueError("`on` and `off` are the same frame")
        if self.answer(on=True) == on or self.answer(on=False) == off:
            raise Refusal(
                "`reply` is the command itself, so an echo on the line would pass for the board",
                "leave it out",
            )
        return self

    def command(self, *, on: bool) -> bytes:
        """Return the frame that switches the relay."""
        return Template.parse(self.on if on else self.off).render(channel=self.channel, on=on)

    def answer(self, *, on: bool) -> bytes:
        """Return the frame that the board answers with; empty when it does not answer."""
        return (
            Template.parse(self.reply).render(channel=self.channel, on=on) if self.reply is not None else b""
        )


@final
class FramesContact:
    """One relay of the board."""

    def __init__(self, name: str, options: FramesOptions, port: Port) -> None:
        self._name = name
        self._port = port
        self._within_s = options.reply_within
        self._commands = {on: options.command(on=on) for on in (False, True)}
        self._answers = {on: options.answer(on=on) for on in (False, True)}
        self.notes: list[str] = []
        if options.reply is None:
            self.notes.append(
                f"output {name}: its board does not answer, so only the wiring proves that it switches"
            )

    async def open(self) -> None:
        """Open the port; the board has nothing to be asked that would not switch it."""
        await self._port.open()

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        """Send the frame and hear the answer, where one is declared."""
        command, expected = self._commands[on], self._answers[on]
        if not expected:
            return await self._port.send(command)
        try:
            heard, window = await self._port.ask(
                command, done=lambda heard: len(heard) >= len(expected), within_s=self._within_s
            )
        except TimeoutError as error:
            raise DriverError(
                f"output {self._name}: its board on {self._port.url} answered {error} within "
                f"{self._within_s:g} s, not {expected.hex(' ')}"
            ) from error
        if heard != expected:
            raise DriverError(
                f"output {self._name}: its board on {self._port.url} answered {heard.hex(' ')}, "
                f"not {expected.hex(' ')}"
            )
        return window

    async def close(self) -> None:
        """Give up the port."""
        await self._port.close()


def _fastest_edge_s(options: FramesOptions, _: Mapping[str, BusSpec]) -> float:
    longest = max(len(options.command(on=on)) + len(options.answer(on=on)) for on in (False, True))
    return wire_time_s(options.port, options.baud, longest) + _OVERHEAD_S


def _build(options: FramesOptions, wiring: Wiring) -> FramesContact:
    return FramesContact(wiring.name, options, wiring.ports.port(options.port, options.baud))


DRIVER: Final = Driver(
    name="frames",
    kind="contact",
    clock="wall",
    about="A relay board on a serial line, spoken to in byte frames that the bench file states.",
    options=FramesOptions,
    build=_build,
    fastest_edge_s=_fastest_edge_s,
    place=lambda options: f"channel {options.channel} of the board on {options.port}",
)
