"""Which device an output or a signal of a bench file is on (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.benchfile.model import RegisterOutput
from ventproof_bench.drivers.driver import find

if TYPE_CHECKING:
    from ventproof_bench.benchfile.model import BenchFile, OutputSpec
    from ventproof_bench.yamlfile.fields import FileModel


UNIT: Final = "unit under test"

Place = tuple[str, int]
"""Bus and unit id."""


def options_of(output: OutputSpec) -> FileModel:
    """Return what an output's driver makes of its `wired:`."""
    return find(output.driver).options.model_validate(output.wired)


def device_of(output: OutputSpec) -> str:
    """Return which very relay, channel or register drives an output."""
    return find(output.driver).place(options_of(output))


def _place_of(output: OutputSpec) -> Place | None:
    options = options_of(output)
    bus, unit_id = getattr(options, "bus", None), getattr(options, "unit_id", None)
    return (bus, unit_id) if isinstance(bus, str) and isinstance(unit_id, int) else None


@final
@dataclass(frozen=True, slots=True)
class Devices:
    """The devices on the buses of a bench.

    Attributes:
        units: where the unit under test is.
        modules: where the bench's own boards and modules are, each with its name or an empty one.
    """

    units: frozenset[Place]
    modules: dict[Place, str]

    @classmethod
    def of(cls, file: BenchFile) -> Devices:
        """Return the devices: a setting is of the unit, a relay or a level of a module, and so are drive contacts."""
        settings = {_place_of(o) for o in file.outputs.values() if isinstance(o, RegisterOutput)}
        driven = {_place_of(o) for o in file.outputs.values() if not isinstance(o, RegisterOutput)}
        named = {(board.bus, board.unit_id): name for name, board in file.boards.items()}
        modules = {place: named.get(place, "") for place in {*driven, *named} - settings if place}
        of_vents = {flag for vent in file.vents.values() for flag in (*vent.commanded_by, *vent.known_at)}
        read: dict[Place, set[str]] = {}
        for name, signal in file.registers.items():
            read.setdefault((signal.bus, signal.unit_id), set()).add(name)
        for place, names in read.items():
            wired = {name for name in names if name in of_vents or file.registers[name].wires is not None}
            if place not in settings and wired == names:
                modules.setdefault(place, "")
        units = {place for place in {*read, *settings} if place and place not in modules}
        return cls(frozenset(units), modules)

    def called(self, place: Place) -> str:
        """Return what stands at a place, in words."""
        if place in self.modules:
            name = self.modules[place]
            return f"board {name}" if name else "module of the bench"
        return UNIT

    def on(self, bus: str) -> tuple[int, ...]:
        """Return the unit ids in use on a bus, lowest first."""
        return tuple(sorted(unit for name, unit in {*self.units, *self.modules} if name == bus))

    def wired_signals(self, file: BenchFile) -> tuple[str, ...]:
        """Return the signals that a wire of their own brings to a module of the bench."""
        return tuple(
            name
            for name, signal in file.registers.items()
            if signal.wires is not None or (signal.bus, signal.unit_id) in self.modules
        )
