"""What a person sees while a run goes on: a live screen on a terminal, plain lines elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, Protocol, final

from harness.run.case import Case
from harness.run.compile import seconds
from harness.run.events import Event
from harness.run.text import finding_line, findings_table

if TYPE_CHECKING:
    from rich.console import Console, Group
    from rich.live import Live

_REDRAW_S: Final = 0.2


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
        elif event.name == "stimulus":
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
class LiveView:
    """A screen that shows each signal, the step, the time left of its deadline and of the run, and the findings."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live: Live | None = None
        self._case: Case
        self._name = ""
        self._longest_s = 0.0
        self._t_s = 0.0
        self._drawn_s = -1.0
        self._step = "opening the bench"
        self._readings: dict[str, tuple[float, float]] = {}
        self._findings: list[dict[str, Any]] = []
        self._remarks: list[str] = []

    def begin(self, name: str, case: Case, longest_s: float) -> None:
        """Start the screen."""
        from rich.live import Live  # noqa: PLC0415 - heavy, and only needed on a terminal

        self._name, self._case, self._longest_s = name, case, longest_s
        self._readings, self._findings, self._remarks = {}, [], []
        self._t_s, self._drawn_s, self._step = 0.0, -1.0, "opening the bench"
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._live.start()

    def event(self, event: Event) -> None:
        """Take an event in, and redraw a few times a second."""
        self._t_s = max(self._t_s, event.t_s)
        fields = event.fields
        if event.name == "poll":
            for bench_name, value in fields["values"].items():
                if bench_name in self._case.names:
                    self._readings[self._case.names[bench_name]] = (value, event.t_s)
        elif event.name == "step_begin":
            self._step = fields["name"]
        elif event.name == "finding":
            self._findings.append(dict(fields))
        elif event.name == "stimulus":
            self._remarks.append(fields["said"])
        elif event.name == "gap":
            self._remarks.append(f"no evidence from bus {fields['bus']}: {fields['reason']}")
        if self._live is not None and (event.name != "poll" or self._t_s - self._drawn_s >= _REDRAW_S):
            self._drawn_s = self._t_s
            self._live.update(self._screen(), refresh=True)

    def _screen(self) -> Group:
        from rich.console import Group  # noqa: PLC0415 - heavy, and only needed on a terminal
        from rich.table import Table  # noqa: PLC0415
        from rich.text import Text  # noqa: PLC0415

        deadline_s = self._case.step_horizon_s()
        left = f"{max(0.0, deadline_s - self._t_s):.1f} s" if deadline_s else "–"
        head = Table.grid(padding=(0, 2))
        head.add_row(
            Text(self._name, style="bold"),
            Text(f"step: {self._step}"),
            f"left of its deadline: {left}",
            f"left of the run: at most {max(0.0, self._longest_s - self._t_s):.0f} s",
        )
        signals = Table(expand=False)
        for heading in ("signal", "reading", "age"):
            signals.add_column(heading)
        for name, traits in self._case.traits.items():
            value, at_s = self._readings.get(name, (None, 0.0))
            reading = "–" if value is None else f"{value:.10g} {traits.unit}"
            signals.add_row(name, reading, "–" if value is None else f"{self._t_s - at_s:.1f} s")
        remark = self._remarks[-1] if self._remarks else ""
        return Group(head, signals, Text(remark), findings_table("so far", self._findings))

    def end(self) -> None:
        """Take the screen down; the table of findings follows it."""
        if self._live is not None:
            self._live.stop()
            self._live = None


@final
class SilentView:
    """Nothing: in virtual time a run is over before anybody could look."""

    def begin(self, name: str, case: Case, longest_s: float) -> None:
        """Nothing to show."""

    def event(self, event: Event) -> None:
        """Nothing to show."""

    def end(self) -> None:
        """Nothing to show."""
