"""README.md and DEVELOPERS.md name commands, options, words, targets and files that there are."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from ventproof.cli import ventproof as program
from ventproof.reference.words import explain

ROOT = Path(__file__).parents[3]
PAGES = {name: (ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md")}
FENCE = re.compile(r"```\w*\n(.*?)```", re.DOTALL)
CODE = [
    line.strip()
    for text in PAGES.values()
    for line in (
        *"".join(FENCE.findall(text)).splitlines(),
        *(" ".join(span.split()) for span in re.findall(r"`([^`]+)`", FENCE.sub("", text))),
    )
]
CALLS = sorted({line for line in CODE if re.match(r"(ventproof|run|explain) \S", line)})
FILES = sorted(
    {
        word
        for line in CODE
        for word in line.split()
        if re.fullmatch(r"(bench|harness|profiles|tests)/[\w/.-]*", word)
    }
)


@pytest.mark.parametrize("call", CALLS)
def test_a_call_names_a_command_and_options_that_there_are(call):
    """What README tells to type is known to the command line; a word that it tells to look up is explained."""
    name, *rest = call.removeprefix("ventproof ").split()
    if name.startswith("-"):
        return
    if name == "COMMAND":
        name, rest = "run", ["--help"]
    context = click.Context(program)
    command = program.get_command(context, name)
    assert command is not None
    known = {option for param in command.get_params(click.Context(command)) for option in param.opts}
    assert {word for word in rest if word.startswith("-")} <= known
    if name == "explain" and rest and rest[0].islower():
        assert explain(rest[0])


def test_targets_and_files_are_there():
    """Every `make` target and every file or folder that is named exists."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = {line.split()[1] for line in CODE if line.startswith("make ")}
    assert targets <= set(re.findall(r"^(\w+):", makefile, flags=re.MULTILINE))
    assert [path for path in FILES if not (ROOT / path).exists()] == []
