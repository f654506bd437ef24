"""What a maker's list says of a value's coding in words, in whatever column (pure)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from ventproof.firstbench.codings import CodingHints

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ventproof_bench.benchfile.signals import ValueType, WordOrder

TYPE_NAMES: Final[dict[str, ValueType]] = {
    **dict.fromkeys(("bit", "bool", "boolean", "flag", "coil", "discrete"), "bit"),
    **dict.fromkeys(("u16", "uint16", "word", "uint", "unsigned", "ushort", "unsigned16"), "u16"),
    **dict.fromkeys(("s16", "int16", "int", "signed", "short", "i16", "signed16", "integer"), "s16"),
    **dict.fromkeys(("u32", "uint32", "dword", "ulong", "udint", "unsigned32"), "u32"),
    **dict.fromkeys(("s32", "int32", "long", "dint", "i32", "signed32"), "s32"),
    **dict.fromkeys(("f32", "float32", "float", "real", "single", "ieee754"), "f32"),
}
_CLEAR_NAMES: Final = frozenset(
    {name for name in TYPE_NAMES if any(letter.isdigit() for letter in name)}
    | {"float", "dword", "udint", "dint", "ulong"}
)
"""Names of types that mean nothing else in a sentence, as `word`, `long`, `real` and `flag` may."""
_WORD: Final = r"(?:order )?(?:words?|registers?|w)"
_LOW_FIRST: Final = re.compile(
    rf"\b(?:low(?:er)?|least significant|ls) ?{_WORD}(?: is| comes| sent)? first\b|\blow first\b|\bcdab\b"
    rf"|\b{_WORD}(?: order)?(?: are| is)? (?:swapped|reversed|swap)\b|\b(?:swapped|reversed) {_WORD}\b"
    r"|\bswap (?:words|registers)\b|\blittle endian\b|\b(?:32|float) le\b|^(?:low|lsw|little|swapped)$"
)
_HIGH_FIRST: Final = re.compile(
    rf"\b(?:high(?:er)?|most significant|ms) ?{_WORD}(?: is| comes| sent)? first\b|\bhigh first\b|\babcd\b"
    r"|\bbig endian\b|\b(?:32|float) be\b|^(?:high|msw|big)$"
)
_NOT: Final = re.compile(r"\b(?:not|no|un) ?(?:words? )?(?:swapped|reversed|swap)\b")
_SIGN: Final = re.compile(r"\b(?P<none>unsigned)\b|\bsigned\b|\btwo'?s complement\b")
_BITS: Final = re.compile(r"\b(16|32) ?bits?\b")
_DECIMAL: Final = r"(0[.,]\d+)"
_UNITS: Final = r"(?:%|°|deg|percent|k\b|c\b|m/s|mm|s\b)"
_FACTORS: Final = (
    re.compile(
        r"(?:\bx|\u00d7|\*|\b(?:scale|scaling|scaled by|factor|resolution|step|multiply by|multiplier)[: =]*) ?"
        rf"{_DECIMAL}\b"
    ),
    re.compile(rf"\bin {_DECIMAL} ?{_UNITS}"),
    re.compile(rf"^[\[(]?{_DECIMAL} ?{_UNITS}|[\[(]{_DECIMAL} ?{_UNITS}"),
)
"""Only parts of one: `x10` is said of a value that must be multiplied and of one that was."""
_DIVISORS: Final = (
    re.compile(r"\b1/(10|100|1000|2|4|5)\b"),
    re.compile(r"(?:\bdivided? by|÷) ?(10|100|1000)\b"),
    re.compile(r"(?<![\d.])/ ?(10|100|1000)\b"),
)
_PARTS: Final = ((re.compile(r"\btenths?\b"), 0.1), (re.compile(r"\bhundredths?\b"), 0.01))


def notes_of(cells: Iterable[str]) -> CodingHints:
    """Read what cells say: `u32, low word first`, `signed, 1/10 °C`, `x0.1`, `32 bit big endian`, `word-swapped`."""
    texts = [plain for cell in cells if (plain := re.sub(r"[\s_-]+", " ", cell.lower()).strip())]
    return CodingHints(_type(texts), _order(texts), _scale(texts))


def _order(texts: Iterable[str]) -> WordOrder | None:
    orders: set[WordOrder] = set()
    for text in texts:
        kept = _NOT.sub("high first", text)
        orders |= {"low-first"} if _LOW_FIRST.search(kept) else set()
        orders |= {"high-first"} if _HIGH_FIRST.search(kept) else set()
    return orders.pop() if len(orders) == 1 else None


def _type(texts: Iterable[str]) -> ValueType | None:
    text = " ; ".join(texts)
    kinds = {TYPE_NAMES[word] for word in re.findall(r"[a-z]+\d*", text) if word in _CLEAR_NAMES}
    if kinds:
        return kinds.pop() if len(kinds) == 1 else None
    signs = {found["none"] is None for found in _SIGN.finditer(text)}
    bits = {found[1] for found in _BITS.finditer(text)}
    if len(signs) > 1 or len(bits) > 1 or not (signs or bits == {"32"}):
        return None
    if bits == {"32"}:
        return "s32" if True in signs else "u32"
    return "s16" if True in signs else "u16"


def _scale(texts: Iterable[str]) -> float | None:
    scales = set[float]()
    for text in texts:
        for pattern in _FACTORS:
            scales |= {
                float(next(filter(None, found)).replace(",", "."))
                for found in map(re.Match.groups, pattern.finditer(text))
            }
        for pattern in _DIVISORS:
            scales |= {1 / float(found[1]) for found in pattern.finditer(text)}
        scales |= {part for pattern, part in _PARTS if pattern.search(text)}
    scales.discard(0.0)
    return scales.pop() if len(scales) == 1 else None
