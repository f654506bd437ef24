"""The live screen of a terminal while a run goes on: drawn anew a few times a second, no larger than the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, final

from ventproof.log.events import PollSeen
from ventproof.terminal.follow import Following, Row, span_said, step_said

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Iterator, Sequence

    from rich.console import Console, Group
    from rich.live import Live
    from rich.table import Table
    from rich.text import Text

    from ventproof.case.case import Case
    from ventproof.log.events import Event
    from ventproof.profile.duration import Span


VERDICT_STYLE: Final = {
    "pass": "green",
    "fail": "bold red",
    "inconclusive": "yellow",
    "aborted": "bold magenta",
}

_REDRAW_S: Final = 0.2
_AROUND: Final = 7  # lines of the screen that are no row of the table
_STEPS_SHOWN: Final = 3
_GAP: Final = 2  # blanks between two columns
_READING: Final = 8  # at least so wide, so that the columns do not dance
_STATE: Final = 22


@final
class LiveView:
    """A screen that is drawn anew a few times a second; implements `ventproof.run.view.View`.

    Args:
        console: the terminal.
        profiles: how long each profile of the plan takes.
    """

    def __init__(self, console: Console, profiles: Sequence[Span] = ()) -> None:
        self._console = console
        self._live: Live | None = None
        self._run = Following(profiles)
        self._drawn_s = -1.0

    def begin(self, name: str, case: Case) -> None:
        """Start the screen."""
        from rich.live import Live  # noqa: PLC0415 - heavy, and only needed on a terminal

        self._run.begin(name, case)
        self._drawn_s = -1.0
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._live.start()
        self._live.update(self.screen(), refresh=True)

    def event(self, event: Event) -> None:
        """Take an event in, and redraw a few times a second."""
        self._run.take(event)
        if self._live is not None and (
            not isinstance(event, PollSeen) or self._run.t_s - self._drawn_s >= _REDRAW_S
        ):
            self._drawn_s = self._run.t_s
            self._live.update(self.screen(), refresh=True)

    def screen(self) -> Group:
        """Return what is shown now: at most as many lines as the terminal has."""
        from rich.console import Group  # noqa: PLC0415 - heavy, and only needed on a terminal

        return Group(*self._head(), self._table(), *self._foot())

    def _head(self) -> Iterator[Text]:
        run = self._run
        place = f"{run.place}: " if run.place else ""
        yield _line((place, ""), (run.name, "bold"))
        rest = f"   all {run.runs}: {span_said(run.left_in_all())} left" if run.runs > 1 else ""
        yield _line((step_said(run) or "start", "bold"), (f"   {span_said(run.left())} left{rest}", ""))
        yield _line(("waits: ", "dim"), (run.waits(), "cyan"))
        yield _line(("did:   ", "dim"), (run.remark, ""))

    def _table(self) -> Table:
        """The responses of the step with what they read, then the other signals, as far as there is room."""
        from rich.table import Table  # noqa: PLC0415 - heavy, and only needed on a terminal

        rows = self._run.rows()
        table = Table(expand=False, box=None, padding=(0, _GAP, 0, 0), header_style="dim")
        for heading, width in zip(("signal", "reads", "must", "does"), self._widths(rows), strict=True):
            table.add_column(heading, no_wrap=True, overflow="ellipsis", width=width)
        room = max(3, self._console.size.height - _AROUND - min(_STEPS_SHOWN, len(self._run.done)))
        if len(rows) > room:
            left_out = len(rows) - room + 1
            rows = [*rows[: room - 1], Row(f"… {left_out} more", "")]
        for row in rows:
            table.add_row(*map(_cell, (row.signal, row.reading, row.demand)), _cell(row.state, row.verdict))
        return table

    def _widths(self, rows: Sequence[Row]) -> tuple[int, int, int, int]:
        """Return how wide the columns are: names and demands are cut short first, readings and states never."""
        signal, reads, must, does = (
            max(len(heading), *map(len, cells))
            for heading, cells in zip(
                ("signal", "reads", "must", "does"),
                zip(*((row.signal, row.reading, row.demand, row.state) for row in rows), strict=True),
                strict=True,
            )
        )
        reads, does = max(reads, _READING), max(does, _STATE)
        room = self._console.size.width - reads - does - 4 * _GAP
        signal = min(signal, max(room // 2, room - must))
        return signal, reads, max(1, min(must, room - signal)), does

    def _foot(self) -> Iterator[Text]:
        for step, counts in list(self._run.done.items())[-_STEPS_SHOWN:]:
            yield _line((f"{step}:", ""), *_counted(counts))

    def end(self) -> None:
        """Take the screen down; the table of findings follows it."""
        if self._live is not None:
            self._live.stop()
            self._live = None


def _line(*parts: tuple[str, str]) -> Text:
    from rich.text import Text  # noqa: PLC0415 - heavy, and only needed on a terminal

    line = Text.assemble(*parts, no_wrap=True, overflow="ellipsis")
    line.rstrip()
    return line


def _cell(text: str, verdict: str = "") -> Text:
    from rich.text import Text  # noqa: PLC0415 - heavy, and only needed on a terminal

    return Text(text, style=VERDICT_STYLE.get(verdict, ""))


def _counted(counts: Counter[str]) -> Iterator[tuple[str, str]]:
    for verdict, number in counts.items():
        yield f"  {number} {verdict}", VERDICT_STYLE.get(verdict, "")
