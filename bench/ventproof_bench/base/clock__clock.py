"""The only reader of time. Everything else asks the running asyncio loop, through here."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime
from typing import Final

_SAME_MOMENT_S: Final = 0.01


def now_s() -> float:
    """Return the running loop's time in seconds; on a virtual loop this is virtual time."""
    return asyncio.get_running_loop().time()


def utc_now() -> datetime:
    """Return the date and time of day for the record's header; never used to measure."""
    return datetime.now(UTC)


class Awake:
    """Notices when the computer slept: the loop's clock stands still meanwhile, and vents move on unseen.

    Made where the watching begins, on the ordinary loop.
    """

    def __init__(self) -> None:
        self._before_s = _suspended_s()

    def slept_s(self) -> float:
        """Return how long the computer has slept since; 0 where the system does not tell."""
        return max(0.0, _suspended_s() - self._before_s)


def _suspended_s() -> float:
    """Return by how much CLOCK_BOOTTIME, which runs on through a sleep, is ahead of CLOCK_MONOTONIC, which does not."""
    if not hasattr(time, "CLOCK_BOOTTIME"):
        return 0.0
    while True:
        before_s = time.monotonic()
        boot_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        after_s = time.monotonic()
        if after_s - before_s < _SAME_MOMENT_S:  # otherwise something else ran in between
            return boot_s - after_s


async def sleep_until(deadline_s: float) -> None:
    """Sleep until the loop's time is `deadline_s`; returns at once when that has passed."""
    await asyncio.sleep(max(0.0, deadline_s - now_s()))


def spin_until(deadline_s: float) -> None:
    """Busy-wait to `deadline_s` of CLOCK_MONOTONIC; for the last fraction of a millisecond before an edge."""
    while time.monotonic() < deadline_s:
        pass


class Stopwatch:
    """Tells how long a person has been waiting since it was made, whatever the loops' times do meanwhile."""

    def __init__(self) -> None:
        self._began_s = time.monotonic()

    def gone_s(self) -> float:
        """Return how long ago it was made, seconds."""
        return time.monotonic() - self._began_s
