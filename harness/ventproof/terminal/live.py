"""The live screen of a terminal while runs go on: drawn anew a few times a second, no larger than the terminal."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING, Final, Self, final

from ventproof.log.events import PollSeen
from ventproof.log.run import ABORTED
from ventproof.rack.follow import UNKNOWN, PlacePhase
from ventproof.terminal.console import say_table
from ventproof.terminal.follow import Following, Row, span_said, step_said
from ventproof.verdict.text import about
from ventproof_bench.base.clock import Stopwatch

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
    from ventproof.rack.follow import PlaceProgress
    from ventproof.rack.supervise import Rack


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
_RACK_REDRAW_S: Final = 0.5
_AROUND_RACK: Final = 4  # lines of a rack's screen that are no row of its table, and the one below it


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


@final
class RackTable:
    """One table of all places of a rack, drawn anew twice a second.

    Args:
        console: the terminal.
        name: of the rack.
        rack: the rack.
    """

    def __init__(self, console: Console, name: str, rack: Rack) -> None:
        from rich.live import Live  # noqa: PLC0415 - heavy, and only needed on a terminal

        self._console = console
        self._name = name
        self._rack = rack
        self._watch = Stopwatch()
        self._drawn_s = -inf
        self._live = Live(console=console, auto_refresh=False, transient=True)

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def __call__(self) -> None:
        """Draw the table, if it is time."""
        if self._watch.gone_s() - self._drawn_s >= _RACK_REDRAW_S:
            self._drawn_s = self._watch.gone_s()
            self._live.update(self.screen(), refresh=True)

    def screen(self) -> Group:
        """Return what is shown now: at most as many lines as the terminal has."""
        from rich.console import Group  # noqa: PLC0415 - heavy, and only needed on a terminal

        rack = self._rack
        ended = len(rack.progress) - rack.at_work - rack.waiting
        counts = f"   {rack.at_work} at work, {rack.waiting} to come, {ended} ended"
        left = f"   {span_said(rack.left())} left" if rack.left()[1] else ""
        return Group(
            _line((self._name, "bold"), (counts, ""), (left, "")),
            self._table(),
            _line(("Ctrl-C stops all places and makes their outputs safe.", "dim")),
        )

    def _table(self) -> Table:
        from rich.cells import cell_len  # noqa: PLC0415 - as below
        from rich.table import Table  # noqa: PLC0415 - heavy, and only needed on a terminal

        table = Table(expand=True, box=None, padding=(0, _GAP, 0, 0), header_style="dim")
        room = max(1, self._console.size.height - _AROUND_RACK)
        # Where there is no room for all, those that are over are left out first.
        shown = sorted(self._rack.progress, key=lambda one: one.phase is PlacePhase.ENDED)[:room]
        places = [one for one in self._rack.progress if one in shown]
        cells = [_beside_doing(one) for one in places]
        widths = [max(map(cell_len, column)) for column in zip(_HEADINGS, *map(_plain, cells), strict=True)]
        for heading in (*_HEADINGS[:_DOES], "does", *_HEADINGS[_DOES:]):
            table.add_column(
                heading, no_wrap=True, overflow="ellipsis", ratio=1 if heading == "does" else None
            )
        wide = self._console.size.width - sum(widths) - _GAP * (len(widths) + 1)
        for one, its in zip(places, cells, strict=True):
            table.add_row(*its[:_DOES], _cell(_doing(one, wide)), *its[_DOES:])
        return table


_HEADINGS: Final = ("place", "unit", "run", "at most", "so far", "outputs")
_DOES: Final = 3  # what a place does stands before this one of them
_NAMED: Final = 6  # characters of a name that still tell something


def _beside_doing(one: PlaceProgress) -> list[Text]:
    """Return the cells of a place, but for what it does."""
    left_s = one.left()[1]
    return [
        _cell(one.place.name),
        _cell(one.place.unit),
        _cell(f"{one.run} of {one.place.runs}" if one.run else ""),
        _cell(about(round(left_s)) if left_s else ""),
        _so_far(one),
        _cell(one.outputs, "fail" if one.outputs == UNKNOWN else ""),
    ]


def _plain(cells: Sequence[Text]) -> list[str]:
    return [one.plain for one in cells]


def _doing(one: PlaceProgress, room: int) -> str:
    """Return what a place does, in words; where there is no room for both, the step tells more than the profile."""
    if one.remark or one.refused:
        return one.remark or one.refused[0]
    if one.silent_s:
        return f"silent for {one.silent_s:.0f} s, limit {one.place.silence_s:.0f} s"
    if one.phase is not PlacePhase.RUNS or not one.profile:
        return str(one.phase)
    if one.step is None:
        return one.profile
    step = one.step_name or "opening the bench"
    left = room - len(step) - len(": ")
    if len(one.profile) <= left:
        return f"{one.profile}: {step}"
    return f"{one.profile[: left - 1].rstrip()}…: {step}" if left > _NAMED else step


def _so_far(one: PlaceProgress) -> Text:
    """Return how the runs of a place ended so far."""
    from rich.text import Text  # noqa: PLC0415 - heavy, and only needed on a terminal

    return Text(", ").join(_cell(f"{number} {verdict}", verdict) for verdict, number in one.counts.items())


def show_rack(console: Console, progress: Sequence[PlaceProgress], folder: str) -> None:
    """Print how the test of each place of a rack ended.

    Args:
        console: where to.
        progress: of the places.
        folder: where the logs are.
    """
    from rich.table import Table  # noqa: PLC0415 - heavy, and only needed at the end

    table = Table(title=f"logs in {folder}", title_justify="left", expand=False)
    for heading in ("Place", "Unit", "Firmware", "Runs", "Ended", "Outputs"):
        table.add_column(heading, overflow="fold")
    for one in progress:
        place = one.place
        ended = _so_far(one) if one.counts else _cell("not run", ABORTED)
        outputs = _cell(one.outputs or "not driven", "fail" if one.outputs == UNKNOWN else "")
        runs = f"{one.counts.total()} of {place.runs}"
        table.add_row(_cell(place.name), _cell(place.unit), _cell(place.firmware), runs, ended, outputs)
    say_table(console, table)


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
