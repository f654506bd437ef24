"""Register map and its refresh (pure)."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Protocol, final, runtime_checkable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ventproof_bench.base.evidence import Foreseen
    from ventproof_bench.base.protocols import Table
    from ventproof_bench.mock.faults.behaviour import Behaviour


STEPS_PER_UNIT: Final = 10
"""Steps of the registers for wind, m/s, and rain, mm/h."""

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3
DEVICE_BUSY: Final = 6


class RefusedError(Exception):
    """A register bank refuses a request; `code` is the Modbus exception code that goes over the wire."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"Modbus exception {code}")


class SilentError(Exception):
    """A device without supply answers nothing at all."""


class RegisterBank(Protocol):
    """The tables of one device. Quantities are within the protocol's limits; the bank judges addresses.

    Reading and writing may also raise `SilentError`.
    """

    def read(self, table: Table, address: int, count: int, now_s: float) -> Sequence[int]:
        """Return `count` bits (0 or 1) or registers at loop time `now_s`. Raises `RefusedError`."""

    def write(self, table: Table, address: int, words: Sequence[int], now_s: float) -> None:
        """Write coils (0 or 1) or holding registers, all or none. Raises `RefusedError`."""


@runtime_checkable
class ForeseeingBank(RegisterBank, Protocol):
    """A device that may know for how long nothing changes that it shows."""

    @property
    def foreseen(self) -> Foreseen | None:
        """The time that goes on in which each read brings what it brought before in it; None: who knows."""


def span(values: Sequence[int], address: int, count: int) -> Sequence[int]:
    """Return `count` values from `address`; refuse with ILLEGAL ADDRESS when they are not all there."""
    if address + count > len(values):
        raise RefusedError(ILLEGAL_ADDRESS)
    return values[address : address + count]


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherReading:
    """What a unit with more weather than a rain contact reads of it; 0 for what it has no sensor for.

    Attributes:
        gust_m_per_s: wind over the gust window, m/s.
        mean_m_per_s: wind over the long window, m/s.
        wind_from_deg: where the wind comes from, degrees.
        outside_c: outside temperature, °C.
        tip_rate_mm_per_h: rain intensity, mm/h.
        tips: tips of the bucket, 32 bits.
    """

    gust_m_per_s: float = 0.0
    mean_m_per_s: float = 0.0
    wind_from_deg: float = 0.0
    outside_c: float = 0.0
    tip_rate_mm_per_h: float = 0.0
    tips: int = 0


@final
@dataclass(frozen=True, slots=True)
class Snapshot:
    """What the unit copies into its input registers at one refresh.

    Attributes:
        positions: position of each vent group, % open, in the order of the settings.
        temperature_c: house temperature, °C.
        count: rain counter, 32 bits.
        status: status bits, least significant first: of the rain the override, the contact after its debounce, the
            entry delay and the release delay; whether a vent moves. A unit with more weather goes on: the gale, frost
            and failure override, rain by tips; the failed outside and house thermometers, vane and wind sensor;
            whether the vents are run to their closed ends; and, if it has one, the failed supervised loop.
        stage: ventilation stage.
        weather: of a unit with more weather, else None.
        drive_alarms: of each vent outside the unit, in the order of the settings: whether a run was broken off, and
            whether what its feedback tells is not believed.
        rules: of each rule of its own, in the order of the settings, whether it is active.
    """

    positions: tuple[float, ...]
    temperature_c: float
    count: int
    status: tuple[bool, ...]
    stage: int
    weather: WeatherReading | None = None
    drive_alarms: tuple[tuple[bool, bool], ...] = ()
    rules: tuple[bool, ...] = ()

    @property
    def flags(self) -> tuple[bool, ...]:
        """The discrete inputs: status bits, of all drives broken-off runs, disbelieved feedback; then the rules."""
        alarms = (flag for flags in zip(*self.drive_alarms, strict=True) for flag in flags)
        return (*self.status, *alarms, *self.rules)


def input_registers(snapshot: Snapshot, behaviour: Behaviour) -> tuple[int, ...]:
    """Encode a snapshot.

    With n vent groups: 0 to n-1 positions (u16, 0.1 %), then house temperature (f32, °C), rain counter (u32),
    status word, ventilation stage (u16). A unit with more weather goes on: gust and mean wind (u16, 0.1 m/s),
    wind direction (u16, 1 degree), outside temperature (s16, 0.1 °C), rain intensity (u16, 0.1 mm/h), tip counter
    (u32). A unit with vents outside it goes on with two words, a bit a vent: broken-off runs, disbelieved feedback;
    one with rules of its own ends with a word, a bit a rule that is active.
    32-bit values are sent high word first.
    """
    scale = 10 * behaviour.position_scale_factor
    positions = [round(percent * scale) for percent in snapshot.positions]
    if behaviour.positions_exchanged and len(positions) > 1:
        positions[0], positions[1] = positions[1], positions[0]
    celsius = snapshot.temperature_c
    sent = celsius * 1.8 + 32 if behaviour.sends_fahrenheit else celsius
    (temperature,) = struct.unpack(">I", struct.pack(">f", sent))
    return (
        *(0,) * behaviour.address_shift,
        *positions,
        *_wide(temperature, behaviour),
        *_wide(snapshot.count, behaviour),
        _bits(snapshot.status),
        snapshot.stage,
        *(_weather(snapshot.weather, behaviour) if snapshot.weather else ()),
        *(_bits(alarms) for alarms in zip(*snapshot.drive_alarms, strict=True)),
        *((_bits(snapshot.rules),) if snapshot.rules else ()),
    )


def _bits(flags: Sequence[bool]) -> int:
    return sum(flag << i for i, flag in enumerate(flags))


def _weather(reading: WeatherReading, behaviour: Behaviour) -> tuple[int, ...]:
    outside_c = abs(reading.outside_c) if behaviour.sends_no_sign else reading.outside_c
    return (
        _tenths(reading.gust_m_per_s),
        _tenths(reading.mean_m_per_s),
        round(reading.wind_from_deg) % 360,
        min(0x7FFF, max(-0x8000, round(outside_c * 10))) & 0xFFFF,
        _tenths(reading.tip_rate_mm_per_h),
        *_wide(reading.tips, behaviour),
    )


def _tenths(value: float) -> int:
    return min(0xFFFF, max(0, round(value * STEPS_PER_UNIT)))


def _wide(value: int, behaviour: Behaviour) -> tuple[int, int]:
    high, low = value >> 16, value & 0xFFFF
    if behaviour.low_byte_first:
        high, low = (word >> 8 | (word & 0xFF) << 8 for word in (high, low))
    return (low, high) if behaviour.low_word_first else (high, low)


_GRID: Final = 1e-6  # of a refresh interval: instants on the refresh grid are not exact in binary
_DROPS_OUT_FOR: Final = 7  # refreshes: longer than the shipped bench says that a flag keeps a value


@final
class Display:
    """Refreshed at every whole multiple of an interval after power-up, or at every read where that is 0.

    Args:
        start_s: when the unit was powered up.
        refresh_s: the interval.
        behaviour: what is wrong with what is shown.
        look: returns what the process is at an instant; None without supply: what was shown is kept.

    Attributes:
        snapshot: what was copied last.
        words: the same as input registers.
    """

    def __init__(
        self,
        start_s: float,
        refresh_s: float,
        behaviour: Behaviour,
        look: Callable[[float], Snapshot | None],
    ) -> None:
        self._start_s = start_s
        self._refresh_s = refresh_s * behaviour.refresh_factor
        self._behaviour = behaviour
        self._look = look
        self._refreshes = 0
        self._frozen_percent: float | None = None
        self.snapshot = Snapshot((), 0.0, 0, (), 0)
        self.words: Sequence[int] = ()

    def before(self, at_s: float) -> None:
        """Catch up with the last instant that lies before `at_s`."""
        if self._refresh_s:
            self._catch_up(math.ceil((at_s - self._start_s) / self._refresh_s - _GRID) - 1)

    def until(self, at_s: float) -> None:
        """Catch up with the last instant up to and at `at_s`."""
        if self._refresh_s:
            self._catch_up(math.floor((at_s - self._start_s) / self._refresh_s + _GRID))
        else:
            self.copy(at_s)

    def copy(self, at_s: float) -> None:
        """Copy the process as it is at an instant."""
        snapshot = self._look(at_s)
        if snapshot is None:
            return
        snapshot = self._spoiled(snapshot)
        if snapshot != self.snapshot:
            self.snapshot = snapshot
            self.words = input_registers(snapshot, self._behaviour)

    def shows(self, at_s: float) -> bool:
        """Return whether it shows what there is at an instant, and will for as long as that stays."""
        snapshot = None if self._behaviour.flag_drops_every else self._look(at_s)
        if snapshot is None:
            return False
        now = self._spoiled(snapshot)
        return now == self.snapshot or (
            now.flags == self.snapshot.flags and input_registers(now, self._behaviour) == self.words
        )

    def _catch_up(self, refreshes: int) -> None:
        if refreshes > self._refreshes:
            self._refreshes = refreshes
            self.copy(self._start_s + refreshes * self._refresh_s)

    def _spoiled(self, snapshot: Snapshot) -> Snapshot:
        """Return what a unit of this behaviour copies."""
        behaviour = self._behaviour
        flag, contact, *others = snapshot.status
        if behaviour.flag_follows_contact:
            flag = contact
        drops = behaviour.flag_drops_every
        dropped = drops > 0 and self._refreshes % drops < _DROPS_OUT_FOR
        flag = flag != behaviour.flag_inverted and not behaviour.flag_stuck and not dropped
        first, *rest = snapshot.positions
        if behaviour.position_frozen:
            if self._frozen_percent is None:
                self._frozen_percent = first
            first = self._frozen_percent
        if (flag, first) == (snapshot.status[0], snapshot.positions[0]):
            return snapshot
        return replace(snapshot, positions=(first, *rest), status=(flag, contact, *others))
