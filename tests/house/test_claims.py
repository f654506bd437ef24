"""What every test, every command and the top of the repository hold to."""

from __future__ import annotations

import ast

from source import ROOT, none_of


def test_every_test_says_what_it_claims():
    """Each test has a docstring of one sentence or more."""
    silent = [
        f"{path.relative_to(ROOT)}: {node.name}"
        for path in sorted((ROOT / "tests").rglob("test_*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_")
        if not ast.get_docstring(node)
    ]
    none_of(silent)


def test_tests_mirror_the_packages():
    """A test of a module stands in the folder of its package and begins with the module's name."""
    lost = []
    for side, root in (("bench", "bench/ventproof_bench"), ("harness", "harness/ventproof")):
        for path in sorted((ROOT / "tests" / side).rglob("test_*.py")):
            folder = ROOT / root / path.parent.relative_to(ROOT / "tests" / side)
            words = path.stem.removeprefix("test_").split("_")
            stems = {"_".join(words[:count]) for count in range(1, len(words) + 1)}
            named = {module.stem for module in folder.glob("*.py")} | {folder.name}
            if not stems & named and folder.name != "cli":
                lost.append(str(path.relative_to(ROOT)))
    none_of(lost)


def test_importing_the_command_line_stays_cheap():
    """`ventproof --help` needs click and nothing heavy: no third-party import at the top of its first modules."""
    for module in ("harness/ventproof/cli/__init__.py", "harness/ventproof/verdict/finding.py"):
        tree = ast.parse((ROOT / module).read_text(encoding="utf-8"))
        top = {alias.name for node in tree.body if isinstance(node, ast.Import) for alias in node.names}
        top |= {node.module for node in tree.body if isinstance(node, ast.ImportFrom)}
        roots = {name.partition(".")[0] for name in top}
        assert not roots & {"pydantic", "numpy", "scipy", "rich", "sqlalchemy", "pymodbus", "hypothesis"}, (
            module
        )


def test_the_top_level_is_fixed():
    """Nobody adds a folder or file to the top of the repository in passing."""
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "Makefile", "LICENSE", "constraints.txt"}
    allowed |= {"harness", "bench", "profiles", "tests", "records"}
    assert {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} <= allowed
