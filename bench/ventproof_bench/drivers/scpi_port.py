"""An instrument that speaks SCPI, over a port: commands that count once they are done without error.

Sources: IEEE 488.2, *IDN?, *CLS and *OPC?, program messages separated by semicolons, responses ended by a line feed;
SCPI-99 volume 2, SYSTem:ERRor?; all from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.errors import DriverError, Refusal

if TYPE_CHECKING:
    from ventproof_bench.base.evidence import Window
    from ventproof_bench.drivers.serial_ports import Port


OVERHEAD_S: Final = 0.005
"""An instrument parses and settles before it answers *OPC?."""
AROUND: Final = 60
"""Characters of *OPC?, SYSTem:ERRor?, the three answers and the terminators."""


def check_text(name: str, text: str, *, query: bool = False) -> None:
    """Refuse a command that cannot be sent, or a query that is none.

    Raises:
        ValueError: it is not printable ASCII, or its header does not end in ?.
    """
    if not text.isascii() or not text.isprintable():
        raise Refusal(f"`{name}` {text!r} must be printable ASCII", "the terminator is added", key=name)
    if query and not text.split("(", maxsplit=1)[0].rstrip().endswith("?"):
        raise Refusal(f"`{name}` {text!r} must be a query: a header that ends in ?", key=name)


@final
class ScpiPort:
    """One instrument on a port.

    Args:
        output: name of the output that asks, for messages.
        what: what the instrument is, for messages: `switch`, `source`.
        port: the port.
        within_s: how long it may take to answer.
    """

    def __init__(self, output: str, what: str, port: Port, within_s: float) -> None:
        self._who = f"output {output}: the {what} on {port.url}"
        self._port = port
        self._within_s = within_s

    async def open(self) -> None:
        """Open the port, have the instrument identify itself, and forget errors from before. Changes nothing."""
        await self._port.open()
        identity, _ = await self.query("*IDN?")
        if not identity:
            raise DriverError(f"{self._who} does not say what it is (*IDN?)")
        await self.query("*CLS;*OPC?")

    async def command(self, text: str) -> Window:
        """Have a command carried out; the window lasts until it is done.

        Raises:
            DriverError: it is not answered, or the instrument reports an error.
        """
        try:
            done, window = await self.query(f"{text};*OPC?")
        except DriverError as silent:
            raise DriverError(f"{silent}{await self._last_error()}") from silent
        if done != "1":
            raise DriverError(f"{self._who} answered {done!r} to *OPC?, not '1'")
        answer, _ = await self.query("SYSTem:ERRor?")
        if answer.split(",")[0].strip() not in ("0", "+0", "-0"):
            raise DriverError(f"{self._who} reports {answer}")
        return window

    async def query(self, text: str) -> tuple[str, Window]:
        """Return the answer to a query, and when it was asked and answered. Raises `DriverError` for silence."""
        try:
            heard, window = await self._port.ask(
                text.encode() + b"\n", done=lambda heard: heard.endswith(b"\n"), within_s=self._within_s
            )
        except TimeoutError as error:
            raise DriverError(f"{self._who} did not answer {text!r} within {self._within_s:g} s") from error
        return heard.decode("ascii", "replace").strip(), window

    def unlike(self, answer: str, query: str, expected: str) -> DriverError:
        """Return what an answer that is not as expected is told as."""
        return DriverError(f"{self._who} answered {answer!r} to {query!r}, not {expected}")

    async def close(self) -> None:
        """Give up the port."""
        await self._port.close()

    async def _last_error(self) -> str:
        """Return why the instrument was silent, where it says so."""
        try:
            answer, _ = await self.query("SYSTem:ERRor?")
        except DriverError:
            return ""
        return f"; it reports {answer}"
