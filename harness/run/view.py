"""What a person sees while a run goes on, where there is no terminal to draw on; `harness.run.live` draws."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol, final

from harness.run.case import Case
from harness.run.compile import seconds
from harness.run.events import Event
from harness.run.text import finding_line


class View(Protocol):
    """Watches a run; never changes it."""

    def begin(self, name: str, case: Case, longest_s: float) -> None:
        """A profile begins; it takes `longest_s` at most."""

    def event(self, event: Event) -> None:
        """Something happened."""

    def end(self) -> None:
        """The profile ended, one way or another."""


@final
class CarefulView:
    """A view whose own trouble (a terminal that went away, say) never touches the run that it watches."""

    def __init__(self, view: View) -> None:
        self._view: View = view

    def begin(self, name: str, case: Case, longest_s: float) -> None:
        """Pass it on."""
        self._try(lambda: self._view.begin(name, case, longest_s))

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
class LinesView:
    """Plain lines, for logs of other programs: no control codes, nothing redrawn."""

    def __init__(self, say: Callable[[str], Any]) -> None:
        self._say = say

    def begin(self, name: str, case: Case, longest_s: float) -> None:  # noqa: ARG002 - the protocol's
        """Name the profile."""
        self._say(f"{name}  (at most {seconds(round(longest_s))})")

    def event(self, event: Event) -> None:
        """Say what a reader of a log wants to know."""
        fields = event.fields
        at = f"{event.t_s:9.2f} s  "
        if event.name == "step_begin":
            self._say(f"{at}{fields['name']}")
        elif event.name == "command" or (event.name == "stimulus" and "value" in fields):
            self._say(f"{at}  {fields['said']}")
        elif event.name == "finding":
            self._say(f"{'':13}{finding_line(fields)}".replace("\n", f"\n{'':13}"))
        elif event.name == "gap":
            self._say(f"{at}  no evidence from bus {fields['bus']}: {fields['reason']}, {fields['detail']}")
        elif event.name == "note":
            self._say(f"{at}  note: {fields['text']}")
        elif event.name == "not_safe":
            self._say(f"{at}  OUTPUTS MAY NOT BE SAFE: {fields['reason']}")
        elif event.name == "run_end":
            self._say(f"{at}{fields['verdict'] or 'aborted: ' + fields['aborted']}")

    def end(self) -> None:
        """Nothing to tidy."""


@final
class SilentView:
    """Nothing: in virtual time a run is over before anybody could look."""

    def begin(self, name: str, case: Case, longest_s: float) -> None:
        """Nothing to show."""

    def event(self, event: Event) -> None:
        """Nothing to show."""

    def end(self) -> None:
        """Nothing to show."""
