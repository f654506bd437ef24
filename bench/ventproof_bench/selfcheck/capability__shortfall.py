"""Where a bench file declares better than was measured."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, Final

from bench.carrying import load_on
from bench.wiring import WiredBus

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.measured import BusMeasured, EchoMeasured
    from bench.selfcheck import Measured
    from bench.wiring import BenchFile

_MS: Final = 1000
_US: Final = 1_000_000
_LATE: Final = 0.1  # of the poll interval: later than this half of the time is no scatter of a busy computer


def shortfalls(file: BenchFile, measured: Measured) -> Iterator[str]:
    """Yield a sentence for each thing that was measured to be worse than the bench file declares."""
    yield from _unread(file, measured)
    for bus in measured.buses:
        yield from _bus(file, bus)
    for edges in measured.edges:
        if edges.missing:
            yield f"output {edges.output}: nothing proves that {edges.missing} edge(s) went out"
    for echo in measured.echoes:
        yield from _echo(echo)
    for count in measured.counts:
        if count.counted is None:
            yield f"output {count.output}: its counter {count.signal} could not be read"
        elif count.counted != count.sent and count.certain:
            yield f"output {count.output}: {count.sent} closures were sent and {count.signal} counted {count.counted}"
    for refresh in measured.refreshes:
        if refresh.at_least_s > refresh.declared_s:
            yield (
                f"signal {refresh.signal}: refreshed every {_ms(refresh.at_least_s)} or less often, where the bench "
                f"file declares {_ms(refresh.declared_s)}; write `refreshed_every: {_ms(refresh.at_most_s)}`"
            )


def _unread(file: BenchFile, measured: Measured) -> Iterator[str]:
    """Yield what was not read: nothing measured is not nothing wrong."""
    known = {bus.bus for bus in measured.buses}
    for bus in file.buses:
        signals = [name for name, spec in file.signals.items() if spec.bus == bus]
        unread = [name for name in signals if name in measured.unread]
        if signals and unread == signals:
            yield f"bus {bus}: nothing usable was read from it; look at `unit_id`, addresses, cable, baud and framing"
            continue
        if signals and bus not in known:
            yield f"bus {bus}: too few usable replies came in a row to measure it; look at cable and time-outs"
        for name in unread:
            yield f"signal {name}: its registers never held a value; look at its address and type"


def _echo(echo: EchoMeasured) -> Iterator[str]:
    if echo.followed < 2 * echo.cycles:
        yield (
            f"output {echo.output}: its feedback {echo.signal} followed {echo.followed} of {2 * echo.cycles} edges"
        )
    if echo.at_least_s:
        yield (
            f"output {echo.output}: its feedback {echo.signal} moved {_ms(echo.at_least_s)} or more after the "
            "latest instant that the bench file allows; declare longer `operate`, `release` and `bounce`, or a "
            f"longer `refreshed_every` of {echo.signal}"
        )


def _bus(file: BenchFile, bus: BusMeasured) -> Iterator[str]:
    if bus.gaps:
        yield f"bus {bus.bus}: no usable reply came {bus.gaps} time(s); look at cable, termination and time-outs"
    spec = file.buses[bus.bus]
    if bus.late.median_s > _LATE * spec.poll_every:
        every_s = spec.poll_every + bus.late.median_s
        yield (
            f"bus {bus.bus}: polled every {_ms(every_s)}, where `poll_every` declares {_ms(spec.poll_every)}; "
            "declare what it can do"
        )
    if not isinstance(spec, WiredBus) or spec.answers_within is None:
        return
    longest_s = max(read.longest_us for read in load_on(file, bus.bus, spec).reads) / _US
    if bus.round_trip.p95_s > longest_s:
        yield (
            f"bus {bus.bus}: one reply in twenty took {_ms(bus.round_trip.p95_s)} or longer, where `answers_within` "
            f"makes it {_ms(longest_s)} at most"
        )


def _ms(span_s: float) -> str:
    return f"{ceil(span_s * _MS * 10 - 1e-6) / 10:g} ms"
