"""Reads registers of a unit that no bench file describes yet: once, or again and again while a person moves vents."""

from __future__ import annotations

import asyncio
import threading
from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Final, Self, final

from ventproof.firstbench.codings import RawReading
from ventproof_bench.base.clock import run
from ventproof_bench.base.errors import BusFault, LinkError
from ventproof_bench.base.protocols import ReadRequest
from ventproof_bench.modbus.bus import ModbusBus

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from types import TracebackType

    from ventproof_bench.base.protocols import Reply
    from ventproof_bench.benchfile.model import BusSpec

_BETWEEN_S: Final = 0.02
_AGAIN_AFTER_S: Final = 0.5


def read_once(spec: BusSpec, requests: Mapping[str, Sequence[ReadRequest]]) -> dict[str, RawReading | str]:
    """Read places once each; of each place the first of its requests that is answered counts.

    Returns:
        By place, what was read, or why nothing was.

    Raises:
        LinkError: the port or host cannot be opened.
    """

    async def main() -> dict[str, RawReading | str]:
        bus, found = ModbusBus("unit", spec), dict[str, RawReading | str]()
        try:
            for name, tries in requests.items():
                for request in tries:
                    found[name] = await _read(bus, request)
                    if isinstance(found[name], RawReading):
                        break
        finally:
            await bus.close()
        return found

    return run(main(), virtual=False)


async def _read(bus: ModbusBus, request: ReadRequest) -> RawReading | str:
    await bus.open()
    try:
        reply: Reply = await bus.read(request)
    except BusFault as fault:
        return str(fault)
    return RawReading(reply.words, reply.requested_s, reply.replied_s)


@final
class Recording:
    """Reads places again and again in a thread of its own while the `with` block runs.

    Args:
        spec: the bus.
        requests: what is read, by name.

    Attributes:
        tracks: what was read, by name, in order of time.
        trouble: why the last read brought nothing; empty while all answer.
    """

    def __init__(self, spec: BusSpec, requests: Mapping[str, ReadRequest]) -> None:
        self.tracks: dict[str, list[RawReading]] = defaultdict(list)
        self.trouble = ""
        self._spec = spec
        self._requests = requests
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="recording", daemon=True)

    def __enter__(self) -> Self:
        """Begin."""
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End, and let go of the bus."""
        self._over.set()
        self._thread.join()

    def since(self, marks: Mapping[str, int]) -> dict[str, list[RawReading]]:
        """Return what was read since `mark` gave these marks."""
        return {name: track[marks.get(name, 0) :] for name, track in self.tracks.items()}

    def mark(self) -> dict[str, int]:
        """Return how much was read of each so far."""
        return {name: len(track) for name, track in self.tracks.items()}

    def _run(self) -> None:
        with suppress(RuntimeError):  # the process ends
            run(self._read_on(), virtual=False)

    async def _read_on(self) -> None:
        bus = ModbusBus("unit", self._spec)
        try:
            while not self._over.is_set():
                for name, request in self._requests.items():
                    try:
                        seen = await _read(bus, request)
                    except LinkError as error:
                        seen = str(error)
                        await asyncio.sleep(_AGAIN_AFTER_S)
                    if isinstance(seen, RawReading):
                        self.tracks[name].append(seen)
                        self.trouble = ""
                    else:
                        self.trouble = seen
                await asyncio.sleep(_BETWEEN_S)
        finally:
            await bus.close()
