"""Where commands print: a console that tells when its reader went away, and obeys nobody but ventproof."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from bench.stated import harmless


class _Console(Console):
    """A console that tells when its reader went away, where rich would end the program with code 1.

    What files and the unit say is shown, never obeyed: their control characters do not reach the terminal.
    """

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Yield what is shown, without control characters but the console's own."""
        for text, style, control in super().render(renderable, options):
            yield Segment(text if control else harmless(text), style, control)

    def on_broken_pipe(self) -> None:
        """Say so to whoever printed."""
        raise BrokenPipeError


def new_console() -> Console:
    """Return where results are printed: the terminal, or 120 columns where there is none."""
    console = _Console(highlight=False)
    if not console.is_terminal:
        console.width = 120
    return console
