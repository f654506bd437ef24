"""A first bench file as text, with comments that say how each fact was found (pure)."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, final

from ventproof.firstbench.movement import limit_s
from ventproof.verdict.text import number_text
from ventproof_bench.base.quantities import span_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from ventproof.firstbench.codings import Coding
    from ventproof.firstbench.makers_list import ListedValue
    from ventproof.firstbench.responses import MovedSignal

UNIT_BUS: Final = "unit"
"""The bus that the unit is read over."""

_SOON_S: Final = 0.6
_LATE_S: Final = 1.8
_FINEST: Final = 0.1
"""To how much a value is told that has no step."""


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class FirstSignal:
    """A signal of the first bench.

    Attributes:
        listed: what the maker's list says of it.
        coding: how it is coded.
        unit: as bench files write it.
        full_travel_s: of a vent, else None.
        refreshed_every_s: 0 where nothing is known.
        keeps_for_s: of a flag, how long it keeps a value at least; None where nothing is known.
        falls: it falls while its vent opens.
    """

    listed: ListedValue
    coding: Coding
    unit: str
    full_travel_s: float | None = None
    refreshed_every_s: float = 0.0
    keeps_for_s: float | None = None
    falls: bool = False

    @property
    def name(self) -> str:
        """Its name in the bench file."""
        return self.listed.name

    @property
    def step(self) -> float:
        """Its smallest step, in its unit; a tenth where it has none."""
        return self.coding.scale if self.coding.type != "f32" else _FINEST


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class FirstSetting:
    """A setting of the unit that the bench writes, and the value with which the vents stand open."""

    listed: ListedValue
    coding: Coding
    unit: str
    warm: float


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class FirstRelay:
    """A relay that something of the unit is wired to.

    Attributes:
        name: of the output.
        driver: of the board.
        wired: where the driver finds it.
        lamp: which lamp of the board lit, in the words of whoever looked; empty where nobody did.
        closed_at_rest: it is wired by its normally closed contact, as a supply is.
    """

    name: str
    driver: str
    wired: Mapping[str, Any]
    lamp: str = ""
    closed_at_rest: bool = False


@final
@dataclass(frozen=True, slots=True, kw_only=True)
class FirstBench:
    """All that a first bench file says.

    Attributes:
        title: name of the bench.
        buses: by name, what each declares beside its polling.
        unit_id: of the unit.
        signals: what is read.
        settings: what is written.
        relays: what is switched.
        rain: name of the relay at the rain terminal; empty before it is known.
        answers: what each signal did when it was switched.
        opened: signals that changed when the settings were written with which the vents stand open.
        poll_every_s: from one reading to the next.
    """

    title: str
    buses: Mapping[str, Mapping[str, Any]]
    unit_id: int
    signals: Sequence[FirstSignal]
    settings: Sequence[FirstSetting] = ()
    relays: Sequence[FirstRelay] = ()
    rain: str = ""
    answers: Mapping[str, MovedSignal] = field(default_factory=dict)
    opened: Sequence[str] = ()
    poll_every_s: float = 0.1

    @property
    def counter(self) -> str:
        """The signal that counts closures of the rain contact; empty where none does."""
        counts = (one.name for one in self.signals if one.unit == "count")
        return next((name for name in counts if self._rose_by_one(name)), "")

    def _rose_by_one(self, name: str) -> bool:
        moved = self.answers.get(name)
        return moved is not None and moved.held - moved.before == 1 and moved.after == moved.held

    @property
    def answering(self) -> dict[str, str]:
        """How each signal answers the rain contact, in the words of `hookup: answers:`; without those that do not.

        Flags that answer alike, one at once and one late, are told apart by when they do.
        """
        said = {one.name: said for one in self.signals for said in [self._answer(one)] if said}
        return said | {name: said[name] + _when(self.answers[name].first_s) for name in self._alike_in(said)}

    @property
    def alike(self) -> frozenset[str]:
        """Flags that answer the rain contact alike: if they were crossed, they would answer so too."""
        return self._alike_in(self.answering)

    def _alike_in(self, said: Mapping[str, str]) -> frozenset[str]:
        flags = [one.name for one in self.signals if one.unit == "flag" and one.name in said]
        return frozenset(
            one for one in flags if any(said[one] == said[other] for other in flags if other != one)
        )

    def _answer(self, signal: FirstSignal) -> str:
        moved = self.answers.get(signal.name)
        if moved is None or signal.unit in {"count", "state"} or not moved.answered:
            return ""
        if signal.unit == "flag":
            return "on" if moved.held else "off"
        return f"{quantity(moved.before, signal)} to {quantity(moved.held, signal)}"


def _when(first_s: float | None) -> str:
    """Return by when a flag answers, where that is well clear of a second; `first_s` is at the latest."""
    if first_s is None:
        return ""
    return " within 1 s" if first_s <= _SOON_S else " after 1 s" if first_s >= _LATE_S else ""


def quantity(value: float, signal: FirstSignal) -> str:
    """Return a value of a signal as files state it, to the signal's own step."""
    return f"{number_text(round(round(value / signal.step) * signal.step, 6))} {signal.unit}"


def value_said(signal: FirstSignal, value: float) -> str:
    """Return a signal's name and value in words: `Rain alarm on`."""
    said = ("on" if value else "off") if signal.unit == "flag" else quantity(value, signal)
    return f"{signal.listed.label} {said}"


def bench_text(bench: FirstBench) -> str:
    """Return the text of the bench file."""
    lines = [
        "# A first bench file, written by `ventproof setup`. Everything in it was answered by you or measured on this",
        "# bench; correct what you know better. `ventproof explain WORD` explains a word, `ventproof check`",
        "# checks it, `ventproof selfcheck --wiring` tries it on the bench.",
        f"bench: {json.dumps(bench.title, ensure_ascii=False)}",
        "",
        "buses:",
        *(line for name, spec in bench.buses.items() for line in _bus(name, spec, bench.poll_every_s)),
        "",
        "outputs:",
        *(line for relay in bench.relays for line in _relay(relay, bench)),
        *(line for setting in bench.settings for line in _setting(setting, bench.unit_id)),
        "",
        "signals:",
        *(line for signal in bench.signals for line in _signal(signal, bench)),
    ]
    return "\n".join(lines) + "\n"


def _bus(name: str, spec: Mapping[str, Any], poll_every_s: float) -> Iterator[str]:
    yield f"  {name}:"
    for key, value in spec.items():
        yield f"    {key}: {_scalar(value)}"
    yield f"    poll_every: {span_text(poll_every_s)}"


def _relay(relay: FirstRelay, bench: FirstBench) -> Iterator[str]:
    if relay.lamp:
        yield f"  # lamp {_comment(relay.lamp)} of the board"
    yield f"  {relay.name}:"
    yield f"    driver: {relay.driver}"
    yield f"    wired: {_inline(relay.wired)}"
    rest = "closed" if relay.closed_at_rest else "open"
    yield f"    at_rest: {rest}  # the contact while the relay has no power"
    yield f"    safe: {rest}"
    if relay.name != bench.rain:
        yield "    selfcheck: leave  # no hook-up was tried with it yet"
        return
    if bench.counter:
        yield f"    counted_by: {bench.counter}"
    if bench.answers:
        yield from _hookup(bench)


def _hookup(bench: FirstBench) -> Iterator[str]:
    moved = [one for one in bench.answers.values() if one.answered]
    yield "    hookup:  # what was seen when this contact was closed, and opened again"
    if bench.settings:
        yield f"      first: {{{', '.join(f'{one.listed.name}: {_warm(one)}' for one in bench.settings)}}}"
    yield "      answers:"
    for name, said in bench.answering.items():
        yield f"        {name}: {said}"
    for signal in bench.signals:
        if signal.unit == "flag" and signal.name in bench.answers and signal.name not in bench.answering:
            yield f"        {signal.name}: stays"
    settles_s = max((limit_s(one.back_stood_s) for one in moved), default=limit_s(0.0))
    travel_s = max((one.full_travel_s or 0.0 for one in bench.signals), default=0.0)
    yield f"      settles: {span_text(max(settles_s, limit_s(travel_s)))}"
    yield f"      within: {span_text(max((limit_s(one.stood_s) for one in moved), default=limit_s(0.0)))}"


def _warm(setting: FirstSetting) -> str:
    return f"{number_text(setting.warm)} {setting.unit}"


def _setting(setting: FirstSetting, unit_id: int) -> Iterator[str]:
    yield f"  # {_comment(setting.listed.label)}: the vents stand open at {_warm(setting)}"
    yield f"  {setting.listed.name}:"
    yield "    kind: register"
    yield "    driver: register"
    yield f"    wired: {_inline({'bus': UNIT_BUS, **_place(setting.listed, setting.coding, unit_id)})}"
    yield f"    unit: {setting.unit}"
    yield "    selfcheck: leave  # it only brings the vents to where rain can move them"


def _signal(signal: FirstSignal, bench: FirstBench) -> Iterator[str]:
    listed = signal.listed
    yield f"  # {_comment(listed.label)}, line {listed.line} of the maker's list"
    if signal.falls:
        yield "  # CAUTION: it falls while its vent opens: it tells how far the vent is closed. Profiles must say so."
    yield f"  {signal.name}:"
    yield f"    bus: {UNIT_BUS}"
    for key, value in _place(listed, signal.coding, bench.unit_id).items():
        yield f"    {key}: {_scalar(value)}"
    yield f"    unit: {_scalar(signal.unit)}"
    if signal.full_travel_s is not None:
        yield f"    full_travel: {span_text(signal.full_travel_s)}  # the shortest that it needs from end to end"
    if signal.refreshed_every_s:
        yield f"    refreshed_every: {span_text(signal.refreshed_every_s)}"
    if signal.keeps_for_s:
        yield f"    keeps_for: {span_text(signal.keeps_for_s)}  # once it has changed, it stays so at least this long"
    if signal.name in bench.alike:
        others = " and ".join(one.name for one in bench.signals if one.name in bench.alike - {signal.name})
        yield f"    selfcheck: leave  # it answers as {others}: crossed, they would answer so too"
    elif bench.answers and signal.name not in bench.answering and signal.name != bench.counter:
        yield f"    selfcheck: leave  # {_unanswered(signal, bench)}"


def _unanswered(signal: FirstSignal, bench: FirstBench) -> str:
    """Return why no self-check judges a signal yet."""
    if signal.name in bench.opened and bench.settings:
        names = " and ".join(one.listed.name for one in bench.settings)
        return f"it answered {names}, which has no `hookup:` yet"
    return "nothing that the bench drives made it answer yet"


def _place(listed: ListedValue, coding: Coding, unit_id: int) -> dict[str, Any]:
    """Return where a value stands and how it is coded, by the keys of bench files; what is usual is left out."""
    place: dict[str, Any] = {"unit_id": unit_id, "table": listed.table, "address": listed.address}
    if listed.table in {"holding", "input"}:
        place |= {"address_is_on_wire": True} if listed.address >= 30001 else {}  # noqa: PLR2004 - first reference
    place["type"] = coding.type
    if coding.wide:
        place["word_order"] = coding.word_order
    if coding.type == "bit" and listed.table in {"input", "holding"}:
        place["bit"] = listed.bit or 0
    if coding.scale != 1:
        place["scale"] = coding.scale
    return place


def _inline(values: Mapping[str, Any]) -> str:
    return "{" + ", ".join(f"{key}: {_scalar(value)}" for key, value in values.items()) + "}"


def _scalar(value: Any) -> str:  # noqa: ANN401 - whatever a key may have
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, str) and not value.replace("-", "").replace("_", "").isalnum():
        return value if value in {"°C", "m/s", "mm/h"} else json.dumps(value, ensure_ascii=False)
    return str(value)


def _comment(text: str) -> str:
    return " ".join(text.split())
