"""Where commands print: a console that tells when its reader went away, and obeys nobody but ventproof."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, final

from rich.console import Console, ConsoleOptions, RenderableType
from rich.measure import Measurement
from rich.padding import Padding
from rich.segment import Segment
from rich.style import StyleType
from rich.table import Table
from rich.text import Text

from ventproof_bench.base.text import harmless

_BLANKS = re.compile(r" +$", re.MULTILINE)


class _Console(Console):
    """A console that tells when its reader went away, where rich would end the program with code 1.

    What files and the unit say is shown, never obeyed: their control characters do not reach the terminal.
    """

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Yield what is shown, without control characters but the console's own."""
        for text, style, control in super().render(renderable, options):
            yield Segment(text if control else harmless(text), style, control)

    def _render_buffer(self, buffer: Iterable[Segment]) -> str:
        """Return what is written; where there is no terminal, without blanks at the ends of lines."""
        text = super()._render_buffer(buffer)
        return text if self.is_terminal else _BLANKS.sub("", text)

    def on_broken_pipe(self) -> None:
        """Say so to whoever printed."""
        raise BrokenPipeError


_PART = re.compile(r"(?:[^-_./\s]|\.(?=\w{1,5}$))*(?:[-_./]+|\s+|$)")
"""What of a name stays together: a word with the sign after it, a file's ending with what it ends."""


@final
@dataclass(frozen=True, slots=True)
class Names:
    """Lines that are names; one that is too long for its column goes on after `-`, `_`, `.`, `/` or a space."""

    text: str
    style: StyleType = ""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterable[RenderableType]:
        """Yield the lines as wide as there is room."""
        for line in self.text.split("\n"):
            yield Text("\n".join(parted(line, options.max_width)), style=self.style, overflow="fold")

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        """Say how narrow and how wide the lines can be."""
        widest = max(len(line) for line in self.text.split("\n"))
        longest = max(len(part) for part in _PART.findall(self.text))
        return Measurement(min(longest, options.max_width), min(widest, options.max_width))


def parted(name: str, width: int) -> list[str]:
    """Return a name in lines of at most `width` characters, parted where it can be read; a longer part stays whole."""
    lines = [""]
    for part in _PART.findall(name):
        if lines[-1] and part and len(lines[-1]) + len(part.rstrip()) > width:
            lines.append("")
        lines[-1] += part
    return [line.rstrip() for line in lines]


def new_console() -> Console:
    """Return where results are printed: the terminal, or 120 columns where there is none."""
    console = _Console(highlight=False)
    if not console.is_terminal:
        console.width = 120
    return console


_WIDE: Final = 10_000


def say(console: Console, *parts: str | Text | tuple[str, str], indent: int = 0, cut: bool = False) -> None:
    """Print one line: on a terminal it goes on below itself where it is too long, elsewhere it stays one line.

    Args:
        console: where to.
        parts: what stands in the line, each with its style.
        indent: how many blanks stand before it.
        cut: whether it ends where the terminal does.
    """
    line = Text.assemble(*parts)
    if console.is_terminal and cut:
        console.print(Text(" " * indent) + line, no_wrap=True, overflow="ellipsis")
    elif console.is_terminal:
        console.print(Padding(line, (0, 0, 0, indent)))
    else:
        console.print(Text(" " * indent) + line, soft_wrap=True)


@final
@dataclass(frozen=True, slots=True)
class ScreenLine:
    """One line as `say` prints it, which can be measured before.

    Attributes:
        text: what stands in it, with its styles.
        indent: how many blanks stand before it.
        cut: whether it ends where the terminal does.
    """

    text: Text
    indent: int = 0
    cut: bool = False

    def rows(self, console: Console) -> int:
        """Return how many rows of a terminal it takes."""
        if self.cut or not console.is_terminal:
            return 1
        return max(1, len(self.text.wrap(console, console.width - self.indent)))


def say_lines(console: Console, lines: Iterable[ScreenLine]) -> None:
    """Print lines."""
    for line in lines:
        say(console, line.text, indent=line.indent, cut=line.cut)


_ROWS: Final = 24


def rows_of(console: Console) -> int:
    """Return how many rows can be read at once: those of a terminal, 24 at least, without the one of the prompt."""
    return max(_ROWS, console.height if console.is_terminal else 0) - 1


def say_table(console: Console, table: Table) -> None:
    """Print a table: as wide as a terminal, elsewhere as wide as it is."""
    if console.is_terminal:
        console.print(table)
    else:
        console.print(table, width=_WIDE, crop=False)


def tell_left(console: Console, left: Sequence[str], unsafe: str = "", profile: str = "") -> None:
    """Print how outputs were left.

    Args:
        console: where to.
        left: one line where all is well, else a line for each output that is not safe for certain.
        unsafe: why outputs may not be safe; empty when they are. What a person does now is said then.
        profile: after which profile.
    """
    if not unsafe:
        for line in left:
            console.print(Text(f"outputs: {line}"), soft_wrap=True)
        return
    after = f" ({profile})" if profile else ""
    console.print(Text(f"OUTPUTS MAY NOT BE SAFE{after}: {unsafe}.", style="bold red"))
    for line in left:
        console.print(Text(f"  {line}", style="red"), soft_wrap=True)
    console.print(Text("Isolate the drives, then put the contacts right by hand.", style="bold red"))


def error_console() -> Console:
    """Return where a waiting person is told how far a command is: standard error."""
    return _Console(stderr=True, highlight=False)
