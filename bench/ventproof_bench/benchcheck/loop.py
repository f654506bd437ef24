"""Whether the bench is quick enough for the vents that it plays, and what would do where it is not."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.benchcheck.traffic import load_on, said
from ventproof_bench.drivers.driver import bus_use
from ventproof_bench.modbus.traffic import answering_at_once, load_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.benchfile.vents import VentSpec
    from ventproof_bench.yamlfile.load import Loaded


_MS: Final = 1000
_US: Final = 1_000_000


def hole_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a problem for each drive contact of a played vent that one lost reply may hide for too long.

    A lost reply costs the time-out, the silence after it and the rest of a round. Whatever the contact may do meanwhile
    and undo again nobody sees, and the vent is not played.
    """
    told = set[str]()
    for vent in bench.model.vents.values():
        if vent.plays is None or vent.follows is not None:
            continue
        for name in vent.commanded_by:
            signal = bench.model.registers[name]
            bus = bench.model.buses[signal.bus]
            hole_s = bus.timeout + bus.quiet_s + bus.poll_every
            if name in told or (signal.keeps_for is not None and hole_s < signal.keeps_for):
                continue
            told.add(name)
            hint = f"shorten timeout and quiet_after_fault of bus {signal.bus!r}, or declare more than {_ms(hole_s)}"
            if signal.keeps_for is None:
                reason = (
                    f"nothing says how long {name!r}, which commands a vent that is played, keeps its state"
                )
                yield bench.problem(("signals", name), reason, f"declare keeps_for; {hint}", at_key=True)
            else:
                kept = _ms(signal.keeps_for)
                reason = f"one lost reply hides {name!r} for {_ms(hole_s)}, and it keeps for {kept} only"
                yield bench.problem(("signals", name, "keeps_for"), reason, hint)


def hunting_notes(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a note for each played position that the unit may hunt after, because it is shown the vent too late.

    What moves on between the unit's command and what the unit sees of it must stay below its own deadband: the travel
    in a round, and in the longer of the run-on and the time that the loop needs. Chosen by measurement: of ten loops
    that kept to it one let a healthy unit start once more than it needed to.
    """
    for name, vent in bench.model.vents.items():
        position = vent.plays.position if vent.plays is not None else None
        if position is None or position.unit_deadband is None:
            continue
        deadband = position.unit_deadband.value
        lag = Lag(bench.model, vent)
        moves = lag.percent(lag.every_s)
        if moves <= deadband:
            continue
        reason = (
            f"vent {name!r} may move {moves:.2g} % before the unit is shown it, more than its deadband of "
            f"{deadband:g} %: a healthy unit may start more often than with a real vent"
        )
        within_s = lag.every_within_s(deadband)
        hint = (
            f"poll bus {lag.bus!r} every {_ms(within_s, down=True)} or more often"
            if within_s > 0
            else "no interval is short enough: use a quicker bus or a slower vent"
        )
        yield bench.problem(("vents", name, "plays", "position", "unit_deadband"), reason, hint)


@final
class Lag:
    """How far a played vent is ahead of what the unit is shown.

    Args:
        bench: a bench that was checked.
        vent: a vent whose position is played.

    Attributes:
        bus: the bus that commands it.
        every_s: how long a round is.
    """

    def __init__(self, bench: BenchFile, vent: VentSpec) -> None:
        signals = [bench.registers[name] for name in vent.commanded_by]
        self.bus = signals[0].bus
        spec = answering_at_once(bench.buses[self.bus])
        self.every_s = spec.poll_every
        load = load_on(bench, self.bus, spec)
        self._reply_s = max((read.longest_us for read in load.reads), default=0) / _US
        self._reply_s += max(signal.refreshed_every for signal in signals)
        self._write_s = _write_s(bench, vent)
        self._coast_s = vent.coast[1]
        self._rate = vent.rate_per_s

    def percent(self, every_s: float) -> float:
        """Return how far the vent may move unseen with rounds of some length, %."""
        return self._rate * (max(self._coast_s, every_s + self._reply_s + self._write_s) + every_s)

    def every_within_s(self, percent: float) -> float:
        """Return the longest round with which it moves no further; 0 or less where none is short enough."""
        within_s = percent / self._rate
        return min(within_s - self._coast_s, (within_s - self._reply_s - self._write_s) / 2)


def _write_s(bench: BenchFile, vent: VentSpec) -> float:
    """Return how long it takes to write a played position."""
    assert vent.plays is not None, "who asks has looked"
    assert vent.plays.position is not None, "likewise"
    use = bus_use(bench.outputs[vent.plays.position.output])
    if use is None:
        return 0.0
    spec = answering_at_once(bench.buses[use.bus])
    return load_of(spec, (), [use]).writes[0].longest_us / _US


def _ms(span_s: float, *, down: bool = False) -> str:
    """Return a span as people read it, rounded up; or down to a whole millisecond."""
    return said(int(span_s * _MS) * _MS if down else ceil(span_s * _US - 1e-3))
