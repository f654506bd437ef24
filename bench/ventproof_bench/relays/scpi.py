"""Driver `scpi`: a switch that speaks SCPI over a serial line or TCP.

Source: SCPI-99 volume 2, ROUTe subsystem (CLOSe, OPEN, CLOSe?).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Self, final

from pydantic import Field, model_validator

from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.drivers.scpi_port import AROUND, OVERHEAD_S, ScpiPort, check_text
from ventproof_bench.drivers.serial_ports import wire_time_s
from ventproof_bench.yamlfile.fields import FileModel, PortName, PositiveSeconds

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ventproof_bench.base.evidence import Window
    from ventproof_bench.benchfile.model import BusSpec
    from ventproof_bench.drivers.serial_ports import Port


class ScpiOptions(FileModel):
    """`wired:` of driver `scpi`."""

    port: PortName
    """Device path, rfc2217:// or socket://, such as socket://192.0.2.7:5025."""
    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 9600
    """Rate of a serial line; 8 data bits, no parity, 1 stop bit."""
    channel: Annotated[str | int, Field()] = 1
    """What stands in the channel list, such as 101."""
    close: str = "ROUTe:CLOSe (@{channel})"
    """Command that energises the relay."""
    open: str = "ROUTe:OPEN (@{channel})"
    """Command that releases it."""
    state: str = "ROUTe:CLOSe? (@{channel})"
    """Query that is answered with 1 while the relay is energised, and 0 while not."""
    reply_within: PositiveSeconds = 0.4
    """How long the switch may take to answer."""

    @model_validator(mode="after")
    def _can_be_sent(self) -> Self:
        for name in ("close", "open", "state"):
            check_text(name, self.text(name), query=name == "state")
        return self

    def text(self, name: str) -> str:
        """Return a command with the channel filled in."""
        text: str = getattr(self, name)
        return text.replace("{channel}", str(self.channel))


@final
class ScpiContact:
    """One channel of the switch. A command counts once it is done, without error, and reads back."""

    def __init__(self, name: str, options: ScpiOptions, port: Port) -> None:
        self._port = ScpiPort(name, "switch", port, options.reply_within)
        self._commands = {True: options.text("close"), False: options.text("open")}
        self._state = options.text("state")
        on_network = "://" in options.port
        self.look_s = wire_time_s(options.port, options.baud, AROUND) + OVERHEAD_S if on_network else None

    async def open(self) -> None:
        """Open the port and have the switch say what it is, and how its relay stands. Moves nothing."""
        await self._port.open()
        await self._check_state(None)

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        """Switch, wait for the operation to complete, then look at errors and state."""
        window = await self._port.command(self._commands[on])
        await self._check_state(on)
        return window

    async def is_on(self) -> bool:
        """Ask for the relay's state."""
        return await self._check_state(None)

    async def close(self) -> None:
        """Give up the port."""
        await self._port.close()

    async def _check_state(self, on: bool | None) -> bool:  # noqa: FBT001 - None for either
        answer, _ = await self._port.query(self._state)
        allowed = ("0", "1") if on is None else ("1" if on else "0",)
        if answer not in allowed:
            raise self._port.unlike(answer, self._state, " or ".join(allowed))
        return answer == "1"


def _fastest_edge_s(options: ScpiOptions, _: Mapping[str, BusSpec]) -> float:
    longest = max(len(options.text("close")), len(options.text("open"))) + len(options.text("state")) + AROUND
    return wire_time_s(options.port, options.baud, longest) + 3 * OVERHEAD_S


def _build(options: ScpiOptions, wiring: Wiring) -> ScpiContact:
    return ScpiContact(wiring.name, options, wiring.ports.port(options.port, options.baud))


DRIVER: Final = Driver(
    name="scpi",
    kind="contact",
    clock="wall",
    about="A channel of a switch that speaks SCPI over a serial line or TCP.",
    options=ScpiOptions,
    build=_build,
    reads_back=True,
    fastest_edge_s=_fastest_edge_s,
    place=lambda options: f"channel {options.channel} of the switch on {options.port}",
)
