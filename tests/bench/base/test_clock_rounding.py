"""Virtual time never falls short of a deadline, so that whoever sleeps for what is left gets there."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ventproof_bench.base import clock as virtual
from ventproof_bench.base.clock import now_s, sleep_until

PATIENCE = 100
"""Sleeps for what is left until one instant: more of them are a livelock."""

spans_s = st.one_of(
    st.floats(0, 1e6),
    st.floats(0, 1e-8),
    st.builds(lambda whole, odd: whole + odd, st.integers(0, 10_000), st.floats(0, 1e-8)),
    st.builds(lambda parts, of: parts / of, st.integers(0, 1000), st.integers(1, 1000)),
)


async def sleep_what_is_left(deadline_s):
    """Sleep until an instant as the bench does where it can be put off, and return how often that took."""
    naps = 0
    while (left_s := deadline_s - now_s()) > 0:
        naps += 1
        assert naps < PATIENCE, f"{left_s!r} s are left and never pass"
        await asyncio.sleep(left_s)
    return naps


@example([4e-10])
@example([0.8000000002])
@example([1 / 3])
@example([0.1 + 0.2])
@given(st.lists(spans_s, min_size=1, max_size=8))
def test_any_sequence_of_sleeps_ends(spans):
    """Sleeping for what is left until an instant reaches it in one nap, however awkward the numbers."""

    async def main():
        return [await sleep_what_is_left(now_s() + span_s) for span_s in spans]

    assert max(virtual.run(main(), virtual=True)) <= 1


@example([[4e-10, 3e-10], [4e-10, 3e-10]])
@given(st.lists(st.lists(spans_s, min_size=1, max_size=5), min_size=2, max_size=5))
def test_sleepers_never_hold_each_other_up(sleepers):
    """Several tasks that sleep side by side each reach their instants, whichever of them is ready meanwhile."""

    async def sleeper(spans):
        for span_s in spans:
            await sleep_what_is_left(now_s() + span_s)

    async def main():
        await asyncio.gather(*map(sleeper, sleepers))
        return True

    assert virtual.run(main(), virtual=True)


@given(st.lists(spans_s, min_size=1, max_size=20))
def test_no_timer_fires_before_its_deadline(spans):
    """A timer sees a time that is its deadline or later, by less than a nanosecond, never earlier by anything."""

    async def main():
        loop, seen = asyncio.get_running_loop(), []
        for span_s in spans:
            due_s = loop.time() + span_s
            loop.call_at(due_s, lambda due_s=due_s: seen.append(loop.time() - due_s))
        await sleep_until(loop.time() + max(spans) + 1)
        return seen

    late_s = virtual.run(main(), virtual=True)
    assert len(late_s) == len(spans)
    assert all(0 <= late <= 1e-9 for late in late_s)


def test_the_last_day_before_the_horizon_is_reached():
    """After a year, when two floats are further apart than the real clock resolves, sleeps still end on time."""

    async def main():
        start_s = now_s()
        return [
            (await sleep_what_is_left(start_s + days * 86400.1), now_s() - start_s)
            for days in (365, 366, 399)
        ]

    naps, slept_s = zip(*virtual.run(main(), virtual=True), strict=True)
    assert naps == (1, 1, 1)
    assert slept_s == pytest.approx([days * 86400.1 for days in (365, 366, 399)], abs=1e-8)
