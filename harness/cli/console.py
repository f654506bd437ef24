"""Where commands print: a console that tells when its reader went away."""

from __future__ import annotations

from rich.console import Console


class _Console(Console):
    """A console that tells when its reader went away, where rich would end the program with code 1."""

    def on_broken_pipe(self) -> None:
        """Say so to whoever printed."""
        raise BrokenPipeError


def new_console() -> Console:
    """Return where results are printed: the terminal, or 120 columns where there is none."""
    console = _Console(highlight=False)
    if not console.is_terminal:
        console.width = 120
    return console
