"""Driver `scpi-level`: a source that speaks SCPI puts a voltage, a current or a resistance on the unit's terminals.

Sources, from memory: SCPI-99 volume 2, SOURce subsystem (VOLTage, CURRent, RESistance) and OUTPut; its units are V,
A and ohm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Self, final

from pydantic import Field, model_validator

from ventproof_bench.base.quantities import Dimension
from ventproof_bench.benchfile.model import ContactOutput, RegisterOutput
from ventproof_bench.drivers.driver import Driver, Wiring
from ventproof_bench.drivers.scpi_port import ScpiPort, check_text
from ventproof_bench.yamlfile.fields import FileModel, PortName, PositiveSeconds

if TYPE_CHECKING:
    from ventproof_bench.base.evidence import Window
    from ventproof_bench.drivers.serial_ports import Port


_WORDS: Final = {
    Dimension.VOLTAGE: "VOLTage",
    Dimension.CURRENT: "CURRent",
    Dimension.RESISTANCE: "RESistance",
}
_MA_IN_A: Final = 1000.0


class ScpiLevelOptions(FileModel):
    """`wired:` of driver `scpi-level`."""

    port: PortName
    """Device path, rfc2217:// or socket://, such as socket://192.0.2.7:5025."""
    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 9600
    """Rate of a serial line; 8 data bits, no parity, 1 stop bit."""
    channel: str | int = 1
    """What replaces {channel} in the commands, for a source with several outputs."""
    set: str = "SOURce:{quantity} {value}"
    """Command that sets the level: {quantity} is VOLTage, CURRent or RESistance, as the output is, {value} the number
    in V, A or ohm."""
    read: str = "SOURce:{quantity}?"
    """Query that is answered with the level: as it was set, or as measured (`MEASure:{quantity}?`)."""
    turn_on: str = "OUTPut ON"
    """Command after each `set` that has the level at the terminals; empty where none is needed."""
    decimals: Annotated[int, Field(ge=0, le=9)] = 3
    """Decimals of the number that is sent, in V, A or ohm."""
    off_by: Annotated[float, Field(gt=0)] = 0.01
    """How far what is read may be from what was set, in V, mA or ohm: more is an error."""
    reply_within: PositiveSeconds = 1.0
    """How long the source may take to answer; until then it has settled."""

    @model_validator(mode="after")
    def _can_be_sent(self) -> Self:
        for name in ("set", "read", "turn_on"):
            check_text(name, getattr(self, name), query=name == "read")
        if "{value}" not in self.set:
            raise ValueError(f"`set` {self.set!r} has no place for the number: write {{value}} where it goes")
        return self


@final
class ScpiLevel:
    """One output of the source. A level counts once it is set, without error, and reads back."""

    def __init__(self, name: str, options: ScpiLevelOptions, carries: Dimension, port: Port) -> None:
        self._port = ScpiPort(name, "source", port, options.reply_within)
        self._options = options
        self._word = _WORDS[carries]
        self._factor = _MA_IN_A if carries is Dimension.CURRENT else 1.0

    async def open(self) -> None:
        """Open the port and have the source say what it is, and what it is set to. Puts nothing."""
        await self._port.open()
        await self._read()

    async def put(self, value: float) -> Window:
        """Set a level in V, mA or ohm, have it at the terminals, and read it back.

        Raises:
            DriverError: nothing proves that it is there.
        """
        options = self._options
        number = f"{value / self._factor:.{options.decimals}f}"
        command = self._text(options.set).replace("{value}", number)
        if options.turn_on:
            command += f";:{self._text(options.turn_on)}"
        window = await self._port.command(command)
        found, answer = await self._read()
        if abs(found - value) > options.off_by:
            raise self._port.unlike(answer, self._text(options.read), f"{number} as it was set")
        return window

    async def close(self) -> None:
        """Give up the port."""
        await self._port.close()

    async def _read(self) -> tuple[float, str]:
        query = self._text(self._options.read)
        answer, _ = await self._port.query(query)
        try:
            return float(answer) * self._factor, answer
        except ValueError:
            raise self._port.unlike(answer, query, "a number") from None

    def _text(self, command: str) -> str:
        return command.replace("{quantity}", self._word).replace("{channel}", str(self._options.channel))


def _build(options: ScpiLevelOptions, wiring: Wiring) -> ScpiLevel:
    output = wiring.output
    assert not isinstance(output, ContactOutput | RegisterOutput), "a driver of levels serves no other kind"
    port = wiring.ports.port(options.port, options.baud)
    return ScpiLevel(wiring.name, options, output.carries, port)


DRIVER: Final = Driver(
    name="scpi-level",
    kind="level",
    clock="wall",
    about="A source of voltage, current or resistance that speaks SCPI over a serial line or TCP; it reads back.",
    options=ScpiLevelOptions,
    build=_build,
    reads_back=True,
    place=lambda options: f"output {options.channel} of the source on {options.port}",
)
