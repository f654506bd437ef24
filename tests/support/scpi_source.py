"""A mock source that speaks SCPI: a supply, a resistance or a current."""

from __future__ import annotations

from typing import TYPE_CHECKING, final

from ventproof_bench.mock.wires.scpi_instruments import Instrument

if TYPE_CHECKING:
    from collections.abc import Callable


@final
class ScpiSource(Instrument):
    """A source of one quantity, in its SCPI unit.

    Args:
        quantity: its word, such as `VOLTage`.
        most: the highest that it puts.
        at_terminals: told what is at the terminals whenever that changes; 0 while the output is off.
        step: what it rounds to.
    """

    def __init__(
        self, quantity: str, *, most: float, at_terminals: Callable[[float], None], step: float = 0.001
    ) -> None:
        self._most = most
        self._step = step
        self._at_terminals = at_terminals
        self._level = 0.0
        self._on = False
        actions: dict[str, Callable[[str], str | None]] = {
            "OUTPut": self._turn,
            "OUTPut?": lambda _: str(int(self._on)),
            "*RST": lambda _: self._turn("OFF"),
        }
        for form in (f"SOURce:{quantity}", quantity):
            actions |= {form: self._set, f"{form}?": lambda _: f"{self._level:+.6E}"}
        super().__init__("source", actions)

    def _set(self, argument: str) -> None:
        try:
            level = float(argument)
        except ValueError:
            self.error(-104, "Data type error")
            return
        if not 0 <= level <= self._most:
            self.error(-222, "Data out of range")
            return
        self._level = round(level / self._step) * self._step
        self._show()

    def _turn(self, argument: str) -> None:
        if argument.upper() not in {"ON", "OFF", "1", "0"}:
            self.error(-224, "Illegal parameter value")
            return
        self._on = argument.upper() in {"ON", "1"}
        self._show()

    def _show(self) -> None:
        self._at_terminals(self._level if self._on else 0.0)
