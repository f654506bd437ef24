"""Until when what the bench played may still be counted: what a count must not begin with (pure)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, final

from bench.wiring import ContactOutput
from harness.judge.formulas import Counts, Formula
from harness.judge.spans import INF
from harness.profile.model import Profile
from harness.profile.stimulus import Fail, Mend
from harness.run.events import Event, unpack_batch

if TYPE_CHECKING:
    from harness.profile.bind import Bound


@final
@dataclass(slots=True)
class Movements:
    """Follows the events of a run.

    Args:
        profile: the profile.
        counted: the contacts that a counter counts, by the counter's name; one that is not named may count any.
    """

    profile: Profile
    counted: Mapping[str, frozenset[str]]
    _closed: dict[str, bool] = field(init=False, default_factory=dict)
    _moved_s: dict[str, float] = field(init=False, default_factory=dict)
    _going: dict[tuple[str, int, int], None] = field(init=False, default_factory=dict)

    def since_played(self, formula: Formula, signal: str) -> Formula:
        """Return a demand on a signal that counts from now on; a count also knows what was played before."""
        if not isinstance(formula, Counts):
            return formula
        contacts = self.counted.get(signal, self._moved_s.keys() | {name for name, *_ in self._going})
        until_s = max((self._moved_s.get(name, -INF) for name in contacts), default=-INF)
        if any(name in contacts for name, *_ in self._going):
            until_s = INF
        return replace(formula, counts_until_s=until_s)

    def feed(self, event: Event) -> None:
        """Take the next event; the watches that count from it are open already."""
        handler = _HANDLERS.get(event.name)
        name = event.fields.get("output", "")
        if handler is not None and self.profile.needs.outputs.get(name) == "contact":
            handler(self, name, event.fields)

    def _stimulus(self, name: str, fields: Mapping[str, Any]) -> None:
        step, index = fields["step"], fields["stimulus"]
        if "edges" in fields:
            self._edges(name, fields["edges"])
            return
        asked = self.profile.steps[step - 1].do[index]
        if fields.get("goes_on") or (isinstance(asked, Fail) and asked.how == "chatter"):
            self._going[name, step, index] = None
            return
        if isinstance(asked, Mend):
            self._going = {going: None for going in self._going if not self._chatters(going, name)}
        self._moved_s[name] = fields["to"]

    def _stimulus_end(self, name: str, fields: Mapping[str, Any]) -> None:
        self._going.pop((name, fields["step"], fields["stimulus"]), None)
        self._moved_s[name] = max(self._moved_s.get(name, -INF), fields["to"])

    def _played(self, name: str, fields: Mapping[str, Any]) -> None:
        self._edges(name, unpack_batch(fields))

    def _edges(self, name: str, edges: Iterable[Mapping[str, Any]]) -> None:
        for edge in edges:
            if edge["closed"] is not self._closed.get(name, False):
                self._moved_s[name] = edge["due"] if edge["to"] is None else edge["to"]
            self._closed[name] = edge["closed"]

    def _chatters(self, going: tuple[str, int, int], name: str) -> bool:
        output, step, index = going
        return output == name and isinstance(self.profile.steps[step - 1].do[index], Fail)


def counted_contacts(bound: Bound) -> dict[str, frozenset[str]]:
    """Return the contacts of a profile that its counters count, where the bench says which."""
    outputs = bound.bench.model.outputs
    counts = {at: output.counted_by for at, output in outputs.items() if isinstance(output, ContactOutput)}
    return {
        name: frozenset(contact for contact, at in bound.outputs.items() if counts.get(at) == counter)
        for name, counter in bound.signals.items()
        if counter in counts.values()
    }


_HANDLERS: Final = {
    "stimulus": Movements._stimulus,  # noqa: SLF001 - the table of the class's own handlers
    "stimulus_end": Movements._stimulus_end,  # noqa: SLF001
    "played": Movements._played,  # noqa: SLF001
}
