"""The fields of a log's line, each checked as it is taken (pure)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import isfinite
from typing import Final, TypeGuard, TypeVar, cast, final

from bench.samples import Window
from bench.wording import show
from harness.judge.verdict import Bounds

_T = TypeVar("_T")

LATEST_S: Final = 1e9
"""A run that took thirty years has not been run."""

GREATEST: Final = 1e30
"""No register gives a greater value, whatever its scale."""


class LineError(Exception):
    """A line holds something that no such event holds; the text says what."""


@final
class LineFields:
    """A line's fields, each checked as it is taken."""

    __slots__ = ("_fields",)

    def __init__(self, fields: Mapping[str, object]) -> None:
        self._fields = fields

    @property
    def all(self) -> Mapping[str, object]:
        """All of them, unchecked."""
        return self._fields

    def __contains__(self, key: str) -> bool:
        return key in self._fields

    def raw(self, key: str) -> object:
        """Return what stands there."""
        if key not in self._fields:
            raise LineError(f"it has no `{key}`")
        return self._fields[key]

    def wrong(self, key: str, wanted: str) -> LineError:
        """Return the error of a field that is not what is wanted."""
        return LineError(f"its `{key}` is {show(self._fields[key])} where {wanted} is wanted")

    def text(self, key: str) -> str:
        """Return a text."""
        value = self.raw(key)
        if type(value) is not str:
            raise self.wrong(key, "text")
        return value

    def word(self, key: str, words: Sequence[str]) -> str:
        """Return one of some words."""
        value = self.raw(key)
        if type(value) is not str or value not in words:
            raise self.wrong(key, f"one of {', '.join(words)}")
        return value

    def flag(self, key: str) -> bool:
        """Return true or false."""
        value = self.raw(key)
        if type(value) is not bool:
            raise self.wrong(key, "true or false")
        return value

    def whole(self, key: str, least: int | None = None) -> int:
        """Return a whole number, at least `least`."""
        value = self.raw(key)
        if type(value) is not int or (least is not None and value < least):
            raise self.wrong(key, "a whole number" if least is None else f"a whole number from {least} up")
        return value

    def number(self, key: str, least: float = -GREATEST, most: float = GREATEST) -> float:
        """Return a number from `least` to `most`."""
        value = self.raw(key)
        if not is_number(value) or not least <= value <= most:
            raise self.wrong(key, "a number" if most == GREATEST else f"a number from {least:g} to {most:g}")
        return value

    def time_s(self, key: str) -> float:
        """Return a log time, s."""
        value = self.raw(key)
        if not is_number(value) or not -LATEST_S <= value <= LATEST_S:
            raise self.wrong(key, "a log time, seconds,")
        return value

    def window(self) -> Window:
        """Return the window from `from` to `to`."""
        from_s, to_s = self.time_s("from"), self.time_s("to")
        if to_s < from_s:
            raise LineError(f"it lasts from {from_s} s to {to_s} s")
        return Window(from_s, to_s)

    def bounds(self, key: str) -> Bounds | None:
        """Return a span, or None where null stands."""
        pair = self.raw(key)
        if pair is None:
            return None
        if not isinstance(pair, list) or len(pair) != 2 or not all(map(is_number, pair)) or pair[0] > pair[1]:  # noqa: PLR2004 - a pair
            raise self.wrong(key, "a span, [lowest, highest],")
        return Bounds(pair[0], pair[1])

    def texts(self, key: str) -> Mapping[str, str]:
        """Return a mapping of texts."""
        value = self.raw(key)
        if not isinstance(value, dict) or not all(type(text) is str for text in value.values()):
            raise self.wrong(key, "a mapping of texts")
        return value

    def items(self, key: str) -> list[object]:
        """Return a list, its items unchecked."""
        value = self.raw(key)
        if not isinstance(value, list):
            raise self.wrong(key, "a list")
        return value

    def part(self, key: str) -> LineFields:
        """Return the fields of an object within the line."""
        value = self.raw(key)
        if not isinstance(value, dict):
            raise self.wrong(key, "a mapping")
        return LineFields(value)

    def parts(self, key: str) -> list[LineFields]:
        """Return a list of such."""
        value = self.items(key)
        if not all(isinstance(one, dict) for one in value):
            raise self.wrong(key, "a list of mappings")
        return [LineFields(cast("Mapping[str, object]", one)) for one in value]

    def maybe(self, key: str, take: Callable[[str], _T]) -> _T | None:
        """Take a field that may be null."""
        return None if self.raw(key) is None else take(key)


def is_number(value: object) -> TypeGuard[float]:
    """Return whether a JSON value is a finite number."""
    kind = type(value)
    return kind is int or (kind is float and isfinite(cast("float", value)))
