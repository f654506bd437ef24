"""Explain, schema."""

from __future__ import annotations

import json
import shutil
import textwrap
from typing import Any, Final

import click

_WIDEST: Final = 100


@click.command("explain")
@click.argument("word", nargs=-1)
def explain(word: tuple[str, ...]) -> None:
    """Explain WORD with an example. Without a word, list the words."""
    from ventproof.reference import words as glossary  # noqa: PLC0415 - pydantic is slow to import

    if word:
        click.echo(_wrapped(glossary.explain(" ".join(word))))
        return
    for heading, words in glossary.grouped().items():
        click.echo(f"{heading}\n{_in_lines(words)}\n")
    click.echo(
        "`ventproof explain WORD` explains a word, `ventproof explain faults` lists the mock's faults."
    )


def _wrapped(told: str) -> str:
    """Return what a word means as wide as the terminal; the lines of its examples stay as they are."""
    shown: list[str] = []
    in_example = False
    for line in told.splitlines():
        in_example = line == "Example:" or (in_example and (not line or line.startswith(_EXAMPLE)))
        if in_example or len(line) <= _width():
            shown.append(line)
            continue
        indent = line[: len(line) - len(line.lstrip())]
        further = indent if indent == _EXAMPLE else f"{indent}{_EXAMPLE}"
        shown += textwrap.wrap(line, _width(), subsequent_indent=further, break_on_hyphens=False)
    return "\n".join(shown)


_EXAMPLE: Final = "    "


def _width() -> int:
    return min(shutil.get_terminal_size().columns, _WIDEST)


def _in_lines(words: list[str]) -> str:
    """Return words side by side, indented, none of them parted, as wide as the terminal."""
    tied = ", ".join(word.replace(" ", "\xa0") for word in words)
    lines = textwrap.fill(tied, _width(), initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
    return lines.replace("\xa0", " ")


@click.command("schema")
@click.argument(
    "kind",
    metavar="KIND",
    type=click.Choice(
        ["profile", "bench", "table", "acceptance", "waivers", "rack", "results", "comparison", "trend"]
    ),
)
def schema(kind: str) -> None:
    """Print the JSON Schema of KIND, for editors that check YAML while it is typed.

    KIND is profile, bench, table, acceptance, waivers or rack.

    For programs, there are those of the JSON files: `results` of `ventproof report -o FILE.json`, `comparison` and
    `trend` of `ventproof compare` and `ventproof trend`.
    """
    click.echo(json.dumps(_schema_of(kind), indent=2, ensure_ascii=False))


def _schema_of(kind: str) -> dict[str, Any]:
    match kind:
        case "results":
            from ventproof.export.results import results_schema  # noqa: PLC0415 - pydantic is slow to import

            return results_schema()
        case "comparison" | "trend":
            from ventproof.compare.published import schema_of_comparison, schema_of_trend  # noqa: PLC0415 - as above

            return schema_of_comparison() if kind == "comparison" else schema_of_trend()
        case _:
            from ventproof.reference.schema import schema as schema_of  # noqa: PLC0415 - as above

            return schema_of(kind)
