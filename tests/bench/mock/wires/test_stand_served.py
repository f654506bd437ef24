"""The mock with all weather on real wires: the coil board's relays reach the unit's terminals."""

import asyncio
import os
from contextlib import AsyncExitStack

import pytest

from ventproof_bench.base.clock import now_s
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.wires.modbus_server import Frame, encode
from ventproof_bench.mock.wires.stand import BOARD_ID, serve

pytestmark = pytest.mark.wire


async def write_coil(path, coil, *, on):
    """Write a coil of the board and wait for its answer."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    request = encode("rtu", Frame(BOARD_ID, bytes([5, 0, coil, 0xFF if on else 0, 0])))
    try:
        os.write(fd, request)
        heard = b""
        async with asyncio.timeout(5):
            while len(heard) < len(request):
                await asyncio.sleep(0.005)
                try:
                    heard += os.read(fd, 256)
                except BlockingIOError:
                    continue
        assert heard == request
    finally:
        os.close(fd)


async def play(settings, folder):
    """Tip the bucket, turn the cups, and take the supply away; return gust, tips and the dead unit's answer."""
    async with AsyncExitStack() as stack:
        stand = await serve(MockSettings.model_validate(settings), folder, stack)
        line = stand.places["unit_rtu"]
        for coil in (2, 3):
            await write_coil(line, coil, on=True)
            await asyncio.sleep(0.05)
            await write_coil(line, coil, on=False)
        await asyncio.sleep(0.25)
        words = stand.unit.read("input", 8, 7, now_s())
        await write_coil(line, 1, on=True)
        await asyncio.sleep(0.05)
        reader, writer = await asyncio.open_connection(
            "127.0.0.1", int(stand.places["unit_tcp"].rpartition(":")[2])
        )
        writer.write(encode("tcp", Frame(1, bytes.fromhex("04 0000 0001"))))
        try:
            answer = await asyncio.wait_for(reader.read(1), 0.2)
        except TimeoutError:
            answer = b""
        writer.close()
        return words[0], words[6], answer


def test_relays_of_the_board_turn_the_cups_tip_the_bucket_and_cut_the_supply(all_weather, tmp_path):
    """Relays 2 and 3 count as one pulse and one tip; relay 1, normally closed, cuts the supply."""
    gust, tips, answer = asyncio.run(play(all_weather, tmp_path))
    assert (gust, tips - all_weather["tip_rate"]["counted"], answer) == (
        8,
        1,
        b"",
    )  # one pulse in 3 s: 1.2 / 3 + 0.4 m/s


def test_relays_without_a_terminal_do_nothing(settings, tmp_path):
    """On a unit without cups and bucket the relays answer all the same."""

    async def main():
        async with AsyncExitStack() as stack:
            stand = await serve(MockSettings.model_validate(settings), tmp_path, stack)
            for coil in (2, 3):
                await write_coil(stand.places["unit_rtu"], coil, on=True)
            return stand.unit.read("input", 4, 2, now_s())

    assert list(asyncio.run(main())) == [0, 0]
