"""What a report says of a bench: how exact it is declared to be, and what its self-check measured."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from ventproof.log.events import CheckBegin, CheckFigures, Shortfall
from ventproof.report.chapter import date_text
from ventproof.report.model import Fact, ReportedTable, Section, short_code
from ventproof.verdict.text import board_span, short_span
from ventproof_bench.base.errors import FileError
from ventproof_bench.base.quantities import is_discrete
from ventproof_bench.benchcheck.load import read_bench
from ventproof_bench.benchfile.model import PERSON, BenchFile, ContactOutput
from ventproof_bench.benchfile.people import PersonSignal

if TYPE_CHECKING:
    from ventproof.log.events import PinnedText
    from ventproof.log.read import LogState


_DASH: Final = "–"
_COVERAGE: Final = "U is the expanded uncertainty with k = 2, about 95 % (JCGM 100:2008, the GUM)."


def bench_section(
    pinned: PinnedText,
    used: Iterable[str],
    checks: Sequence[LogState],
    ident: str,
    last: dt.date | None = None,
) -> Section:
    """Return what is to be said of one bench.

    Args:
        pinned: its bench file, as the runs on it name it.
        used: the bench's names of the signals and outputs that the runs used.
        checks: logs of the self-checks of this bench that stand behind the runs.
        ident: what links point to.
        last: the day of the last of these runs; None where all were in virtual time.
    """
    name = pinned.name
    try:
        file = read_bench("bench file in the log", pinned.text).model
    except FileError as error:
        return Section(ident, f"Bench: {name}", (f"Its bench file cannot be read: {error}",), (), ())
    wanted = set(used)
    sentences = [" ".join(file.about.split())] if file.about else []
    sentences += [f"{guard[0].upper()}{guard[1:]}." for guard in file.guards]
    tables = [*_equipment(file, last), *_declared(file, wanted), *_boards(file)]
    for state in checks:
        sentences += _check_sentences(state)
        tables += _measured(state, wanted)
    if not checks:
        sentences.append(
            "No log of a self-check was among the logs of this report: the figures are as declared."
        )
    facts = (Fact("Bench digest", short_code(pinned.sha256)),)
    return Section(ident, f"Bench: {name}", tuple(sentences), facts, tuple(tables))


def _declared(file: BenchFile, used: set[str]) -> Iterator[ReportedTable]:
    rows = []
    for name in file.signals:
        if name in used:
            traits = file.traits(name)
            unit = "" if is_discrete(traits.unit) else f" {traits.unit}"
            rate = _DASH if traits.rate_per_s is None else f"{traits.rate_per_s:.3g}{unit}/s"
            keeps = _DASH if traits.keeps_for_s is None else _ms(traits.keeps_for_s)
            signal = file.signals[name]
            every = _ms(file.every_s(name))
            if isinstance(signal, PersonSignal):
                every = f"when {signal.read_by} is asked"
            error = f"± {traits.error:.3g}{unit}" if unit else "exact"
            rows.append((name, error, every, _ms(traits.refreshed_every_s), rate, keeps))
    head: tuple[str, ...] = (
        "signal",
        "reading",
        "read every",
        "may be older by",
        "moves at most",
        "keeps a value",
    )
    note = "Between two readings the true value is taken to be anywhere that they allow."
    yield ReportedTable("Readings, as declared", head, tuple(rows), note)
    contacts = [
        (name, _ms(output.operate), _ms(output.release), _ms(output.bounce), output.safe)
        for name, output in file.outputs.items()
        if name in used and isinstance(output, ContactOutput) and output.driver != PERSON
    ]
    if contacts:
        head = ("contact", "operates within", "releases within", "bounces for", "safe state")
        yield ReportedTable("Contacts, as declared", head, tuple(contacts))
    yield from _people(file, used)


def _people(file: BenchFile, used: set[str]) -> Iterator[ReportedTable]:
    acts = [
        (name, *(str(output.wired.get(key, _DASH)) for key in ("who", "closed", "open")))
        for name, output in file.by_hand.items()
        if name in used
    ]
    if acts:
        yield ReportedTable("Done by people", ("contact", "by", "closed", "open"), tuple(acts))
    read = [(name, told.read_by, told.asks) for name, told in file.told.items() if name in used]
    if read:
        yield ReportedTable("Read by people", ("signal", "by", "asked"), tuple(read))
    busy = {row[1] for row in (*acts, *read)}
    people = [(n, p.where or _DASH, _ms(p.reaction)) for n, p in file.people.items() if n in busy]
    if people:
        note = (
            "A look was taken between the reaction before its prompt and the answer; an act was done between its "
            "prompt and the reaction after the answer."
        )
        yield ReportedTable("People, as declared", ("who", "where", "reaction"), tuple(people), note)


def _equipment(file: BenchFile, last: dt.date | None) -> Iterator[ReportedTable]:
    rows = tuple(
        (
            piece.name,
            piece.about or _DASH,
            piece.serial or _DASH,
            piece.due,
            piece.calibration(last),
        )
        for piece in file.equipment
    )
    if rows:
        head = ("equipment", "what it is", "serial number", "calibration due", "on the day of the last run")
        yield ReportedTable("Equipment", head, rows)


def _boards(file: BenchFile) -> Iterator[ReportedTable]:
    rows = tuple(
        (
            name,
            ", ".join(file.outputs_on(name)),
            _ms(board.goes_safe_after),
            {"safe": "go to safe values", "off": "switch off"}[board.then],
            board.fed_by if isinstance(board.fed_by, str) else "a write of its own",
            _DASH if board.relay_life is None else f"{board.relay_life:,}",
        )
        for name, board in file.boards.items()
    )
    if rows:
        head = ("board", "outputs", "goes safe after", "then they", "fed by", "relay life, operations")
        yield ReportedTable("Boards that go safe by themselves, as declared", head, rows)


def _check_sentences(state: LogState) -> list[str]:
    begin = state.events[0]
    started = begin.header.started if isinstance(begin, CheckBegin) else None
    when = date_text(started) if started else "in virtual time"
    said = [f"Self-check {short_code(state.digest)} ({when}): {state.outcome}."]
    boards = [e.fields for e in state.rare if isinstance(e, CheckFigures) and e.name == "board"]
    said += [
        f"Board {board['board']}, fed no longer: safe by itself after "
        f"{board_span(board['after_s'], board['within_s'])}."
        for board in boards
    ]
    return said + [f"Worse than declared: {e.text}" for e in state.rare if isinstance(e, Shortfall)]


def _measured(state: LogState, used: set[str]) -> Iterator[ReportedTable]:
    head = ("what", "median", "95 %", "99 %", "worst")
    rows = []
    figures = [event for event in state.rare if isinstance(event, CheckFigures)]
    for name, fields in ((event.name, event.fields) for event in figures):
        if name == "bus":
            rows.append((f"bus {fields['bus']}: round trip", *_quantiles(fields["round_trip"])))
            rows.append((f"bus {fields['bus']}: late poll", *_quantiles(fields["late"])))
        elif name == "edges" and fields["output"] in used:
            rows.append((f"{fields['output']}: late edge", *_quantiles(fields["late"])))
            rows.append((f"{fields['output']}: window of an edge", *_quantiles(fields["width"])))
        elif name == "loop" and fields["signal"] in used:
            rows.append(
                (f"vent {fields['vent']}: from its command to what shows it", *_quantiles(fields["delay"]))
            )
            if fields["off_percent"] is not None:
                off = f"{fields['off_percent']:.2g} %"
                rows.append((f"vent {fields['vent']}: position held, off by", *3 * (_DASH,), off))
    yield ReportedTable("Measured by the self-check", head, tuple(rows))
    decided = [e.fields for e in figures if e.name == "decidable" and e.fields["signal"] in used]
    if decided:
        head = (
            "signal",
            "smallest tolerance",
            "deadline beyond the true time",
            "U of a reading",
            "U of a time",
        )
        yield ReportedTable("What this bench can decide", head, tuple(map(_decidable, decided)), _COVERAGE)


def _decidable(event: Mapping[str, Any]) -> tuple[str, ...]:
    unit = "" if is_discrete(event["unit"]) else f" {event['unit']}"
    tolerance = (
        _DASH if event["tolerance"] is None else f"{event['tolerance']:.3g}{unit}" if unit else "exact"
    )
    deadline = f"lacks {event['lacks']}" if event["deadline_s"] is None else _ms(event["deadline_s"])
    value = f"{event['value']['expanded']:.2g}{unit}" if unit else "exact"
    return event["signal"], tolerance, deadline, value, _ms(event["instant"]["expanded"])


def _quantiles(found: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(_ms(found[key]) for key in ("median_s", "p95_s", "p99_s", "worst_s"))


def _ms(value_s: float | None) -> str:
    if value_s is None:
        return _DASH
    return short_span(value_s)
