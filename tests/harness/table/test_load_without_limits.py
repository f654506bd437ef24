"""A condition that does not say where it begins is refused with its place, in every table that ships."""

from __future__ import annotations

import re

import pytest

from ventproof.cli.options import SHIPPED_BENCH
from ventproof.table.load import read_table
from ventproof_bench.base.errors import FileError

TABLES = [SHIPPED_BENCH.with_name(f"{name}-overrides.yaml") for name in ("mock", "snow-house", "wind-house")]
LIMITS = [
    (path.stem, *found.span())
    for path in TABLES
    for found in re.finditer(r"\b(above|below): [^,}\n]+, ", path.read_text(encoding="utf-8"))
]


@pytest.mark.parametrize(("table", "begin", "end"), LIMITS)
def test_a_condition_without_its_limit_is_the_only_message(table, begin, end):
    """Nothing that follows from the lack is said, and nothing breaks on it."""
    text = SHIPPED_BENCH.with_name(f"{table}.yaml").read_text(encoding="utf-8")
    with pytest.raises(FileError) as refused:
        read_table("table.yaml", text[:begin] + text[end:])
    line = text.count("\n", 0, begin) + 1
    assert [(problem.line, problem.reason) for problem in refused.value.problems] == [
        (line, "nothing says at which value it begins")
    ]


def test_every_shipped_table_has_such_limits():
    """Else the test above would test nothing."""
    assert {name for name, *_ in LIMITS} == {path.stem for path in TABLES}
