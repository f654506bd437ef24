"""The mock unit and a relay board of every kind on real wires, and bench files that say where they are."""

from __future__ import annotations

import asyncio
import fcntl
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Final, final

from bench.clock import now_s
from bench.errors import LinkError
from bench.mock.boards import CoilBoard, FramesBoard, ScpiBoard, serve_control_lines
from bench.mock.server import Responder
from bench.mock.unit import build
from bench.mock.wires import serve_pty, serve_tcp

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from bench.mock.settings import MockSettings
    from bench.mock.unit import MockUnit

UNIT_ID: Final = 1
BOARD_ID: Final = 2

_REPLY_AFTER_S: Final = 0.004
_JITTER_S: Final = 0.002
_TEMPLATES: Final = ("mock-rtu.yaml", "mock-tcp.yaml")
# Where the shipped bench files say that the mock listens; a stand elsewhere writes its own copies.
_SHIPPED: Final = {
    "unit_rtu": "/tmp/ventproof/unit",  # noqa: S108 - a name for people to type, made and checked by serve_pty
    "frames": "/tmp/ventproof/frames",  # noqa: S108 - as above
    "unit_tcp": "15020",
    "scpi": "socket://127.0.0.1:15025",
    "lines": "rfc2217://127.0.0.1:15026",
}


@final
@dataclass(frozen=True, slots=True)
class Stand:
    """Where the mock unit and its relay boards listen.

    Attributes:
        unit: the unit itself; it knows its true trajectories.
        places: addresses, by what listens there.
        bench_files: bench files for them, written beside the pseudo-terminals.
    """

    unit: MockUnit
    places: dict[str, str]
    bench_files: tuple[Path, ...]


async def serve(settings: MockSettings, folder: Path, stack: AsyncExitStack, *, seed: int = 0) -> Stand:
    """Serve until `stack` is closed.

    The unit listens on a pseudo-terminal (RTU, together with the coil board as a second unit on the line) and on TCP;
    the frames board on a pseudo-terminal; the SCPI switch on TCP; the control lines by RFC 2217. The boards' first
    relays are wired in parallel to the unit's rain terminal. The coil board's second relay has the unit's supply on
    its normally closed contact, its third the cups, its fourth the bucket; the SCPI switch's second channel is wired
    to the cups too and its third to the bucket; what the unit lacks is not wired.

    Args:
        settings: of the unit.
        folder: for the links to the pseudo-terminals and for the bench files; it is made if need be.
        stack: holds what is served open.
        seed: for the unit's faults and for the jitter of its replies.

    Raises:
        LinkError: something cannot be served.
    """
    await asyncio.to_thread(folder.mkdir, parents=True, exist_ok=True)
    stack.enter_context(_alone_in(folder))
    unit = build(settings, start_s=now_s(), seed=seed)

    def contact(name: str) -> Callable[[bool], None]:
        return lambda closed: unit.set_contact(name, now_s(), closed=closed)

    def answer(framing: str) -> Responder:
        devices = {UNIT_ID: unit, BOARD_ID: coils} if framing == "rtu" else {UNIT_ID: unit}
        return Responder(framing, devices, reply_after_s=_REPLY_AFTER_S, jitter_s=_JITTER_S, seed=seed)  # type: ignore[arg-type]

    def put_supply(energised: bool) -> None:  # noqa: FBT001 - a relay has two states
        unit.set_contact("supply", now_s(), closed=not energised)

    def contact_if_any(name: str) -> Callable[[bool], None]:
        return contact(name) if name in unit.contacts else lambda _: None

    coils = CoilBoard(
        {0: contact("rain"), 1: put_supply, 2: contact_if_any("cups"), 3: contact_if_any("bucket")}
    )
    frames = FramesBoard({1: contact("rain_2")})
    scpi = ScpiBoard({1: contact("rain_4"), 2: contact_if_any("cups"), 3: contact_if_any("bucket")})
    enter = stack.enter_async_context
    places = {
        "unit_rtu": await enter(serve_pty(answer("rtu"), link=folder / "unit")),
        "unit_tcp": f"127.0.0.1:{await enter(serve_tcp(lambda: answer('tcp')))}",
        "frames": await enter(serve_pty(frames, link=folder / "frames")),
        "scpi": f"socket://127.0.0.1:{await enter(serve_tcp(lambda: scpi))}",
        "lines": await enter(serve_control_lines({"rts": contact("rain_3")})),
    }
    return Stand(unit, places, await asyncio.to_thread(_write_bench_files, folder, places))


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Hold a folder against a second stand, which would take its names over."""
    with (folder / ".served").open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise LinkError(
                f"{folder} is served by another `ventproof mock` already; choose another folder"
            ) from error
        yield


def _write_bench_files(folder: Path, places: dict[str, str]) -> tuple[Path, ...]:
    written = []
    for name in _TEMPLATES:
        text = (files("bench") / "files" / name).read_text(encoding="utf-8")
        for what, shipped in _SHIPPED.items():
            text = text.replace(shipped, places[what].removeprefix("127.0.0.1:"))
        path = folder / name.replace("mock-", "bench-")
        path.write_text(text, encoding="utf-8")
        written.append(path)
    return tuple(written)
