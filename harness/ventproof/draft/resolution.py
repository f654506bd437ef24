"""How far beyond what the unit owes a drafted response must reach, so that a bench can decide it (pure)."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.benchcheck.traffic import load_on
from ventproof_bench.benchfile.model import ContactOutput
from ventproof_bench.drivers.driver import fastest_edge_s
from ventproof_bench.modbus.traffic import budget

if TYPE_CHECKING:
    from ventproof_bench.benchfile.model import BenchFile


_US: Final = 1e-6
_SPARE: Final = 1.25  # of what is needed by calculation: a poll may be late
_TENTHS: Final = 10


@final
@dataclass(frozen=True, slots=True)
class Margins:
    """What one bench needs.

    A reading is at most `G` old: the age that its bus makes, and the unit's refresh interval. A deadline must then be
    G and the stimulus window later than what it is about. At rest a vent could leave its place at its fastest rate r
    between two readings and be back, so a tolerance must be 2e + r·G/2 with readings right to e; see
    `ventproof_bench.selfcheck.capability`, which says the same of what was measured.
    """

    bench: BenchFile
    _bus_ages_s: dict[str, float] = field(init=False, default_factory=dict, repr=False, compare=False)

    def late_s(self, signal: str) -> float:
        """Return how much later than it truly comes a response must be allowed to come, seconds."""
        traits = self.bench.traits(signal)
        travel_s = 2 * traits.error / traits.rate_per_s if traits.rate_per_s else 0.0
        return _up(_SPARE * (self._age_s(signal) + self._stimulus_s() + travel_s))

    def tolerance(self, signal: str, asked: float) -> float:
        """Return the tolerance that is asked for, or the smallest that can be decided where that is wider."""
        traits = self.bench.traits(signal)
        needed = 2 * traits.error + (traits.rate_per_s or 0.0) * self._age_s(signal) / 2
        return asked if asked >= needed else _up(needed)

    def can_be_at(self, signal: str, span: tuple[float, float], middle: float, tolerance: float) -> bool:
        """Return whether what is somewhere in a span may read as one that is within a tolerance of a value."""
        reach = tolerance + 2 * self.bench.traits(signal).error
        return span[0] <= middle + reach and span[1] >= middle - reach

    def watches(self, flag: str) -> bool:
        """Return whether a flag that did not change can be told from one that was away between two readings."""
        keeps_s = self.bench.traits(flag).keeps_for_s
        return keeps_s is not None and keeps_s > _SPARE * self._age_s(flag)

    def fastest_edge_s(self, output: str) -> float:
        """Return the shortest time between two edges of a contact that the bench can play."""
        spec = self.bench.outputs[output]
        assert isinstance(spec, ContactOutput), "a table's contacts are contacts of the bench"
        return fastest_edge_s(spec, self.bench.buses)

    def _age_s(self, signal: str) -> float:
        told = self.bench.told.get(signal)
        if told is not None:
            return self._takes_s(told.read_by)
        bus = self.bench.bus_of(signal)
        if bus not in self._bus_ages_s:
            made = budget(load_on(self.bench, bus, self.bench.buses[bus]))
            self._bus_ages_s[bus] = made.age_us * _US
        return self._bus_ages_s[bus] + self.bench.traits(signal).refreshed_every_s

    def _stimulus_s(self) -> float:
        contacts = [o for o in self.bench.outputs.values() if isinstance(o, ContactOutput)]
        acts_s = (self._takes_s(output.wired["who"]) for output in self.bench.by_hand.values())
        return max((*(max(o.operate, o.release) + o.bounce for o in contacts), *acts_s), default=0.0)

    def _takes_s(self, who: str) -> float:
        """Return how long a look or an act of a person takes, the reaction included."""
        person = self.bench.people[who]
        return person.answers_in + person.reaction


def _up(value: float) -> float:
    """Round up to a tenth."""
    return ceil(value * _TENTHS - 1e-9) / _TENTHS
