"""What a fault of the mock unit is (pure)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, final

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.mock.behaviour import Behaviour


@final
@dataclass(frozen=True, slots=True)
class Fault:
    """A named, wrong behaviour.

    Attributes:
        name: how files and commands call it.
        area: the part that is wrong: `input`, `delay`, `override`, `supply`, `stage`, `drive`,
            `register` or `bus`.
        about: one sentence that a firmware engineer recognises.
        severity: what a severity of 1 means and which way more goes; empty when it is all or nothing.
        change: gives the behaviour with this fault at a severity.
        needs: the part of the unit that it spoils, as `MockSettings.parts` names it; empty when every unit has it.
    """

    name: str
    area: str
    about: str
    severity: str
    change: Callable[[Behaviour, float], Behaviour]
    needs: str = ""
