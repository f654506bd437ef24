"""`ventproof schema`: JSON Schema for editors."""

from __future__ import annotations

import json

import click


@click.command("schema")
@click.argument("kind", type=click.Choice(["profile", "bench", "table"]))
def command(kind: str) -> None:
    """Print the JSON Schema of KIND, for editors that check YAML while it is typed."""
    from harness.profile.schema import schema  # noqa: PLC0415 - pydantic is slow to import

    click.echo(json.dumps(schema(kind), indent=2, ensure_ascii=False))
