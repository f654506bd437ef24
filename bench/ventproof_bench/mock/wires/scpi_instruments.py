"""Mock instruments that speak a useful part of SCPI, short and long forms: a switch, and what others are made of.

Sources: SCPI-99 volume 1, 6.2.1 (short and long forms) and volume 2, 21.8 (error numbers and texts); IEEE 488.2 (common
commands, program messages separated by semicolons, responses ended by a line feed); all from memory.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.mock.wires.relay_boards import Relays

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from ventproof_bench.mock.wires.relay_boards import Switches

    Actions = Mapping[str, Callable[[str], str | None]]
    """What an instrument does for each command, in SCPI's notation."""


_QUEUE: Final = 10


class Instrument:
    """Takes lines, carries out their commands and answers their queries; a `base.protocols.Peer`.

    Args:
        what: what it calls itself.
        actions: what it does for each command, in SCPI's notation.
    """

    def __init__(self, what: str, actions: Actions) -> None:
        self._errors: list[str] = []
        self._heard = b""
        self._actions: Actions = {
            "*IDN?": lambda _: f"ventproof,mock {what},0,1",
            "*OPC?": lambda _: "1",
            "*CLS": lambda _: self._errors.clear(),
            "SYSTem:ERRor?": lambda _: self._next_error(),
            "SYSTem:ERRor:NEXT?": lambda _: self._next_error(),
            **actions,
        }

    def exchange(self, data: bytes, now_s: float) -> Sequence[tuple[float, bytes]]:  # noqa: ARG002 - the protocol
        """Take bytes; carry out every whole line, and answer its queries in one line."""
        *lines, self._heard = (self._heard + data).split(b"\n")
        replies = []
        for line in lines:
            answers = [self._do(message.strip()) for message in line.decode("ascii", "replace").split(";")]
            if said := [answer for answer in answers if answer is not None]:
                replies.append((0.0, ";".join(said).encode() + b"\n"))
        return replies

    def _do(self, message: str) -> str | None:
        header, _, argument = message.partition(" ")
        for notation, action in self._actions.items():
            if _matches(header, notation):
                return action(argument.strip())
        if message:
            self.error(-113, "Undefined header")
        return None

    def error(self, number: int, text: str) -> None:
        """Queue an error."""
        if len(self._errors) < _QUEUE:
            self._errors.append(f'{number},"{text}"')
        else:
            self._errors[-1] = '-350,"Queue overflow"'

    def _next_error(self) -> str:
        """Return the oldest error, and forget it."""
        return self._errors.pop(0) if self._errors else '0,"No error"'


@final
class ScpiBoard(Instrument):
    """A switch with a relay for each channel."""

    def __init__(self, switches: Switches) -> None:
        self._relays = Relays(switches)
        super().__init__(
            "switch",
            {
                "*RST": lambda _: self._reset(),
                "ROUTe:CLOSe": lambda channels: self._switch(channels, closed=True),
                "ROUTe:OPEN": lambda channels: self._switch(channels, closed=False),
                "ROUTe:OPEN:ALL": lambda _: self._reset(),
                "ROUTe:CLOSe?": self._state,
                "ROUTe:CLOSe:STATe?": lambda _: self._closed_list(),
            },
        )

    def _channels(self, argument: str) -> list[int]:
        """Return the channels of a list such as (@1,3:4); of a bad one nothing, and an error is queued."""
        if not argument:
            self.error(-109, "Missing parameter")
            return []
        listed = re.fullmatch(r"\(@(\d+(?::\d+)?(?:,\d+(?::\d+)?)*)\)", argument.replace(" ", ""))
        if listed is None:
            self.error(-102, "Syntax error")
            return []
        channels: list[int] = []
        for part in listed[1].split(","):
            first, _, last = part.partition(":")
            channels += range(int(first), int(last or first) + 1)
        if not set(channels) <= set(self._relays.closed):
            self.error(-222, "Data out of range")
            return []
        return channels

    def _switch(self, argument: str, *, closed: bool) -> None:
        for channel in self._channels(argument):
            self._relays.put(channel, closed=closed)

    def _state(self, argument: str) -> str | None:
        """Return 1 or 0 for every listed channel."""
        channels = self._channels(argument)
        return ",".join(str(int(self._relays.closed[c])) for c in channels) if channels else None

    def _closed_list(self) -> str:
        return f"(@{','.join(str(c) for c, closed in self._relays.closed.items() if closed)})"

    def _reset(self) -> None:
        """Open every channel."""
        for channel in self._relays.closed:
            self._relays.put(channel, closed=False)


def _matches(header: str, notation: str) -> bool:
    """Whether a header means a command in SCPI's notation: ROUTe:CLOSe? is ROUT:CLOS? and route:close?."""
    words, known = header.upper().removeprefix(":").split(":"), notation.split(":")
    return len(words) == len(known) and all(
        word in (k.upper(), re.sub("[a-z]", "", k)) for word, k in zip(words, known, strict=True)
    )
