"""`ventproof explain`: what a word of the files means."""

from __future__ import annotations

import shutil
import textwrap
from typing import Final

import click

_WIDEST: Final = 100


@click.command("explain")
@click.argument("word", nargs=-1)
def command(word: tuple[str, ...]) -> None:
    """Say what WORD means, with an example; without a word, list the words."""
    from harness.profile.words import explain, grouped  # noqa: PLC0415 - pydantic is slow to import

    if word:
        click.echo(explain(" ".join(word)))
        return
    for heading, words in grouped().items():
        click.echo(f"{heading}\n{_in_lines(words)}\n")
    click.echo(
        "`ventproof explain WORD` says what a word means, `ventproof explain faults` lists the mock's faults."
    )


def _in_lines(words: list[str]) -> str:
    """Return words side by side, indented, none of them parted, as wide as the terminal."""
    width = min(shutil.get_terminal_size().columns, _WIDEST)
    tied = ", ".join(word.replace(" ", "\xa0") for word in words)
    lines = textwrap.fill(tied, width, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
    return lines.replace("\xa0", " ")
