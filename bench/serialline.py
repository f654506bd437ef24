"""How long Modbus takes on a serial line, by arithmetic (pure).

The formulas are those of MODBUS over Serial Line V1.02 (20 December 2006), sections 2.5.1 and 2.5.1.1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from bench.interfaces import ReadRequest

_BITS_OF_CHARACTER: Final = {"rtu": 11, "ascii": 10}  # start, 8 or 7 data, parity (or a second stop), stop
_FASTEST_COUNTED_BAUD: Final = 19200  # above this the silent interval no longer shrinks
_FIXED_SILENCE_S: Final = 1.75e-3

SerialFraming = Literal["rtu", "ascii"]


def character_time_s(baud: int, framing: SerialFraming = "rtu") -> float:
    """Return the time of one character in seconds: 11 bits in RTU, 10 in ASCII.

    Raises:
        ValueError: `baud` is not above zero.
    """
    if baud <= 0:
        raise ValueError(f"baud={baud!r} must be above zero")
    return _BITS_OF_CHARACTER[framing] / baud


def silent_interval_s(baud: int) -> float:
    """Return the silence that ends an RTU frame: 3.5 characters up to 19200 Bd, 1.75 ms above.

    Raises:
        ValueError: `baud` is not above zero.
    """
    return _FIXED_SILENCE_S if baud > _FASTEST_COUNTED_BAUD else 3.5 * character_time_s(baud)


def read_duration_s(request: ReadRequest, baud: int, framing: SerialFraming = "rtu") -> float:
    """Return the shortest time that `request` and its reply take, the unit's own time not counted.

    In seconds: request and reply on the wire, and in RTU the silent interval after each.

    Raises:
        ValueError: `baud` is not above zero.
    """
    data = (request.count + 7) // 8 if request.table in ("coil", "discrete") else 2 * request.count
    if framing == "rtu":
        asked, answered = (
            8,
            5 + data,
        )  # unit, function, address, count, CRC; unit, function, length, data, CRC
        return (asked + answered) * character_time_s(baud) + 2 * silent_interval_s(baud)
    asked, answered = 17, 11 + 2 * data  # a colon, two characters a byte with the LRC, CR LF
    return (asked + answered) * character_time_s(baud, framing)
