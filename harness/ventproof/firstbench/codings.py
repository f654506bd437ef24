"""How a value may be coded in registers: candidates, and which of them fit what was read (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from typing import TYPE_CHECKING, Final, final

from ventproof.verdict.text import number_text
from ventproof_bench.base.errors import Refusal
from ventproof_bench.benchfile.signals import Location
from ventproof_bench.modbus.register_map import decode

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from ventproof_bench.benchfile.signals import ValueType, WordOrder


@final
@dataclass(frozen=True, slots=True)
class RawReading:
    """Registers as they came: read at some moment between request and reply, loop time in seconds."""

    words: tuple[int, ...]
    requested_s: float
    replied_s: float


@final
@dataclass(frozen=True, slots=True)
class Coding:
    """How a value is coded: `u16 0.1`, `f32 low-first`, `bit`."""

    type: ValueType
    word_order: WordOrder = "high-first"
    scale: float = 1.0

    @property
    def wide(self) -> bool:
        """Whether it takes two registers."""
        return self.type in _WIDE

    def __str__(self) -> str:
        """Return it as it is written: type, word order of two registers, scale unless it is 1."""
        order = [self.word_order] if self.wide else []
        return " ".join([self.type, *order, *([number_text(self.scale)] if self.scale != 1 else [])])

    def value(self, words: Sequence[int], bit: int | None = None) -> float | None:
        """Return what registers stand for; None where that is no number, or there are too few of them."""
        if len(words) < (2 if self.wide else 1):
            return None
        place = Location(bus="unit", type=self.type, word_order=self.word_order, scale=self.scale, bit=bit)
        try:
            return decode(place, words)
        except ValueError:
            return None


_WIDE: Final = ("u32", "s32", "f32")
_TYPES: Final[tuple[ValueType, ...]] = ("bit", "u16", "s16", "u32", "s32", "f32")
_ORDERS: Final[tuple[WordOrder, ...]] = ("high-first", "low-first")
NICE_SCALES: Final = (
    *(0.1, 1.0, 0.5, 0.01, 100.0, 0.4, 0.2, 0.001, 0.05, 0.25),
    *(100 / 255, 100 / 1023, 100 / 1024, 100 / 4095, 100 / 4096, 100 / 27648, 100 / 32767, 100 / 65535),
)
"""Scales of positions in per cent, the usual ones first: parts of a per cent, fractions, converters' full counts."""
_CLOSED_TO: Final = 10.0
_OPEN_FROM: Final = 80.0
_OPEN_TO: Final = 102.0
_BELOW: Final = -2.0
_TINY: Final = 1e-6
_LARGE: Final = 1e9
_WANDERS: Final = 1.2


def coding_of(text: str) -> Coding:
    """Read a coding such as `u16 0.1` or `f32 low-first`.

    Raises:
        ValueError: it is none; the message says what would be right.
    """
    words = text.replace(",", " ").split()
    kind = next((one for one in _TYPES if words[:1] == [one]), None)
    if kind is None:
        raise Refusal(f"{text!r} is not a coding", "write a type, u16 0.1 or f32 low-first, say")
    order: WordOrder = "high-first"
    scale = 1.0
    for word in words[1:]:
        if word in _ORDERS and kind in _WIDE:
            order = "low-first" if word == "low-first" else "high-first"
            continue
        try:
            scale = float(word)
        except ValueError:
            hint = "behind the type stand high-first or low-first, of 32 bits only, and the scale"
            raise Refusal(f"{word!r} does not go with {kind}", hint) from None
    if not (isfinite(scale) and scale > 0) or (kind == "bit" and scale != 1):
        raise Refusal(f"{text!r} is not a coding", "a scale is more than zero, and a bit has none")
    return Coding(kind, order, scale)


@final
@dataclass(frozen=True, slots=True)
class CodingHints:
    """What a maker's list tells of a value's coding; None where it does not."""

    type: ValueType | None = None
    word_order: WordOrder | None = None
    scale: float | None = None

    def off(self, coding: Coding) -> tuple[bool, bool, bool]:
        """Return whether type, word order and scale are otherwise than in the list: the smaller, the likelier."""
        order = self.word_order if coding.wide or self.word_order == "low-first" else None
        return (
            self.type is not None and coding.type != self.type,
            order is not None and not (coding.wide and coding.word_order == order),
            self.scale is not None and coding.type != "f32" and abs(coding.scale - self.scale) > _TINY,
        )


@final
@dataclass(frozen=True, slots=True)
class PositionFit:
    """A coding with which what was read is the position of a vent that a person opened.

    Attributes:
        coding: the coding.
        closed: what it reads of the closed vent, %.
        opened: of the open one.
        falls: the value falls while the vent opens: it tells how far the vent is closed.
    """

    coding: Coding
    closed: float
    opened: float
    falls: bool


def position_fits(
    opening: Sequence[RawReading], *, listed: CodingHints = CodingHints(), alone: bool = True
) -> tuple[PositionFit, ...]:
    """Return the codings with which a vent went from about 0 % to about 100 %, or back, the likeliest first.

    A coding fits if the list's or a usual scale takes its values there and they go one way. Of those that do, the
    list's own type, word order and scale come first, then fewer registers, then the more usual scale; an unsigned type
    before a signed one.

    Args:
        opening: readings from the closed to the open vent, of one register, or of two.
        listed: what the maker's list tells.
        alone: whether the second register belongs to no other value of the list.
    """
    found: list[tuple[tuple[tuple[bool, ...], bool, int], PositionFit]] = []
    scales = (*([listed.scale] if listed.scale else []), *NICE_SCALES)
    for coding in _candidates(wide=alone and all(len(one.words) > 1 for one in opening)):
        values = [coding.value(one.words) for one in opening]
        if not values or not _travels(values):
            continue
        first, last = float(values[0] or 0), float(values[-1] or 0)
        for rank, scale in enumerate(scales):
            low, high = sorted((first * scale, last * scale))
            if _BELOW <= low <= _CLOSED_TO and _OPEN_FROM <= high <= _OPEN_TO:
                scaled = Coding(coding.type, coding.word_order, _rounded(scale))
                fit = PositionFit(scaled, first * scale, last * scale, falls=last < first)
                found.append(((listed.off(scaled), coding.wide, _off(low, high) + rank), fit))
    best: dict[tuple[ValueType, WordOrder], PositionFit] = {}
    for _, fit in sorted(found, key=lambda one: one[0]):
        best.setdefault((fit.coding.type, fit.coding.word_order), fit)
    return tuple(best.values())


def _off(low: float, high: float) -> int:
    """Return how far from 0 % and 100 % a travel ends, in coarse steps that outweigh how usual a scale is."""
    return 100 * (round(abs(low) / 4) + round(abs(100 - high) / 4))


def _rounded(scale: float) -> float:
    return float(f"{scale:.8g}")


def _candidates(*, wide: bool) -> Iterator[Coding]:
    yield from (Coding("u16"), Coding("s16"))
    if wide:
        for kind in ("f32", "u32", "s32"):
            yield from (Coding(kind, order) for order in _ORDERS)


def _travels(values: Sequence[float | None]) -> bool:
    """Whether values are numbers of a sensible size that go one way."""
    numbers = [value for value in values if value is not None]
    if len(numbers) < len(values) or not all(isfinite(v) and abs(v) < _LARGE for v in numbers):
        return False
    span = abs(numbers[-1] - numbers[0])
    if span < _TINY or any(0 < abs(value) < _TINY for value in numbers):
        return False
    return sum(abs(b - a) for a, b in pairwise(numbers)) <= _WANDERS * span


_PLAUSIBLE: Final = {
    "°C": (-40.0, 60.0, (0.1, 1.0, 0.01)),
    "%": (0.0, 100.0, (0.1, 1.0, 0.5, 0.01)),
    "m/s": (0.0, 60.0, (0.1, 1.0, 0.01)),
    "mm/h": (0.0, 300.0, (0.1, 1.0, 0.01)),
    "mm": (0.0, 10_000.0, (0.1, 1.0, 0.01)),
    "°": (0.0, 360.0, (1.0, 0.1)),
    "s": (0.0, 86_400.0, (1.0, 0.1)),
}
"""What a value of a unit may be in a greenhouse, and the usual scales of one count: common practice, no source."""


def plausible_codings(
    words: Sequence[int], unit: str, *, listed: CodingHints, alone: bool
) -> tuple[Coding, ...]:
    """Return the codings with which registers are a sensible value of a unit, the likeliest first.

    Args:
        words: one register, or two.
        unit: `count`, `state`, `flag` or a unit of a quantity.
        listed: what the maker's list tells.
        alone: whether the second register belongs to no other value of the list.
    """
    wide = alone and len(words) > 1
    if unit == "flag":
        return (Coding("bit"),)
    if unit in {"count", "state"}:
        of_two = _whole_of_two(words) if wide and unit == "count" else ()
        return _first_listed((*of_two, Coding("u16"), *_wide_counts(wide=wide)), listed)
    low, high, scales = _PLAUSIBLE.get(unit, (-_LARGE, _LARGE, (1.0,)))
    if listed.scale is not None:
        scales = (listed.scale, *(one for one in scales if one != listed.scale))
    found = []
    signed = unit == "°C"  # below zero one day
    for coding in sorted(_candidates(wide=wide), key=lambda one: signed and one.type == "u16"):
        for scale in (1.0,) if coding.type == "f32" else scales:
            value = Coding(coding.type, coding.word_order, scale).value(words)
            if value is not None and low <= value <= high and not 0 < abs(value) < _TINY:
                found.append(Coding(coding.type, coding.word_order, scale))
    floats = [coding for coding in found if coding.type == "f32" and _not_zero(coding, words)]
    narrow = [coding for coding in found if not coding.wide]
    rest = [coding for coding in found if coding not in floats and coding.wide]
    return _first_listed((*floats, *narrow, *rest), listed)


def _not_zero(coding: Coding, words: Sequence[int]) -> bool:
    return bool(coding.value(words))


def _whole_of_two(words: Sequence[int]) -> tuple[Coding, ...]:
    """Return the 32-bit coding that a counter seems to have whose other register is not its own: small, not zero."""
    if words[0] == 0 and words[1]:
        return (Coding("u32"),)
    return ()


def _wide_counts(*, wide: bool) -> tuple[Coding, ...]:
    return (Coding("u32"), Coding("u32", "low-first")) if wide else ()


def _first_listed(codings: Iterable[Coding], listed: CodingHints) -> tuple[Coding, ...]:
    return tuple(sorted(dict.fromkeys(codings), key=listed.off))
