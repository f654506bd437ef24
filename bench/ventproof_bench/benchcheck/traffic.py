"""Whether the buses of a bench can carry what is asked of them, and what would do where they cannot."""

from __future__ import annotations

from fractions import Fraction
from math import ceil
from typing import TYPE_CHECKING, Final

from ventproof_bench.benchfile.model import SerialBus
from ventproof_bench.drivers.driver import bus_use
from ventproof_bench.modbus.register_map import plan_reads
from ventproof_bench.modbus.traffic import BAUDS, answering_at_once, load_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from ventproof_bench.base.errors import Problem
    from ventproof_bench.base.protocols import BusUse, ReadRequest
    from ventproof_bench.benchfile.model import BenchFile, BusSpec
    from ventproof_bench.modbus.traffic import Load
    from ventproof_bench.yamlfile.load import Loaded


_MS: Final = 1000  # microseconds
_TENTH: Final = 100  # microseconds


def polled(bench: BenchFile, bus: str) -> tuple[ReadRequest, ...]:
    """Return the requests that read all signals of a bus."""
    signals = {name: signal for name, signal in bench.registers.items() if signal.bus == bus}
    return plan_reads(signals, bench.buses[bus]).requests


def load_on(bench: BenchFile, bus: str, spec: BusSpec, outputs: Collection[str] | None = None) -> Load:
    """Return the load of a bus.

    Args:
        bench: a bench that was checked.
        bus: the bus's name.
        spec: its declaration, or one like it.
        outputs: the outputs that count; all unless stated.
    """
    names = bench.outputs if outputs is None else outputs
    uses = [use for use in (bus_use(bench.outputs[name]) for name in names) if use and use.bus == bus]
    return load_of(spec, polled(bench, bus), uses, list(_played(bench, bus, spec)))


def _played(bench: BenchFile, bus: str, spec: BusSpec) -> Iterator[tuple[BusUse, float]]:
    """Yield the positions of vents played over a bus, each with how long a round is; switches move seldom."""
    for vent in bench.vents.values():
        if vent.plays is None or vent.plays.position is None:
            continue
        commanding = bench.registers[vent.commanded_by[0]].bus
        use = bus_use(bench.outputs[vent.plays.position.output])
        if use is not None and use.bus == bus:
            yield use, (spec if commanding == bus else bench.buses[commanding]).poll_every


def carrying_problems(bench: Loaded[BenchFile]) -> Iterator[Problem]:
    """Yield a problem for each serial bus that cannot carry its polling.

    A unit is taken to answer at once where the file does not say how long it takes: what does not fit then never does.
    """
    for name, declared in bench.model.buses.items():
        if not isinstance(declared, SerialBus):
            continue
        load = load_on(bench.model, name, answering_at_once(declared))
        if load.polling <= 1:
            continue
        takes = f"{said(load.round_us)} at {declared.baud} Bd{_answering(declared)}"
        vents = " with the vents that it moves" if load.played_us else ""
        every = said(load.poll_every_us)
        reason = f"bus {name!r} is polled every {every}, but a round of its polls{vents} takes {takes}"
        yield bench.problem(("buses", name, "poll_every"), reason, remedy(bench.model, name, declared))


def remedy(
    bench: BenchFile,
    bus: str,
    spec: SerialBus,
    *,
    outputs: Collection[str] = (),
    edges_per_us: Fraction = Fraction(0),
) -> str:
    """Return which poll interval or line speed would let a bus carry its load, for a hint.

    Args:
        bench: the bench.
        bus: the bus's name.
        spec: its declaration.
        outputs: the outputs that are driven meanwhile.
        edges_per_us: how many edges they make in a microsecond.
    """
    spec = answering_at_once(spec)
    load = load_on(bench, bus, spec, outputs)
    ways = []
    left = 1 - edges_per_us * load.edge_us
    if left > 0:
        ways.append(f"poll every {said(ceil(load.round_us / left / _MS) * _MS)} or less often")
    for baud in (baud for baud in BAUDS if baud > spec.baud):
        faster = load_on(bench, bus, spec.model_copy(update={"baud": baud}), outputs)
        if faster.polling + edges_per_us * faster.edge_us <= 1:
            ways.append(f"let line and unit run at {baud} Bd")
            break
    return ", or ".join(ways) or "no standard line speed is enough either"


def _answering(spec: SerialBus) -> str:
    if spec.answers_within is None:
        return ", even if the unit answers at once"
    return f" with a unit that answers within {said(round(spec.answers_within * _MS * _MS))}"


def said(span_us: int) -> str:
    """Return a span of microseconds as people read it, rounded up to a tenth of a millisecond."""
    span_ms = ceil(Fraction(span_us, _TENTH)) / 10
    return f"{span_ms / _MS:.8g} s" if span_ms >= _MS else f"{span_ms:.8g} ms"
