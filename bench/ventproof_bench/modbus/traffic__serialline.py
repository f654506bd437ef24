"""How long Modbus takes on a serial line, by arithmetic (pure).

The formulas are those of MODBUS over Serial Line V1.02 (20 December 2006), sections 2.5.1 and 2.5.1.1.
"""

from __future__ import annotations

from typing import Final

_BITS_OF_CHARACTER: Final = 11  # start, 8 data, parity (or a second stop), stop
_FASTEST_COUNTED_BAUD: Final = 19200  # above this the silent interval no longer shrinks
_FIXED_SILENCE_S: Final = 1.75e-3


def character_time_s(baud: int) -> float:
    """Return the time of one RTU character in seconds.

    Raises:
        ValueError: `baud` is not above zero.
    """
    if baud <= 0:
        raise ValueError(f"baud={baud!r} must be above zero")
    return _BITS_OF_CHARACTER / baud


def silent_interval_s(baud: int) -> float:
    """Return the silence that ends an RTU frame: 3.5 characters up to 19200 Bd, 1.75 ms above.

    Raises:
        ValueError: `baud` is not above zero.
    """
    return _FIXED_SILENCE_S if baud > _FASTEST_COUNTED_BAUD else 3.5 * character_time_s(baud)
