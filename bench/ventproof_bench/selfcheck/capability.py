"""What is decidable; what falls short."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, Final, final

from ventproof_bench.base.text import number_of
from ventproof_bench.base.uncertainty import UncertaintyBudget, bounds, resolution, within_span
from ventproof_bench.benchcheck.traffic import load_on
from ventproof_bench.benchfile.model import WiredBus
from ventproof_bench.outputs.boards import STARVED_FOR

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ventproof_bench.base.evidence import BoardStarved, SignalTraits
    from ventproof_bench.benchfile.model import BenchFile
    from ventproof_bench.selfcheck.measure import BusMeasured, CountMeasured, EchoMeasured, LoopMeasured
    from ventproof_bench.selfcheck.procedure import Measured


_CLOCK_S: Final = 1e-6  # log times are whole microseconds

_SILENT: Final = 0.5
"""Of the heartbeat limit; a harness that was silent for longer in a short check will be for all of it in a long run."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class Decidable:
    """What can be decided of one signal.

    Attributes:
        signal: its name.
        unit: its unit.
        tolerance: smallest tolerance with which a value that rests exactly where it is wanted passes for certain, in
            the signal's unit; None where nothing bounds the value between two readings.
        deadline_s: a response passes for certain when its deadline is so much later than it truly comes, seconds;
            None likewise.
        lacks: what to declare so that both can be given; empty when nothing is missing.
        value: uncertainty of a reading, in the signal's unit.
        instant: uncertainty of the time of a response, seconds.
    """

    signal: str
    unit: str
    tolerance: float | None
    deadline_s: float | None
    lacks: str
    value: UncertaintyBudget
    instant: UncertaintyBudget


def decidable(
    traits: SignalTraits,
    bus: BusMeasured,
    *,
    every_s: float,
    refresh_s: float,
    stimulus_s: float,
    step: float,
) -> Decidable:
    """Return what can be decided of a signal.

    A reading was taken somewhere between its request and its reply and is up to `refresh_s` older. From one to the
    next a value at rest could leave at its fastest rate r and be back, so at rest the envelope reaches r·G/2 beyond
    the readings, G = age + refresh being the span of two neighbouring ones; the readings are off by up to the error e,
    and the truth is so again from them: 2e + r·G/2. An arrival shows up to G late, the value's own 2e take 2e/r at
    that rate, and the stimulus may have come at the begin of its window.

    Args:
        traits: what the bench file declares of the signal.
        bus: what was measured of its bus.
        every_s: the bus's poll interval.
        refresh_s: the unit's refresh interval: the longer of declared and measured.
        stimulus_s: widest stimulus window of the bench's contacts.
        step: smallest step of the value; 0 where it has none.
    """
    instant = UncertaintyBudget(
        f"the time of a response of {traits.name}",
        "s",
        (
            within_span("between two polls", every_s),
            bus.jitter,
            within_span("from request to reply", bus.round_trip.worst_s),
            within_span("refresh of the unit", refresh_s),
            within_span("window of the stimulus", stimulus_s),
            resolution("clock of the record", _CLOCK_S),
        ),
    )
    tolerance, deadline_s, lacks = _limits(traits, bus.age_s + refresh_s, stimulus_s)
    return Decidable(
        signal=traits.name,
        unit=traits.unit,
        tolerance=tolerance,
        deadline_s=deadline_s,
        lacks=lacks,
        value=_value(traits, step),
        instant=instant,
    )


def _value(traits: SignalTraits, step: float) -> UncertaintyBudget:
    accuracy = max(0.0, traits.error - step / 2)
    parts = resolution("resolution", step), bounds("accuracy as declared", accuracy)
    return UncertaintyBudget(f"a reading of {traits.name}", traits.unit, parts)


def _limits(traits: SignalTraits, span_s: float, stimulus_s: float) -> tuple[float | None, float | None, str]:
    """Return smallest tolerance, sharpest deadline, and what is lacking for them."""
    if traits.rate_per_s is not None:
        tolerance = 2 * traits.error + traits.rate_per_s * span_s / 2
        return tolerance, span_s + stimulus_s + 2 * traits.error / traits.rate_per_s, ""
    if traits.unit == "count":
        return 0.0, span_s + stimulus_s, ""
    if traits.unit not in ("flag", "state"):
        return None, None, "full_travel and range, the fastest that the value can change"
    if traits.keeps_for_s is None or traits.keeps_for_s <= span_s:
        return None, None, f"keeps_for of more than {span_s:.3f} s, if the unit keeps to it"
    return 0.0, span_s + stimulus_s, ""


_MS: Final = 1000
_US: Final = 1_000_000
_LATE: Final = 0.1  # of the poll interval: later than this half of the time is no scatter of a busy computer


def shortfalls(file: BenchFile, measured: Measured) -> Iterator[str]:
    """Yield a sentence for each thing that was measured to be worse than the bench file declares."""
    yield from _unread(file, measured)
    yield from _silent(file, measured)
    for bus in measured.buses:
        yield from _bus(file, bus, gaps=not measured.wrongs)
    for edges in measured.edges:
        if edges.missing:
            yield f"output {edges.output}: nothing proves that {number_of(edges.missing, 'edge')} went out"
    for echo in measured.echoes:
        yield from _echo(echo)
    for count in measured.counts:
        yield from _count(count)
    for board in measured.boards:
        yield from _board(file, board)
    for loop in measured.loops:
        yield from _loop(file, loop)
    for refresh in measured.refreshes:
        if refresh.at_least_s > refresh.declared_s:
            longest_s = max(refresh.at_least_s, refresh.at_most_s)
            yield (
                f"signal {refresh.signal}: refreshed every {_ms(refresh.at_least_s)} or less often, where the bench "
                f"file declares {_ms(refresh.declared_s)}; write `refreshed_every: {_ms(longest_s)}`"
            )


def _silent(file: BenchFile, measured: Measured) -> Iterator[str]:
    if measured.silence_s > _SILENT * file.heartbeat_limit:
        yield (
            f"the harness was silent for {measured.silence_s:.2f} s, more than half of the heartbeat limit of "
            f"{file.heartbeat_limit:g} s: run less on this computer, or write a longer `heartbeat_limit`"
        )


def _board(file: BenchFile, board: BoardStarved) -> Iterator[str]:
    declared_s = file.boards[board.board].goes_safe_after
    driven = (
        f"its contact {board.output} stayed driven" if board.output else "it did not tell that it tripped"
    )
    if board.within_s is None:
        yield (
            f"board {board.board}: {driven} for {board.after_s:.3g} s without being fed, declared {declared_s:g} s; "
            "switch its watchdog on, and let no other client talk to it"
        )
        return
    if board.after_s > declared_s:
        yield (
            f"board {board.board}: went safe {board.after_s:.3g} s or more after it was fed last; declare that as "
            "`goes_safe_after`, or set the board to less"
        )
    if board.within_s < STARVED_FOR[0] * declared_s:
        yield (
            f"board {board.board}: went safe within {board.within_s:.3g} s, declared {declared_s:g} s: one lost reply "
            "would trip it; set the board to its time"
        )
    if board.told is False:
        yield f"board {board.board}: went safe, and its `tripped` does not tell; look at its table and address"


def _unread(file: BenchFile, measured: Measured) -> Iterator[str]:
    """Yield what was not read: nothing measured is not nothing wrong."""
    if measured.wrongs:
        return  # who does not answer is known better
    known = {bus.bus for bus in measured.buses}
    for bus in file.buses:
        signals = [name for name, spec in file.registers.items() if spec.bus == bus]
        unread = [name for name in signals if name in measured.unread]
        if signals and unread == signals:
            yield f"bus {bus}: nothing usable was read from it; look at `unit_id`, addresses, cable, baud and framing"
            continue
        if signals and bus not in known:
            yield f"bus {bus}: too few usable replies came in a row to measure it; look at cable and time-outs"
        for name in unread:
            yield f"signal {name}: its registers never held a value; look at its address and type"


def _count(count: CountMeasured) -> Iterator[str]:
    if count.counted is None:
        yield f"output {count.output}: its counter {count.signal} could not be read"
    elif count.counted != count.sent and count.certain:
        yield f"output {count.output}: {count.sent} closures were sent and {count.signal} counted {count.counted}"


def _loop(file: BenchFile, loop: LoopMeasured) -> Iterator[str]:
    vent = file.vents[loop.vent]
    position = vent.plays.position if vent.plays is not None else None
    if position is None:
        return
    if loop.off_percent is not None and loop.off_percent > position.accuracy.value:
        yield (
            f"vent {loop.vent}: output {position.output} is up to {loop.off_percent:.3g} % off, where `accuracy` "
            f"declares {position.accuracy}; declare what it can do"
        )
    if position.unit_deadband is None:
        return
    every_s = file.buses[file.bus_of(loop.signal)].poll_every
    moves = vent.rate_per_s * (max(vent.coast[1], every_s + loop.delay.worst_s) + every_s)
    if moves > position.unit_deadband.value:
        yield (
            f"vent {loop.vent}: the loop takes up to {_ms(loop.delay.worst_s)}, in which and in a round the vent may "
            f"move {moves:.3g} %, more than the unit's deadband of {position.unit_deadband}; use a quicker bus, or "
            "declare a slower vent"
        )


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


def _bus(file: BenchFile, bus: BusMeasured, *, gaps: bool) -> Iterator[str]:
    if bus.gaps and gaps:
        times = number_of(bus.gaps, "time")
        yield f"bus {bus.bus}: no usable reply came {times}; look at cable, termination and time-outs"
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
