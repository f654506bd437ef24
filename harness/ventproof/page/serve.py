"""The process that serves the page: `python -m ventproof.page.serve`; `ventproof.page.process` starts it.

It follows the command's files and is heard through its standard output. When its standard input ends, the command has
ended, however that came about: what is still to be told is told, and it ends too.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import sys
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Final

import numpy  # noqa: F401, ICN001 - the judge's; loaded later it would take its time in the middle of a run

from ventproof.page.app import LivePages
from ventproof.page.batches import Batches
from ventproof.page.follow import CommandFollower
from ventproof.page.keys import Address, Door
from ventproof.page.server import server_of

_LOOK_EVERY_S: Final = 0.1
_GENTLE: Final = 5  # the run goes first


def main() -> None:
    """Serve until the command ends."""
    os.nice(_GENTLE)
    told: dict[str, Any] = json.loads(sys.stdin.readline())
    asyncio.run(_serve(told))


async def _serve(told: dict[str, Any]) -> None:
    sock = socket.socket(fileno=told["socket"])
    ip, port = sock.getsockname()[:2]
    address = Address(ip_address(ip), port, bool(told["cert"]))
    batches = Batches()
    door = Door(told["key"], told["people"])
    server = server_of(LivePages(address, door, batches, _say).app(), told["cert"])
    serving = asyncio.create_task(server.serve(sockets=[sock]))
    ended = asyncio.Event()
    asyncio.get_running_loop().add_reader(sys.stdin.fileno(), _hear, ended)
    _say({"ready": True})
    with CommandFollower(Path(told["feed"])) as follower:
        await _follow(follower, batches, ended)
    batches.end()
    server.should_exit = True
    await serving


def _hear(ended: asyncio.Event) -> None:
    """Nothing more is ever sent: what can be read is the end."""
    if not os.read(sys.stdin.fileno(), 1):
        ended.set()
        asyncio.get_running_loop().remove_reader(sys.stdin.fileno())


async def _follow(follower: CommandFollower, batches: Batches, ended: asyncio.Event) -> None:
    """Hand on what is new, until the command has ended and all of it was told."""
    while True:
        last = ended.is_set()  # asked before looking: what was written until then is seen
        while (one := follower.step()) is not None:
            batches.add(*one)
            await asyncio.sleep(0)
        if last:
            batches.add((2**31, 0), {"over": True})
            return
        with suppress(TimeoutError):
            async with asyncio.timeout(_LOOK_EVERY_S):
                await ended.wait()


def _say(message: dict[str, Any]) -> None:
    with suppress(BrokenPipeError):
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
