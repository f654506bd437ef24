"""What of a unit was ever moved: where that is nothing that a fault waits for, the fault made no difference (pure)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.mock.sensor import Sensor

_OTHER_C: Final = 0.5
_LONG_S: Final = 3600.0
_SILENT_S: Final = 60.0


@final
class Touched:
    """Notes what is moved from power-up on.

    Args:
        start_s: power-up, loop time.
        sensors: the analogue inputs as they are then.
    """

    __slots__ = ("_asked_s", "_first", "_start_s", "names")

    def __init__(self, start_s: float, sensors: Mapping[str, Sensor]) -> None:
        self.names: set[str] = set()
        self._start_s = self._asked_s = start_s
        self._first = {name: sensor.value for name, sensor in sensors.items()}

    def contact(self, name: str, *, changed: bool) -> None:
        """Take what is at a contact input."""
        if changed:
            self.names.add(name)

    def level(self, name: str, sensor: Sensor | None) -> None:
        """Take that a level was put on an input, and its sensor; None while the unit has no supply."""
        if sensor is None or sensor.failure.input:
            self.names.add("implausible")
        if sensor is None or abs(sensor.value - self._first[name]) > _OTHER_C:
            self.names.add(name)

    def asked(self, now_s: float) -> None:
        """Take a request over the bus."""
        if now_s - self._start_s > _LONG_S or now_s - self._asked_s > _SILENT_S:
            self.names.add("time")
        self._asked_s = now_s
