"""README.md and DEVELOPERS.md name commands, options, words, targets and files that there are."""

from __future__ import annotations

import re
import shlex
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
    name, *rest = shlex.split(call.removeprefix("ventproof "))
    if name.startswith("-"):
        return
    if name == "COMMAND":
        name, rest = "run", ["--help"]
    context = click.Context(program)
    command = program.get_command(context, name)
    assert command is not None
    if isinstance(command, click.Group) and rest:
        command = command.commands.get(rest[0], command)
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


def test_the_first_commands_of_the_readme_work_as_they_stand(ventproof, tmp_path, monkeypatch):
    """The table is written where README says, and its three commands draft, run and report a pass."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench").symlink_to(ROOT / "bench")
    lead = PAGES["README.md"].partition("## Begin\n")[2].partition("\n## ")[0]
    table, commands = FENCE.findall(lead)
    assert len(table.splitlines()) <= 14
    (tmp_path / "overrides.yaml").write_text(table, encoding="utf-8")
    calls = [line.split()[1:] for line in commands.splitlines()]
    assert [call[0] for call in calls] == ["draft", "run", "report"]
    outs = []
    for call in calls:
        code, out, err = ventproof(*call)
        assert code == 0, err
        outs.append(out)
    assert "6 of 7 lines of overrides.yaml would be proved by runs that pass" in " ".join(outs[0].split())
    assert "acceptance.html: pass: Unit V-1042, firmware 3.1. 3 runs: 3 passed." in outs[2]
    page = (tmp_path / "acceptance.html").read_text(encoding="utf-8")
    assert "Osmerley house 3, roof vent" in page
