"""The file behind `ventproof mock --as`: what the mock is called, where its values stand, what its relays switch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Literal

from pydantic import Field

from ventproof_bench.base.errors import FileError
from ventproof_bench.base.files import shipped_folder
from ventproof_bench.benchcheck.load import load_bench
from ventproof_bench.benchfile.model import RegisterOutput
from ventproof_bench.benchfile.signals import Address, Location, UnitId
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.weather_inputs import inputs_of
from ventproof_bench.modbus.register_map import resolve, width
from ventproof_bench.relays.register import RegisterOptions
from ventproof_bench.yamlfile.fields import FileModel, Name
from ventproof_bench.yamlfile.load import Loaded, in_file_order, load_document
from ventproof_bench.yamlfile.value_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.yamlfile.tree import Path as KeyPath


NOTHING: Final = "nothing"
"""What a relay switches that is not wired."""

MakersName = Annotated[str, Field(min_length=1, max_length=60)]
"""A name as a maker's list has it."""


class GuisedPlace(Location):
    """Where the guise has a value of the mock, and how it is coded there."""

    of: Name
    """The value: a signal of the shipped bench file below `shows:`, a setting in a register below `takes:`."""
    bus: Name = "unit"
    """The only bus."""
    unit_id: UnitId = 1
    """Left out: every value is the unit's, see `unit_id` at the top."""
    unit: str = ""
    """What the maker's list says of its unit."""


class GuisedRelays(FileModel):
    """A board of relays, each a Modbus coil, on the unit's line and behind its TCP port."""

    unit_id: Annotated[int, Field(ge=1, le=247)]
    """Modbus unit identifier of the board."""
    first_coil: Address = 0
    """Protocol address of the first relay's coil."""
    wired: Annotated[list[Name], Field(min_length=1, max_length=32)]
    """What each relay is wired to, in order: an input of the mock such as `rain`, or `nothing`. A relay at `supply` has
    the unit's supply on its normally closed contact."""


class Guise(FileModel):
    """The mock in a guise."""

    guise: Annotated[str, Field(min_length=1, max_length=120)]
    """What it is, for the person who serves it."""
    about: str = ""
    """More of it."""
    unit_id: Annotated[int, Field(ge=1, le=247)] = 1
    """Modbus unit identifier of the unit."""
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] | None = None
    """The only line speed at which it answers; any, unless stated."""
    shows: Annotated[dict[MakersName, GuisedPlace], Field(min_length=1)]
    """What it shows, by the names of its maker's list."""
    takes: dict[MakersName, GuisedPlace] = Field(default_factory=dict)
    """Settings that it takes, likewise."""
    relays: GuisedRelays
    """Its relay board."""
    leaves_out: list[Literal["type", "scale", "unit"]] = Field(default_factory=list)
    """Columns that its maker's list does not have."""
    mock: MockSettings | None = None
    """The unit's settings; those of the shipped bench file unless stated."""


def shipped_settings() -> MockSettings:
    """Return the settings of the mock of the shipped bench file."""
    settings = load_bench(_shipped()).model.mock
    assert settings is not None, "the shipped bench has a mock"
    return settings


def own_signals() -> Mapping[str, Location]:
    """Return where the mock itself has its values, by signal of the shipped bench file."""
    return load_bench(_shipped()).model.registers


def own_settings() -> Mapping[str, Location]:
    """Return where the mock itself takes settings, by output of the shipped bench file."""
    outputs = load_bench(_shipped()).model.outputs
    return {
        name: RegisterOptions.model_validate(output.wired)
        for name, output in outputs.items()
        if isinstance(output, RegisterOutput)
    }


def _shipped() -> Path:
    return shipped_folder("ventproof_bench", "files", checkout="../files") / "mock.yaml"


def load_guise(path: Path) -> Loaded[Guise]:
    """Load a guise and check that the mock has what it names, and that no two values stand in one place.

    Raises:
        FileError: something in it is wrong; every fault found, in file order.
    """
    loaded = load_document(path, Guise)
    problems = [*_unknown(loaded), *_misplaced(loaded), *_miswired(loaded)]
    if problems:
        raise FileError(in_file_order(problems))
    return loaded


def _unknown(loaded: Loaded[Guise]) -> Iterator[Problem]:
    for key, places, known in (
        ("shows", loaded.model.shows, own_signals()),
        ("takes", loaded.model.takes, own_settings()),
    ):
        for name, place in places.items():
            if place.of not in known:
                reason = f"the mock has nothing called {place.of!r}"
                yield loaded.problem((key, name, "of"), reason, nearest(place.of, known))


def _misplaced(loaded: Loaded[Guise]) -> Iterator[Problem]:
    taken: dict[tuple[str, int, int | None], str] = {}
    for key, places in (("shows", loaded.model.shows), ("takes", loaded.model.takes)):
        for name, place in places.items():
            path: KeyPath = (key, name)
            try:
                table, first = resolve(place)
            except ValueError as error:
                yield loaded.problem(path, str(error))
                continue
            if key == "takes" and table != "holding":
                yield loaded.problem(path, f"table {table!r} is not written here", "use holding")
            for address in range(first, first + width(place)):
                other = taken.setdefault((table, address, place.bit), name)
                if other != name:
                    yield loaded.problem(path, f"{table} {address} holds {other!r} already")


def _miswired(loaded: Loaded[Guise]) -> Iterator[Problem]:
    model = loaded.model
    if model.relays.unit_id == model.unit_id:
        reason = f"unit id {model.unit_id} is the unit's own"
        yield loaded.problem(("relays", "unit_id"), reason, "give the board another")
    contacts, _ = inputs_of(model.mock or shipped_settings())
    for number, name in enumerate(model.relays.wired):
        if name not in {*contacts, NOTHING}:
            reason = f"the mock has no input {name!r}"
            yield loaded.problem(("relays", "wired", number), reason, nearest(name, [*contacts, NOTHING]))
