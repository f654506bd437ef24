"""What an output driver is, and how it is found: one module a driver in the package relays, or an entry point."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from pkgutil import iter_modules
from typing import TYPE_CHECKING, Any, Final, Literal, Protocol, final, runtime_checkable

from pydantic import ValidationError

from ventproof_bench.base.errors import Refusal
from ventproof_bench.yamlfile.value_errors import nearest, word_errors

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from importlib.metadata import EntryPoints

    from ventproof_bench.base.protocols import Bus, BusUse, Contact, Level, MockInputs
    from ventproof_bench.benchfile.model import BusSpec, ContactOutput, OutputSpec
    from ventproof_bench.drivers.people import People
    from ventproof_bench.drivers.serial_ports import Ports
    from ventproof_bench.yamlfile.fields import FileModel


ENTRY_POINTS: Final = "ventproof.drivers"
"""Entry point group of third-party drivers; each entry names a `Driver`."""

_RELAYS: Final = "ventproof_bench.relays"
"""Package of our own drivers; they import this module, so that it finds them by name."""

Clock = Literal["virtual", "wall", "either"]


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """What a driver may build one output from.

    Attributes:
        name: the output's name in the bench file, for messages.
        output: the output as the bench file declares it.
        buses: the bench's buses by name, already open when the output is opened.
        specs: how those buses are declared.
        inputs: the terminals of the mock unit, in process only.
        ports: serial ports of this bench; outputs on one board share its port.
        people: who can be asked to do something; None where nobody can.
    """

    name: str
    output: OutputSpec
    buses: Mapping[str, Bus] = field(default_factory=dict)
    specs: Mapping[str, BusSpec] = field(default_factory=dict)
    inputs: MockInputs | None = None
    ports: Ports
    people: People | None = None

    def bus(self, name: str) -> Bus:
        """Return a bus.

        Raises:
            ValueError: the bench has no such bus.
        """
        try:
            return self.buses[name]
        except KeyError:
            raise Refusal(f"there is no bus {name!r} on this bench", f"{nearest(name, self.buses)}") from None


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """One kind of output hardware.

    Attributes:
        name: as `driver:` in the bench file says it.
        kind: what it is: a contact, a register, which is a `SettingDriver`, or a level at terminals.
        clock: whether it needs real wires (`wall`), the mock in this process (`virtual`), or neither.
        about: one sentence for `ventproof explain`.
        options: model of the output's `wired:`.
        build: makes the running output from valid options; opens nothing. Raises ValueError when the parts
            do not fit together.
        fastest_edge_s: shortest time between two edges that the driver can keep with its options on the
            buses so declared, seconds; 0 where that means nothing.
        bus_use: what it does with its options on a bus of the bench; None where it uses none.
        place: names the very relay or register that is driven, so that two outputs on one are found.
        reads_back: whether a command counts only once the hardware was asked and said that it is so.
        puts: the number that is really put where a number is asked for, rounded to what the hardware takes. Raises
            ValueError for one that it cannot put.
    """

    name: str
    kind: Literal["contact", "register", "level"]
    clock: Clock
    about: str
    options: type[FileModel]
    build: Callable[[Any, Wiring], Contact | Level]
    place: Callable[[Any], str]
    fastest_edge_s: Callable[[Any, Mapping[str, BusSpec]], float] = lambda _, __: 0.0
    bus_use: Callable[[Any], BusUse | None] = lambda _: None
    reads_back: bool = False
    puts: Callable[[Any, float], float] = lambda _, number: number

    @property
    def serves(self) -> tuple[str, ...]:
        """The kinds of output, as `kind:` in the bench file, that it can drive; the most usual first."""
        return _SERVES[self.kind]

    def options_of(self, wired: Mapping[str, object]) -> FileModel:
        """Return valid options.

        Raises:
            ValueError: they are not valid; the text says each fault.
        """
        try:
            return self.options.model_validate(wired)
        except ValidationError as error:
            reasons = (
                f"{'.'.join(map(str, fault.path)) or 'wired'}: {fault.reason}"
                + (f"; {fault.hint}" if fault.hint else "")
                for fault in word_errors(error, self.options)
            )
            raise ValueError(", and ".join(reasons)) from None


_SERVES: Final = {
    "contact": ("contact",),
    "register": ("register", "level", "resistance", "supply"),
    "level": ("level", "resistance", "supply"),
}


def fastest_edge_s(output: ContactOutput, specs: Mapping[str, BusSpec]) -> float:
    """Return the shortest time between two edges that an output can keep, seconds.

    It is what the bench file states; else the driver's own limit, or the longest operate or release time plus
    bounce where that is longer: the contact might never follow a shorter pulse.

    Args:
        output: a contact with valid options.
        specs: the bench's buses.

    Raises:
        ValueError: the driver is unknown or its options are not valid.
    """
    if output.fastest_edge is not None:
        return output.fastest_edge
    driver = find(output.driver)
    limit_s = driver.fastest_edge_s(driver.options.model_validate(output.wired), specs)
    return max(limit_s, max(output.operate, output.release) + output.bounce)


def bus_use(output: OutputSpec) -> BusUse | None:
    """Return what an output with valid options does on a bus of the bench, or None.

    Raises:
        ValueError: the driver is unknown or its options are not valid.
    """
    driver = find(output.driver)
    return driver.bus_use(driver.options.model_validate(output.wired))


def number_put(output: OutputSpec, number: float) -> float:
    """Return the number that an output with valid options really puts for one: a register's value, mA, V or ohm.

    Raises:
        ValueError: it cannot put such a number; or the driver is unknown or its options are not valid.
    """
    driver = find(output.driver)
    return driver.puts(driver.options.model_validate(output.wired), number)


@runtime_checkable
class Remarks(Protocol):
    """A driver that has something to say for the record, once it is open."""

    notes: list[str]


@runtime_checkable
class Shared(Protocol):
    """A contact whose relay others could move, because its board hangs on a network, and that can be looked at.

    Attributes:
        look_s: how long a look takes, seconds; None where nobody else can reach the board.
    """

    look_s: float | None

    async def is_on(self) -> bool:
        """Read whether the relay is energised. Raises `DriverError`."""


@runtime_checkable
class Repeatable(Protocol):
    """An output whose command says a state and no change, so that one whose reply was lost may be given again."""

    async def holds(self, asked: float) -> bool:
        """Read whether the hardware is as a command asked it to be. Raises `DriverError`."""


def names() -> list[str]:
    """Return the names of all drivers that are installed, sorted."""
    return sorted(_own() | {entry.name for entry in _of_others()})


@cache
def _own() -> frozenset[str]:
    return frozenset(
        module.name.replace("_", "-") for module in iter_modules(import_module(_RELAYS).__path__)
    )


def _of_others() -> EntryPoints:
    from importlib.metadata import entry_points  # noqa: PLC0415 - slow, and few benches have drivers of others

    return entry_points(group=ENTRY_POINTS)


def find(name: str) -> Driver:
    """Return a driver by name; our own come before third-party ones of the same name.

    Raises:
        ValueError: unknown (the message gives the nearest name), or a third-party one that cannot be loaded.
    """
    if name in _own():
        found: object = import_module(f"{_RELAYS}.{name.replace('-', '_')}").DRIVER
        assert isinstance(found, Driver)
        return found
    for entry in _of_others().select(name=name):
        try:
            found = entry.load()
        except Exception as error:  # a stranger's module may raise anything
            raise ValueError(f"driver {name!r} ({entry.value}) cannot be loaded: {error}") from error
        if isinstance(found, Driver):
            return found
        raise Refusal(
            f"driver {name!r} ({entry.value}) is not a ventproof_bench.drivers.driver.Driver",
            "repair that package",
        )
    raise Refusal(f"{name!r} is not a driver", f"{nearest(name, names())}")
