"""`ventproof explain`: what a word of the files means."""

from __future__ import annotations

import click


@click.command("explain")
@click.argument("word", nargs=-1)
def command(word: tuple[str, ...]) -> None:
    """Say what WORD means, with an example; without a word, list the words."""
    from harness.profile.words import explain, words  # noqa: PLC0415 - pydantic is slow to import

    click.echo(explain(" ".join(word)) if word else "\n".join(words()))
