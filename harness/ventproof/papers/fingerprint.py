"""The settings of a unit as a run found them, with a digest, and what became different since another run (pure)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import final

from ventproof.log.events import Event, SettingFound
from ventproof.log.settings import value_said


@final
@dataclass(frozen=True, slots=True)
class FoundSettings:
    """What a run found in the unit before it wrote anything there.

    Attributes:
        values: each setting in words, by the name of the output that writes it.
        words: the registers of each that was read.
        unread: why a setting could not be read, by name.
    """

    values: Mapping[str, str]
    words: Mapping[str, tuple[int, ...]]
    unread: Mapping[str, str]

    @property
    def sha256(self) -> str:
        """Digest of the registers by name: of their JSON, sorted, without blanks; empty where none was read."""
        if not self.words:
            return ""
        told = {name: list(words) for name, words in self.words.items()}
        return hashlib.sha256(json.dumps(told, sort_keys=True, separators=(",", ":")).encode()).hexdigest()

    def said(self, name: str) -> str:
        """Return one setting in words."""
        if name in self.unread:
            return f"cannot be read ({self.unread[name]})"
        return self.values.get(name, "not read")

    def differing(self, before: FoundSettings) -> Iterator[str]:
        """Yield what differs from another run: `rain_release_delay: 30 s, before 25 s`."""
        for name in dict.fromkeys([*self.values, *self.unread, *before.values, *before.unread]):
            if self.words.get(name) != before.words.get(name):
                yield f"{name}: {self.said(name)}, before {before.said(name)}"


@final
@dataclass(frozen=True, slots=True)
class SettingsBefore:
    """An earlier run of the same unit: which it was, and what it found; None where its log is not here."""

    run: str
    found: FoundSettings | None

    @property
    def told(self) -> FoundSettings | None:
        """What can be compared: None where its log is not here, or tells no settings."""
        return self.found if self.found and self.found.words else None


def settings_found(events: Iterable[Event]) -> FoundSettings:
    """Return what a run found; of a setting that was looked at twice, what was there first."""
    values: dict[str, str] = {}
    words: dict[str, tuple[int, ...]] = {}
    unread: dict[str, str] = {}
    for found in (event.found for event in events if isinstance(event, SettingFound)):
        if found.output in {*values, *unread}:
            continue
        if found.trouble:
            unread[found.output] = found.trouble
        else:
            values[found.output] = value_said(found.value, found.unit)
            words[found.output] = tuple(found.words)
    return FoundSettings(values, words, unread)
