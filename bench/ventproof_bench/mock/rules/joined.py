"""Which rules of the unit are called for, from what it sees (pure)."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, final

from ventproof_bench.mock.rules.settling import Settling, Threshold
from ventproof_bench.mock.rules.terms import (
    ActiveTerm,
    ColdTerm,
    ContactTerm,
    FailedTerm,
    RainTerm,
    SilentTerm,
    WindTerm,
    terms_of,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from ventproof_bench.mock.faults.behaviour import Behaviour
    from ventproof_bench.mock.rules.terms import RuleTerm, Term


@final
class Joins:
    """What the rules of a unit wait for; made anew at every start.

    Args:
        rules: by name, what calls for each.
        behaviour: what is wrong with the unit.
        now_s: when it starts.
        beyond: returns whether a mean wind or a rain counts, for a term about one.
        silent: returns what says whether the bus is silent, for a term about it.
        failed: says whether a sensor has failed.
        active: says whether an override is active.

    Attributes:
        settling: the debounced contacts, of which each falls due.
    """

    def __init__(
        self,
        rules: Mapping[str, Sequence[RuleTerm]],
        behaviour: Behaviour,
        now_s: float,
        *,
        beyond: Callable[[WindTerm | RainTerm], Threshold],
        silent: Callable[[SilentTerm], Callable[[], bool]],
        failed: Callable[[str], bool],
        active: Callable[[str], bool],
    ) -> None:
        self.settling: list[Settling] = []
        self._behaviour = behaviour
        self._beyond, self._silent, self._failed, self._active = beyond, silent, failed, active
        self._contacts: dict[str, list[tuple[Settling, bool]]] = {}
        self._cold: list[Threshold] = []
        self._groups = {
            name: [[self._look(term, now_s) for term in terms] for terms in terms_of([*when])]
            for name, when in rules.items()
        }

    def contact(self, name: str, now_s: float, *, closed: bool) -> None:
        """Take an edge at a terminal."""
        for settling, when_closed in self._contacts.get(name, ()):
            settling.change(now_s, state=closed == when_closed)

    def outside(self, celsius: float) -> None:
        """Take the outside temperature, °C."""
        for threshold in self._cold:
            threshold.judge(celsius)

    def called(self) -> dict[str, bool]:
        """Return of each rule whether the weather calls for it."""
        return {name: self._called(groups) for name, groups in self._groups.items()}

    def _called(self, groups: Sequence[Sequence[Callable[[], bool]]]) -> bool:
        behaviour = self._behaviour
        join = any if behaviour.joins_by_any else all
        for group in groups:
            counting = group[:-1] if behaviour.last_joined_dropped and len(group) > 1 else group
            if join(look() for look in counting):
                return True
        return False

    def _look(self, term: Term, now_s: float) -> Callable[[], bool]:
        match term:
            case ContactTerm():
                return partial(_settled, self._contact(term, now_s))
            case WindTerm() | RainTerm():
                return partial(_on, self._beyond(term))
            case SilentTerm():
                return self._silent(term)
            case ActiveTerm():
                return partial(self._other, term.active)
            case ColdTerm():
                threshold = Threshold(
                    term.outside_below.value, term.outside_below.value + term.hysteresis.value, rising=False
                )
                self._cold.append(threshold)
                return partial(_on, threshold)
            case FailedTerm():
                return partial(self._failed, term.failed)

    def _other(self, name: str) -> bool:
        return self._behaviour.references_heeded and self._active(name)

    def _contact(self, term: ContactTerm, now_s: float) -> Settling:
        settling = Settling(term.debounce, term.debounce)
        when_closed = term.state == "closed" or self._behaviour.loops_taken_for_open
        # A contact is open until it is told to be closed.
        settling.change(now_s, state=not when_closed)
        self.settling.append(settling)
        self._contacts.setdefault(term.contact, []).append((settling, when_closed))
        return settling


def _settled(settling: Settling) -> bool:
    return settling.value


def _on(threshold: Threshold) -> bool:
    return threshold.on
