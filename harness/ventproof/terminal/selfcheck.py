"""What the terminal shows of files that were checked, and after a self-check or a hook-up check."""

from __future__ import annotations

from contextlib import suppress
from math import isinf
from typing import TYPE_CHECKING

from rich.console import Console
from rich.table import Table
from rich.text import Text

from ventproof.profile.check_traffic import busiest, late_notes
from ventproof.run.stimuli import weather_said
from ventproof.terminal.console import Names, new_console, tell_left
from ventproof.verdict.text import board_span, milliseconds, reading_text
from ventproof_bench.base.text import number_of
from ventproof_bench.benchcheck.traffic import load_on, polled, said
from ventproof_bench.benchfile.equipment import overdue
from ventproof_bench.benchfile.signals import SignalSpec
from ventproof_bench.modbus.traffic import answering_at_once, budget
from ventproof_bench.selfcheck.vents import place_said

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Sequence

    from ventproof.profile.bind import Bound
    from ventproof.session.selfcheck import CheckResult
    from ventproof_bench.base.errors import Problem
    from ventproof_bench.benchfile.model import BenchFile, BusSpec
    from ventproof_bench.selfcheck.capability import Decidable
    from ventproof_bench.selfcheck.diagnosis import Exercised
    from ventproof_bench.selfcheck.procedure import Measured
    from ventproof_bench.selfcheck.vents import VentStood
    from ventproof_bench.yamlfile.load import Loaded


_SAYS = {
    (
        "bench",
        "fine",
    ): "fine: all measured values within declared limits, wiring correct",
    ("bench", "worse"): "measured values outside declared limits, or wiring errors",
    ("bench", "partial"): "not everything was judged; no error found in the rest",
    ("unit", "fine"): "fine: each output gives its declared response",
    ("unit", "worse"): "wiring errors found",
    ("unit", "partial"): "not everything was judged; no error found in the rest",
    ("bench", "failed"): "the bench failed",
    ("unit", "failed"): "the bench failed",
}


def of_bench(bench: Loaded[BenchFile], today: dt.date) -> Iterator[str]:
    """Yield what is worth knowing of a bench file that is right: what its buses carry, and what is to be calibrated."""
    yield f"{bench.path}: valid"
    for line in overdue(bench.model.equipment, today):
        yield f"  warning: {line}; calibrate it and state the new date"
    for name, spec in bench.model.buses.items():
        yield f"  bus {name}: {_carries(bench.model, name, spec)}"
    yield from _warnings(bench.renamed)
    yield from _notes(bench.notes)


def of_bound(bound: Bound) -> Iterator[str]:
    """Yield what is worth knowing of a profile that fits its bench: its weather, and what it asks of the buses."""
    yield from _warnings(bound.warnings)
    for line in weather_said(bound):
        yield f"  {line}"
    for bus, share, worst in busiest(bound):
        yield (
            f"  on bus {bus}: its pulses and the polls take at most {float(100 * share):.3g} % of the time; worst "
            f"stimulus latency {said(worst.latency_us)}; worst sample age {said(worst.age_us)}"
        )
    yield from _notes(late_notes(bound))


def _warnings(warnings: Iterable[Problem]) -> Iterator[str]:
    return (f"  warning: {warning}" for warning in warnings)


def _notes(notes: Iterable[Problem]) -> Iterator[str]:
    return (f"  note: {note}" for note in notes)


def _carries(bench: BenchFile, name: str, spec: BusSpec) -> str:
    """Return what a bus is asked for and the worst that it makes of that."""
    signals = sum(signal.bus == name for signal in bench.registers.values())
    load, at_once = load_on(bench, name, spec), load_on(bench, name, answering_at_once(spec))
    worst, least = budget(load), budget(at_once)
    known = load == at_once
    line = (
        f"{number_of(signals, 'signal')} in {number_of(len(polled(bench, name)), 'request')} every "
        f"{said(load.poll_every_us)}; "
        f"utilisation {'' if known else 'at least '}{float(100 * at_once.polling):.3g} %"
    )
    figures = [
        (what, said(best_us), said(worst_us))
        for what, best_us, worst_us in (
            ("stimulus latency", least.latency_us, worst.latency_us),
            ("sample age", least.age_us, worst.age_us),
        )
        if worst_us
    ]
    if known:
        return "; ".join([line, *(f"worst {what} {most}" for what, _, most in figures)])
    line = "; ".join([line, *(f"worst {what} {best} to {most}" for what, best, most in figures)])
    return f"{line}, for answers at once to answers after the timeout of {spec.timeout:g} s: declare answers_within"


def show_check(file: BenchFile, check: CheckResult, *, everything: bool = False) -> None:
    """Print what was measured, what is wrong, and where the log is; a reader that went away is no error.

    Args:
        file: the bench file.
        check: what was found.
        everything: whether each measurement is shown; else tables only where something is wrong, and lines elsewhere.
    """
    with suppress(BrokenPipeError):
        _show(new_console(), file, check, everything=everything)


def _show(console: Console, file: BenchFile, check: CheckResult, *, everything: bool) -> None:
    if check.measured is not None:
        if check.kind == "bench":
            _show_measured(console, check.measured, check.decidable, everything=everything)
        for name, tried in check.measured.exercised.items():
            if everything or check.sentences:
                stood = [
                    one
                    for one in check.measured.stood
                    if tried.how == "driven" and one.output == tried.output
                ]
                console.print(_answers_table(file, name, tried, stood))
            else:
                console.print(Text(_answers_line(file, name, tried)), soft_wrap=True)
        for missing in _not_judged(check):
            console.print(missing)
    for note in check.notes:
        console.print(Text(f"note: {note}", style="dim"))
    if check.settings:
        console.print(Text(f"settings of the unit: {'; '.join(map(str, check.settings))}"), soft_wrap=True)
    for sentence in check.sentences:
        console.print(Text(f"• {sentence}", style="yellow"))
    closing = (
        _SAYS[check.kind, check.result]
        + _leaving_out(check)
        + (f": {check.aborted}" if check.aborted else "")
    )
    console.print(Text(closing, style=_STYLES[check.result]))
    if check.unsafe or not file.virtual:
        tell_left(console, check.left, check.unsafe)
    console.print(Text(f"log {check.log}  digest {check.digest[:16]}…", style="dim"), soft_wrap=True)


_STYLES = {"fine": "green", "worse": "yellow", "partial": "yellow", "failed": "red"}


def _not_judged(check: CheckResult) -> Iterator[Text]:
    """Yield what was not judged, but for what the closing line lists."""
    reasons: dict[str, list[str]] = {}
    for one in check.unjudged:
        if one.left and check.result == "fine":
            continue
        reasons.setdefault(one.why, []).append(one.name)
    for why, names in reasons.items():
        yield Text(f"not judged: {', '.join(names)}: {why}", style="dim")


def _leaving_out(check: CheckResult) -> str:
    """Return what the closing line says of what the bench file leaves out."""
    left = [one.name for one in check.unjudged if one.left]
    return f"; left out: {', '.join(left)}" if left and check.result == "fine" else ""


def _show_measured(
    console: Console, measured: Measured, found: tuple[Decidable, ...], *, everything: bool
) -> None:
    if everything:
        console.print(_measured_table(measured))
        console.print(_decidable_table(found))
    else:
        for line in _measured_lines(measured, found):
            console.print(Text(line), soft_wrap=True)
    for line in _undecided(found):
        console.print(Text(line))


def _measured_lines(measured: Measured, found: tuple[Decidable, ...]) -> Iterator[str]:
    """Yield in a few lines what was measured, and the smallest limits that can be decided."""
    for bus in measured.buses:
        trip = f"round trip {milliseconds(bus.round_trip.median_s)}, worst {milliseconds(bus.round_trip.worst_s)}"
        yield f"bus {bus.bus}: {trip}; readings at most {milliseconds(bus.age_s)} old"
    for edges in measured.edges:
        yield f"output {edges.output}: time uncertainty of an edge at most {milliseconds(edges.width.worst_s)}"
    known = [one for one in found if one.tolerance is not None and one.deadline_s is not None]
    if known:
        graded = [f"{one.signal} {_exact_or(one.tolerance, one.unit, 3)}" for one in known if one.tolerance]
        exact = len(known) - len(graded)
        rest = [f"{exact} more exact"] if exact else []
        yield f"smallest tolerance that can be decided: {', '.join([*graded, *rest])}"
        margin = milliseconds(max(one.deadline_s or 0.0 for one in known))
        yield f"smallest time margin that can be decided: {margin} (`--all` shows each measurement)"


def _answers_line(file: BenchFile, title: str, tried: Exercised) -> str:
    """Return in one line which signals responded to an output, and how."""
    before, after = tried.before.values, tried.after.values
    changed = [
        f"{name} {_value_said(file, name, before[name])} to {_value_said(file, name, after[name])}"
        for name in file.signals
        if name in tried.wanted and name in before and name in after and before[name] != after[name]
    ]
    return f"{title}: {', '.join(changed) or 'nothing changed'}"


def _value_said(file: BenchFile, name: str, value: float) -> str:
    signal = file.signals[name]
    states = (signal.states or {}) if isinstance(signal, SignalSpec) else {}
    return reading_text(value, file.traits(name).unit, states)


def _measured_table(measured: Measured) -> Table:
    table = Table(title="measured", title_justify="left", expand=False)
    table.add_column("what")
    for heading in ("median", "95 %", "99 %", "worst"):
        table.add_column(heading, justify="right")
    for bus in measured.buses:
        for what, q in (
            (f"bus {bus.bus}: round trip", bus.round_trip),
            (f"bus {bus.bus}: poll delay", bus.late),
        ):
            table.add_row(Names(what), *map(milliseconds, (q.median_s, q.p95_s, q.p99_s, q.worst_s)))
        table.add_row(
            Text(f"bus {bus.bus}: age of a reading, gaps {bus.gaps}"), "", "", "", milliseconds(bus.age_s)
        )
    for edges in measured.edges:
        for what, q in (("edge delay", edges.late), ("time uncertainty of an edge", edges.width)):
            row = map(milliseconds, (q.median_s, q.p95_s, q.p99_s, q.worst_s))
            table.add_row(Names(f"output {edges.output}: {what}"), *row)
    for loop in measured.loops:
        q = loop.delay
        row = map(milliseconds, (q.median_s, q.p95_s, q.p99_s, q.worst_s))
        table.add_row(Names(f"vent {loop.vent}: from its command to what shows it"), *row)
    for what, text in _bounds(measured):
        table.add_row(Names(what), "", "", "", Text(text))
    return table


def _bounds(measured: Measured) -> Iterator[tuple[str, str]]:
    for echo in measured.echoes:
        most = "–" if echo.at_most_s is None else f"≤ {milliseconds(echo.at_most_s)}"
        yield f"output {echo.output}: read back by {echo.signal}", most
    for count in measured.counts:
        counted = "–" if count.counted is None else str(count.counted)
        yield f"output {count.output}: closures sent, counted by {count.signal}", f"{count.sent}, {counted}"
    for board in measured.boards:
        yield (
            f"board {board.board}: safe by itself after its last request",
            board_span(board.after_s, board.within_s),
        )
    for refresh in measured.refreshes:
        most = "" if isinf(refresh.at_most_s) else f" to {milliseconds(refresh.at_most_s)}"
        yield f"signal {refresh.signal}: refresh interval", f"{milliseconds(refresh.at_least_s)}{most}"

    for loop in measured.loops:
        if loop.off_percent is not None:
            yield f"vent {loop.vent}: position held, off by", f"≤ {loop.off_percent:.2g} %"


def _decidable_table(found: tuple[Decidable, ...]) -> Table:
    title = "what this bench can decide (guarded); ± is the expanded uncertainty, k = 2"
    table = Table(title=title, title_justify="left", expand=False)
    table.add_column("signal")
    for heading in ("smallest tolerance", "smallest time margin", "reading ±", "time ±"):
        table.add_column(heading, justify="right")
    for one in found:
        known = one.tolerance is not None and one.deadline_s is not None
        table.add_row(
            Names(one.signal),
            _exact_or(one.tolerance or 0.0, one.unit, 3) if known else "–",
            milliseconds(one.deadline_s or 0.0) if known else "–",
            _exact_or(one.value.expanded, one.unit, 2),
            milliseconds(one.instant.expanded),
        )
    return table


def _exact_or(value: float, unit: str, digits: int) -> str:
    return f"{value:.{digits}g} {unit}" if value else "exact"


def _undecided(found: tuple[Decidable, ...]) -> Iterator[str]:
    """Yield what must be declared before more can be decided, each with the signals that lack it."""
    lacking: dict[str, list[str]] = {}
    for one in found:
        if one.tolerance is None or one.deadline_s is None:
            lacking.setdefault(one.lacks, []).append(one.signal)
    for lacks, signals in lacking.items():
        yield f"not decidable: {', '.join(signals)}: declare {lacks}"


def _answers_table(file: BenchFile, title: str, tried: Exercised, stood: Sequence[VentStood]) -> Table:
    table = Table(title=f"signals after operating {title}", title_justify="left", expand=False)
    for heading in ("Signal", "Expected", "Before", "After", "Response time"):
        table.add_column(heading)
    wanted = tried.wanted
    for name in file.signals:
        if name not in wanted and name not in tried.delays:
            continue
        values = [tried.before.values.get(name), tried.after.values.get(name)]
        delay = tried.delays.get(name)
        table.add_row(
            Names(name),
            str(wanted.get(name, "–")),
            *("–" if value is None else f"{value:g}" for value in values),
            "–" if delay is None else f"{milliseconds(delay[0])} to {milliseconds(delay[1])}",
        )
    for vent in stood:
        where = (place_said(vent.before), place_said(vent.after))
        table.add_row(Names(vent.signal), str(vent.wanted), *where, "–")
    return table
