"""The contract with asyncio's loop and its selector: what virtual time must do on every supported Python."""

from __future__ import annotations

import asyncio
import signal
import socket
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ventproof_bench.base import clock as virtual
from ventproof_bench.base.clock import ORIGIN_S, VirtualTimeError, leap, now_s, sleep_until


def in_virtual_time(coroutine):
    return virtual.run(coroutine, virtual=True)


def test_time_starts_at_a_strange_origin():
    """Two clocks mixed up show at once, because virtual time starts far from zero."""

    async def main():
        return now_s()

    assert in_virtual_time(main()) == ORIGIN_S


def test_a_sleep_takes_exactly_its_time():
    """A hundred thousand sleeps of 0.1 s end at exactly 10 000 s: time jumps to deadlines, it is never added up."""

    async def main():
        start = now_s()
        for index in range(1, 100_001):
            await sleep_until(start + index * 0.1)
        return now_s() - start

    assert in_virtual_time(main()) == 10_000.0


def test_equal_deadlines_fire_in_the_order_they_were_set():
    """Timers at the same instant fire first come first served, even when float noise tells them apart."""

    async def main():
        fired = []
        loop = asyncio.get_running_loop()
        start = loop.time()
        loop.call_at(start + 0.1 + 0.2, fired.append, "written as a sum")
        loop.call_at(start + 0.3, fired.append, "written plainly")
        for number in range(12):
            loop.call_at(start + 0.5, fired.append, number)
        await asyncio.sleep(1)
        return fired

    assert in_virtual_time(main()) == ["written as a sum", "written plainly", *range(12)]


@given(st.lists(st.floats(0, 1e5), min_size=1, max_size=30))
def test_timers_fire_in_time_order(delays):
    """Whatever the delays, time never runs backwards and every timer fires at its own time."""

    async def main():
        seen = []
        loop = asyncio.get_running_loop()
        for delay in delays:
            due = loop.time() + delay
            loop.call_later(delay, lambda due=due: seen.append((loop.time(), due)))
        await asyncio.sleep(max(delays) + 1)
        return seen

    seen = in_virtual_time(main())
    assert len(seen) == len(delays)
    assert all(earlier[0] <= later[0] for earlier, later in pairwise(seen))
    assert all(at == pytest.approx(due, abs=1e-8) for at, due in seen)


def test_a_timeout_fires_in_virtual_time():
    """`wait_for` gives up after its virtual seconds, at once in real time."""

    async def main():
        start = now_s()
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(asyncio.get_running_loop().create_future(), timeout=3600)
        return now_s() - start

    assert in_virtual_time(main()) == 3600


def test_three_idle_days_pass_at_once():
    """A sleep longer than the day that asyncio at most waits for in one go ends on time."""

    async def main():
        start = now_s()
        await asyncio.sleep(3 * 86400)
        return now_s() - start

    assert in_virtual_time(main()) == 3 * 86400


def test_nothing_to_wait_for_is_said_instead_of_hanging():
    """A future that nobody will ever set ends the run with a reason."""

    async def main():
        await asyncio.get_running_loop().create_future()

    with pytest.raises(VirtualTimeError, match=r"^nothing can wake the virtual clock at 0\.000 s$"):
        in_virtual_time(main())


def test_a_task_that_never_sleeps_is_found():
    """A busy loop would stop virtual time for ever; it is reported as such."""

    async def main():
        while True:
            await asyncio.sleep(0)

    loop = virtual.VirtualLoop(longest_stall=1000)
    busy = loop.create_task(main())
    with pytest.raises(
        VirtualTimeError, match=r"^virtual time stands still at 0\.000 s: a task never sleeps$"
    ):
        loop.run_until_complete(busy)
    busy.cancel()
    loop.run_until_complete(asyncio.gather(busy, return_exceptions=True))
    loop.close()


def test_an_endless_run_meets_the_horizon():
    """A task that only ever sleeps ends at the horizon."""

    async def main():
        while True:
            await asyncio.sleep(60)

    with pytest.raises(VirtualTimeError, match=r"^virtual time passed its horizon of 3600 s$"):
        virtual.run(main(), virtual=True, horizon_s=3600)


def test_real_sockets_are_refused():
    """Real input or output cannot be waited for in virtual time, so asking for it is an error at once."""

    async def connect():
        await asyncio.open_connection("127.0.0.1", 9)

    async def serve():
        await asyncio.start_server(lambda *_: None, "127.0.0.1", 0)

    async def read():
        near, far = socket.socketpair()
        try:
            asyncio.get_running_loop().add_reader(near, lambda: None)
        finally:
            near.close()
            far.close()

    for attempt in (connect, serve, read):
        with pytest.raises(
            VirtualTimeError, match=r"^real input or output \(.*\) was asked for on the virtual clock$"
        ):
            in_virtual_time(attempt())


def test_a_real_file_that_a_callback_asks_for_ends_the_run():
    """Where asyncio itself asks for a file, and would only log that it was refused, the run ends all the same."""

    async def main():
        near, far = socket.socketpair()
        with far:
            await asyncio.open_unix_connection(sock=near)
            await asyncio.sleep(3600)

    with pytest.raises(VirtualTimeError, match=r"^real input or output \(\d+\) was asked for"):
        in_virtual_time(main())


def test_child_processes_are_refused():
    """A child process runs in real time, so none is started."""

    async def execute():
        await asyncio.create_subprocess_exec("true")

    async def shell():
        await asyncio.create_subprocess_shell("true")

    for attempt in (execute, shell):
        with pytest.raises(VirtualTimeError, match=r"^real input or output \(\('child process', 'true'\)\)"):
            in_virtual_time(attempt())


def test_threads_are_refused():
    """A thread's progress is not deterministic, so it has no place in virtual time."""

    async def main():
        await asyncio.to_thread(lambda: None)

    with pytest.raises(VirtualTimeError, match=r"^a thread was asked for on the virtual clock$"):
        in_virtual_time(main())


def test_an_ordinary_loop_serves_the_same_code():
    """The same coroutine runs on the wall clock when asked to."""

    async def main():
        start = now_s()
        await asyncio.sleep(0.001)
        return now_s() - start

    assert virtual.run(main(), virtual=False) >= 0.001


@pytest.mark.parametrize(
    ("other_s", "leaps"), [(None, True), (0.0, False), (0.9, False), (0.7 + 0.3, False), (1.1, True)]
)
def test_time_leaps_over_nothing_that_happens(other_s, leaps):
    """A second passes at once where nothing else happens now, meanwhile or at its end; otherwise no time passes."""

    async def main():
        loop = asyncio.get_running_loop()
        if other_s == 0:
            loop.call_soon(int)
        elif other_s is not None:
            loop.call_at(ORIGIN_S + other_s, int)
        return leap(1.0), now_s()

    assert in_virtual_time(main()) == (leaps, ORIGIN_S + leaps)


def test_no_real_time_leaps():
    """On an ordinary loop whoever asks for a leap must wait."""

    async def main():
        return leap(0.001)

    assert not virtual.run(main(), virtual=False)


@given(st.lists(st.lists(st.sampled_from([0.1, 0.2, 0.3, 0.7, 1e-9, 3e-10]), max_size=6), max_size=4))
def test_sleepers_wake_as_asyncio_would_wake_them(spans):
    """Whether time leaps or the loop turns: the same sleepers wake in the same order at the same instants."""

    async def woken(sleep):
        seen = []

        async def sleeper(name):
            for span_s in spans[name]:
                await sleep(span_s)
                seen.append((name, now_s()))

        await asyncio.gather(*map(sleeper, range(len(spans))))
        return seen

    async def leaping(span_s):
        await sleep_until(now_s() + span_s)

    async def turning(span_s):
        await asyncio.sleep(now_s() + span_s - now_s())

    assert in_virtual_time(woken(leaping)) == in_virtual_time(woken(turning))


def test_an_interruption_ends_a_sleeper_that_only_leaps():
    """Ctrl-C reaches a task that nothing else disturbs, in its next sleep."""
    slept = []

    async def main():
        while True:
            await sleep_until(now_s() + 1)
            slept.append(now_s())
            if len(slept) == 3:
                signal.raise_signal(signal.SIGINT)

    with pytest.raises(KeyboardInterrupt):
        in_virtual_time(main())
    assert len(slept) == 3
