"""A bus or port that carries outputs is brought back when it is lost, and they are made safe before all else.

Then only is it decided whether the run can go on. Where all outputs on it were in their safe state, and are, the unit
was given nothing else: what was not read meanwhile is a gap in the evidence. Otherwise nobody knows what the unit was
given, and the profile ends.
"""

from __future__ import annotations

import asyncio
from math import inf
from typing import TYPE_CHECKING, Final, NoReturn, Protocol, final, runtime_checkable

from ventproof_bench.base.clock import now_s
from ventproof_bench.base.errors import BenchError, BusFault, DriverError, LinkError, StimulusError

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping

    from ventproof_bench.base.protocols import Bus
    from ventproof_bench.benchfile.model import OutputSpec
    from ventproof_bench.outputs.lines import ContactLine, LevelLine
    from ventproof_bench.outputs.settings import SettingLine


FIRST_WAIT_S: Final = 0.05
"""After a try to bring a link back, or to make an output safe, that failed; doubled each time."""

LONGEST_WAIT_S: Final = 1.0
"""Between two tries at most."""

_CONNECT_AGAIN_S: Final = 0.5

LONGEST_LOSS_S: Final = 10.0
"""A link that is gone for longer is a fault of the bench; our own judgement, no source."""


class KeptLink(Protocol):
    """What carries outputs: a bus or a port."""

    @property
    def name(self) -> str:
        """What it is called in messages."""

    @property
    def lost(self) -> str:
        """Why it is gone; empty while it stands."""

    @property
    def good_s(self) -> float:
        """Loop time at which it surely stood."""

    async def until_lost(self) -> None:
        """Wait until it is gone."""

    async def open_again(self) -> None:
        """Connect again; nothing while it stands. Raises `LinkError`."""


@runtime_checkable
class _Losable(Protocol):
    lost: str
    good_s: float

    async def until_lost(self) -> None: ...


@final
class BusLink:
    """A bus as what carries outputs.

    Args:
        name: the bus's name in the bench file.
        bus: the bus; its owner opened it.
    """

    def __init__(self, name: str, bus: Bus) -> None:
        self.name = f"bus {name}"
        self._bus = bus

    @property
    def lost(self) -> str:
        """Why it is gone; empty while it stands, or where the bus does not tell."""
        return self._bus.lost if isinstance(self._bus, _Losable) else ""

    @property
    def good_s(self) -> float:
        """Loop time at which it surely stood."""
        return self._bus.good_s if isinstance(self._bus, _Losable) else -inf

    async def until_lost(self) -> None:
        """Wait until it is gone."""
        if isinstance(self._bus, _Losable):
            await self._bus.until_lost()
        else:
            await asyncio.Future()

    async def open_again(self) -> None:
        """Connect again; nothing while it stands. Raises `LinkError`."""
        await self._bus.open()


@final
class LinkKeeper:
    """Watches one link, and brings it back.

    Args:
        link: the link, open.
        lines: the outputs on it, by name.
        settings: the unit's settings that are written over it, by name.
        make_safe: drives outputs to their safe states, each read back; raises `BenchError`.
    """

    def __init__(
        self,
        link: KeptLink,
        lines: Mapping[str, ContactLine | LevelLine],
        settings: Mapping[str, SettingLine],
        make_safe: Callable[[Mapping[str, ContactLine | LevelLine]], Awaitable[None]],
    ) -> None:
        self._link = link
        self._lines = lines
        self._settings = settings
        self._make_safe = make_safe

    async def keep(self, broke: Callable[[BenchError], None], note: Callable[[str], None]) -> NoReturn:
        """Keep the link until cancelled.

        Args:
            broke: is told when the run cannot go on: a `StimulusError`, or a `LinkError` where the link stays away.
            note: takes what the record should say.
        """
        while True:
            await self._link.until_lost()
            since_s, why, name = self._link.good_s, self._link.lost, self._link.name
            driven = [output for output, line in self._lines.items() if not line.rests_safe]
            said = f" while {', '.join(driven)} was not in its safe state" if driven else ""
            lost = StimulusError(
                f"{name} was lost{said}, and the commands to the unit since then are unknown ({why})",
                since_s=since_s,
            )
            for line in self._lines.values():
                line.held = lost
            if driven:
                broke(lost)
            began_s = now_s()
            await self._bring_back(broke)
            note(
                f"{name} was lost for {now_s() - began_s:.2f} s ({why}); its outputs were made safe and read back"
            )
            if not driven:
                await self._require_settings(broke, since_s)
                for line in self._lines.values():
                    line.held = None

    async def _bring_back(self, broke: Callable[[BenchError], None]) -> None:
        """Connect again and make safe, until both are done."""
        wait_s, give_up_s = FIRST_WAIT_S, now_s() + LONGEST_LOSS_S
        while True:
            try:
                await self._link.open_again()
                await self._make_safe(self._lines)
            except BenchError as error:
                if now_s() >= give_up_s:
                    give_up_s = inf
                    outputs = ", ".join(self._lines)
                    reason = f"{self._link.name}, which carries {outputs}, is gone for {LONGEST_LOSS_S:g} s"
                    broke(LinkError(f"{reason}: {error}"))
            else:
                return
            await asyncio.sleep(wait_s)
            wait_s = min(2 * wait_s, LONGEST_WAIT_S)

    async def _require_settings(self, broke: Callable[[BenchError], None], since_s: float) -> None:
        """Require that the unit still has what was written: the link may have gone because the unit restarted."""
        for setting in self._settings.values():
            try:
                changed = await setting.changed()
            except BenchError:
                continue  # its own evidence tells that nothing is read
            if changed:
                broke(StimulusError(f"{changed}, after {self._link.name} was lost", since_s=since_s))


async def connect(bus: Bus) -> None:
    """Open a bus as the bench opens, and once more where that fails: a unit may still keep a connection just closed.

    Raises:
        LinkError: it cannot be opened.
    """
    try:
        await bus.open()
    except LinkError:
        await asyncio.sleep(_CONNECT_AGAIN_S)
        await bus.open()


def is_link_trouble(error: BaseException | None) -> bool:
    """Return whether an error, or what it came of, is a link that was lost or an answer that did not come."""
    while error is not None:
        if isinstance(error, LinkError):
            return True
        if isinstance(error, BusFault):
            return error.kind in {"timeout", "disconnected"}
        error = error.__cause__
    return False


def as_lost(error: BenchError, since_s: float, what: str = "") -> BenchError:
    """Return an error of an output; one that comes of its link says that the stimulus is lost since then."""
    text = f"{what} failed: {error}" if what else str(error)
    if isinstance(error, StimulusError) or is_link_trouble(error):
        return StimulusError(text, since_s=since_s)
    return (type(error) if isinstance(error, DriverError) else DriverError)(text)


def links_of(spec: OutputSpec) -> tuple[str, ...]:
    """Return the names of what an output is driven over: a bus of the bench, or the address of a port."""
    return tuple(str(spec.wired[key]) for key in ("bus", "port") if key in spec.wired)


def in_doubt(
    lines: Mapping[str, ContactLine | LevelLine],
    failed: Mapping[str, BaseException],
    remark: Callable[[str], None],
) -> dict[str, BaseException]:
    """Return why outputs may not be safe; one that was safe before, and cannot be reached again, is remarked on."""
    doubts = {}
    for name, error in failed.items():
        if lines[name].left_safe and is_link_trouble(error):
            remark(f"output {name} was left in its safe state before, and not reached again: {error}")
        else:
            doubts[name] = error
    return doubts
