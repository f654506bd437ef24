"""What a person sees while a run goes on: the live screen of a terminal, plain lines elsewhere."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final, final

from ventproof.log.events import (
    ContactCommand,
    FindingMade,
    GapSeen,
    Note,
    OutputDriven,
    OutputsUnsafe,
    PollSeen,
    RunEnd,
    SettingFound,
    StepBegin,
    StimulusApplied,
)
from ventproof.log.settings import value_said
from ventproof.verdict.finding import Bounds
from ventproof.verdict.text import finding_line, number_text, range_text, seconds
from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import Console, Group
    from rich.live import Live
    from rich.table import Table

    from ventproof.case.case import Case
    from ventproof.case.items import Item
    from ventproof.log.events import Event
    from ventproof_bench.base.evidence import SignalTraits


VERDICT_STYLE: Final = {
    "pass": "green",
    "fail": "bold red",
    "inconclusive": "yellow",
    "aborted": "bold magenta",
}

_REDRAW_S: Final = 0.2
_FLAG: Final = {0.0: "off", 1.0: "on"}


@final
class LiveView:
    """A screen that is drawn anew a few times a second; implements `ventproof.run.view.View`."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live: Live | None = None
        self._case: Case
        self._name = ""
        self._longest_s = 0.0
        self._clear()

    def _clear(self) -> None:
        self._t_s, self._drawn_s = 0.0, -1.0
        self._step = "opening the bench"
        self._remark = ""
        self._readings: dict[str, tuple[float, float]] = {}
        self._done: dict[str, Counter[str]] = {}

    def begin(self, name: str, case: Case, longest_s: float) -> None:
        """Start the screen."""
        from rich.live import Live  # noqa: PLC0415 - heavy, and only needed on a terminal

        self._name, self._case, self._longest_s = name, case, longest_s
        self._clear()
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._live.start()

    def event(self, event: Event) -> None:
        """Take an event in, and redraw a few times a second."""
        self._t_s = max(self._t_s, event.t_s)
        self._take(event)
        if self._live is not None and (
            not isinstance(event, PollSeen) or self._t_s - self._drawn_s >= _REDRAW_S
        ):
            self._drawn_s = self._t_s
            self._live.update(self._screen(), refresh=True)

    def _take(self, event: Event) -> None:
        match event:
            case PollSeen(poll=poll):
                for bench_name, value in poll.values.items():
                    if bench_name in self._case.names:
                        self._readings[self._case.names[bench_name]] = (value, event.t_s)
            case StepBegin(step_name=name):
                self._step = name
            case FindingMade(finding=finding):
                self._done.setdefault(finding.step_name, Counter())[finding.verdict] += 1
            case ContactCommand(said=said) | StimulusApplied(said=said):
                self._remark = said
            case GapSeen(gap=gap):
                self._remark = f"no evidence from bus {gap.bus}: {gap.reason}"
            case _:
                pass

    def _screen(self) -> Group:
        from rich.console import Group  # noqa: PLC0415 - heavy, and only needed on a terminal
        from rich.text import Text  # noqa: PLC0415

        left_s = max(0.0, self._longest_s - self._t_s)
        return Group(
            Text.assemble((self._name, "bold"), f"   at most {left_s:.0f} s left"),
            self._signals(),
            Text(f"{self._step}:  {self._remark}", style="bold"),
            self._pending(),
            *(self._ended(step, counts) for step, counts in self._done.items()),
        )

    def _signals(self) -> Table:
        from rich.table import Table  # noqa: PLC0415 - heavy, and only needed on a terminal

        table = Table(expand=False)
        for heading in ("signal", "reading", "age"):
            table.add_column(heading)
        for name, traits in self._case.traits.items():
            if isinstance(traits, ReckonedTraits):
                table.add_row(name, *self._reckoned(name, traits))
                continue
            value, at_s = self._readings.get(name, (None, 0.0))
            age = "–" if value is None else f"{self._t_s - at_s:.1f} s"
            table.add_row(name, _reading(value, traits), age)
        return table

    def _reckoned(self, name: str, traits: ReckonedTraits) -> tuple[str, str]:
        """Return where a vent is by its contacts as they were read last, and how long ago that was."""
        trace = self._case.traces[name]
        if trace.last is None:
            return "–", "–"
        at_s = trace.last.requested_s - traits.refreshed_every_s
        bounds = Bounds(*trace.bounds_at(at_s))
        return range_text(bounds, f" {traits.unit}", 1), f"{self._t_s - at_s:.1f} s"

    def _pending(self) -> Table:
        """The responses of the running step: what was found, or how long there still is."""
        from rich.table import Table  # noqa: PLC0415 - heavy, and only needed on a terminal
        from rich.text import Text  # noqa: PLC0415

        table = Table.grid(padding=(0, 2))
        for item in self._case.of_step(-1 if self._case.step is None else self._case.step):
            verdict = "" if item.ruling is None else str(item.ruling.verdict)
            state = Text(verdict, style=VERDICT_STYLE[verdict]) if verdict else Text(self._left(item))
            table.add_row(Text("  " + item.signal), Text(item.wording), state)
        return table

    def _left(self, item: Item) -> str:
        if item.watch is None:
            return "its stimulus is under way"
        return f"{max(0.0, item.watch.judged_to_s - self._t_s):.1f} s left"

    @staticmethod
    def _ended(step: str, counts: Counter[str]) -> Table:
        from rich.table import Table  # noqa: PLC0415 - heavy, and only needed on a terminal
        from rich.text import Text  # noqa: PLC0415

        row = Table.grid(padding=(0, 2))
        cells = [
            Text(f"{number} {verdict}", style=VERDICT_STYLE[verdict]) for verdict, number in counts.items()
        ]
        row.add_row(Text(step), *cells)
        return row

    def end(self) -> None:
        """Take the screen down; the table of findings follows it."""
        if self._live is not None:
            self._live.stop()
            self._live = None


def _reading(value: float | None, traits: SignalTraits) -> str:
    if value is None:
        return "–"
    if traits.unit == "flag":
        return _FLAG.get(value, f"{value:g}")
    return number_text(value) if traits.unit in {"count", "state"} else f"{value:.1f} {traits.unit}"


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
        at = f"{event.t_s:9.2f} s  "
        match event:
            case StepBegin(step_name=name):
                self._say(f"{at}{name}")
            case ContactCommand(said=said):
                self._say(f"{at}  {said}")
            case StimulusApplied(said=said, value=value) if value is not None:
                self._say(f"{at}  {said}")
            case FindingMade(finding=finding):
                self._say(f"{'':13}{finding_line(finding)}".replace("\n", f"\n{'':13}"))
            case GapSeen(gap=gap):
                self._say(f"{at}  no evidence from bus {gap.bus}: {gap.reason}, {gap.detail}")
            case Note(text=text):
                self._say(f"{at}  note: {text}")
            case SettingFound() | OutputDriven():
                self._say_setting(at, event)
            case OutputsUnsafe(reason=reason):
                self._say(f"{at}  OUTPUTS MAY NOT BE SAFE: {reason}")
            case RunEnd(verdict=verdict, abort=abort):
                self._say(f"{at}{verdict or f'aborted: {abort.text if abort else None}'}")
            case _:
                pass

    def _say_setting(self, at: str, event: SettingFound | OutputDriven) -> None:
        match event:
            case SettingFound(found=found) if not found.trouble:
                self._say(f"{at}  {found.output}: found {value_said(found.value, found.unit)}")
            case OutputDriven(driven=driven) if driven.why == "restore":
                self._say(f"{at}  {driven.output}: put back {value_said(driven.value, driven.unit)}")
            case _:
                pass

    def end(self) -> None:
        """Nothing to tidy."""
