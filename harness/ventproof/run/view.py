"""Who watches a run while it goes on, never changing it; `ventproof.terminal.live` shows it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, final

from ventproof.case.case import Case
from ventproof.log.events import Event


class View(Protocol):
    """Watches a run; never changes it."""

    def begin(self, name: str, case: Case) -> None:
        """A profile begins."""

    def event(self, event: Event) -> None:
        """Something happened."""

    def end(self) -> None:
        """The profile ended, one way or another."""


@final
class CarefulView:
    """A view whose own trouble (a terminal that went away, say) never touches the run that it watches."""

    def __init__(self, view: View) -> None:
        self._view: View = view

    def begin(self, name: str, case: Case) -> None:
        """Pass it on."""
        self._try(lambda: self._view.begin(name, case))

    def event(self, event: Event) -> None:
        """Pass it on."""
        self._try(lambda: self._view.event(event))

    def end(self) -> None:
        """Pass it on."""
        self._try(self._view.end)

    def _try(self, call: Callable[[], None]) -> None:
        try:
            call()
        except Exception:  # noqa: BLE001 - whatever ails the screen, the outputs and the log come first
            self._view = SilentView()


@final
class SilentView:
    """Nothing: in virtual time a run is over before anybody could look."""

    def begin(self, name: str, case: Case) -> None:
        """Nothing to show."""

    def event(self, event: Event) -> None:
        """Nothing to show."""

    def end(self) -> None:
        """Nothing to show."""
