"""`ventproof schema`: JSON Schema for editors, and of the results that ventproof writes for other programs."""

from __future__ import annotations

import json

import click


@click.command("schema")
@click.argument("kind", metavar="KIND", type=click.Choice(["profile", "bench", "table", "results"]))
def schema(kind: str) -> None:
    """Print the JSON Schema of KIND (profile, bench, table or results), for editors that check YAML while it is typed.

    `results` are what `ventproof report -o FILE.json` writes, for programs that read them.
    """
    from harness.profile.schema import schema as schema_of  # noqa: PLC0415 - pydantic is slow to import
    from harness.record.outputs.results import results_schema  # noqa: PLC0415

    made = results_schema() if kind == "results" else schema_of(kind)
    click.echo(json.dumps(made, indent=2, ensure_ascii=False))
