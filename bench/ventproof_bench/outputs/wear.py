"""What contacts bear: their limits, held to as they are driven, and a ledger of the operations of their relays."""

from __future__ import annotations

import asyncio
import sqlite3
from collections import Counter, deque
from contextlib import closing
from dataclasses import dataclass, field
from math import ceil, inf
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple, NoReturn, final

from ventproof_bench.base.clock import now_s, utc_now
from ventproof_bench.base.errors import LimitError
from ventproof_bench.benchfile.boards import ContactLimits
from ventproof_bench.benchfile.model import (
    BenchFile,
    ContactOutput,
    OutputSpec,
    RtuOverTcpBus,
    SerialBus,
    TcpBus,
)
from ventproof_bench.drivers.driver import find

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from ventproof_bench.base.evidence import Window

LEDGER: Final = "relays.sqlite"
"""Name of the ledger's file, beside the history."""

_HOUR_S: Final = 3600.0
_WRITTEN_EVERY_S: Final = 60.0
_SLACK_S: Final = (
    0.02  # edges are as exact as that on wires; a limit is there for the relay, not for the clock
)
_SLACK: Final = (
    0.01  # of a time that a contact may stand: an edge that is asked for at the limit itself is in time
)
_WITHIN_S: Final = 5.0  # another run may be writing


class Closures(NamedTuple):
    """Closures of one contact, as a ledger tells: how long ago, seconds, and how many."""

    age_s: float
    closed: int


def _nothing(_: str) -> None:
    pass


@final
@dataclass(slots=True)
class ContactWear:
    """Holds a contact to its limits and counts its operations; nothing keeps it from its safe state.

    Args:
        name: the output's name.
        spec: its declaration.
        operated: takes the name at each closure.
        driven_too_long: takes the name when it has stood otherwise than `safe` for too long.
    """

    name: str
    spec: ContactOutput
    operated: Callable[[str], None] = _nothing
    driven_too_long: Callable[[str], None] = _nothing
    _closures: deque[float] = field(init=False, default_factory=deque)
    _moved_s: float = field(init=False, default=-inf)
    _earlier: int = field(init=False, default=0)
    _timer: asyncio.TimerHandle | None = field(init=False, default=None)

    def closed_before(self, closures: Iterable[Closures]) -> None:
        """Take over what was closed within the last hour, in runs before."""
        for one in sorted(closures, reverse=True):
            self._closures.extend([now_s() - one.age_s] * one.closed)
        self._earlier = len(self._closures)

    @property
    def counts_hours(self) -> bool:
        """Whether its closures within an hour are limited."""
        return self.spec.limits is not None and self.spec.limits.operations_an_hour is not None

    def allow(self, *, closed: bool) -> None:
        """Look whether the contact may be moved now.

        Raises:
            LimitError: a limit of the bench file forbids it.
        """
        limits = self.spec.limits
        if limits is None:
            return
        stood_s = now_s() - self._moved_s
        shortest_s = limits.shortest_open if closed else limits.shortest_closed
        if shortest_s is not None and stood_s < shortest_s - _SLACK_S:
            is_, key = ("open", "shortest_open") if closed else ("closed", "shortest_closed")
            raise self._refused(f"it is {is_} for {stood_s:.3g} s, and {key} is {shortest_s:g} s")
        most = limits.operations_an_hour
        while self._closures and self._closures[0] <= now_s() - _HOUR_S:
            self._closures.popleft()
            self._earlier = max(0, self._earlier - 1)
        if closed and most is not None and len(self._closures) >= most:
            before = f" ({self._earlier} of them in earlier runs)" if self._earlier else ""
            times = len(self._closures)
            said = f"it was closed {times} times within an hour{before}, and operations_an_hour is {most}"
            raise self._refused(said)

    def moved(self, commanded: Window, *, closed: bool) -> None:
        """Take note that the contact was moved by a command in a window."""
        self._moved_s = commanded.latest_s
        if closed:
            self.operated(self.name)
        limits = self.spec.limits
        if limits is None:
            return
        if closed and limits.operations_an_hour is not None:
            self._closures.append(self._moved_s)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if limits.longest_driven is not None and closed != (self.spec.safe == "closed"):
            allowed_s = limits.longest_driven + max(_SLACK_S, _SLACK * limits.longest_driven)
            loop, ends_s = asyncio.get_running_loop(), commanded.earliest_s + allowed_s
            self._timer = loop.call_at(ends_s, self.driven_too_long, self.name)

    def let_go(self) -> None:
        """Watch it no longer: it is driven no more."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def over(self) -> LimitError:
        """Return what is said when it stood otherwise than `safe` for too long."""
        limits = self.spec.limits or ContactLimits()
        longest_s = limits.longest_driven or 0.0
        return self._refused(f"it was not {self.spec.safe} for {longest_s:g} s, and that is longest_driven")

    def _refused(self, why: str) -> LimitError:
        return LimitError(f"output {self.name}: a limit of the bench file ends this: {why}")


@final
class Ledger:
    """Operations of relays, added up over all runs in an SQLite file that outlives whatever is killed.

    Args:
        path: the file; made when it is needed.
        file: the bench: each contact is counted at the place where its relay is.
    """

    def __init__(self, path: Path, file: BenchFile) -> None:
        self.trouble = ""
        self.path = path
        self._places = places_of(file)
        self._new = Counter[_Second]()

    def count(self, output: str) -> None:
        """Count one operation of a contact's relay."""
        if output in self._places:
            self._new[self._places[output], ceil(utc_now().timestamp())] += 1

    async def within_the_hour(self) -> dict[str, list[Closures]] | None:
        """Return how each contact was closed within the last hour of the wall clock; None where no ledger tells."""
        told = await asyncio.to_thread(closed_within_the_hour, self.path)
        return None if told is None else {name: told.get(at, []) for name, at in self._places.items()}

    async def keep(self) -> NoReturn:
        """Write down what was counted, once a minute."""
        while True:
            await asyncio.sleep(_WRITTEN_EVERY_S)
            await self.write()

    async def write(self) -> None:
        """Write down what was counted since the last time; what cannot be written is kept for the next."""
        taken, self._new = self._new, Counter()
        if not taken:
            return
        try:
            await asyncio.to_thread(_add, self.path, taken)  # a disk may take longer than an edge may wait
            self.trouble = ""
        except (OSError, sqlite3.Error) as error:
            self._new.update(taken)
            self.trouble = f"operations of relays could not be added to {self.path}: {error}"


async def count_earlier(ledger: Ledger, contacts: Iterable[ContactWear | None]) -> list[str]:
    """Have what was closed within the last hour, in runs before, count against limits of an hour.

    Returns:
        What the record should say: that nothing tells of it.
    """
    limited = [wear for wear in contacts if wear is not None and wear.counts_hours]
    if not limited:
        return []
    closed = await ledger.within_the_hour()
    for wear in limited:
        wear.closed_before((closed or {}).get(wear.name, ()))
    if closed is not None:
        return []
    names = ", ".join(wear.name for wear in limited)
    return [f"operations_an_hour of {names} counts in this run only: no ledger in {ledger.path}"]


_Second = tuple[str, int]
"""A place, and a second of the wall clock, counted from 1970; what happened in it is told as at its end."""


def _add(path: Path, counted: Mapping[_Second, int]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    now = ceil(utc_now().timestamp())
    with closing(sqlite3.connect(path, timeout=_WITHIN_S)) as base, base:
        base.execute(
            "CREATE TABLE IF NOT EXISTS relays (place TEXT PRIMARY KEY, operations INTEGER NOT NULL)"
        )
        base.execute(
            "CREATE TABLE IF NOT EXISTS closures "
            "(place TEXT, at_s INTEGER, count INTEGER NOT NULL, PRIMARY KEY (place, at_s))"
        )
        base.executemany(
            "INSERT INTO relays VALUES (?, ?) "
            "ON CONFLICT (place) DO UPDATE SET operations = operations + excluded.operations",
            [(place, count) for (place, _), count in counted.items()],
        )
        # Where the clock went back, what seems to come has been: now, at the latest.
        ahead = base.execute("SELECT place, count FROM closures WHERE at_s > ?", (now,)).fetchall()
        base.execute("DELETE FROM closures WHERE at_s > ? OR at_s <= ?", (now, now - _HOUR_S))
        base.executemany(
            "INSERT INTO closures VALUES (?, ?, ?) "
            "ON CONFLICT (place, at_s) DO UPDATE SET count = count + excluded.count",
            [
                *((place, now, count) for place, count in ahead),
                *((place, min(at_s, now), count) for (place, at_s), count in counted.items()),
            ],
        )


def closed_within_the_hour(path: Path) -> dict[str, list[Closures]] | None:
    """Return how each relay was closed within the last hour of the wall clock, by place; None where no ledger tells."""
    now = utc_now().timestamp()
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as base:
            rows = base.execute(
                "SELECT place, at_s, count FROM closures WHERE at_s > ?", (now - _HOUR_S,)
            ).fetchall()
    except sqlite3.Error:
        return None
    found = dict[str, list[Closures]]()
    for place, at_s, count in rows:
        found.setdefault(place, []).append(Closures(max(0.0, now - at_s), count))
    return found


def operations_in(path: Path) -> dict[str, int]:
    """Return how often each relay in a ledger has operated, by place; nothing where there is no ledger to be read."""
    if not path.is_file():
        return {}
    try:
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=_WITHIN_S)
        ) as base:
            return dict(base.execute("SELECT place, operations FROM relays"))
    except sqlite3.Error:
        return {}


def places_of(file: BenchFile) -> dict[str, str]:
    """Return where the relay of each contact on real wires is, by output, so that other bench files mean it too."""
    if file.virtual:
        return {}
    contacts = {
        n: o for n, o in file.outputs.items() if isinstance(o, ContactOutput) and n not in file.by_hand
    }
    return {name: _place(file, output) for name, output in contacts.items()}


def _place(file: BenchFile, output: OutputSpec) -> str:
    driver = find(output.driver)
    place = driver.place(driver.options.model_validate(output.wired))
    bus = str(output.wired.get("bus", ""))
    match file.buses.get(bus):
        case TcpBus() | RtuOverTcpBus() as spec:
            place = place.replace(f"bus {bus}", f"{spec.host}:{spec.tcp_port}")
        case SerialBus() as spec:
            place = place.replace(f"bus {bus}", spec.port)
        case _:
            pass
    fitted = output.relay.fitted if isinstance(output, ContactOutput) and output.relay else ""
    return f"{place}, fitted {fitted}" if fitted else place


def life_of(file: BenchFile, name: str) -> int | None:
    """Return how many operations a contact's relay lasts: as it says itself, or its board; None: nothing says."""
    output = file.outputs[name]
    if not isinstance(output, ContactOutput):
        return None
    if output.relay is not None and (output.relay.life is not None or output.relay.kind == "solid-state"):
        return output.relay.life
    board = next((board for board in file.boards if name in file.outputs_on(board)), None)
    return file.boards[board].relay_life if board else None


def wears(file: BenchFile, name: str) -> bool:
    """Return whether a contact's relay wears as it operates."""
    output = file.outputs[name]
    return isinstance(output, ContactOutput) and (output.relay is None or output.relay.kind != "solid-state")
