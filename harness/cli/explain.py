"""`ventproof explain`: what a word of the files means."""

from __future__ import annotations

import click


@click.command("explain")
@click.argument("word", required=False)
def command(word: str | None) -> None:
    """Say what WORD means, with an example; without a word, list the words."""
    from harness.profile.words import explain, words  # noqa: PLC0415 - pydantic is slow to import

    click.echo(explain(word) if word else "\n".join(words()))
