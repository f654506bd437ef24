"""No code decides by reading prose: what a sentence means is told by a field beside it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
PROSE = frozenset({"why", "reason", "hint", "says", "said", "demand", "text", "detail", "aborted", "proves"})
"""Names of what is written for people alone."""

READS = frozenset(
    {"startswith", "endswith", "partition", "rpartition", "split", "rsplit", "find", "index", "count"}
)
MATCHES = frozenset({"match", "fullmatch", "search", "findall", "finditer", "sub"})
ALLOWED = ("decode.py", "yamltree.py", "yamlvalues.py", "yamlerrors.py", "r0002_status_of_findings.py")
"""Where texts come in from outside: the lines of old logs and histories, and YAML."""


def _prose(node: ast.expr) -> bool:
    """Return whether an expression is prose of another object's; its own lines anybody may lay out."""
    if isinstance(node, ast.Attribute):
        return node.attr in PROSE and not (isinstance(node.value, ast.Name) and node.value.id == "self")
    if isinstance(node, ast.Subscript):
        return isinstance(node.slice, ast.Constant) and node.slice.value in PROSE
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
        if node.func.attr == "get":
            return any(isinstance(word, ast.Constant) and word.value in PROSE for word in node.args[:1])
        return _prose(node.func.value)  # .lower() and the like
    return isinstance(node, ast.Call) and any(
        isinstance(word, ast.Name) and word.id == "error" for word in node.args
    )


def _offenders(tree: ast.Module) -> Iterator[ast.expr]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            if any(isinstance(sign, ast.In | ast.NotIn) for sign in node.ops):
                yield from (node for one in node.comparators if _prose(one))
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            if node.func.attr in READS and _prose(node.func.value):
                yield node
            if node.func.attr in MATCHES and any(map(_prose, node.args)):
                yield node


def test_no_machine_reads_prose() -> None:
    """Reasons, hints and demands are made last and parsed nowhere; the text of an error is not read either."""
    offenders = [
        f"{path.relative_to(ROOT)}:{node.lineno}: {ast.unparse(node)}"
        for folder in ("bench", "harness")
        for path in sorted((ROOT / folder).rglob("*.py"))
        if path.name not in ALLOWED
        for node in _offenders(ast.parse(path.read_text(encoding="utf-8")))
    ]
    assert offenders == []
