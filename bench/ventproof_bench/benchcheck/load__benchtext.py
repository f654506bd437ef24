"""Bench files with another mock unit, text included, so that a log pins what was run."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import yaml

from bench.benchfile import read_bench
from bench.yamltree import Table, as_data

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.document import Loaded
    from bench.wiring import BenchFile

_WHOLE_SECONDS: Final = re.compile(r"(\d+)\.0 s")


def with_mock(bench: Loaded[BenchFile], mock: Mapping[str, Any]) -> Loaded[BenchFile]:
    """Return a bench file with another mock section; the rest stays as it was written.

    Args:
        bench: a bench file that has a mock.
        mock: the section, as YAML data.

    Raises:
        FileError: the section is wrong.
    """
    return read_bench(bench.path, _spliced(bench, dict(mock)))


def with_faults(bench: Loaded[BenchFile], faults: Mapping[str, float]) -> Loaded[BenchFile]:
    """Return a bench file whose mock unit has these faults beside its own, each with its severity.

    Args:
        bench: a bench file that has a mock.
        faults: known faults that the unit can have.
    """
    if not faults:
        return bench
    assert bench.model.mock is not None, "who asks has looked"
    tree = bench.tree
    assert isinstance(tree, Table), "a bench file is a mapping"
    mock = as_data(tree)["mock"]
    return with_mock(bench, {**mock, "faults": {**bench.model.mock.faults, **faults}})


def _spliced(bench: Loaded[BenchFile], mock: dict[str, Any]) -> str:
    """Return the bench file's text with another mock section; the rest stays as it was written."""
    tree = bench.tree
    assert isinstance(tree, Table), "a bench file is a mapping"
    if any(entry.column > 1 for entry in tree.entries.values()):  # written in braces
        return yaml.safe_dump({**as_data(tree), "mock": mock}, sort_keys=False, allow_unicode=True)
    entries = sorted(tree.entries.items(), key=lambda item: item[1].line)
    section = yaml.safe_dump(
        {"mock": mock}, sort_keys=False, allow_unicode=True, default_flow_style=None, width=110
    )
    section = _WHOLE_SECONDS.sub(r"\1 s", section)
    lines = bench.text.splitlines(keepends=True)
    begin = next(entry.line for key, entry in entries if key == "mock") - 1
    after = [entry.line - 1 for _, entry in entries if entry.line - 1 > begin]
    end = after[0] if after else len(lines)
    return "".join((*lines[:begin], section, *lines[end:]))
