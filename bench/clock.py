"""The only reader of time. Everything else asks the running asyncio loop, through here."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime


def now_s() -> float:
    """Return the running loop's time in seconds; on a virtual loop this is virtual time."""
    return asyncio.get_running_loop().time()


def utc_now() -> datetime:
    """Return the date and time of day for the record's header; never used to measure."""
    return datetime.now(UTC)


async def sleep_until(deadline_s: float) -> None:
    """Sleep until the loop's time is `deadline_s`; returns at once when that has passed."""
    await asyncio.sleep(max(0.0, deadline_s - now_s()))


def spin_until(deadline_s: float) -> None:
    """Busy-wait to `deadline_s` of CLOCK_MONOTONIC; for the last fraction of a millisecond before an edge."""
    while time.monotonic() < deadline_s:
        pass
