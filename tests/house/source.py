"""What the tests of the house read: every module as a syntax tree, with its name, its package and its imports."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROOTS = (ROOT / "bench", ROOT / "harness")
NAMES = ("ventproof_bench", "ventproof")


@dataclass(frozen=True)
class Module:
    """One module: its dotted name, its package's, its place, its text and its tree."""

    name: str
    package: str
    path: Path
    text: str
    tree: ast.Module

    @property
    def place(self) -> str:
        """Where it stands, from the top of the repository."""
        return str(self.path.relative_to(ROOT))

    @property
    def imports(self) -> frozenset[str]:
        """Every module that it imports, deferred and for types alone too; names count with their modules."""
        return _imports(self)


@cache
def _imports(module: Module) -> frozenset[str]:
    names = set()
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module.place}:{node.lineno}: a relative import"
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return frozenset(names)


@cache
def modules() -> tuple[Module, ...]:
    """Every module below bench/ and harness/, packages' own included."""
    found = []
    for root in ROOTS:
        for path in sorted(root.rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            own = parts[:-1] if parts[-1] == "__init__" else parts
            package = own if parts[-1] == "__init__" else parts[:-1]
            if package == ("ventproof",) and own != package:
                package = own  # a module beside the packages is one of its own
            text = path.read_text(encoding="utf-8")
            found.append(Module(".".join(own), ".".join(package), path, text, ast.parse(text)))
    return tuple(found)


@cache
def names() -> frozenset[str]:
    """The dotted names of all modules and packages."""
    return frozenset(module.name for module in modules())


def none_of(offenders: Iterable[object] | Mapping[str, object]) -> None:
    """Fail with all offenders, a line each."""
    if isinstance(offenders, Mapping):
        offenders = [f"{name}: {what}" for name, what in offenders.items()]
    lines = sorted(map(str, offenders))
    assert not lines, "\n".join(["", *lines])


def short(package: str) -> str:
    """A package's name without the root: `ventproof_bench.mock.wires` is `mock.wires`."""
    return package.partition(".")[2] or package
