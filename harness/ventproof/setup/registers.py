"""What the bench reads: the maker's list beside the registers, and what moves when a person moves a vent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, final, get_args

from ventproof.firstbench.bench_text import FirstSetting, FirstSignal
from ventproof.firstbench.codings import (
    Coding,
    PositionFit,
    RawReading,
    coding_of,
    plausible_codings,
    position_fits,
)
from ventproof.firstbench.makers_list import ListedValue, placed, read_list
from ventproof.firstbench.movement import (
    declared_refresh_s,
    declared_travel_s,
    longest_refresh_s,
    samples_of,
    shortest_travel_s,
)
from ventproof.setup.asking import AUTOMATIC, YES, a_span, one_of
from ventproof.setup.dialogue import SetupQuestion
from ventproof.setup.hand_moves import HandMovedVent, record_moves
from ventproof.setup.recording import read_once
from ventproof.verdict.text import number_text
from ventproof_bench.base.errors import FileError, Problem, Refusal
from ventproof_bench.base.protocols import ReadRequest, Table
from ventproof_bench.base.quantities import Dimension, parse, parse_as, span_text
from ventproof_bench.yamlfile.fields import own_unit
from ventproof_bench.yamlfile.load import read_attached

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ventproof.setup.connection import Connection
    from ventproof.setup.dialogue import Dialogue

_PASTE: Final = "paste"
_ALL: Final = "all"
_BY_HAND: Final = "hand"
_SKIP: Final = "skip"
_MOST_CODINGS: Final = 5
_NO_TRAVEL: Final = "unknown"
_USUAL_REFRESH: Final = "500 ms"
_USUAL_KEEP: Final = "1 s"
_UNIT_WORDS: Final = {
    "°C": ("temp",),
    "count": ("pulse", "count", "tips", "closures"),
    "mm/h": ("intensity", "rainfall"),
    "°": ("direction",),
    "m/s": ("wind", "gust"),
    "%": ("vent", "position", "opening", "ridge", "window", "%"),
}


@final
@dataclass(frozen=True, slots=True)
class Registers:
    """What was found out of a unit's registers.

    Attributes:
        signals: what the bench reads.
        settings: values that it can write, by name.
    """

    signals: tuple[FirstSignal, ...]
    settings: Mapping[str, ListedValue]


def find_out(dialogue: Dialogue, connection: Connection, unit_id: int) -> Registers:
    """Ask for the maker's list, read it live, and find how each value is coded.

    Raises:
        FileError: an answer will not do, or nothing of the list can be read.
    """
    while True:
        values = _listed(dialogue)
        requests = {value.name: _requests(value, unit_id) for value in values}
        seen = read_once(connection.spec, requests)
        dialogue.asker.say(_side_by_side(values, seen))
        readable = {v.name: v for v in values if isinstance(seen[v.name], RawReading) and v.table != "coil"}
        if readable:
            break
        reason, hint = (
            "nothing of the list can be read",
            "look at its table, and whether it counts from 0 or 1",
        )
        if not dialogue.asker.there:
            raise FileError([Problem("--answer", None, None, reason, hint)])
        dialogue.asker.say(f"{reason[0].upper()}{reason[1:]}: {hint}; or go back to another unit id.")
        dialogue.forget("list", "list.text", "table", "counted_from")
    chosen = _chosen(dialogue, {n: v for n, v in readable.items() if not v.writable} or readable)
    finder = _Finder(dialogue, connection, unit_id, values, seen)
    settings = {n: v for n, v in readable.items() if v.writable and v.table == "holding"}
    return Registers(finder.signals([readable[name] for name in chosen]), settings)


def find_setting(
    dialogue: Dialogue,
    connection: Connection,
    unit_id: int,
    value: ListedValue,
    neighbours: Sequence[ListedValue],
) -> FirstSetting:
    """Ask how a setting is coded, and at which value of it the vents stand open."""
    seen = read_once(connection.spec, {value.name: _requests(value, unit_id)})
    finder = _Finder(dialogue, connection, unit_id, neighbours, seen)
    unit = finder.unit(value)
    coding = finder.coding(value, unit)
    warm = dialogue.ask(
        SetupQuestion(
            key="warm.value",
            text=f"At which value of {value.label} are the vents fully open (with its unit)? The bench writes it "
            "before the rain test and restores the old value afterwards; choose a value above all stages of the vents",
            default="30 °C" if unit == "°C" else "",
            check=lambda answer: _of_unit(answer, unit),
        )
    )
    return FirstSetting(listed=value, coding=coding, unit=unit, warm=_of_unit(warm, unit))


def _of_unit(answer: str, unit: str) -> float:
    quantity = parse(answer)
    if own_unit(unit) == unit and parse(f"1 {unit}").dimension is not quantity.dimension:
        raise Refusal(f"{answer!r} is not a value in {unit}", f"write 30 {unit}")
    return quantity.value


def _listed(dialogue: Dialogue) -> tuple[ListedValue, ...]:
    """Return the maker's list, each value in its table."""
    where = dialogue.ask(
        SetupQuestion(
            key="list",
            text="The maker's list of registers: a CSV file (name, address, type, scale, unit), or paste",
            default=_PASTE,
            check=_paste_or_list,
            names_file=True,
        )
    )
    if where == _PASTE:
        text = dialogue.ask(
            SetupQuestion(
                key="list.text",
                text="Paste it, a line a value; an empty line ends it",
                check=lambda pasted: _read(pasted, "line"),
                lines=True,
            )
        )
        values = read_list(text, "list.text")
    else:
        values = read_list(read_attached(Path(where).expanduser(), "CSV"), where)
    if all(value.table is not None for value in values):
        return values
    return _placed(dialogue, values)


def _placed(dialogue: Dialogue, values: Sequence[ListedValue]) -> tuple[ListedValue, ...]:
    """Return a list whose bare addresses stand in the table that is asked for."""
    tables = dict.fromkeys(get_args(Table), "")
    table = dialogue.ask(
        SetupQuestion(
            key="table",
            text="The list has addresses without a table. Which do they mean?",
            default="input",
            choices=tables
            | {
                "input": "function 4",
                "holding": "function 3",
                "discrete": "function 2",
                "coil": "function 1",
            },
            check=one_of(tables),
        )
    )
    first = dialogue.ask(
        SetupQuestion(
            key="counted_from",
            text="Is the first register of the list's tables number 0 or 1?",
            default="0",
            by_number=False,
            choices={"0": "the addresses go over the wire as they stand", "1": "one less goes over the wire"},
            check=one_of(("0", "1")),
        )
    )
    return tuple(placed(values, table, int(first)))  # type: ignore[arg-type]


def _paste_or_list(path: str) -> None:
    if path == _PASTE:
        return
    try:
        _read(read_attached(Path(path).expanduser(), "CSV"), path)
    except FileError as error:
        raise Refusal(str(error)) from None


def _read(text: str, name: str) -> None:
    try:
        read_list(text, name)
    except FileError as error:
        raise Refusal(str(error)) from None


def _requests(value: ListedValue, unit_id: int) -> list[ReadRequest]:
    """Return what may be asked for a value: two registers where it may be of 32 bits, else one."""
    assert value.table is not None, "every value was placed"
    one = ReadRequest(unit_id, value.table, value.address, 1)
    if value.type in {"bit", "u16", "s16"} or value.table in {"coil", "discrete"}:
        return [one]
    return [ReadRequest(unit_id, value.table, value.address, 2), one]


def _side_by_side(values: Sequence[ListedValue], seen: Mapping[str, RawReading | str]) -> str:
    """Return the list beside what its registers read, a line a value."""
    wide = max(len(value.label) for value in values)
    return "\n".join(
        f"  {v.label:{wide}}  {v.table} {v.address:<6} {_reads(v, seen[v.name])}" for v in values
    )


def _reads(value: ListedValue, seen: RawReading | str) -> str:
    if isinstance(seen, str):
        return seen
    if value.type == "bit":
        return "on" if seen.words[0] >> (value.bit or 0) & 1 else "off"
    codings = plausible_codings(seen.words, value.unit, listed=value.hints, alone=True)[:3]
    said = ", ".join(f"{coding}: {_number(coding.value(seen.words))}" for coding in codings)
    return f"{' '.join(f'{word:04X}' for word in seen.words)}  {said}"


def _number(value: float | None) -> str:
    return "no number" if value is None else number_text(float(f"{value:.6g}"))


def _chosen(dialogue: Dialogue, readable: Mapping[str, ListedValue]) -> list[str]:
    def check(answer: str) -> list[str]:
        names = list(readable) if answer == _ALL else answer.replace(",", " ").split()
        for name in names:
            if name not in readable:
                raise Refusal(f"{name!r} is none of them", f"answer all, or some of {', '.join(readable)}")
        if not names:
            raise Refusal("nothing is chosen", "answer all, or some of the names")
        return names

    text = f"Which of these shall the bench read? all, or names: {', '.join(readable)}"
    return check(dialogue.ask(SetupQuestion(key="signals", text=text, default=_ALL, check=check)))


@final
class _Finder:
    """Finds how values are coded.

    Args:
        dialogue: whoever is asked.
        connection: the bus of the unit.
        unit_id: the unit.
        values: the maker's list.
        seen: what each value's registers read a moment ago.
    """

    def __init__(
        self,
        dialogue: Dialogue,
        connection: Connection,
        unit_id: int,
        values: Sequence[ListedValue],
        seen: Mapping[str, RawReading | str],
    ) -> None:
        self._dialogue = dialogue
        self._connection = connection
        self._unit_id = unit_id
        self._taken = {(value.table, value.address) for value in values}
        self._seen = seen

    def signals(self, values: Sequence[ListedValue]) -> tuple[FirstSignal, ...]:
        """Return the values as signals of the bench."""
        units = {value.name: self.unit(value) for value in values}
        vents = [value for value in values if units[value.name] == "%"]
        tracks = self._moved(vents) if vents and self._wants_moves(vents) else {}
        found = {value.name: self._vent(value, tracks.get(value.name, ())) for value in vents}
        refresh_s = max((one.refreshed_every_s for one in found.values()), default=0.0)
        flags = [value for value in values if units[value.name] == "flag"]
        keeps_s = self._keeps_s(flags) if flags else None
        for value in values:
            if value.name not in found:
                unit = units[value.name]
                found[value.name] = FirstSignal(
                    listed=value,
                    coding=self.coding(value, unit),
                    unit=unit,
                    refreshed_every_s=refresh_s,
                    keeps_for_s=keeps_s if unit == "flag" else None,
                )
        return tuple(found[value.name] for value in values)

    def _keeps_s(self, flags: Sequence[ListedValue]) -> float:
        """Return how long flags keep a value at least, which no reading shows."""
        named = ", ".join(flag.label for flag in flags)
        text = (
            f"{named}: once it has changed, how long does each of them stay so at least (debounce, delay)? Readings "
            f"cannot show less than that; most units hold a flag for longer than {_USUAL_KEEP}"
        )
        question = SetupQuestion(key="flags.keep", text=text, default=_USUAL_KEEP, check=a_span)
        return parse_as(self._dialogue.ask(question), Dimension.TIME)

    def unit(self, value: ListedValue) -> str:
        """Return a value's unit: as listed, or asked for."""
        if value.type == "bit" or value.unit:
            return value.unit or "flag"
        key, default = f"{value.name}.unit", _guessed_unit(value.label)
        text = f"{value.label}: in which unit? %, °C, m/s, mm/h, mm, °, s, count or state"
        return self._dialogue.ask(SetupQuestion(key=key, text=text, default=default, check=own_unit))

    def coding(self, value: ListedValue, unit: str) -> Coding:
        """Return how a value is coded: as listed, or asked for beside what it would read."""
        if value.type == "bit":
            return Coding("bit")
        words = self._words(value)
        fits = plausible_codings(words, unit, listed=value.hints, alone=self._alone(value))
        if value.type is not None and value.scale is not None:
            listed = Coding(value.type, value.word_order or "high-first", value.scale)
            sure = unit in {"count", "state"} or value.word_order or listed in fits or not listed.wide
            if sure and not value.noted:
                return listed
            fits = (listed, *(one for one in fits if one != listed))
        choices = {
            str(one): f"it reads {_number(one.value(words))} {unit} now" for one in fits[:_MOST_CODINGS]
        }
        return self._asked_coding(value, choices)

    def _asked_coding(self, value: ListedValue, choices: Mapping[str, str]) -> Coding:
        return coding_of(
            self._dialogue.ask(
                SetupQuestion(
                    key=f"{value.name}.coding",
                    text=f"{value.label}: how is it coded? Type, word order and scale, such as s16 0.1",
                    default=next(iter(choices), ""),
                    choices=choices,
                    check=coding_of,
                )
            )
        )

    def _words(self, value: ListedValue) -> tuple[int, ...]:
        seen = self._seen[value.name]
        return seen.words if isinstance(seen, RawReading) else ()

    def _alone(self, value: ListedValue) -> bool:
        return (value.table, value.address + 1) not in self._taken

    # what moves

    def _wants_moves(self, vents: Sequence[ListedValue]) -> bool:
        if all(
            self._dialogue.has(f"{vent.name}.{key}") for vent in vents for key in ("coding", "full_travel")
        ):
            return False
        how = self._dialogue.ask(
            SetupQuestion(
                key="moves",
                text="Now move the vents by hand, so that this bench learns how they read. Will you?",
                default=_BY_HAND,
                choices={
                    _BY_HAND: "with the unit's hand switches or its display: closed, open, and back to automatic",
                    _SKIP: "no: I know how each is coded, and its full travel",
                },
                check=one_of((_BY_HAND, _SKIP)),
            )
        )
        return how == _BY_HAND

    def _moved(self, vents: Sequence[ListedValue]) -> Mapping[str, Sequence[list[RawReading]]]:
        """Record while the person moves the vents; returns the opening and the closing of each."""
        moved = [
            HandMovedVent(listed=vent, request=self._request(vent), alone=self._alone(vent)) for vent in vents
        ]
        tracks = record_moves(self._dialogue.asker, self._connection.spec, moved)
        self._dialogue.measured(AUTOMATIC, lambda: YES)
        return tracks

    def _request(self, value: ListedValue) -> ReadRequest:
        return ReadRequest(self._unit_id, value.table or "input", value.address, len(self._words(value)))

    def _vent(self, value: ListedValue, moves: Sequence[list[RawReading]]) -> FirstSignal:
        fits = position_fits(moves[0], listed=value.hints, alone=self._alone(value)) if moves else ()
        coding = self._vent_coding(value, fits, moved=bool(moves))
        fit = next((one for one in fits if one.coding == coding), None)
        travel_s, refresh_s = _measured(moves, coding)
        travel = self._dialogue.ask(
            SetupQuestion(
                key=f"{value.name}.full_travel",
                text=f"{value.label}: how long does it take from end to end, at the quickest?"
                + (" What is proposed is as measured, less 5 %: no vent may be faster" if travel_s else ""),
                default=span_text(declared_travel_s(travel_s)) if travel_s else "",
                check=_travel,
            )
        )
        refresh = self._dialogue.ask(
            SetupQuestion(
                key=f"{value.name}.refreshed_every",
                text=f"{value.label}: how often does the unit refresh it?"
                + (" What is proposed is the slowest that was measured" if refresh_s else ""),
                default=span_text(declared_refresh_s(refresh_s)) if refresh_s else _USUAL_REFRESH,
                check=a_span,
            )
        )
        return FirstSignal(
            listed=value,
            coding=coding,
            unit="%",
            full_travel_s=None if travel == _NO_TRAVEL else parse_as(travel, Dimension.TIME),
            refreshed_every_s=parse_as(refresh, Dimension.TIME),
            falls=fit is not None and fit.falls,
        )

    def _vent_coding(self, value: ListedValue, fits: Sequence[PositionFit], *, moved: bool) -> Coding:
        choices = {str(fit.coding): _fit_said(fit) for fit in fits[:_MOST_CODINGS]}
        if moved and not fits:
            self._dialogue.asker.say(
                f"  {value.label} did not go from about 0 % to about 100 % in any coding: is it the right register?"
            )
        if not moved:
            words = self._words(value)
            found = plausible_codings(words, "%", listed=value.hints, alone=self._alone(value))
            choices = {
                str(one): f"it reads {_number(one.value(words))} % now" for one in found[:_MOST_CODINGS]
            }
        return self._asked_coding(value, choices)


def _travel(answer: str) -> None:
    if answer != _NO_TRAVEL:
        if not answer:
            raise Refusal("there is no answer", f"write a span, such as 28 s, or {_NO_TRAVEL}")
        a_span(answer)


def _guessed_unit(label: str) -> str:
    return next((unit for unit, words in _UNIT_WORDS.items() if any(w in label.lower() for w in words)), "")


def _fit_said(fit: PositionFit) -> str:
    said = f"{_number(round(fit.closed, 2))} % closed, {_number(round(fit.opened, 2))} % open"
    return f"{said}: it tells how far the vent is closed" if fit.falls else said


def _measured(moves: Sequence[list[RawReading]], coding: Coding) -> tuple[float | None, float | None]:
    """Return the shortest travel and the longest refresh that movements leave possible."""
    step = coding.scale if coding.type != "f32" else 0.01
    travels, refreshes = list[float](), list[float]()
    for track in moves:
        samples = samples_of(track, coding)
        refresh_s = longest_refresh_s(samples, step=step)
        travel_s = shortest_travel_s(samples, step=step, refresh_s=refresh_s or 0.0)
        travels += [travel_s] if travel_s else []
        refreshes += [refresh_s] if refresh_s else []
    return min(travels, default=None), max(refreshes, default=None)
