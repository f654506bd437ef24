"""Driver `control-line`: a relay on the RTS or DTR line of a serial port."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.drivers.serial_ports import ControlLine, ControlPort, is_network
from ventproof_bench.yamlfile.fields import FileModel, PortName, Seconds

if TYPE_CHECKING:
    from ventproof_bench.base.evidence import Window


_LOCAL_EDGE_S: Final = 0.002  # a control transfer of a USB adapter takes a frame of 1 ms
_REMOTE_EDGE_S: Final = 0.12  # the client looks for the acknowledgement every 50 ms


class ControlLineOptions(FileModel):
    """`wired:` of driver `control-line`."""

    port: PortName
    """Device path, socket:// or rfc2217://; prefer the stable names below /dev/serial/by-id."""
    line: ControlLine
    """`rts` or `dtr`."""
    inverted: bool = False
    """The relay is energised while the line is off."""
    settle: Seconds = 0.2
    """Opening the port may move its lines for a moment; they are left alone this long afterwards."""


@final
class ControlLineContact:
    """A relay on one control line. The port is opened once: opening it again could move the relay unseen."""

    def __init__(self, name: str, options: ControlLineOptions, port: ControlPort) -> None:
        self.notes = [
            f"output {name}: opening {options.port} may have moved its relay for up to {options.settle:g} s"
        ]
        if options.inverted:
            self.notes.append(
                f"output {name}: its relay is energised once {options.port} is closed or loses power"
            )
        self._port = port
        self._line = options.line
        self._inverted = options.inverted
        self._settle_s = options.settle
        port.rest(options.line, asserted=options.inverted)

    async def open(self) -> None:
        """Open the port with its lines at rest."""
        await self._port.open(settle_s=self._settle_s)

    async def energise(self, on: bool) -> Window:  # noqa: FBT001 - a relay has two states
        """Set the line."""
        return await self._port.set(self._line, asserted=on != self._inverted)

    async def close(self) -> None:
        """Give up the port."""
        await self._port.close()


def _build(options: ControlLineOptions, wiring: Wiring) -> ControlLineContact:
    return ControlLineContact(wiring.name, options, wiring.ports.lines(options.port))


DRIVER: Final = Driver(
    name="control-line",
    kind="contact",
    clock="wall",
    about="A relay on the RTS or DTR line of a serial port.",
    options=ControlLineOptions,
    build=_build,
    fastest_edge_s=lambda options, _: _REMOTE_EDGE_S if is_network(options.port) else _LOCAL_EDGE_S,
    place=lambda options: f"line {options.line} of {options.port}",
)
