"""How far a command is, for somebody who waits: a line drawn anew on a terminal, elsewhere a line now and then."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, final

from rich.console import Console
from rich.text import Text

from ventproof.terminal.console import error_console
from ventproof.verdict.text import about
from ventproof_bench.base.clock import Stopwatch
from ventproof_bench.selfcheck.planned import about_s

if TYPE_CHECKING:
    from rich.status import Status

    from ventproof_bench.benchfile.model import BenchFile


FIRST_S: Final = 15.0
"""What is over before says nothing where there is no terminal."""

EVERY_S: Final = 30.0
"""From one line to the next there."""


@final
@dataclass(slots=True)
class Seldom:
    """Prints lines where there is no terminal, at most one in `EVERY_S`, the first after `FIRST_S`.

    Args:
        gone_s: tells how long it was waited so far, seconds.
        console: where the lines go.
    """

    gone_s: Callable[[], float]
    console: Console = field(default_factory=error_console)
    _next_s: float = field(default=FIRST_S, init=False)

    def say(self, line: str) -> None:
        """Print a line, if it is time for one."""
        gone_s = self.gone_s()
        if gone_s >= self._next_s:
            self._next_s = gone_s + EVERY_S
            self.console.print(Text(line), soft_wrap=True)


def pace(done: int, of: int, gone_s: float, *, each: str = "") -> str:
    """Return how many of how many are done, how fast it goes, and how long it still takes at that rate.

    Args:
        done: how many are done.
        of: how many there are.
        gone_s: how long that took, seconds.
        each: what is counted, such as `runs`.
    """
    count = f"{done} of {of} {each}".rstrip()
    if not done or gone_s < 1:  # nothing that a rate could be told from
        return count
    rate = 60 * done / gone_s
    many = f"{rate:.0f}" if rate >= 10 else f"{rate:.1f}"  # noqa: PLR2004 - a tenth matters below
    left_s = (of - done) * gone_s / done
    return f"{count}, {many} a minute" + (f", about {about(round(left_s))} left" if done < of else "")


@contextmanager
def progress(*, shown: bool) -> Iterator[Callable[[str, int, int], None]]:
    """Give what takes the name of what begins, how many were done before it, and of how many."""
    if not shown:
        yield lambda *_: None
        return
    watch = Stopwatch()
    with telling(watch.gone_s) as tell:
        yield lambda name, done, of: tell(f"{pace(done, of, watch.gone_s())}: {name}")


@contextmanager
def telling(gone_s: Callable[[], float]) -> Iterator[Callable[[str], None]]:
    """Give what takes a line that says how far a command is.

    Args:
        gone_s: tells how long it was waited so far, seconds.
    """
    console = error_console()
    if not console.is_terminal:
        yield Seldom(gone_s, console).say
        return
    with console.status("") as status:
        yield lambda line: _draw(status, console, line)


@contextmanager
def checking(file: BenchFile, *, whole: bool) -> Iterator[Callable[[str, float], None]]:
    """Give what takes each part of a self-check that begins, and how many seconds it takes; nothing in virtual time.

    Elsewhere than on a terminal each part is a line: there are a few for each output.

    Args:
        file: the bench.
        whole: whether the bench is measured as well, and not the hook-up alone.
    """
    if file.virtual:
        yield lambda *_: None
        return
    watch, planned_s, console = Stopwatch(), about_s(file, whole=whole), error_console()

    def line(what: str, takes_s: float) -> str:
        left = f"about {about(max(0, round(planned_s - watch.gone_s())))} left in all"
        return f"{what}, {takes_s:.0f} s ({left})" if takes_s else f"{what} ({left})"

    if console.is_terminal:
        with telling(watch.gone_s) as tell:
            yield lambda what, takes_s: tell(line(what, takes_s))
    else:
        yield lambda what, takes_s: console.print(Text(line(what, takes_s)), soft_wrap=True)


def _draw(status: Status, console: Console, line: str) -> None:
    room = console.width - 3  # the spinner
    status.update(Text(line if len(line) <= room else f"{line[: room - 1]}…", no_wrap=True))
